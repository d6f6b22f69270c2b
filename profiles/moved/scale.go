package moved

import (
	"cmp"
	"math"
	"slices"
	"strconv"
)

// Scale turns raw values into physical ones.
type Scale struct {
	Factor, Offset float64
	Unit           string
	From           string // what it rests on; "": nothing, and it is 1
}

const (
	leastReadings = 4 // from which a field is found by readings alone
	gridSteps     = 400
	alikeness     = 0.995 // correlation of two courses that say the same
	alikeStates   = 0.9   // of a few values that do
)

// scale proposes a scale.
func (p *plan) scale(out *Proposal, opts *Options) Scale {
	s := Scale{Factor: 1, Unit: cmp.Or(opts.Unit, p.Unit)}
	ends := opts.Range
	from := "the stated range"
	if ends == nil {
		ends, from = p.span, "the usual range"
	}
	far := out.High
	if math.Abs(out.Low-out.Rest) > math.Abs(out.High-out.Rest) {
		far = out.Low
	}
	switch {
	case len(p.readings) > 0 && out.Scale.From != "":
		s.Factor, s.Offset, s.From = out.Scale.Factor, out.Scale.Offset, out.Scale.From
	case ends != nil && out.Field.Length > 1 && far != out.Rest && p.shape == strokes:
		f := (ends[1] - ends[0]) / (far - out.Rest)
		s.Factor = round(f, math.Abs(f)/(2*math.Abs(far-out.Rest)))
		s.Offset = ends[0] - s.Factor*out.Rest
		s.From = from
	default:
		s.Unit = opts.Unit
	}
	return s
}

// round returns the number with the fewest digits within a tolerance, preferring
// binary fractions, which many scales are.
func round(x, tolerance float64) float64 {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return x
	}
	unit := math.Pow(10, math.Ceil(math.Log10(math.Abs(x))))
	for range 12 {
		for _, step := range []float64{1, 0.5, 0.25} {
			y := math.Round(x/(unit*step)) * (unit * step)
			if y != 0 && math.Abs(y-x) <= tolerance {
				return tidy(y)
			}
		}
		unit /= 10
	}
	return x
}

// tidy takes off what the arithmetic left behind the ninth digit.
func tidy(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 9, 64), 64)
	if err != nil {
		return x
	}
	return y
}

// scoreReadings fits the field to what an instrument showed. With one reading
// there is a factor only, and the offset is taken for 0.
func (p *plan) scoreReadings(out *Proposal, points []point) {
	var raw, seen []float64
	for _, r := range p.readings {
		if v, ok := near(points, r.Time); ok {
			raw, seen = append(raw, v), append(seen, r.Value)
		}
	}
	alone := p.shape == readings
	switch {
	case alone && len(raw) < leastReadings || len(raw) == 0:
		return
	case len(raw) == 1:
		if raw[0] != 0 && seen[0] != 0 {
			f := seen[0] / raw[0]
			out.Scale = Scale{Factor: round(f, 0.01*math.Abs(f)), From: "1 reading, with no offset"}
		}
		return
	}
	slope, start, r := fit(raw, seen)
	if math.IsNaN(r) {
		return
	}
	out.Scale = scaled(raw, seen, slope, start)
	if alone {
		out.Score, out.Chance = 1, 1
		out.Low, out.High = limits(points)
		out.Rest = mode(points)
	}
	out.factor(r*r, "follows %s with r² %.4f", times(len(raw), "reading"), r*r)
	if len(raw) >= leastReadings { // by accident of independent pairs: about so often (Fisher; two parameters are fitted)
		out.Chance *= math.Pow(max(1e-12, 1-r*r), float64(len(raw)-2)/2)
	}
	if alone {
		d := distinctOf(raw)
		out.factor(float64(d)/float64(min(leastReadings, distinctOf(seen))), "%d different values at the readings", d)
	}
}

// scaled is the straight line through readings in round figures.
func scaled(raw, seen []float64, slope, start float64) Scale {
	s := Scale{From: times(len(raw), "reading")}
	tolerance := 0.01 * math.Abs(slope)
	if math.Abs(start) < 0.02*(slices.Max(seen)-slices.Min(seen)) {
		s.Factor = round(mean(seen)/mean(raw), tolerance)
		return s
	}
	s.Factor = round(slope, tolerance)
	s.Offset = round(mean(seen)-s.Factor*mean(raw), math.Abs(s.Factor))
	return s
}

