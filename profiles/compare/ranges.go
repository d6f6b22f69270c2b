package compare

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"plugproof/decode/can"
	"plugproof/decode/carnumber"
	"plugproof/profiles/rules"
)

// Limits of values in the same state (the before/after table of trade practice),
// and of what counts as movement.
const (
	sameRange    = 0.80 // of the values after lie where those before lay
	someRange    = 0.50
	notAvailable = 0.05 // share of frames
	movedBefore  = 0.05 // of the field's room: it followed the state
	lineFits     = 0.98 // share of the spread that one straight line explains
	scaleOff     = 0.10 // from which another scale is none of tuning
	leastBins    = 4    // states for a line
)

// ranges compares the values of every signal in like states, and keeps them for
// whoever draws them.
func (j *judge) ranges(x *subject) {
	if x.plan == nil && x.looksLikeNumber() {
		return
	}
	rows, signals, judged := len(x.Rows), 0, 0
	for i := range x.before.plan.signals {
		s := &x.before.plan.signals[i]
		if s.skip || s.hidden || i >= len(x.after.plan.signals) || x.plan == nil && i >= x.Before.Length {
			continue
		}
		j.keep(x, i)
		if j.guarded(x, s.def) {
			continue
		}
		signals++
		if j.signal(x, i) {
			judged++
		}
	}
	if len(x.Rows) > rows || signals == 0 {
		return
	}
	r := j.cut(j.row(x, Range), &x.before.first, &x.after.first)
	r.LimitFrom = baseline
	r.Text = fmt.Sprintf("%s: its values lie where they lay before, in like states", x.title())
	if judged == 0 && x.event() {
		return // its values are those of events: what answers them is compared
	}
	switch {
	case judged > 0:
	case !j.enoughFrames(x):
		r.Verdict = rules.NotTestable
		r.Text = fmt.Sprintf("%s came fewer than %d times in one of the captures: too few to compare its values", x.title(), leastFrames)
		r.NextStep = "record for longer"
	default:
		r.Verdict = rules.NotTestable
		r.Text = fmt.Sprintf("%s: the captures have no state in common in which it came %d times", x.title(), leastFrames)
		r.NextStep = "record the same stages before and after"
	}
	x.add(r)
}

// looksLikeNumber reports whether the bytes of an identifier that nobody defines
// may be the car's number.
func (x *subject) looksLikeNumber() bool {
	return slices.ContainsFunc([]*can.Frame{&x.before.first, &x.before.last, &x.after.first, &x.after.last}, carnumber.Looks)
}

// keep files the values of a signal by state.
func (j *judge) keep(x *subject, signal int) {
	s := Series{Message: len(j.res.Messages) - 1, Signal: x.before.plan.signals[signal].def.Name, Unit: x.before.plan.signals[signal].def.Unit}
	points := make([]Point, len(j.order))
	fill := func(shot *shot, st *stream, values func(*Point) *Values) {
		sums := make([]cell, len(j.order))
		for i, from := range st.states {
			if from != nil && i != between {
				sums[j.number[shot.states[i].known()]].merge(&from.cells[signal])
			}
		}
		for i := range sums {
			if c := &sums[i]; c.n > 0 {
				*values(&points[i]) = Values{N: c.n, Min: c.min, Max: c.max, Mean: c.sum / float64(c.n)}
			}
		}
	}
	fill(j.before, x.before, func(p *Point) *Values { return &p.Before })
	fill(j.after, x.after, func(p *Point) *Values { return &p.After })
	for i := range points {
		if points[i].State = i; points[i].Before.N+points[i].After.N > 0 {
			s.Points = append(s.Points, points[i])
		}
	}
	if len(s.Points) > 0 {
		j.res.Series = append(j.res.Series, s)
	}
}

