package answers

import (
	"fmt"
	"math"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles/rules"
)

// pursuit expects a signal to follow another: at every moment it has a value
// between the least and the greatest that the other had lately.
type pursuit struct {
	e      *expectation
	ratio  float64
	window time.Duration

	// The values of the leading signal within the window, and the last before it:
	// a value stands until the next one. Equal ones in a row are kept once.
	lead    []sample
	some    bool    // it had a value
	known   float64 // the first
	moved   bool    // it had another
	dropped bool    // more of them than fit

	judged, wrong uint64
	at            time.Duration
	value         float64
	least, most   float64 // that were allowed then
	frame         can.Frame
}

type sample struct {
	t time.Duration
	v float64
}

// maxSamples bounds the window: more than a second of the fastest message.
const maxSamples = 4096

func newPursuit(e *expectation) *pursuit {
	p := &pursuit{e: e, ratio: 1, window: time.Duration(e.Within)}
	if e.Ratio != nil {
		p.ratio = *e.Ratio
	}
	return p
}

func (p *pursuit) add(t time.Duration, v float64, r *route, f *can.Frame) {
	if r.leading {
		p.leads(t, float64(v*p.ratio))
		return
	}
	if t < time.Duration(p.e.From) || p.e.Until != 0 && t > time.Duration(p.e.Until) {
		return
	}
	least, most, ok := p.allowed(t)
	if !ok {
		return
	}
	p.judged++
	off := max(least-v, v-most)
	if math.IsNaN(v) {
		off = math.Inf(1)
	}
	if !(off > p.e.Off) {
		return
	}
	if p.wrong++; p.wrong == 1 {
		p.at, p.value, p.least, p.most, p.frame = t, v, least, most, *f
	}
}

// leads takes a value of the leading signal.
func (p *pursuit) leads(t time.Duration, v float64) {
	n := len(p.lead)
	if n > 0 && (p.lead[n-1].v == v || math.IsNaN(p.lead[n-1].v) && math.IsNaN(v)) {
		return
	}
	switch {
	case math.IsNaN(v):
	case !p.some:
		p.some, p.known = true, v
	case v != p.known:
		p.moved = true
	}
	if n == maxSamples {
		p.lead = append(p.lead[:0], p.lead[1:]...)
		p.dropped = true
	}
	p.lead = append(p.lead, sample{t, v})
}

// allowed returns the range of the leading signal over the window that ends at
// t; false where it had no value in a part of it.
func (p *pursuit) allowed(t time.Duration) (least, most float64, ok bool) {
	from := t - p.window
	for len(p.lead) > 1 && p.lead[1].t <= from {
		p.lead = append(p.lead[:0], p.lead[1:]...)
	}
	if len(p.lead) == 0 || p.lead[0].t > from {
		return 0, 0, false
	}
	least, most = math.Inf(1), math.Inf(-1)
	for _, s := range p.lead {
		if math.IsNaN(s.v) {
			return 0, 0, false
		}
		least, most = min(least, s.v), max(most, s.v)
	}
	return least, most, true
}

func (p *pursuit) finding(time.Duration) (f rules.Finding, shown *can.Frame) {
	f = rules.Finding{Rule: "answer/follows", Count: p.wrong, NextStep: "look at whether its sender hears the other signal: cycle, counter, checksum, value"}
	switch {
	case p.wrong > 0:
		f.Verdict = rules.Fail
		f.Text = fmt.Sprintf("%s was %s after %v, while %s had been %s in the %v before (%d of %d frames)",
			p.e.Signal, figure(p.value), rounded(p.at), p.e.Follows, span(p.least, p.most), p.e.Within, p.wrong, p.judged)
		f.FirstTime, f.HasTime = int64(p.at), true
		shown = &p.frame
	case p.judged == 0 || !p.moved:
		f.Verdict, f.NextStep = rules.NotTestable, "play something in which it moves"
		f.Text = fmt.Sprintf("%s: %s never moved", p.e.Signal, p.e.Follows)
		if p.judged == 0 {
			f.Text = fmt.Sprintf("%s never came while %s had a value", p.e.Signal, p.e.Follows)
		}
	case p.dropped:
		f.Verdict, f.NextStep = rules.NotTestable, "a shorter within"
		f.Text = fmt.Sprintf("%s changes more often than can be kept for %v", p.e.Follows, p.e.Within)
	default:
		f.Text = fmt.Sprintf("%s followed %s in all of %d frames", p.e.Signal, p.e.Follows, p.judged)
	}
	return f, shown
}

func span(least, most float64) string {
	if least == most {
		return figure(least)
	}
	return figure(least) + " to " + figure(most)
}
