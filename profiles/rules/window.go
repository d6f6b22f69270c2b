package rules

import (
	"cmp"
	"slices"
	"time"

	"plugproof/profiles"
	"plugproof/profiles/evidence"
	"plugproof/profiles/stages"
)

// window is the stretch of a capture in which the units are awake and expected
// to send, ns.
type window struct {
	start, end int64
	keyOn      bool // the key was turned on at start, within the capture
	perhaps    bool // it may have been turned on just when the capture began
	keyOff     bool // and off at end
	turned     bool // another unit's ignition state tells start, not a marker alone
}

// awake returns the stretch in which a message is expected: from key-on, where
// that is in the capture, to key-off. Where another unit tells of the key that is
// the instant, else it is the stage's. Stages that rest on the message itself do
// not count.
func (c *Case) awake(message string) window {
	w := window{start: c.Evidence.Start, end: c.Evidence.End}
	switch {
	case c.neverOn(message):
		w.end = w.start
		return w
	case len(c.Stages) == 0 && w.end-w.start <= int64(profiles.DefaultGrace):
		w.perhaps = true // it is over before anything could tell of the key
		return w
	}
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
	if at, ok := c.keyTurned(message, w.start); ok && w.keyOn {
		w.start, w.turned = at, true
	}
	if off := c.Stages.Of(message, "key-off"); len(off) > 0 {
		first := c.turnedOff(off)
		if first.Start > w.start && !c.after(first.Start) {
			w.end, w.keyOff = first.Start, true
		}
	}
	return w
}

// neverOn reports whether the key is off in the whole capture, as in one that
// begins after key-off: then nobody has to send, or to mean what is sent.
func (c *Case) neverOn(message string) bool {
	off := c.Stages.Of(message, "asleep", "key-off")
	return len(off) > 0 && off[0].Start-c.Evidence.Start < 1e9 &&
		c.Evidence.End-off[len(off)-1].End < int64(profiles.DefaultGrace) && !slices.ContainsFunc(c.Stages, on)
}

// handSlack is by how much a marker set by hand may be off the turn of the key, ns.
const handSlack = 3e9

// keyTurned returns when, near a stamp, another unit's ignition state turned to
// on: truer than a marker that somebody set by hand.
func (c *Case) keyTurned(message string, near int64) (at int64, ok bool) {
	stage := c.Setting.Stages["key-on"]
	if stage == nil {
		return 0, false
	}
	for _, condition := range slices.Concat(stage.When, stage.Otherwise) {
		name, signal := condition.Signal.Split()
		m := c.Setting.Message(name)
		if len(condition.Is) == 0 || name == message || m == nil || c.Own(m) {
			continue
		}
		s := c.Evidence.Messages[name].Signals[signal]
		if s == nil || s.Changes == nil {
			continue
		}
		for i, step := range s.Changes.Steps() {
			if i > 0 && slices.Contains(condition.Is, int64(step.Raw)) && step.Time > near-handSlack && step.Time < near+handSlack {
				return step.Time, true
			}
		}
	}
	return 0, false
}

// turnedOff returns the first of the last run of key-off stretches: a bus that
// falls asleep and wakes without the key may show several of them.
func (c *Case) turnedOff(off stages.Spans) stages.Span {
	for i := len(off) - 1; i > 0; i-- {
		if slices.ContainsFunc(c.Stages, func(s stages.Span) bool {
			return on(s) && s.Start >= off[i-1].Start && s.Start <= off[i].Start
		}) {
			return off[i]
		}
	}
	return off[0]
}

// on reports whether the key is on in a stage.
func on(s stages.Span) bool { return s.Stage != "asleep" && s.Stage != "key-off" }

// after reports whether the key is turned on again after t.
func (c *Case) after(t int64) bool {
	return slices.ContainsFunc(c.Stages, func(s stages.Span) bool { return on(s) && s.Start > t })
}

