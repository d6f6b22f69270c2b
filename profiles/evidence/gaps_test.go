package evidence

import (
	"cmp"
	"slices"
	"testing"

	diff "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plugproof/decode/can"
)

// TestLongestGaps: the gaps that are kept are the longest, in order of the
// capture, and all are counted, wherever it is cut.
func TestLongestGaps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 5*MaxGaps).Draw(t, "gaps")
		kinds := rapid.Int64Range(1, 400).Draw(t, "kinds")
		seed := rapid.Int64Range(1, 1<<20).Draw(t, "seed")
		gap := func(i int) int64 { return (int64(i)*7919 + seed*int64(i)*int64(i)) % kinds }
		cuts := []int{rapid.IntRange(0, n).Draw(t, "cut"), rapid.IntRange(0, n).Draw(t, "cut"), n}
		slices.Sort(cuts)
		var got LongEvents
		from := 0
		for _, to := range cuts {
			var part LongEvents
			for i := from; i < to; i++ {
				part.add(&can.Frame{Time: int64(i)}, gap(i))
			}
			got.merge(&part)
			from = to
		}
		var want []Event
		for i := range n {
			want = append(want, Event{Frame: can.Frame{Time: int64(i)}, Gap: gap(i)})
		}
		first := want[:min(n, MaxEvents)]
		want = slices.Clone(want)
		slices.SortStableFunc(want, func(a, b Event) int { return cmp.Compare(b.Gap, a.Gap) })
		want = want[:min(n, MaxGaps)]
		slices.SortFunc(want, func(a, b Event) int { return cmp.Compare(a.Frame.Time, b.Frame.Time) })
		if d := diff.Diff(want, got.Worst); d != "" || got.Count != uint64(n) || len(got.First) != len(first) {
			t.Fatalf("%d counted of %d, %d first (-want +got):\n%s", got.Count, n, len(got.First), d)
		}
	})
}

// TestGapAfterManyGaps: forty small gaps do not hide the large one after them.
func TestGapAfterManyGaps(t *testing.T) {
	frames := drive(900)
	var late int64
	for i := range frames {
		if i%21 == 0 && i/21 < 80 {
			late += 30 * ms
		} else if i == 1700 {
			late += 2000 * ms
		}
		frames[i].Time += late
	}
	s := gather(testPlan(t, testBuses()), frames[:1000], frames[1000:]).Messages["Speed"].Stream
	if s.LongGaps.Count < 40 || len(s.LongGaps.First) != MaxEvents {
		t.Fatalf("%d long gaps, %d kept as the first", s.LongGaps.Count, len(s.LongGaps.First))
	}
	has := func(list []Event) bool {
		return slices.ContainsFunc(list, func(e Event) bool { return e.Gap > 2000*ms })
	}
	if has(s.LongGaps.First) || !has(s.LongGaps.Worst) || !has(s.Bus.Silences.Worst) {
		t.Errorf("the gap of 2 s is among the first %v, the longest %v, the bus's silences %v; want false, true, true",
			has(s.LongGaps.First), has(s.LongGaps.Worst), has(s.Bus.Silences.Worst))
	}
}
