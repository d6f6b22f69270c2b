package moved

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// point is one value of a field.
type point struct {
	time  int64
	value float64
}

// points returns the course of a field.
func (id *identifier) points(f Field) []point {
	def := &dbc.Signal{Name: "x", Start: f.Start, Length: f.Length, Order: f.Order, Factor: 1}
	if f.Signed {
		def.Type = dbc.Signed
	}
	m := decode.Compile(&dbc.Message{Name: "x", Length: id.length, Signals: []*dbc.Signal{def}, FD: id.length > can.MaxClassicLen})
	s := &m.Signals[0]
	list := make([]point, 0, len(id.in.times)+len(id.out.times))
	var frame can.Frame
	for _, r := range []*reel{&id.in, &id.out} {
		for i, t := range r.times {
			frame.Len = r.lens[i]
			clear(frame.Data[:])
			copy(frame.Data[:], r.data[i*r.stride:i*r.stride+int(r.lens[i])])
			if v, ok := s.Read(&frame); ok {
				list = append(list, point{t, v.Phys})
			}
		}
	}
	slices.SortStableFunc(list, func(a, b point) int { return cmp.Compare(a.time, b.time) })
	return list
}

// within returns the points that lie in spans.
func within(points []point, spans []Span) []point {
	var list []point
	for _, s := range spans {
		from, _ := slices.BinarySearchFunc(points, s.Start, func(p point, t int64) int { return cmp.Compare(p.time, t) })
		to, _ := slices.BinarySearchFunc(points, s.End, func(p point, t int64) int { return cmp.Compare(p.time, t) })
		list = append(list, points[from:max(from, to)]...)
	}
	return list
}

// score holds a field against what it should have done.
func (p *plan) score(id *identifier, c candidate) Proposal {
	out := Proposal{Bus: id.bus, ID: id.id, Bytes: id.length, Field: c.Field, Moving: c.moving, Chance: 1}
	points := id.points(c.Field)
	switch p.shape {
	case strokes:
		p.scoreStrokes(&out, points)
	case codes:
		p.scoreCodes(&out, points)
	case revs:
		p.scoreRevs(&out, points)
	case slow:
		p.scoreSlow(&out, points)
	case states:
		p.scoreStates(&out, points)
	}
	if p.shape == readings || out.Score >= leastShown && len(p.readings) > 0 {
		p.scoreReadings(&out, points)
	}
	if out.Score >= leastShown {
		out.course = p.grid(points)
		out.levels = distinctOf(out.course)
	}
	return out
}

// available drops what says "not available", all bits set, where the thing was not
// moved. Where it was, that may be its far end.
func (p *plan) available(points []point, f Field) []point {
	if f.Length < leastSigned || f.Signed {
		return points
	}
	none := math.Exp2(float64(f.Length)) - 1
	return slices.DeleteFunc(slices.Clone(points), func(x point) bool { return x.value == none && !inside(p.moved, x.time) })
}

// factor multiplies the score by a share and says what it is.
func (out *Proposal) factor(share float64, format string, args ...any) {
	out.Score *= min(1, max(0, share))
	out.Why = append(out.Why, fmt.Sprintf(format, args...))
}