// signal judges one signal: whether it is available, usable, alive, scaled as
// before, and where it lay before. The first that is not so is told. It reports
// whether there were states to judge it in.
func (j *judge) signal(x *subject, i int) (judged bool) {
	use, doubt := j.trusted(x), ""
	list, coarse := j.matchAsFarAs(x, i, &use)
	switch {
	case !use.any() || len(list) == 0: // nobody else tells a state
		use, doubt = j.believed(x), "its own sender may tell that state"
		list, _ = j.matchAsFarAs(x, i, &use)
	case coarse:
		doubt = "too few frames came in states told more closely"
	}
	asks := []struct {
		ask     func(*subject, int, []matched) (Row, bool)
		byState bool // what it finds means something in like states only
	}{{j.missing, false}, {j.unusable, false}, {j.still, true}, {j.scaled, true}, {j.elsewhere, true}}
	for _, a := range asks {
		r, found := a.ask(x, i, list)
		if !found {
			continue
		}
		if a.byState || r.State >= 0 {
			r = stateless(r, doubt, !use.any() && a.byState)
		}
		x.add(r)
		return true
	}
	return len(list) > 0
}

// stateless takes back a verdict that rests on states which nobody tells (blind),
// or of which there is a doubt.
func stateless(r Row, doubt string, blind bool) Row {
	switch {
	case blind:
		r.Verdict = rules.NotTestable
		r.NextStep = "give a profile, or a DBC file that defines engine speed, lever or key: else nobody knows the state of the car"
	case doubt != "" && r.Verdict == rules.Fail:
		r.Verdict = rules.Review
		r.Text += "; only for review, as " + doubt
	}
	return r
}

// about begins a row about a signal.
func (j *judge) about(x *subject, i int, aspect Aspect) Row {
	r := j.row(x, aspect)
	r.Signal = x.before.plan.signals[i].def.Name
	return r
}

// ref is what a signal is called.
func (x *subject) ref(i int) string {
	name := x.before.plan.signals[i].def.Name
	if x.Name == "" {
		return x.ID.String() + " " + name
	}
	return x.Name + "." + name
}

// missing finds a signal that says "not available" in states where it had values.
func (j *judge) missing(x *subject, i int, list []matched) (Row, bool) {
	r := j.about(x, i, Range)
	s, seen := &x.after.plan.signals[i], &x.after.signals[i]
	ones := float64(seen.ones.count) / float64(max(1, x.after.frames))
	if s.ones != 0 && ones > notAvailable && x.before.signals[i].ones.count == 0 && j.enoughFrames(x) {
		r = j.cut(r, &x.before.first, &seen.ones.first).measured(0, 100*ones, 100*notAvailable, "% of frames", commonPractice)
		r.Count, r.Verdict = seen.ones.count, rules.Fail
		r.Text = fmt.Sprintf("%s is all ones, as for \"not available\", in %.0f %% of its frames; before never", x.ref(i), 100*ones)
		r.NextStep = missingStep
		return j.soften(x, r), true
	}
	var worst *matched
	for k := range list {
		m := &list[k]
		if m.was.missing() <= notAvailable && m.is.missing() > notAvailable && (worst == nil || m.is.na > worst.is.na) {
			worst = m
		}
	}
	if worst == nil {
		return r, false
	}
	r = j.cut(r, worst.exampleWas, &seen.na.first)
	r = r.measured(100*worst.was.missing(), 100*worst.is.missing(), 100*notAvailable, "% of frames", commonPractice)
	r.Count, r.Verdict, r.State = seen.na.count, rules.Fail, j.stateOf(worst.key)
	r.Text = fmt.Sprintf("%s says \"not available\" in %.0f %% of its frames%s", x.ref(i), 100*worst.is.missing(), j.with(worst.key))
	r.NextStep = missingStep
	return j.soften(x, r), true
}

// with words a state in a sentence; "" where nothing tells it.
func (j *judge) with(key stateKey) string {
	if !key.told() {
		return ""
	}
	return " with " + j.label(key)
}

// unit is what follows a figure.
func unit(s *signalPlan) string {
	if s.def.Unit == "" {
		return ""
	}
	return " " + s.def.Unit
}

