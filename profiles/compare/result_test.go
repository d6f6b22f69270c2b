package compare

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestAlongAxis(t *testing.T) {
	r := &Result{
		Axes: []Axis{{Bins: []Bin{{}, {}}}, {Bins: []Bin{{}}}},
		States: []State{
			{Bins: []int{0, 0}}, {Bins: []int{0, -1}}, {Bins: []int{1, 0}}, {Bins: []int{-1, 0}},
		},
	}
	s := &Series{Points: []Point{
		{State: 0, Before: Values{10, 1, 3, 2}},
		{State: 1, Before: Values{30, 2, 8, 4}, After: Values{5, 7, 7, 7}},
		{State: 2, After: Values{20, 0, 9, 3}},
		{State: 3, Before: Values{1, 5, 5, 5}},
	}}
	want := []Point{
		{State: 0, Before: Values{40, 1, 8, 3.5}, After: Values{5, 7, 7, 7}},
		{State: 1, After: Values{20, 0, 9, 3}},
		{State: 2, Before: Values{1, 5, 5, 5}},
	}
	if diff := cmp.Diff(want, r.AlongAxis(s, 0)); diff != "" {
		t.Error(diff)
	}
}

func TestReach(t *testing.T) {
	for _, row := range []struct {
		least, most float64
		want        string
	}{{1, 1, "at 1"}, {0, 850, "from 0 to 850"}} {
		if got := reach(row.least, row.most); got != row.want {
			t.Errorf("%g, %g: %s, want %s", row.least, row.most, got, row.want)
		}
	}
}