// scoreStrokes wants so many strokes in the windows, and rest outside.
func (p *plan) scoreStrokes(out *Proposal, points []point) {
	points = p.available(points, out.Field)
	in, rest := within(points, p.moved), within(points, p.rest)
	if len(in) < 4 || len(rest) < 4 {
		return
	}
	out.Rest = mode(rest)
	out.Low, out.High = limits(in)
	reach := max(math.Abs(out.High-out.Rest), math.Abs(out.Low-out.Rest))
	if reach == 0 {
		return
	}
	away := func(x point) float64 { return math.Abs(x.value-out.Rest) / reach }
	n, flickers, travel := count(in, away)
	part := p.shareOf(rest)
	out.Score = 1
	s := leastShare(points, p.rest, func(x point) bool { return away(x) <= 0.03 })
	out.factor(s, "at rest in %.1f %% of the frames where it should be", 100*s)
	if held := within(points, p.held); len(held) > 0 {
		s := share(held, func(x point) bool { return away(x) > 0.35 })
		out.factor(s, "away from rest in %.1f %% of the frames where it should be", 100*s)
	}
	ratio := float64(min(n, p.n)) / float64(max(n, p.n, 1))
	out.factor(ratio*ratio, "%s, expected %d", times(n, "stroke"), p.n)
	if flickers > 0 {
		out.factor(float64(n)/float64(n+flickers), "%s too short for a hand", times(flickers, "flicker"))
	}
	if p.each {
		hit := p.windowsHit(points, away)
		out.factor(hit*hit, "moves in %.0f %% of the times given", 100*hit)
	}
	if p.graded {
		out.factor(min(2*float64(n)/travel, travel/max(1, 2*float64(n)-0.1)), "its way is %.2f of that of plain strokes", travel/max(1, 2*float64(n)))
		d := distinct(in)
		out.factor(float64(d)/16, "%d different values", d)
	}
	out.chance(p, 2*n, edges(rest, away), part)
}

// windowsHit is the share of the windows in which the field leaves rest.
func (p *plan) windowsHit(points []point, away func(point) float64) float64 {
	hit := 0
	for i := range p.moved {
		if slices.ContainsFunc(within(points, p.moved[i:i+1]), func(x point) bool { return away(x) > 0.65 }) {
			hit++
		}
	}
	return float64(hit) / float64(len(p.moved))
}

// shareOf is the part of the time in which a field was seen that lies in the
// windows. Where nothing came for a while, nothing could move.
func (p *plan) shareOf(rest []point) float64 {
	const most = 2e9 // ns between two frames
	var seen, moved int64
	for i := 1; i < len(rest); i++ {
		seen += max(0, min(most, rest[i].time-rest[i-1].time))
	}
	for _, s := range p.moved {
		moved += s.End - s.Start + 2*margin
	}
	return float64(moved) / float64(max(1, moved+seen))
}

// chance is how likely it is that of all moves, were they spread over the capture
// by accident, as many or more fall into the windows (the tail of a binomial
// distribution). Of a window that the pattern itself found one move is free.
func (out *Proposal) chance(p *plan, in, elsewhere int, share float64) {
	if p.found {
		in--
	}
	out.Chance = tail(max(0, in)+elsewhere, max(0, in), share)
}

// tail is the probability of k or more hits in n trials that each hit with share q.
func tail(n, k int, q float64) (sum float64) {
	if k <= 0 || q >= 1 {
		return 1
	}
	all, _ := math.Lgamma(float64(n + 1))
	for i := k; i <= n; i++ {
		hit, _ := math.Lgamma(float64(i + 1))
		miss, _ := math.Lgamma(float64(n - i + 1))
		sum += math.Exp(all - hit - miss + float64(i)*math.Log(q) + float64(n-i)*math.Log1p(-q))
	}
	return min(1, sum)
}

// edges returns how often a course went from rest to far away or back.
func edges(list []point, away func(point) float64) (n int) {
	up := away(list[0]) > 0.65
	for _, x := range list[1:] {
		if d := away(x); !up && d > 0.65 || up && d < 0.35 {
			up = !up
			n++
		}
	}
	return n
}

// hand is the least time, in ns, in which somebody presses and lets go.
const hand = 100e6

// count returns how often a course left rest for its far end and came back, how
// often it did so for too short a time, and the length of its way in units of its
// reach.
func count(list []point, away func(point) float64) (n, flickers int, travel float64) {
	since, up := int64(0), false
	done := func(until int64) {
		if until-since < hand {
			flickers++
		} else {
			n++
		}
	}
	for i, x := range list {
		d := away(x)
		if i > 0 {
			travel += math.Abs(d - away(list[i-1]))
		}
		switch {
		case !up && d > 0.65:
			up, since = true, x.time
		case up && d < 0.35:
			up = false
			done(x.time)
		}
	}
	if up {
		done(list[len(list)-1].time + hand)
	}
	return n, flickers, travel
}