// missing is the share of "not available" patterns.
func (c *cell) missing() float64 { return float64(c.na) / float64(max(1, c.n+c.na)) }

const missingStep = "see which sensor the new ECU has not got, or has not been told of"

// enoughFrames reports whether both captures have enough of a message.
func (j *judge) enoughFrames(x *subject) bool {
	return x.before.frames >= leastFrames && x.after.frames >= leastFrames
}

// soften makes a fail a review where the values of another unit are another day's
// weather or another driver's wish, not the replaced unit's doing.
func (j *judge) soften(x *subject, r Row) Row {
	if j.knowsSenders() && !x.Own && r.Verdict == rules.Fail {
		r.Verdict = rules.Review
		r.NextStep = "another unit sends it; look at what that unit lacks"
	}
	return r
}

// unusable finds values that no listener can take, where before there were none.
func (j *judge) unusable(x *subject, i int, _ []matched) (Row, bool) {
	s, was, is := &x.after.plan.signals[i], &x.before.signals[i], &x.after.signals[i]
	all := x.after.span(i)
	if is.outside.count == 0 || was.outside.count > 0 || !j.enoughFrames(x) {
		return Row{}, false
	}
	value, limit := all.max, s.high
	if all.min < s.low {
		value, limit = all.min, s.low
	}
	old := x.before.span(i)
	r := j.cut(j.about(x, i, Range), &x.before.first, &is.outside.first)
	r = r.measured(old.max, value, limit, s.def.Unit, cmp.Or(s.bandBy, baseline))
	r.Count, r.Verdict = is.outside.count, rules.Fail
	r.Text = fmt.Sprintf("%s reaches %.4g%s, outside of %g to %g, in %d frames; before it lay within %.4g to %.4g",
		x.ref(i), value, unit(s), s.low, s.high, is.outside.count, old.min, old.max)
	r.NextStep = "scale, offset, sign or byte order: suspect the setting, and the definition as well"
	if j.p.mode == ByDBC && x.Sender == "" { // found out by somebody: bounds are guessed as well
		r.Verdict = rules.Review
		r.NextStep = "suspect the definition first: its bounds may be a guess; then scale, offset, sign and byte order"
	}
	return j.soften(x, r), true
}

// still finds a value that followed the state of the car before and stands now.
func (j *judge) still(x *subject, i int, list []matched) (Row, bool) {
	s := &x.after.plan.signals[i]
	if all := x.after.span(i); s.list || all.n == 0 || all.max > all.min || x.plan == nil {
		return Row{}, false
	}
	var was, now cell
	var moved bool
	for k := range list {
		was.merge(&list[k].was)
		now.merge(&list[k].is)
	}
	least := max(2*s.quantum, movedBefore*s.room)
	if s.low < s.high {
		least = max(2*s.quantum, movedBefore*min(s.room, s.high-s.low))
	}
	moved = was.n > 0 && now.n > 0 && was.max-was.min >= least
	if s.counts { // it rolls: any movement in the same states
		moved = was.n > 0 && now.n > 0 && was.max > was.min
	}
	if !moved {
		return Row{}, false
	}
	r := j.cut(j.about(x, i, Response), &x.before.first, &x.after.first)
	r = r.measured(was.max-was.min, 0, least, s.def.Unit, baseline)
	r.Count, r.Verdict = x.after.frames, rules.Fail
	r.Text = fmt.Sprintf("%s stands still at %.4g%s; in the same states it went from %.4g to %.4g before", x.ref(i), now.max, unit(s), was.min, was.max)
	r.NextStep = "map the input to this message; a plausible value that never moves is believed by its listeners"
	return j.soften(x, r), true
}

