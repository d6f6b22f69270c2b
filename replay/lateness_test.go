package replay

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestQuantile(t *testing.T) {
	var l Lateness
	if l.Quantile(0.5) != 0 || l.Max() != 0 {
		t.Error("empty is not zero")
	}
	for i := range 1000 {
		l.Add(time.Duration(i+1) * time.Microsecond)
	}
	for _, tt := range []struct {
		q    float64
		want time.Duration
	}{{0, time.Microsecond}, {0.5, 500 * time.Microsecond}, {0.99, 990 * time.Microsecond}, {1, time.Millisecond}} {
		got := l.Quantile(tt.q)
		if off := float64(got-tt.want) / float64(tt.want); off < 0 || off > 0.016 {
			t.Errorf("quantile %v: %v, want %v and at most 1.6 %% more", tt.q, got, tt.want)
		}
	}
	l.Add(-time.Second)
	if l.Quantile(0) != 0 || l.count != 1001 {
		t.Error("a negative one does not count as 0")
	}
}

// Against sorting: never below the true quantile, and within 1.6 % of it.
func TestQuantileProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Int64Range(0, math.MaxInt64), 1, 200).Draw(t, "values")
		q := rapid.Float64Range(0, 1).Draw(t, "q")
		var l Lateness
		for _, v := range values {
			l.Add(time.Duration(v))
		}
		slices.Sort(values)
		true64 := values[max(int(math.Ceil(q*float64(len(values)))), 1)-1]
		got := int64(l.Quantile(q))
		if got < true64 || float64(got-true64) > 0.016*float64(true64) {
			t.Fatalf("quantile %v of %v: %d, want %d", q, values, got, true64)
		}
	})
}