// scoreCodes wants a few values that each stay for a while, the first and last the same.
func (p *plan) scoreCodes(out *Proposal, points []point) {
	in, rest := within(points, p.moved), within(points, p.rest)
	if len(in) < 8 || len(rest) < 4 {
		return
	}
	out.Rest = mode(rest)
	out.Low, out.High = limits(in)
	runs, stays := plateaus(in)
	values := map[float64]bool{}
	for _, v := range runs {
		values[v] = true
	}
	if len(runs) < 3 {
		return
	}
	out.Score = 1
	s := leastShare(points, p.rest, func(x point) bool { return x.value == out.Rest })
	out.factor(s, "at rest in %.1f %% of the frames where it should be", 100*s)
	out.factor(float64(len(values))/5, "%d positions in %d moves, at least 4 expected", len(values), len(runs)-1)
	if runs[0] != runs[len(runs)-1] {
		out.factor(0.5, "does not come back to where it started")
	}
	out.factor(2.5*float64(len(values))/float64(len(runs)-1), "%.1f moves for each position", float64(len(runs)-1)/float64(len(values)))
	out.factor(stays*stays, "%.1f %% of the frames in a position that stays", 100*stays)
	others, _ := plateaus(rest)
	out.chance(p, len(runs)-1, max(0, len(others)-1), p.shareOf(rest))
}

// plateaus returns the values that stay for a while, one after the other, and the
// share of the frames in them.
func plateaus(list []point) (runs []float64, share float64) {
	const (
		least  = 250e6 // ns; nobody moves a lever faster
		frames = 3
	)
	for i := 0; i < len(list); {
		k := i
		for k < len(list) && list[k].value == list[i].value {
			k++
		}
		end := list[min(k, len(list)-1)].time
		if end-list[i].time >= least && k-i >= frames {
			share += float64(k-i) / float64(len(list))
			if len(runs) == 0 || runs[len(runs)-1] != list[i].value {
				runs = append(runs, list[i].value)
			}
		}
		i = k
	}
	return runs, share
}

// scoreRevs wants nothing before the engine turns, cranking below idle, and revs above it.
func (p *plan) scoreRevs(out *Proposal, points []point) {
	in, rest, idle := within(points, p.moved), within(points, p.rest), within(points, p.idle)
	if len(in) < 16 || len(rest) < 4 || len(idle) < 4 {
		return
	}
	out.Rest = mode(rest)
	out.Low, out.High = limits(in)
	middle := median(idle) - out.Rest
	if middle <= 0 {
		return
	}
	turns := func(x point) bool { return x.value-out.Rest > 0.4*middle }
	out.Score = 1
	s := share(rest, func(x point) bool { return math.Abs(x.value-out.Rest) <= 0.02*middle })
	out.factor(s, "still in %.1f %% of the frames before the start", 100*s)
	s = share(idle, func(x point) bool { return math.Abs(x.value-out.Rest-middle) <= 0.3*middle })
	out.factor(s, "steady in %.1f %% of the frames at idle", 100*s)
	if crank := within(points, p.crank); len(crank) > 2 {
		_, high := limits(crank)
		r := (high - out.Rest) / middle
		out.factor(band(r, 0.1, 0.9), "cranks at %.2f of idle", r)
	}
	moves := 3
	if rev := within(points, p.rev); len(rev) > 4 {
		_, high := limits(rev)
		r := (high - out.Rest) / middle
		out.factor(band(r, 2, 8), "revs to %.1f times idle", r)
		s = share(rev, turns)
		out.factor(s, "turns in %.1f %% of the frames while revved", 100*s)
		moves += 4
	}
	if len(p.turning) > 0 {
		s = leastShare(points, p.turning, turns)
		out.factor(s, "turns in %.1f %% of the frames after the start", 100*s)
	}
	d := distinct(in)
	out.factor(float64(d)/64, "%d different values", d)
	out.factor(1.5-jumps(in), "jumps %.2f of its reach in one frame", jumps(in))
	if out.Rest != 0 {
		out.factor(0.9, "not 0 at rest")
	}
	away := func(x point) float64 { return math.Abs(x.value-out.Rest) / middle }
	running := within(points, p.turning)
	others := edges(rest, away)
	if len(running) > 0 {
		others += edges(running, away)
	}
	out.chance(p, moves, others, p.shareOf(slices.Concat(rest, running)))
}

