package profiles

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The coolant gauge of the demo car, as its DBC file describes it: 0 is the cold
// stop, 50 the flat middle, 100 the hot stop.
func coolant() *Gauge {
	return &Gauge{Reads: 10, Curve: []Mark{{40, 0}, {75, 50}, {115, 50}, {125, 100}}}
}

func TestGauge(t *testing.T) {
	g := coolant()
	for _, tt := range []struct {
		value, shows float64
		level        bool
	}{
		{-40, 0, false},
		{40, 0, false},
		{57.5, 25, false},
		{75, 50, true},
		{90, 50, true},
		{115, 50, true},
		{118, 65, false},
		{125, 100, false},
		{200, 100, false},
	} {
		if got := g.Shows(tt.value); math.Abs(got-tt.shows) > 1e-9 || g.Level(tt.value) != tt.level {
			t.Errorf("%g shows %g (level %v), want %g (level %v)", tt.value, got, g.Level(tt.value), tt.shows, tt.level)
		}
	}
	if least, most := g.Range(); least != 40 || most != 125 {
		t.Errorf("from %g to %g", least, most)
	}
}

// Between two marks the reading lies between what they show.
func TestGaugeProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := &Gauge{}
		at := rapid.Float64Range(-1e3, 1e3).Draw(t, "first")
		for range rapid.IntRange(2, 6).Draw(t, "marks") {
			g.Curve = append(g.Curve, Mark{at, rapid.Float64Range(-1e3, 1e3).Draw(t, "shows")})
			at += rapid.Float64Range(0.1, 100).Draw(t, "step")
		}
		i := rapid.IntRange(1, len(g.Curve)-1).Draw(t, "between")
		a, b := g.Curve[i-1], g.Curve[i]
		v := a.At + (b.At-a.At)*rapid.Float64Range(0, 1).Draw(t, "where")
		got := g.Shows(v)
		if got < min(a.Shows, b.Shows)-1e-6 || got > max(a.Shows, b.Shows)+1e-6 {
			t.Fatalf("%g shows %g, between marks %+v and %+v", v, got, a, b)
		}
	})
}

func TestGaugeFaults(t *testing.T) {
	for _, tt := range []struct {
		f    Function
		want string
	}{
		{Function{Gauge: coolant()}, ""},
		{Function{}, ""},
		{Function{Gauge: coolant(), Lamp: &Lamp{}}, "a lamp or a gauge"},
		{Function{Gauge: &Gauge{Reads: 1, Curve: []Mark{{0, 0}}}}, "two marks"},
		{Function{Gauge: &Gauge{Curve: []Mark{{0, 0}, {1, 1}}}}, "needs reads"},
		{Function{Gauge: &Gauge{Reads: 1, Curve: []Mark{{0, 0}, {1, 1}, {1, 2}}}}, "rise: 1 does not"},
		{Function{Gauge: &Gauge{Reads: 1, Curve: []Mark{{0, 0}, {math.Inf(1), 1}}}}, "rise"},
	} {
		s := &Setting{Composed: &Composed{}}
		got := ""
		if problems := s.checkGauge("$.functions.x", &tt.f); len(problems) > 0 {
			got = problems.Error()
		}
		if tt.want == "" && got != "" || !strings.Contains(got, tt.want) {
			t.Errorf("%+v: %q, want %q", tt.f.Gauge, got, tt.want)
		}
	}
}
