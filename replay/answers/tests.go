package answers

import (
	"fmt"
	"math"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles/rules"
)

// inMS is a time as a figure of a finding.
func inMS(d time.Duration) *rules.Quantity {
	return &rules.Quantity{Value: float64(d) / float64(time.Millisecond), Unit: "ms"}
}

func rounded(d time.Duration) time.Duration { return d.Round(time.Millisecond) }

// arrival expects a message: early enough, and without gaps.
type arrival struct {
	e           *expectation
	seen        bool
	first, last time.Duration
	gap, gapAt  time.Duration // the longest, and its begin
	frames      [2]can.Frame  // the first, and that which ended the gap
}

func (a *arrival) add(t time.Duration, _ float64, _ *route, f *can.Frame) {
	if t < 0 {
		return // before anything was played
	}
	switch {
	case !a.seen:
		a.seen, a.first, a.frames[0] = true, t, *f
	case t-a.last > a.gap:
		a.gap, a.gapAt, a.frames[1] = t-a.last, a.last, *f
	}
	a.last = t
}

func (a *arrival) finding(end time.Duration) (f rules.Finding, shown *can.Frame) {
	f = rules.Finding{Rule: "answer/message", NextStep: "look for its sender: powered, awake, on this bus, and content with what it was sent"}
	within, every := time.Duration(a.e.Within), time.Duration(a.e.Every)
	gap, at, ended := a.gap, a.gapAt, &a.frames[1]
	if a.seen && end-a.last > gap {
		gap, at, ended = end-a.last, a.last, nil
	}
	switch {
	case !a.seen && end < max(within, every):
		f.Verdict, f.Text = rules.NotTestable, fmt.Sprintf("%s did not come, and the replay ended after %v", a.e.Message, rounded(end))
	case !a.seen:
		f.Verdict, f.Text = rules.Fail, fmt.Sprintf("%s never came", a.e.Message)
	case within > 0 && a.first > within:
		f.Verdict, f.Text = rules.Fail, fmt.Sprintf("%s came after %v, expected within %v", a.e.Message, rounded(a.first), within)
		f.Measured, f.Limit, f.FirstTime, f.HasTime = inMS(a.first), inMS(within), int64(a.first), true
		shown = &a.frames[0]
	case every > 0 && gap > every:
		f.Verdict, f.Text = rules.Fail, fmt.Sprintf("%s stayed away for %v, expected every %v", a.e.Message, rounded(gap), every)
		f.Measured, f.Limit, f.FirstTime, f.HasTime = inMS(gap), inMS(every), int64(at), true
		shown = ended
	default:
		f.Text = fmt.Sprintf("%s came after %v, its longest gap was %v", a.e.Message, rounded(a.first), rounded(gap))
	}
	return f, shown
}

// steadiness expects a signal to keep its value.
type steadiness struct {
	e          *expectation
	judged     uint64
	wrong      uint64
	wrongAt    time.Duration
	wrongValue float64
	frame      can.Frame
}

func (s *steadiness) add(t time.Duration, v float64, _ *route, f *can.Frame) {
	if t < time.Duration(s.e.From) || s.e.Until != 0 && t > time.Duration(s.e.Until) {
		return
	}
	s.judged++
	if v == s.e.target {
		return
	}
	if s.wrong++; s.wrong == 1 {
		s.wrongAt, s.wrongValue, s.frame = t, v, *f
	}
}

func (s *steadiness) finding(time.Duration) (f rules.Finding, shown *can.Frame) {
	f = rules.Finding{Rule: "answer/stays", Count: s.wrong, NextStep: "look at what was sent just before that, and at what its sender complains about"}
	switch {
	case s.judged == 0:
		f.Verdict, f.Text = rules.NotTestable, fmt.Sprintf("%s never came in the time that is judged", s.e.Signal)
		f.NextStep = "play for longer, or correct from and until"
	case s.wrong > 0:
		f.Verdict = rules.Fail
		f.Text = fmt.Sprintf("%s was %s after %v, expected to stay %s (%d of %d frames)",
			s.e.Signal, figure(s.wrongValue), rounded(s.wrongAt), *s.e.Stays, s.wrong, s.judged)
		f.FirstTime, f.HasTime = int64(s.wrongAt), true
		shown = &s.frame
	default:
		f.Text = fmt.Sprintf("%s stayed %s in all of %d frames", s.e.Signal, *s.e.Stays, s.judged)
	}
	return f, shown
}

// change expects a signal to take a value in some time.
type change struct {
	e      *expectation
	judged uint64
	met    bool
	after  time.Duration
	last   float64
	frame  can.Frame
}

func (c *change) add(t time.Duration, v float64, _ *route, f *can.Frame) {
	from := time.Duration(c.e.From)
	if t < from || t > from+time.Duration(c.e.Within) || c.met {
		return
	}
	c.judged++
	c.last, c.frame = v, *f
	if v == c.e.target {
		c.met, c.after = true, t-from
	}
}

func (c *change) finding(end time.Duration) (f rules.Finding, shown *can.Frame) {
	f = rules.Finding{Rule: "answer/becomes", Limit: inMS(time.Duration(c.e.Within)), NextStep: "look at whether what should cause it was played in that time"}
	if c.judged > 0 {
		shown = &c.frame
	}
	over := time.Duration(c.e.From) + time.Duration(c.e.Within)
	switch {
	case c.met:
		f.Measured = inMS(c.after)
		f.Text = fmt.Sprintf("%s became %s after %v", c.e.Signal, *c.e.Becomes, rounded(c.after))
	case end < over || c.judged == 0:
		f.Verdict, f.Limit = rules.NotTestable, nil
		f.Text = fmt.Sprintf("%s did not become %s, but it came %d times only before the replay ended", c.e.Signal, *c.e.Becomes, c.judged)
		f.NextStep = "play for longer"
	default:
		f.Verdict = rules.Fail
		f.Text = fmt.Sprintf("%s did not become %s within %v of %v: it was still %s",
			c.e.Signal, *c.e.Becomes, c.e.Within, c.e.From, figure(c.last))
		f.FirstTime, f.HasTime = int64(over), true
	}
	return f, shown
}

// figure writes a value.
func figure(v float64) string {
	if math.IsNaN(v) {
		return "not available"
	}
	return fmt.Sprintf("%g", v)
}