// breaks returns the stretches in which nobody need send a message, or nobody
// recorded: from key-off until the key is turned on again, pauses of the
// recording, and what lies between two captures. In order, without overlap.
func (c *Case) breaks(message string) []stretch {
	own := 0
	if m := c.Setting.Message(message); m != nil && c.Own(m) {
		own = 1
	}
	if c.breaksOf[own] == nil {
		c.breaksOf[own] = c.findBreaks(c.judged(message))
	}
	return c.breaksOf[own]
}

// findBreaks finds the breaks, those left out that rest on a message which is judged.
func (c *Case) findBreaks(judged func(string) bool) []stretch {
	list := []stretch{}
	for _, off := range c.Stages {
		if off.Stage != "key-off" || slices.ContainsFunc(off.RestsOn, judged) {
			continue
		}
		next := slices.IndexFunc(c.Stages, func(s stages.Span) bool { return on(s) && s.Start >= off.Start })
		if next >= 0 {
			list = append(list, stretch{off.Start, c.Stages[next].Start})
		}
	}
	for i := range c.Evidence.Pauses.First {
		pause := &c.Evidence.Pauses.First[i]
		list = append(list, stretch{pause.Frame.Time - pause.Gap, pause.Frame.Time})
	}
	for i := 1; i < len(c.Reports); i++ {
		if last, next := &c.Reports[i-1], &c.Reports[i]; last.Frames > 0 && next.Frames > 0 && next.FirstTime > last.LastTime {
			list = append(list, stretch{last.LastTime, next.FirstTime})
		}
	}
	return joined(list)
}

// judged reports of a message whether a break must not rest on it: it is the
// replaced unit's, as the one that is judged. Other units say of themselves when
// they sleep.
func (c *Case) judged(message string) func(string) bool {
	m := c.Setting.Message(message)
	return func(name string) bool {
		by := c.Setting.Message(name)
		return by != nil && c.Own(by) && m != nil && c.Own(m)
	}
}

// stretch is from start to end, ns.
type stretch struct{ start, end int64 }

// joined sorts stretches and joins those that overlap.
func joined(list []stretch) []stretch {
	out := []stretch{}
	slices.SortFunc(list, func(a, b stretch) int { return cmp.Compare(a.start, b.start) })
	for _, s := range list {
		if n := len(out); n > 0 && s.start <= out[n-1].end {
			out[n-1].end = max(out[n-1].end, s.end)
			continue
		}
		out = append(out, s)
	}
	return out
}

// broken returns for how long within [from, to] there was a break, ns.
func (c *Case) broken(message string, from, to int64) (ns int64) {
	for _, s := range c.breaks(message) {
		ns += max(0, min(to, s.end)-max(from, s.start))
	}
	return ns
}

// away reports whether a gap of a message lies over a break.
func (c *Case) away(message string, gap *evidence.Event) bool {
	return c.broken(message, gap.Frame.Time-gap.Gap, gap.Frame.Time) > 0
}

// unbroken cuts the breaks of a message out of spans. Where settle is positive, what follows a
// break begins that much later: units do not judge at once.
func (c *Case) unbroken(message string, spans stages.Spans, settle time.Duration) (out stages.Spans) {
	for _, span := range spans {
		for _, s := range c.breaks(message) {
			if s.start < span.End && s.end > span.Start {
				before := span
				before.End = s.start
				out = append(out, before)
				span.Start = s.end + int64(settle)
			}
		}
		out = append(out, span)
	}
	return slices.DeleteFunc(out, func(s stages.Span) bool { return s.End <= s.Start })
}

// asBaseline returns the baseline as a case of its own.
func (c *Case) asBaseline() *Case {
	return &Case{Setting: c.Setting, Evidence: c.Baseline, Stages: c.BaselineStages, Reports: c.BaselineReports}
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
func (c *Case) shared(s *evidence.Stream, e *evidence.Event) bool {
	most := func(silence evidence.Event) bool { return overlap(e, &silence) && silence.Gap*10 > e.Gap*6 }
	return slices.ContainsFunc(s.Bus.Silences.Worst, most) || slices.ContainsFunc(c.pauses(), most)
}

// overlap reports whether two gaps share some time.
func overlap(a, b *evidence.Event) bool {
	return a.Frame.Time-a.Gap < b.Frame.Time && b.Frame.Time-b.Gap < a.Frame.Time
}
