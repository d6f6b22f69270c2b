package rules

import (
	"time"

	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// window is the stretch of a capture in which the units are awake and expected
// to send, ns.
type window struct {
	start, end int64
	keyOn      bool // the key was turned on at start, within the capture
	perhaps    bool // it may have been turned on just when the capture began
	keyOff     bool // and off at end
}

// awake returns the stretch in which a message is expected: from key-on, where
// that is in the capture, to key-off. Stages that rest on the message itself do
// not count.
func (c *Case) awake(message string) window {
	w := window{start: c.Evidence.Start, end: c.Evidence.End}
	asleep := c.Stages.Of(message, "asleep")
	if len(asleep) > 0 && asleep[0].Start-w.start < 1e9 && asleep[0].End < w.end {
		w.start, w.keyOn = asleep[0].End, true
	}
	if on := c.Stages.Of(message, "key-on"); len(on) > 0 && on[0].Start > w.start+200e6 && !c.before(on[0].Start) {
		w.start, w.keyOn = on[0].Start, true
	}
	if on := c.Stages.Of(message, "key-on"); len(on) > 0 && on[0].Start <= w.start+200e6 {
		w.perhaps = true
	}
	if off := c.Stages.Of(message, "key-off"); len(off) > 0 && off[len(off)-1].Start > w.start {
		w.end, w.keyOff = off[len(off)-1].Start, true
	}
	return w
}

// before reports whether some stage of a running car comes before t: then the
// key-on at t is not the first.
func (c *Case) before(t int64) bool {
	for _, span := range c.Stages {
		if span.Stage != "asleep" && span.Stage != "key-on" && span.Start < t {
			return true
		}
	}
	return false
}

// settled returns the time from which a listener judges.
func (w window) settled(grace time.Duration) int64 {
	if w.keyOn || w.perhaps {
		return w.start + int64(grace)
	}
	return w.start
}

// enough is how long a window must be to prove a message absent, ns: three
// cycles, at least 2 s.
func enough(cycle time.Duration) int64 { return max(3*int64(cycle), 2e9) }

// cyclic reports whether a message comes by itself at a known pace.
func cyclic(m *profiles.MessageFacts) bool {
	return (m.Kind == profiles.Cyclic || m.Kind == profiles.Mixed) && m.Cycle.Value > 0
}

// timeless reports whether the stamps of the capture say nothing about gaps.
func (c *Case) timeless(r *Results) bool {
	return r.Has("capture/clumped-stamps", "") || c.Evidence.Start == c.Evidence.End
}

// shared reports whether a gap before an event was one of the whole bus: nobody
// sent, or nobody was recorded.
func shared(s *evidence.Stream, e *evidence.Event) bool {
	for i := range s.Bus.Silences.First {
		silence := &s.Bus.Silences.First[i]
		from, to := silence.Frame.Time-silence.Gap, silence.Frame.Time
		if e.Frame.Time-e.Gap <= to && from <= e.Frame.Time && silence.Gap*10 > e.Gap*6 {
			return true
		}
	}
	return false
}
