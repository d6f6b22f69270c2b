package compare

import (
	"math"
	"slices"

	"plugproof/decode/can"
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
