package survey

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestTrackWidens(t *testing.T) {
	tr := NewTrack(4)
	for i, v := range []float64{5, 1, 9, 4} {
		tr.Add(int64(i)*ms, v)
	}
	want := []Bucket{
		{1, 5, 5, 5, 5, 0, 0}, {1, 1, 1, 1, 1, ms, ms}, {1, 9, 9, 9, 9, 2 * ms, 2 * ms}, {1, 4, 4, 4, 4, 3 * ms, 3 * ms},
	}
	if diff := cmp.Diff(want, tr.Buckets()); diff != "" || tr.Width() != ms {
		t.Fatalf("width %d: %s", tr.Width(), diff)
	}
	tr.Add(4*ms, math.NaN()) // takes no room
	tr.Add(4*ms, 7)
	want = []Bucket{{2, 1, 5, 5, 1, 0, ms}, {2, 4, 9, 9, 4, 2 * ms, 3 * ms}, {1, 7, 7, 7, 7, 4 * ms, 4 * ms}}
	if diff := cmp.Diff(want, tr.Buckets()); diff != "" || tr.Width() != 2*ms || tr.Start() != 0 || tr.NaNs() != 1 {
		t.Fatalf("width %d, start %d, %d NaNs: %s", tr.Width(), tr.Start(), tr.NaNs(), diff)
	}
	tr.Add(-1, 3) // before the first bucket
	if tr.Width() != 2*ms || tr.Start() != -2*ms || len(tr.Buckets()) != 4 || tr.Buckets()[0].Min != 3 || tr.End() != 6*ms {
		t.Fatalf("width %d, start %d: %+v", tr.Width(), tr.Start(), tr.Buckets())
	}
}

// The other track needs wider buckets, though its first and last would fit.
func TestTrackMergeWider(t *testing.T) {
	tr, next := NewTrack(5), NewTrack(5)
	tr.Add(0, 1)
	next.Add(0, 2)
	next.Add(5*ms, 3)
	tr.Merge(next)
	if b := tr.Buckets(); tr.Width() != 2*ms || len(b) != 2 || b[0].N != 2 || b[1].N != 1 || b[1].FirstTime != 5*ms || tr.StartOf(&b[1]) != 4*ms {
		t.Errorf("width %d: %+v", tr.Width(), b)
	}
	if at := tr.At(4 * ms); at == nil || at.First != 3 || tr.At(3*ms) != nil || tr.At(-1) != nil || tr.At(6*ms) != nil {
		t.Errorf("at 4 ms there is %+v; there is none at -1, 3 and 6 ms", at)
	}
}

func TestTrackExtremes(t *testing.T) {
	for _, limit := range []int{0, 4, 7, 256} {
		tr, other := NewTrack(limit), NewTrack(limit)
		for _, time := range []int64{0, math.MaxInt64, math.MinInt64, 1} {
			tr.Add(time, 1)
			other.Add(-time, 2)
		}
		tr.Merge(other)
		n := uint64(0)
		for _, b := range tr.Buckets() {
			n += b.N
		}
		if n != 8 || len(tr.Buckets()) > max(4, limit) {
			t.Errorf("limit %d: %d values in %d buckets", limit, n, len(tr.Buckets()))
		}
	}
}

type sample struct {
	time  int64
	value float64
}

// referenceTrack sorts the samples into buckets of the smallest width at which
// they fit, slowly.
func referenceTrack(samples []sample, limit int) (width int64, buckets map[int64]Bucket) {
	for width = trackBase; ; width *= 2 {
		buckets = map[int64]Bucket{}
		low, high := int64(math.MaxInt64), int64(math.MinInt64)
		for _, s := range samples {
			number := int64(math.Floor(float64(s.time) / float64(width)))
			low, high = min(low, number), max(high, number)
			b, ok := buckets[number]
			if !ok {
				b = Bucket{Min: s.value, Max: s.value, First: s.value, FirstTime: s.time, Last: s.value, LastTime: s.time}
			}
			b.N++
			b.Min, b.Max = min(b.Min, s.value), max(b.Max, s.value)
			if s.time < b.FirstTime {
				b.First, b.FirstTime = s.value, s.time
			}
			if s.time >= b.LastTime {
				b.Last, b.LastTime = s.value, s.time
			}
			buckets[number] = b
		}
		if high-low < int64(limit) {
			return width, buckets
		}
	}
}

func TestTrackReferenceAndMerge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.IntRange(4, 20).Draw(t, "limit")
		samples := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) sample {
			grain := int64(1) << rapid.IntRange(18, 32).Draw(t, "bits") // equal stamps occur
			return sample{grain * rapid.Int64Range(-20, 20).Draw(t, "time"), float64(rapid.IntRange(0, 9).Draw(t, "value"))}
		}), 1, 60).Draw(t, "samples")
		cut := rapid.IntRange(0, len(samples)).Draw(t, "cut")
		whole, first, second := NewTrack(limit), NewTrack(limit), NewTrack(limit)
		for i, s := range samples {
			whole.Add(s.time, s.value)
			if i < cut {
				first.Add(s.time, s.value)
			} else {
				second.Add(s.time, s.value)
			}
		}
		first.Merge(second)
		width, want := referenceTrack(samples, limit)
		for name, tr := range map[string]*Track{"whole": whole, "merged": first} {
			got := map[int64]Bucket{}
			for i, b := range tr.Buckets() {
				got[tr.StartOf(&b)/tr.Width()] = b
				if at := tr.At(tr.StartOf(&b)); b.N == 0 || at != &tr.Buckets()[i] {
					t.Fatalf("%s: bucket %d is %+v, but at its start there is %+v", name, i, b, at)
				}
			}
			if diff := cmp.Diff(want, got); diff != "" || tr.Width() != width {
				t.Fatalf("%s: width %d, want %d: %s", name, tr.Width(), width, diff)
			}
		}
	})
}

func TestTrackAllocations(t *testing.T) {
	tr := NewTrack(256)
	for i := range 100_000 {
		tr.Add(int64(i)*ms, float64(i))
	}
	now := 100_000 * ms
	if n := testing.AllocsPerRun(1000, func() { tr.Add(now, 1); now += ms }); n != 0 {
		t.Errorf("%v allocations for each value", n)
	}
}

func TestChanges(t *testing.T) {
	c := NewChanges(3)
	for i, raw := range []uint64{4, 4, 5, 5, 4, 6, 6} {
		c.Add(int64(i), raw)
	}
	if diff := cmp.Diff([]Step{{0, 4}, {2, 5}, {4, 4}}, c.Steps()); diff != "" || c.Count() != 3 {
		t.Errorf("%d changes: %s", c.Count(), diff)
	}
}

func TestChangesMerge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.IntRange(1, 6).Draw(t, "limit")
		values := rapid.SliceOf(rapid.Uint64Range(0, 2)).Draw(t, "values")
		cut := rapid.IntRange(0, len(values)).Draw(t, "cut")
		whole, first, second := NewChanges(limit), NewChanges(limit), NewChanges(limit)
		for i, raw := range values {
			whole.Add(int64(i), raw)
			if i < cut {
				first.Add(int64(i), raw)
			} else {
				second.Add(int64(i), raw)
			}
		}
		first.Merge(second)
		first.Add(int64(len(values)), 1) // the seam keeps the last value
		whole.Add(int64(len(values)), 1)
		if diff := cmp.Diff(whole.Steps(), first.Steps()); diff != "" || first.Count() != whole.Count() {
			t.Fatalf("%d changes merged, %d whole: %s", first.Count(), whole.Count(), diff)
		}
	})
}
