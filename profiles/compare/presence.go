package compare

import (
	"fmt"
	"math"
	"time"

	"plugproof/decode/survey"
	"plugproof/profiles/rules"
)

// Times that prove an absence: three cycles, at least 2 s after grace (trade practice).
func enough(cycle int64) int64 { return max(3*cycle, 2e9) }

// presence compares whether an identifier comes at all.
func (j *judge) presence(x *subject) {
	r := j.row(x, Presence)
	r.Before = &rules.Quantity{Value: float64(x.Before.Frames), Unit: "frames"}
	r.Measured = &rules.Quantity{Value: float64(x.After.Frames), Unit: "frames"}
	r.LimitFrom = baseline
	switch {
	case x.before != nil && x.after != nil:
		r.Text = fmt.Sprintf("%s comes as before", x.title())
		r = j.cut(r, &x.before.first, &x.after.first)
	case x.before == nil:
		r = j.added(x, r)
	default:
		r = j.removed(x, r)
	}
	x.add(r)
}

func (j *judge) added(x *subject, r Row) Row {
	r = j.cut(r, nil, &x.after.first)
	r.Count = x.after.frames
	_, heard := j.before.ends[x.Bus]
	switch {
	case !heard:
		r.Verdict = rules.NotTestable
		r.Text = fmt.Sprintf("%s is on a bus that the capture before does not hold", x.title())
		r.NextStep = "record the same buses before and after"
	case x.plan != nil && x.plan.facts.Expected:
		r.Text = fmt.Sprintf("%s did not come before; it is defined", x.title())
	default:
		r.Verdict = rules.Review
		r.Text = fmt.Sprintf("%s did not come before, and nobody defines it", x.title())
		r.NextStep = "find out who sends it: broadcasts for logging and dashboards are best turned off in the new ECU"
	}
	return r
}

func (j *judge) removed(x *subject, r Row) Row {
	r = j.cut(r, &x.before.first, nil)
	ends, heard := j.after.ends[x.Bus]
	listener, known := x.listens()
	r.Listener = listener
	switch {
	case !heard:
		r.Verdict = rules.NotTestable
		r.Text = fmt.Sprintf("%s is on a bus that the capture after does not hold", x.title())
		r.NextStep = "record the same buses before and after"
		return r
	case !paced(x.was):
		r.Verdict = rules.NotTestable
		r.Text = fmt.Sprintf("%s comes at no fixed pace, and did not come after: perhaps nothing called for it", x.title())
		r.NextStep = "repeat the stage in which it came before"
		return r
	case ends[1]-ends[0] < enough(x.was.CycleNS)+2e9:
		r.Verdict = rules.NotTestable
		r.Text = fmt.Sprintf("%s did not come, but the capture after is too short to prove it", x.title())
		r.NextStep = "record for longer"
		return r
	case !j.same(x):
		r.Verdict = rules.NotTestable
		r.Text = fmt.Sprintf("%s did not come; before, it came only in states that the capture after does not hold", x.title())
		r.NextStep = "repeat the stage in which it came before"
		return r
	}
	r.Verdict = rules.Fail
	r.Text = fmt.Sprintf("%s is gone: before, it came every %s", x.title(), ms(x.was.CycleNS))
	r.NextStep = "is the setting the right one, and the option on? An identifier that is new may hold the same content"
	switch {
	case x.plan != nil && x.plan.facts.Option:
		r.Verdict = rules.Review
		r.Text += "; it is an option, which not every car has"
	case known:
		r.Text += fmt.Sprintf("; %s needs it", listener)
	default:
		r.Text += "; nobody says who listens"
	}
	if j.knowsSenders() && !x.Own && x.Sender != "" {
		r.NextStep = fmt.Sprintf("%s sends it, not the replaced unit: look at its supply, and at what it complains about", x.Sender)
	}
	if other, format := j.likeness(x); other != "" {
		r.Text += "; " + other
		if format {
			r.Aspect = Length
		}
	}
	return r
}

// same reports whether the capture after holds a state, as others tell it, in
// which the identifier came before.
func (j *judge) same(x *subject) bool {
	use := j.trusted(x)
	held := map[stateKey]bool{}
	for i, key := range j.after.states {
		if i != between && j.after.frames[i] > 0 {
			held[key.project(use)] = true
		}
	}
	for i, st := range x.before.states {
		if i != between && st != nil && st.frames >= leastFrames && held[j.before.states[i].project(use)] {
			return true
		}
	}
	return x.before.frames < leastFrames || len(j.axes) == 0
}

// knowsSenders reports whether it is known which messages are the replaced unit's.
func (j *judge) knowsSenders() bool { return j.res.Replaced != "" }

// paced reports whether an identifier came by itself at a pace.
func paced(id *survey.ID) bool {
	return id != nil && (id.Kind == survey.Cyclic || id.Kind == survey.Mixed) && id.CycleNS > 0
}

// likeness names what may be the same message under another identifier, or on
// another bus; format says that only the number of identifier bits differs.
func (j *judge) likeness(x *subject) (text string, format bool) {
	for _, at := range j.after.addresses() {
		id := j.after.ids[at]
		if id == nil || j.before.streams[at] != nil || commonLength(id) != x.Before.Length {
			continue
		}
		near := paced(id) && math.Abs(float64(id.CycleNS-x.was.CycleNS)) <= 0.1*float64(x.was.CycleNS)
		switch {
		case at.id == x.ID && at.bus != x.Bus:
			return fmt.Sprintf("it comes on %s instead", at.bus), false
		case at.id.Value == x.ID.Value && at.bus == x.Bus:
			return fmt.Sprintf("it comes as %s, with another number of identifier bits, instead", at.id), true
		case near && at.bus == x.Bus:
			return fmt.Sprintf("%s is new and has its length and pace", at.id), false
		}
	}
	return "", false
}

// ms words a time in ns.
func ms(ns int64) string {
	d := time.Duration(ns)
	switch {
	case d >= 10*time.Second:
		return d.Round(100 * time.Millisecond).String()
	case d >= time.Second:
		return d.Round(10 * time.Millisecond).String()
	}
	return d.Round(100 * time.Microsecond).String()
}
