package rules

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"plugproof/profiles"
	"plugproof/profiles/evidence"
	"plugproof/profiles/stages"
)

// permitRules follow what people ask for, and name what keeps the replaced unit
// from granting it.
func permitRules() []Rule {
	judge := func(rule string, names ...string) func(c *Case, r *Results) {
		return func(c *Case, r *Results) {
			for _, name := range names {
				judgePermit(c, r, rule, name)
			}
		}
	}
	return []Rule{
		{"handshake/start-permit", "the engine is not cranked", judge("handshake/start-permit", "start")},
		{"handshake/air-con-blocked", "the air-con never engages", judge("handshake/air-con-blocked", "air-con")},
		{"handshake/cruise-inhibited", "no cruise control", judge("handshake/cruise-inhibited", "cruise", "cruise-set")},
	}
}

// grantPatience is for how long a standing request may wait for an ordinary
// reason to pass, ns (request for air-con unanswered for 10 s; common practice).
const grantPatience = 10e9

// unmet is a request that nothing came of, and the first inhibitor that held.
type unmet struct {
	at   int64
	by   int // index of the inhibitor; -1: none holds
	kind excuse
}

// excuse says what an inhibitor is worth.
type excuse int

const (
	fault    excuse = iota // something is wrong
	ownWord                // an ordinary reason, by the word of the replaced unit itself
	ordinary               // an ordinary reason, by other units
)

// judgePermit judges one permit by every request in the capture.
func judgePermit(c *Case, r *Results, rule, name string) {
	p := c.Setting.Permits[name]
	if p == nil || unjudgeable(r) || c.Scope != Car || p.Changes != "" && r.Has("capture/frames-lost", "") {
		return // a change that was not recorded is none that was not made
	}
	target := p.Changes
	if target == "" {
		target = p.Granted[0].Signal
	}
	message, signal := target.Split()
	if c.Evidence.Messages[message].Seen() == 0 || r.blocked(message) || r.hasOn(target) && !r.hasFrozen(target) {
		return
	}
	requests := c.requests(p, r)
	missed := c.unmetRequests(p, r, requests)
	missed = slices.DeleteFunc(missed, func(u unmet) bool { return u.kind == ordinary })
	if len(missed)*2 <= len(requests) {
		return
	}
	slices.SortStableFunc(missed, func(a, b unmet) int { return firstOf(a.by) - firstOf(b.by) })
	first := missed[0]
	f := About(rule, Fail, c.Setting.Message(message))
	f.Signal, f.Listener = signal, c.Setting.Functions[p.Function].Ends
	f.Function, f.Functions = p.Function, []string{p.Function}
	if first.kind == ownWord {
		f.Verdict = Review
	}
	what := p.Title
	if what == "" {
		what = "a request for " + name
	}
	f.Text = fmt.Sprintf("%s stays without result in %d of %d cases", what, len(missed), len(requests))
	f.Text, f.NextStep = f.Text+c.because(p, r, first), c.nextFor(p, first)
	f.FirstTime, f.HasTime, f.Count = earliest(missed), true, uint64(len(missed))
	f.Example = c.example(&c.Evidence.Messages[message].Stream.LastFrame)
	from := c.Setting.Origin("$.permits." + name + ".within").String()
	r.instead("signal/frozen", f.measured(float64(len(missed)), 0.5*float64(len(requests)), "requests", from))
}

// firstOf orders inhibitors as they are listed, none last.
func firstOf(by int) int {
	if by < 0 {
		return math.MaxInt32
	}
	return by
}

func earliest(missed []unmet) int64 {
	at := missed[0].at
	for _, u := range missed {
		at = min(at, u.at)
	}
	return at
}

// because names the first true inhibitor.
func (c *Case) because(p *profiles.Permit, r *Results, u unmet) string {
	if u.by < 0 {
		return "; none of the known reasons holds"
	}
	in := &p.Inhibitors[u.by]
	text := "; the first reason that holds: " + in.Says
	if refs := inhibitorSignals(in); len(refs) > 0 {
		text += " (" + strings.Join(refs, ", ") + ")"
	}
	if rule, failed := r.Failed(string(in.Missing)); in.Missing != "" && failed {
		text += " (" + rule + ")"
	}
	return text
}

// nextFor says what to do about the first true inhibitor.
func (c *Case) nextFor(p *profiles.Permit, u unmet) string {
	switch {
	case u.by < 0:
		return "check that the function is switched on in the new ECU, and its inputs: nothing on the bus explains it"
	case u.kind == ownWord:
		return "the new ECU gives that reason itself: check that it is true"
	}
	return "mend the first reason, then try again: the next one may lie behind it"
}

// requests returns the stretches in which something is asked for, by other units;
// none where their messages did not pass.
func (c *Case) requests(p *profiles.Permit, r *Results) (spans stages.Spans) {
	for _, condition := range p.Asked {
		if r.blocked(c.messageOf(condition.Signal)) {
			return nil
		}
	}
	for _, span := range stages.Holding(c.Evidence, p.Asked) {
		long := p.Changes != "" || span.End-span.Start >= int64(p.Within)
		if long && span.Start > c.Evidence.Start+int64(profiles.DefaultGrace)/4 {
			spans = append(spans, span)
		}
	}
	return spans
}