// near returns the value at a time: that of the latest frame not after it, or of
// the first after it.
func near(points []point, t int64) (float64, bool) {
	i, _ := slices.BinarySearchFunc(points, t+1, func(p point, t int64) int { return cmp.Compare(p.time, t) })
	switch {
	case i > 0 && t-points[i-1].time <= readingFar:
		return points[i-1].value, true
	case i < len(points) && points[i].time-t <= readingFar:
		return points[i].value, true
	}
	return 0, false
}

// fit returns the straight line through pairs, and their correlation; NaN where
// one of them does not vary.
func fit(x, y []float64) (slope, start, r float64) {
	mx, my := mean(x), mean(y)
	var sxx, syy, sxy float64
	for i := range x {
		dx, dy := x[i]-mx, y[i]-my
		sxx += dx * dx
		syy += dy * dy
		sxy += dx * dy
	}
	if sxx == 0 || syy == 0 {
		return 0, 0, math.NaN()
	}
	slope = sxy / sxx
	return slope, my - slope*mx, sxy / math.Sqrt(sxx*syy)
}

func mean(list []float64) (m float64) {
	for _, x := range list {
		m += x
	}
	return m / float64(len(list))
}

func pointsOf(values []float64) []point {
	list := make([]point, len(values))
	for i, v := range values {
		list[i].value = v
	}
	return list
}

func distinctOf(list []float64) int { return distinct(pointsOf(list)) }

// grid samples a course at equal steps of the stretches that matter.
func (p *plan) grid(points []point) []float64 {
	spans := p.moved
	if len(spans) == 0 {
		spans = []Span{{p.start, p.start + p.total}}
	}
	var list []float64
	for _, s := range spans {
		step := max(1, (s.End-s.Start)/int64(gridSteps/len(spans)+1))
		for t := s.Start; t < s.End; t += step {
			v, ok := near(points, t)
			if !ok {
				v = math.NaN()
			}
			list = append(list, v)
		}
	}
	return list
}

// maxLag is how much later than the original a gateway's copy may come, in ns.
const maxLag = 300e6

// lag is maxLag in steps of the grid.
func (p *plan) lag() int {
	length := p.total
	if len(p.moved) > 0 {
		length = 0
		for _, s := range p.moved {
			length += s.End - s.Start
		}
	}
	return int(maxLag * gridSteps / max(1, length))
}

// alike reports whether two courses say the same, whatever their scale, one of
// them up to lag steps later.
func alike(a, b *Proposal, lag int) bool {
	least := alikeness
	if a.levels <= 8 && b.levels <= 8 {
		least = alikeStates // the same edges, but for the step in which they are seen
	}
	for shift := -lag; shift <= lag; shift += max(1, lag/lagTries) {
		if r, n := correlation(a.course, b.course, shift); n >= gridSteps/4 && math.Abs(r) >= least {
			return true
		}
	}
	return false
}

// lagTries is how many lags are tried to either side.
const lagTries = 10

// correlation is that of a with b some steps later, over the n steps in which both are known.
func correlation(a, b []float64, shift int) (r float64, n int) {
	var sx, sy, sxx, syy, sxy float64
	x0, y0 := math.NaN(), math.NaN() // the first values, taken off against rounding
	for i := max(0, -shift); i < len(a) && i+shift < len(b); i++ {
		x, y := a[i], b[i+shift]
		if x != x || y != y {
			continue
		}
		if n == 0 {
			x0, y0 = x, y
		}
		x, y = x-x0, y-y0
		n++
		sx, sy, sxx, syy, sxy = sx+x, sy+y, sxx+x*x, syy+y*y, sxy+x*y
	}
	m := float64(n)
	return (m*sxy - sx*sy) / math.Sqrt((m*sxx-sx*sx)*(m*syy-sy*sy)), n
}

// pattern looks for a stretch in which the field makes its strokes, at rest before and after.
func (p *plan) pattern(id *identifier, c candidate) (Span, bool) {
	points := id.points(c.Field)
	if len(points) < 16 {
		return Span{}, false
	}
	rest := mode(points)
	low, high := limits(points)
	reach := max(high-rest, rest-low)
	if reach == 0 || p.graded && distinct(points) < 16 {
		return Span{}, false
	}
	away := func(x point) float64 { return math.Abs(x.value-rest) / reach }
	n, flickers, _ := count(points, away)
	from, to := -1, 0
	for i, x := range points {
		if away(x) > 0.1 {
			if from < 0 {
				from = i
			}
			to = min(i+1, len(points)-1)
		}
	}
	at := Span{points[from].time - margin, points[to].time + margin}
	return at, n+flickers == p.n && 4*(at.End-at.Start) <= p.total
}
