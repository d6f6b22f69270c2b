package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"plugproof/decode/can"
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

// axesUse says which coordinates a comparison goes by.
type axesUse [maxAxes]bool

func (u axesUse) any() bool { return u != axesUse{} }

// trusted returns the axes that may fail what a message says: those that other
// units tell.
func (j *judge) trusted(x *subject) (use axesUse) {
	for _, i := range j.axes {
		a := &j.p.axes[i]
		use[i] = a.marked || a.message != x.plan && a.Sender != "" && a.Sender != x.Sender && (!a.replace || !x.Own && j.knowsSenders())
	}
	return use
}

// believed returns all axes but those that the message itself tells.
func (j *judge) believed(x *subject) (use axesUse) {
	for _, i := range j.axes {
		use[i] = j.p.axes[i].marked || j.p.axes[i].message != x.plan
	}
	return use
}

// project forgets the coordinates that are not used.
func (k stateKey) project(use axesUse) stateKey {
	k = k.known()
	for i := range k {
		if !use[i] {
			k[i] = 0
		}
	}
	return k
}

// told reports whether a projected state says anything.
func (k stateKey) told() bool {
	return slices.ContainsFunc(k[:], func(c uint8) bool { return c >= firstBin })
}

// matched is one signal in one state of both captures.
type matched struct {
	key        stateKey
	was, is    cell
	example    *can.Frame // the first after
	exampleWas *can.Frame
}

// match sums a signal up by state, as far as the given axes tell states apart.
func (j *judge) match(x *subject, signal int, use axesUse) []matched {
	index := map[stateKey]int{}
	var list []matched
	at := func(key stateKey) *matched {
		i, ok := index[key]
		if !ok {
			i = len(list)
			index[key] = i
			list = append(list, matched{key: key})
		}
		return &list[i]
	}
	for i, st := range x.before.states {
		if st != nil && i != between {
			m := at(j.before.states[i].project(use))
			m.was.merge(&st.cells[signal])
			if m.exampleWas == nil {
				m.exampleWas = &st.first
			}
		}
	}
	for i, st := range x.after.states {
		if st != nil && i != between {
			m := at(j.after.states[i].project(use))
			m.is.merge(&st.cells[signal])
			if m.example == nil {
				m.example = &st.first
			}
		}
	}
	slices.SortFunc(list, func(a, b matched) int { return slices.Compare(a.key[:], b.key[:]) })
	return slices.DeleteFunc(list, func(m matched) bool {
		return m.was.n+m.was.na < leastFrames || m.is.n+m.is.na < leastFrames || use.any() && !m.key.told()
	})
}

// overlap returns the share of the values after that lie in the range before,
// taken over all states, and the state with the least.
func overlap(list []matched, slack float64) (share float64, worst *matched) {
	var sum, n float64
	least := 2.0
	for i := range list {
		m := &list[i]
		if m.was.n < leastFrames || m.is.n < leastFrames {
			continue
		}
		o := m.inside(slack)
		sum += o * float64(m.is.n)
		n += float64(m.is.n)
		if o < least {
			least, worst = o, m
		}
	}
	if n == 0 {
		return 1, nil
	}
	return sum / n, worst
}

// inside returns the share of the range after that lies in the range before,
// both taken wider by the slack.
func (m *matched) inside(slack float64) float64 {
	from, to := m.is.min-slack/2, m.is.max+slack/2
	shared := min(to, m.was.max+slack/2) - max(from, m.was.min-slack/2)
	if to <= from {
		if m.is.min >= m.was.min && m.is.max <= m.was.max {
			return 1
		}
		return 0
	}
	return max(0, shared/(to-from))
}

