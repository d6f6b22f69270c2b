package survey

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// amount is one call of Course.Add.
type amount struct {
	time          int64
	nominal, data uint64
}

// TestCourse: against a sum over everything that was added, step by step, and
// cut into two stretches anywhere.
func TestCourse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const limit = 16
		list := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) amount {
			return amount{
				rapid.Int64Range(-20e9, 20e9).Draw(t, "time"), rapid.Uint64Range(0, 99).Draw(t, "nominal"),
				rapid.Uint64Range(0, 99).Draw(t, "data"),
			}
		}), 1, 40).Draw(t, "amounts")
		cut := rapid.IntRange(0, len(list)).Draw(t, "cut")
		whole, first, second := NewCourse(limit), NewCourse(limit), NewCourse(limit)
		for i, a := range list {
			whole.Add(a.time, a.nominal, a.data)
			if i < cut {
				first.Add(a.time, a.nominal, a.data)
			} else {
				second.Add(a.time, a.nominal, a.data)
			}
		}
		if n := len(whole.Sums()); n > limit {
			t.Fatalf("%d steps, at most %d", n, limit)
		}
		for i, got := range whole.Sums() {
			from := whole.Start() + int64(i)*whole.Width()
			var want Sum
			for _, a := range list {
				if a.time >= from && a.time < from+whole.Width() {
					want.Nominal += a.nominal
					want.Data += a.data
				}
			}
			if got != want {
				t.Fatalf("step %d from %d ns: %+v, want %+v", i, from, got, want)
			}
		}
		first.Merge(second)
		if diff := cmp.Diff(whole.Sums(), first.Sums()); diff != "" || whole.Width() != first.Width() || whole.Start() != first.Start() {
			t.Fatalf("cut at %d (-whole +merged):\n%s", cut, diff)
		}
	})
}

func TestCourseTakesAnyStamp(t *testing.T) {
	c := NewCourse(8)
	for _, time := range []int64{-1 << 63, 1<<63 - 1, 0} {
		c.Add(time, 1, 2)
	}
	var total Sum
	for _, s := range c.Sums() {
		total.Nominal += s.Nominal
		total.Data += s.Data
	}
	if total != (Sum{3, 6}) || len(c.Sums()) > 8 {
		t.Errorf("%+v in %d steps", total, len(c.Sums()))
	}
}
