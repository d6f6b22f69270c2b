package evidence

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

// long is a drive of the test's car that is long and varied enough to widen
// tracks, and to fill what is told apart of values, payloads and changes.
func long() []can.Frame {
	frames := drive(12_000)
	for i := range frames {
		f := &frames[i]
		if f.ID != 0x201 {
			continue
		}
		f.Data[2] = byte(i / 8) // Heat, whose greatest value is "not available"
		f.Data[7] = 0
		for _, b := range f.Data[:7] {
			f.Data[7] ^= b
		}
	}
	return frames
}

// TestGrainDoesNotShow: what a later stretch was told of those before it changes
// nothing but the work.
func TestGrainDoesNotShow(t *testing.T) {
	plan := testPlan(t, testBuses())
	frames := long()
	cut := func(fresh func() *Collector, told bool) (*Evidence, *Collector) {
		const stretch = 2500
		all, last := fresh(), (*Collector)(nil)
		var waiting []*Collector
		for rest := frames; len(rest) > 0; {
			n := min(stretch, len(rest))
			last = fresh()
			last.Add(rest[:n])
			rest = rest[n:]
			if waiting = append(waiting, last); told || len(rest) == 0 {
				for _, c := range waiting {
					all.Merge(c)
				}
				waiting = nil
			}
		}
		return all.Evidence(), last
	}
	want, fine := cut(plan.New, false)
	for _, told := range []bool{false, true} {
		got, coarse := cut(plan.Stretches(), told)
		if diff := cmp.Diff(want, got, everything()); diff != "" {
			t.Errorf("told %v (-alone +told):\n%s", told, diff)
		}
		a, b := fine.buses[0].standard[0x201].msg.signals, coarse.buses[0].standard[0x201].msg.signals
		rpm := b[0].plan.sig.Index
		if wider := b[rpm].Track.Width() > a[rpm].Track.Width(); wider != told {
			t.Errorf("told %v: buckets of %d ns, without %d: nothing was tested", told, b[rpm].Track.Width(), a[rpm].Track.Width())
		}
	}
	s := want.Messages["Speed"].Signals
	if !s["Heat"].MoreValues || len(s["Rpm"].Changes.Steps()) != MaxChanges || s["Heat"].NATrack == nil || len(want.Messages["Paged"].Signals["Page"].Values) != 2 {
		t.Error("the drive is not varied enough for this test")
	}
}