// ranges compares the values of every signal in like states, and keeps them for
// whoever draws them.
func (j *judge) ranges(x *subject) {
	rows, signals, judged := len(x.Rows), 0, 0
	for i := range x.before.plan.signals {
		s := &x.before.plan.signals[i]
		if s.skip || i >= len(x.after.plan.signals) || x.plan == nil && i >= x.Before.Length {
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

// matchAsFarAs matches by the given axes; where no state has enough frames on both
// sides, without the last of them, and so on. use is then what was matched by, and
// coarse says that it is less than was given.
func (j *judge) matchAsFarAs(x *subject, i int, use *axesUse) (list []matched, coarse bool) {
	list = j.match(x, i, *use)
	for at := maxAxes - 1; at > 0 && len(list) == 0; at-- {
		less := *use
		if less[at] = false; less == *use || !less.any() {
			continue
		}
		*use, coarse = less, true
		list = j.match(x, i, less)
	}
	return list, coarse
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

// stateOf returns, of the states that a projected key stands for, the one with
// most frames after; -1 where there is none.
func (j *judge) stateOf(key stateKey) int {
	best := -1
	for i, full := range j.order {
		stands := true
		for c := range key {
			stands = stands && (key[c] == 0 || key[c] == full[c])
		}
		if stands && (best < 0 || j.res.States[i].After > j.res.States[best].After) {
			best = i
		}
	}
	return best
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
	r = r.measured(old.max, value, limit, s.def.Unit, firstOf(s.bandBy, baseline))
	r.Count, r.Verdict = is.outside.count, rules.Fail
	r.Text = fmt.Sprintf("%s reaches %.4g%s, outside of %g to %g, in %d frames; before it lay within %.4g to %.4g",
		x.ref(i), value, unit(s), s.low, s.high, is.outside.count, old.min, old.max)
	r.NextStep = "scale, offset, sign or byte order: suspect the setting, and the definition as well"
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

// line fits the means after against those before, over the states.
func line(list []matched) (a, b float64, ok bool) {
	var n, sx, sy, sxx, sxy, syy float64
	for i := range list {
		m := &list[i]
		if m.was.n < leastFrames || m.is.n < leastFrames {
			continue
		}
		x, y := m.was.sum/float64(m.was.n), m.is.sum/float64(m.is.n)
		n++
		sx, sy, sxx, sxy, syy = sx+x, sy+y, sxx+x*x, sxy+x*y, syy+y*y
	}
	vx, vy, vxy := sxx-sx*sx/n, syy-sy*sy/n, sxy-sx*sy/n
	if n < leastBins || vx <= 1e-9*max(1, sxx) || vy <= 1e-9*max(1, syy) || vxy*vxy < lineFits*vx*vy {
		return 0, 0, false
	}
	a = vxy / vx
	return a, (sy - a*sx) / n, true
}

// carries reports whether a line takes the ends of the values before to those
// after, too: where only the means differ, the car was just longer in one of its
// ways of being.
func carries(list []matched, a, b float64) bool {
	var was, is cell
	for i := range list {
		was.merge(&list[i].was)
		is.merge(&list[i].is)
	}
	low, high := a*was.min+b, a*was.max+b
	if a < 0 {
		low, high = high, low
	}
	slack := 0.1 * (high - low)
	return math.Abs(low-is.min) <= slack && math.Abs(high-is.max) <= slack
}

// slackOf is by how much values may lie off: one step, and a fiftieth of what the
// signal did before.
func slackOf(x *subject, i int) float64 {
	was := x.before.span(i)
	return max(x.before.plan.signals[i].quantum, (was.max-was.min)/50)
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
	r.Text = fmt.Sprintf("%s goes from %.4g to %.4g%s%s, before from %.4g to %.4g%s", x.ref(i),
		worst.is.min, worst.is.max, unit(s), j.with(worst.key), worst.was.min, worst.was.max, note)
	r.NextStep = "tuning, weather or the driver may explain it; if not, suspect offset and scale"
	if share < someRange {
		r.NextStep = "hardly any value lies where it lay: " + r.NextStep
	}
	return r, true
}
