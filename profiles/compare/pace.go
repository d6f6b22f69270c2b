package compare

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/rules"
)

// Limits of pace and start (the before/after table of trade practice).
const (
	leastGaps   = 10
	samePace    = 0.10 // of the median gap
	otherPace   = 0.50
	sameTime    = int64(300 * time.Millisecond)
	otherTime   = int64(time.Second)
	grace       = int64(profiles.DefaultGrace)
	failByGap   = int64(5 * time.Second) // no listener waits longer (clusters)
	leastLong   = int64(100 * time.Millisecond)
	longFactor  = 5 // cycles
	quietFactor = 3 // cycles without a frame: it has stopped
)

// pace compares how often an identifier comes. A rate alone is for review: new
// ECUs often send slower than the factory one. A fail takes a gap that a listener
// does not bear.
func (j *judge) pace(x *subject) {
	r := j.row(x, Cycle)
	switch {
	case j.before.timeless != "" || j.after.timeless != "":
		r.Verdict, r.Text = rules.NotTestable, "gaps cannot be compared: "+cmp.Or(j.after.timeless, j.before.timeless)
		r.NextStep = "record with another adapter, in one piece"
		x.add(r)
		return
	case !paced(x.was):
		if x.was != nil && x.was.Gaps != nil && x.was.Gaps.Count < leastGaps && !x.event() {
			r.Verdict, r.Text = rules.NotTestable, "too few frames before to tell its pace"
			r.NextStep = "record for longer"
			x.add(r)
		}
		return
	case x.is == nil || x.is.Gaps == nil || x.is.Gaps.Count < leastGaps:
		r.Verdict, r.Text = rules.NotTestable, "too few frames after to tell its pace"
		r.NextStep = "record for longer"
		x.add(r)
		return
	}
	was, is := x.was.CycleNS, inNS(x.is.Gaps.P50MS)
	if paced(x.is) {
		is = x.is.CycleNS
	}
	off := math.Abs(float64(is)/float64(was) - 1)
	r = j.cut(r, &x.before.first, &x.after.first).measured(inMS(was), inMS(is), inMS(was)*(1+samePace), "ms", baseline)
	r.Text = fmt.Sprintf("%s comes every %s, before every %s", x.title(), ms(is), ms(was))
	switch {
	case off > otherPace:
		r.Verdict = rules.Review
		r.Text += ", more than half off"
		r.NextStep = "a rate alone is no fault; look at the new ECU's send rate, and whether a listener complains"
	case off > samePace:
		r.Verdict = rules.Review
		r.NextStep = "a rate alone is no fault; look at the new ECU's send rate, and whether a listener complains"
	}
	if gap, ok := j.longGap(x, r); ok {
		r = gap
	}
	x.add(r)
}

// event reports whether a message is known to be sent when something happens.
func (x *subject) event() bool {
	return x.plan != nil && x.plan.profile && x.plan.facts.Kind == profiles.OnChange
}

// longGap finds a gap that a listener does not bear and that was not there before.
func (j *judge) longGap(x *subject, r Row) (Row, bool) {
	limit, listener, from := x.timeout()
	stated := limit > 0
	bears := int64(limit)
	if !stated {
		bears, from = max(longFactor*x.was.CycleNS, leastLong), commonPractice
	}
	gap, frame := j.after.longest(x.after)
	before, _ := j.before.longest(x.before)
	if gap <= bears || gap <= 2*before {
		return r, false
	}
	r.Listener, r.Example = listener, nil
	if frame != nil {
		r = j.cut(r, nil, frame)
	}
	r = r.measured(inMS(before), inMS(gap), inMS(bears), "ms", from)
	r.Count = 1
	r.Verdict = rules.Review
	if stated || gap > failByGap {
		r.Verdict = rules.Fail
	}
	r.Text = fmt.Sprintf("%s pauses for %s, before for %s at most", x.title(), ms(gap), ms(before))
	if stated {
		r.Text += fmt.Sprintf("; %s gives up after %s", listener, limit)
	}
	if frame == nil {
		r.Text = fmt.Sprintf("%s stops %s before the others do", x.title(), ms(gap))
	}
	r.NextStep = "find what happens at that time (crank, a restart, a loose plug); turn the key off and on, clear, and record again"
	return r, true
}

// longest returns the longest gap of a stream while listeners judge, and the
// frame after it; no frame where it stopped and never came again.
func (s *shot) longest(st *stream) (gap int64, frame *can.Frame) {
	from, to := s.awake()
	for i := range st.worst {
		g := &st.worst[i]
		if s.keyedAll(g.frame.Time-g.gap, g.frame.Time) {
			gap, frame = g.gap, &g.frame
			break
		}
	}
	ends := s.ends[s.busOf(st)]
	if end := min(ends[1], to) - max(st.last.Time, from); end > gap {
		return end, nil
	}
	return gap, frame
}

// keyedAll reports whether the key was on all the time, and listeners judged.
func (s *shot) keyedAll(from, to int64) bool {
	return slices.ContainsFunc(s.keyed, func(k [2]int64) bool { return from >= k[0]+grace && to <= k[1] })
}

// busOf returns the bus of a stream.
func (s *shot) busOf(st *stream) string { return s.names(s.buses.Name(st.first.Bus)) }

// start is the instant from which the starts of both captures are counted.
type start struct {
	before, after int64
	word          string // what it is
}

