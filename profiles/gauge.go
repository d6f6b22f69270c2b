package profiles

import (
	"fmt"
	"math"
)

// Range returns the least and the greatest value that the gauge tells apart.
func (g *Gauge) Range() (least, most float64) { return g.Curve[0].At, g.Curve[len(g.Curve)-1].At }

// Shows returns what is read for a value; beyond its ends the needle stands there.
func (g *Gauge) Shows(value float64) float64 {
	last := len(g.Curve) - 1
	switch {
	case value <= g.Curve[0].At:
		return g.Curve[0].Shows
	case value >= g.Curve[last].At:
		return g.Curve[last].Shows
	}
	i := 1
	for value > g.Curve[i].At {
		i++
	}
	a, b := g.Curve[i-1], g.Curve[i]
	return a.Shows + (b.Shows-a.Shows)*(value-a.At)/(b.At-a.At)
}

// Level reports whether a value lies where the needle does not move: what is read
// there says nothing of the scale.
func (g *Gauge) Level(value float64) bool {
	for i := 1; i < len(g.Curve); i++ {
		a, b := g.Curve[i-1], g.Curve[i]
		if value >= a.At && value <= b.At && a.Shows == b.Shows {
			return true
		}
	}
	return false
}

func (s *Setting) checkGauge(path string, f *Function) Problems {
	g := f.Gauge
	if g == nil {
		return nil
	}
	fault := func(text, hint string) Problems { return Problems{s.problem(path+".gauge", "value", text, hint)} }
	switch {
	case f.Lamp != nil:
		return fault("a function is a lamp or a gauge, not both", "make two of it")
	case len(g.Curve) < 2:
		return fault("a gauge needs two marks at least", "curve: [{at: 0, shows: 0}, {at: 7000, shows: 7000}]")
	case !(g.Reads > 0):
		return fault("a gauge needs reads: how exactly a person reads it, in its unit", "reads: 200")
	}
	for i, mark := range g.Curve {
		if math.IsNaN(mark.At+mark.Shows) || math.IsInf(mark.At+mark.Shows, 0) || i > 0 && mark.At <= g.Curve[i-1].At {
			return fault(fmt.Sprintf("the marks of a gauge rise: %g does not", mark.At), "")
		}
	}
	return nil
}