// band is 1 inside of two bounds and falls off outside.
func band(x, low, high float64) float64 {
	switch {
	case x <= 0:
		return 0
	case x < low:
		return x / low
	case x > high:
		return high / x
	}
	return 1
}

// jumps is the greatest step between two frames by the whole reach.
func jumps(list []point) (most float64) {
	low, high := limits(list)
	for i := 1; i < len(list); i++ {
		most = max(most, math.Abs(list[i].value-list[i-1].value))
	}
	if high > low {
		most /= high - low
	}
	return most
}

// scoreSlow wants a value that stands before the start, then rises and hardly falls.
func (p *plan) scoreSlow(out *Proposal, points []point) {
	in, rest := within(points, p.moved), within(points, p.rest)
	if len(in) < 8 || len(rest) < 2 {
		return
	}
	out.Rest = mode(rest)
	out.Low, out.High = limits(in)
	reach := out.High - out.Low
	if reach < 4 || out.High <= out.Rest {
		return
	}
	up, down := 0.0, 0.0
	for i := 1; i < len(in); i++ {
		d := in[i].value - in[i-1].value
		up, down = up+max(0, d), down+max(0, -d)
	}
	out.Score = 1
	s := share(rest, func(x point) bool { return math.Abs(x.value-out.Rest) <= max(1, 0.03*reach) })
	out.factor(s, "still in %.1f %% of the frames before the start", 100*s)
	out.factor(1.3-down/max(up, 1), "falls %.2f of what it rises", down/max(up, 1))
	j := jumps(in)
	out.factor(1.25-j, "greatest step %.2f of its reach", j)
	out.factor(reach/8, "rises by %g", reach)
	out.chance(p, 1, 0, p.shareOf(rest))
}

// scoreStates wants a bit that is 1 where the thing was on, and 0 where it was off.
func (p *plan) scoreStates(out *Proposal, points []point) {
	in, rest := within(points, p.moved), within(points, p.rest)
	if len(in) < 2 || len(rest) < 4 {
		return
	}
	out.High = 1
	lit := func(x point) bool { return x.value == 1 }
	out.Score = 1
	out.factor(share(in, lit), "1 in %.1f %% of the frames where it was lit", 100*share(in, lit))
	out.factor(1-share(rest, lit), "0 in %.1f %% of the frames where it was dark", 100*(1-share(rest, lit)))
	out.chance(p, 2*len(p.moved), edges(rest, func(x point) float64 { return x.value }), p.shareOf(rest))
}

// share is the part of a list for which something holds.
func share(list []point, holds func(point) bool) float64 {
	n := 0
	for _, x := range list {
		if holds(x) {
			n++
		}
	}
	return float64(n) / float64(max(1, len(list)))
}

// leastShare is the share in that of the spans where it is least.
func leastShare(points []point, spans []Span, holds func(point) bool) float64 {
	least := 1.0
	for i := range spans {
		if list := within(points, spans[i:i+1]); len(list) > 2 {
			least = min(least, share(list, holds))
		}
	}
	return least
}

// mode is the commonest value; of several the least.
func mode(list []point) float64 {
	count := map[float64]int{}
	for _, x := range list {
		count[x.value]++
	}
	best, most := 0.0, 0
	for v, n := range count {
		if n > most || n == most && v < best {
			best, most = v, n
		}
	}
	return best
}

func median(list []point) float64 {
	values := make([]float64, len(list))
	for i, x := range list {
		values[i] = x.value
	}
	slices.Sort(values)
	return values[len(values)/2]
}

func limits(list []point) (low, high float64) {
	low, high = list[0].value, list[0].value
	for _, x := range list {
		low, high = min(low, x.value), max(high, x.value)
	}
	return low, high
}

func distinct(list []point) int {
	seen := map[float64]bool{}
	for _, x := range list {
		if x.value == x.value {
			seen[x.value] = true
		}
	}
	return len(seen)
}

func times(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}