// started finds it; ok is false where one of the captures does not hold it, or its
// clock says nothing.
func (j *judge) started(x *subject) (at start, ok bool) {
	was, keyed, ok := j.before.woke(x.Bus)
	is, keyedToo, okToo := j.after.woke(x.Bus)
	at = start{was, is, "the bus woke"}
	if keyed {
		at.word = "the key"
	}
	return at, ok && okToo && keyed == keyedToo && !j.timeless()
}

// wake compares when the first frame comes.
func (j *judge) wake(x *subject) {
	at, ok := j.started(x)
	if !ok || !paced(x.was) {
		return
	}
	was, is := x.before.first.Time-at.before, x.after.first.Time-at.after
	if was < -sameTime && is < -sameTime {
		return // it does not wait for the key
	}
	r := j.cut(j.row(x, Wake), &x.before.first, &x.after.first)
	r.Text = fmt.Sprintf("%s: its first frame comes %s, before %s", x.title(), at.words(is), at.words(was))
	x.add(late(x, r, was, is))
}

// firstValid compares when the first frame comes in which nothing is marked "not
// available".
func (j *judge) firstValid(x *subject) {
	at, ok := j.started(x)
	if !ok || x.before.valid.count == 0 || !x.marksNA() {
		return
	}
	was := x.before.valid.first.Time - at.before
	if was < -sameTime {
		return
	}
	r := j.cut(j.row(x, Valid), &x.before.valid.first, nil)
	if x.after.valid.count == 0 {
		if slices.ContainsFunc(x.Rows, func(r Row) bool { return r.Aspect == Range && r.Verdict >= rules.Review }) {
			return // that row says which value it has not got
		}
		r.Verdict = rules.Fail
		r.Text = fmt.Sprintf("%s never has all its values; before, it had them %s", x.title(), at.words(was))
		r.NextStep = missingStep
		r.Before, r.LimitFrom = &rules.Quantity{Value: inMS(was), Unit: "ms"}, baseline
		x.add(j.cut(r, nil, &x.after.first))
		return
	}
	is := x.after.valid.first.Time - at.after
	r.Text = fmt.Sprintf("%s: its first frame with valid values comes %s, before %s", x.title(), at.words(is), at.words(was))
	x.add(late(x, j.cut(r, nil, &x.after.valid.first), was, is))
}

// words gives a time from the start, ns.
func (s *start) words(ns int64) string {
	if ns < 0 {
		return ms(-ns) + " before " + s.word
	}
	return ms(ns) + " after " + s.word
}

func (x *subject) marksNA() bool {
	return x.plan != nil && slices.ContainsFunc(x.plan.signals, func(s signalPlan) bool { return len(s.na) > 0 })
}

func (j *judge) timeless() bool { return j.before.timeless != "" || j.after.timeless != "" }

// late judges a start by how much later it is than before.
func late(x *subject, r Row, was, is int64) Row {
	r = r.measured(inMS(was), inMS(is), inMS(was+sameTime+x.was.CycleNS), "ms", baseline)
	phase := x.was.CycleNS // a slow message comes when its turn is
	switch diff := is - was; {
	case diff > grace+phase:
		r.Verdict = rules.Fail
		r.Limit, r.LimitFrom = &rules.Quantity{Value: inMS(was + grace), Unit: "ms"}, commonPractice
		r.NextStep = "the new ECU starts too slowly: its first frames may be start values, but must come"
	case diff > sameTime+phase || diff < -sameTime-phase:
		r.Verdict = rules.Review
		r.NextStep = "see whether a code or a lamp comes with a cold key-on only"
	}
	return r
}

// postRun compares when the last frame comes, counted from the key-off.
func (j *judge) postRun(x *subject) {
	if !j.before.hasKeyOff || !j.after.hasKeyOff || j.timeless() || !paced(x.was) {
		return
	}
	was, is := x.before.last.Time-j.before.keyOff, x.after.last.Time-j.after.keyOff
	quiet := func(s *shot, st *stream) bool {
		return s.last-st.last.Time > max(quietFactor*x.was.CycleNS, otherTime)
	}
	stopped, stops := quiet(j.before, x.before), quiet(j.after, x.after)
	switch {
	case !stopped && !stops:
		return // neither capture says when it stops
	case !stopped && is >= j.before.last-j.before.keyOff, !stops && j.after.last-j.after.keyOff <= was:
		return // one of them ends too early to tell
	case was < -otherTime && is < -otherTime:
		return // it stopped long before, for a reason of its own
	}
	off := start{word: "the key is off"}
	r := j.cut(j.row(x, PostRun), &x.before.last, &x.after.last).measured(inMS(was), inMS(is), inMS(was-sameTime-x.was.CycleNS), "ms", baseline)
	r.Text = fmt.Sprintf("%s: its last frame comes %s, before %s", x.title(), off.words(is), off.words(was))
	switch diff := is - was; {
	case diff < -grace-x.was.CycleNS && x.Own:
		r.Verdict = rules.Fail
		r.NextStep = "the new ECU falls asleep too soon: others store codes at shut-down"
	case diff < -sameTime-x.was.CycleNS || diff > sameTime+x.was.CycleNS:
		r.Verdict = rules.Review
		r.NextStep = "compare at like coolant and fan state: a hot engine runs its fan on, and keeps units awake"
	}
	x.add(r)
}