// unmetRequests returns those requests of which nothing came.
func (c *Case) unmetRequests(p *profiles.Permit, r *Results, requests stages.Spans) (list []unmet) {
	var granted stages.Spans
	if len(p.Granted) > 0 {
		granted = stages.Holding(c.Evidence, p.Granted)
	}
	for _, span := range requests {
		due := span.Start + int64(p.Within)
		if due > c.Evidence.End {
			continue
		}
		soon := stages.Span{Start: span.Start, End: due}
		late := stages.Span{Start: span.Start, End: min(span.End, span.Start+grantPatience)}
		met, metLate := touches(granted, soon), touches(granted, late)
		if p.Changes != "" {
			met, metLate = c.changesWithin(p.Changes, soon), false
		}
		if met {
			continue
		}
		u := c.inhibited(p, r, stages.Span{Start: span.Start, End: min(span.End, due)})
		if metLate && u.kind == ownWord {
			continue // the reason has passed, and then it was granted
		}
		list = append(list, u)
	}
	return list
}

// touches reports whether one of the spans overlaps with another one.
func touches(spans stages.Spans, with stages.Span) bool {
	return slices.ContainsFunc(spans, func(s stages.Span) bool { return s.Start <= with.End && s.End > with.Start })
}

// changesWithin reports whether a signal changes within a span; where the list
// of its changes ends before, it is taken to.
func (c *Case) changesWithin(ref profiles.SignalRef, span stages.Span) bool {
	s := c.signalOf(ref)
	if s == nil || s.Changes == nil {
		return true
	}
	steps := s.Changes.Steps()
	if int(s.Changes.Count()) >= len(steps) && len(steps) > 0 && steps[len(steps)-1].Time < span.Start {
		return true
	}
	for i := 1; i < len(steps); i++ {
		if steps[i].Time > span.Start && steps[i].Time <= span.End {
			return true
		}
	}
	return false
}

// signalOf returns what the capture shows of a signal, nil when it never came.
func (c *Case) signalOf(ref profiles.SignalRef) *evidence.Signal {
	message, signal := ref.Split()
	if m := c.Evidence.Messages[message]; m != nil && m.Seen() > 0 {
		return m.Signals[signal]
	}
	return nil
}

// inhibited finds the first inhibitor that holds during a request.
func (c *Case) inhibited(p *profiles.Permit, r *Results, span stages.Span) unmet {
	for i := range p.Inhibitors {
		in := &p.Inhibitors[i]
		if !c.inhibits(in, r, span) {
			continue
		}
		u := unmet{at: span.Start, by: i}
		switch {
		case in.Ordinary && c.isOwnWord(in):
			u.kind = ownWord
		case in.Ordinary:
			u.kind = ordinary
		}
		return u
	}
	return unmet{at: span.Start, by: -1}
}

// isOwnWord reports whether only the replaced unit says that an inhibitor holds.
func (c *Case) isOwnWord(in *profiles.Inhibitor) bool {
	return slices.ContainsFunc(in.When, func(w profiles.Condition) bool {
		m := c.Setting.Message(c.messageOf(w.Signal))
		return m != nil && c.Own(m)
	})
}

// inhibits reports whether an inhibitor holds during most of a span, and for as
// long as it must.
func (c *Case) inhibits(in *profiles.Inhibitor, r *Results, span stages.Span) bool {
	if in.Missing != "" {
		return c.Evidence.Messages[string(in.Missing)].Seen() == 0 || r.blocked(string(in.Missing))
	}
	var spans stages.Spans
	if len(in.When) > 0 {
		spans = stages.Holding(c.Evidence, in.When)
	} else {
		spans = c.differing(in.Differ[0], in.Differ[1])
	}
	return slices.ContainsFunc(spans, func(s stages.Span) bool {
		overlap := min(s.End, span.End) - max(s.Start, span.Start)
		return 2*overlap > span.End-span.Start && s.End-s.Start >= int64(in.Lasting)
	})
}

// differing returns the spans in which two signals stand at different raw values.
func (c *Case) differing(a, b profiles.SignalRef) (spans stages.Spans) {
	x, y := c.signalOf(a), c.signalOf(b)
	if x == nil || y == nil || x.Changes == nil || y.Changes == nil {
		return nil
	}
	xs, ys := x.Changes.Steps(), y.Changes.Steps()
	end := min(x.LastTime, y.LastTime)
	for i, j := 0, 0; i < len(xs) && j < len(ys); {
		from, to := max(xs[i].Time, ys[j].Time), end
		if i+1 < len(xs) {
			to = min(to, xs[i+1].Time)
		}
		if j+1 < len(ys) {
			to = min(to, ys[j+1].Time)
		}
		if xs[i].Raw != ys[j].Raw && from < to {
			spans = append(spans, stages.Span{Start: from, End: to})
		}
		switch {
		case i+1 < len(xs) && (j+1 >= len(ys) || xs[i+1].Time <= ys[j+1].Time):
			i++
		default:
			j++
		}
	}
	return spans
}

// inhibitorSignals names what an inhibitor rests on.
func inhibitorSignals(in *profiles.Inhibitor) (names []string) {
	for _, w := range in.When {
		names = append(names, string(w.Signal))
	}
	for _, ref := range in.Differ {
		names = append(names, string(ref))
	}
	if in.Missing != "" {
		names = append(names, string(in.Missing))
	}
	return names
}