// scaled finds values that lie on another straight line than before: by the means
// in like states.
func (j *judge) scaled(x *subject, i int, list []matched) (Row, bool) {
	s := &x.after.plan.signals[i]
	if s.list || s.counts || x.plan == nil || j.knowsSenders() && !x.Own {
		return Row{}, false
	}
	a, b, ok := line(list)
	if !ok || math.Abs(a-1) <= scaleOff || !carries(list, a, b) {
		return Row{}, false
	}
	share, worst := overlap(list, slackOf(x, i))
	if share >= sameRange && a > 0.75 && a < 1.25 {
		return Row{}, false
	}
	if worst == nil {
		return Row{}, false
	}
	r := j.cut(j.about(x, i, Range), worst.exampleWas, worst.example)
	r = r.measured(1, a, 1+scaleOff, "times", commonPractice)
	r.State, r.Verdict, r.Count = j.stateOf(worst.key), rules.Fail, worst.is.n
	r.Text = fmt.Sprintf("%s reads %.3g times what it read before%s, in all like states", x.ref(i), a, offset(b, s.def.Unit))
	r.NextStep = "scale or series: suspect the setting, and the definition as well"
	if !nearRatio(a, s.def.Unit) {
		r.Verdict = rules.Review
		r.NextStep = "tuning may explain it; a scale would be a round figure"
	}
	return j.soften(x, r), true
}

func offset(b float64, unit string) string {
	if math.Abs(b) < 0.5 {
		return ""
	}
	return fmt.Sprintf(" and %+.3g %s", b, unit)
}

// nearRatio reports whether a slope is one that a wrong scale, unit or sign gives.
func nearRatio(a float64, unit string) bool {
	ratios := []float64{0.125, 0.25, 0.5, 2, 4, 8, -1}
	switch strings.ToLower(unit) {
	case "km/h", "kph", "mph", "km", "mi":
		ratios = append(ratios, 1.609, 0.621)
	case "°c", "°f", "c", "f", "degc", "degf":
		ratios = append(ratios, 1.8, 0.5556)
	}
	return slices.ContainsFunc(ratios, func(ratio float64) bool { return math.Abs(a/ratio-1) <= 0.03 })
}

// slackOf is by how much values may lie off: one step, and a fiftieth of what the
// signal did before.
func slackOf(x *subject, i int) float64 {
	was := x.before.span(i)
	return max(x.before.plan.signals[i].quantum, (was.max-was.min)/50)
}

// reach says where values lay.
func reach(least, most float64) string {
	if least == most {
		return fmt.Sprintf("at %.4g", least)
	}
	return fmt.Sprintf("from %.4g to %.4g", least, most)
}

// elsewhere finds values that lie where none lay before in the same state. By
// itself that is tuning, weather or the driver: it is for review.
func (j *judge) elsewhere(x *subject, i int, list []matched) (Row, bool) {
	s := &x.after.plan.signals[i]
	if s.counts || s.list && !x.Own || j.knowsSenders() && !x.Own {
		return Row{}, false // of other units only what they complain about is compared
	}
	r := j.about(x, i, Range)
	slack := slackOf(x, i)
	share, worst := overlap(list, slack)
	if worst == nil || share >= sameRange {
		return r, false
	}
	note := ""
	all := j.match(x, i, j.believed(x))
	if fine, _ := overlap(all, slack); fine >= sameRange && len(all) > 0 {
		note = "; it agrees where the replaced unit's own word for its state is taken"
	}
	r = j.cut(r, worst.exampleWas, worst.example).measured(100, 100*share, 100*sameRange, "% of the range", commonPractice)
	r.State, r.Count, r.Verdict = j.stateOf(worst.key), worst.is.n, rules.Review
	verb := map[bool]string{true: "stands", false: "goes"}[worst.is.min == worst.is.max]
	r.Text = fmt.Sprintf("%s %s %s%s%s, before %s%s", x.ref(i),
		verb, reach(worst.is.min, worst.is.max), unit(s), j.with(worst.key), reach(worst.was.min, worst.was.max), note)
	r.NextStep = "tuning, weather or the driver may explain it; if not, suspect offset and scale"
	if share < someRange {
		r.NextStep = "hardly any value lies where it lay: " + r.NextStep
	}
	return r, true
}
