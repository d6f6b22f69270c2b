package survey

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// A quantile is within the stated error of the one found by sorting.
func TestGapsQuantile(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		magnitude := rapid.IntRange(0, 43)
		gaps := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) int64 {
			return rapid.Int64Range(0, 1<<magnitude.Draw(t, "bits")-1).Draw(t, "gap")
		}), 1, 300).Draw(t, "gaps")
		var g Gaps
		for _, gap := range gaps {
			g.Add(gap)
		}
		slices.Sort(gaps)
		q := rapid.Float64Range(0, 1).Draw(t, "q")
		exact := gaps[max(1, int(math.Ceil(q*float64(len(gaps)))))-1]
		allowed := max(8, float64(exact)*GapErrorPercent/100)
		if got := g.Quantile(q); math.Abs(float64(got-exact)) > allowed {
			t.Fatalf("quantile %v of %v: got %d, exact %d, allowed error %v", q, gaps, got, exact, allowed)
		}
		if g.Min() != gaps[0] || g.Max() != gaps[len(gaps)-1] || g.Count() != uint64(len(gaps)) {
			t.Fatalf("min %d max %d count %d of %v", g.Min(), g.Max(), g.Count(), gaps)
		}
	})
}

// The error bound is reached but not passed at the edges of every octave.
func TestGapsBuckets(t *testing.T) {
	worst := 0.0
	for octave := firstBits; octave < firstBits+pages-1; octave++ {
		for _, gap := range []int64{1 << octave, 1<<octave + 1, 3 << octave / 2, 2<<octave - 1} {
			b := bucket(gap)
			off := math.Abs(float64(middle(b)-gap)) / float64(gap) * 100
			if off > GapErrorPercent {
				t.Errorf("%d ns: bucket %d is %.3f %% off", gap, b, off)
			}
			worst = max(worst, off)
		}
	}
	if worst < 0.99*GapErrorPercent {
		t.Errorf("worst error %.3f %%: the stated %.3f %% is too large", worst, GapErrorPercent)
	}
	for gap := range int64(1024) {
		if b := bucket(gap); math.Abs(float64(middle(b)-gap)) > 8 {
			t.Errorf("%d ns: bucket %d, middle %d", gap, b, middle(b))
		}
	}
}

func TestGapsFarOut(t *testing.T) {
	var g Gaps
	for _, gap := range []int64{math.MaxInt64, 1 << 43, math.MaxInt64, 5} {
		g.Add(gap)
	}
	// The sum does not wrap: 2^63-1 twice, 2^43 and 5 are over 2^64.
	if g.Sum() != math.MaxUint64 || g.Max() != math.MaxInt64 || g.Min() != 5 || g.Quantile(0.25) != 5 {
		t.Errorf("sum %d max %d min %d", g.Sum(), g.Max(), g.Min())
	}
}

func TestGapsEnds(t *testing.T) {
	var g Gaps
	for _, gap := range []int64{10_090_000, 9_970_000, 10_000_003} {
		g.Add(gap)
	}
	if low, high := g.Quantile(0), g.Quantile(1); low != 9_970_000 || high != 10_090_000 {
		t.Errorf("ends %d and %d are not exact", low, high)
	}
}

func TestGapsBetween(t *testing.T) {
	var g Gaps
	for range 7 {
		g.Add(10 * ms)
	}
	g.Add(20 * ms)
	g.Add(0)
	for _, row := range []struct {
		lo, hi int64
		want   uint64
	}{
		{0, 5 * ms, 1}, {9 * ms, 11 * ms, 7}, {9 * ms, 21 * ms, 8}, {12 * ms, 18 * ms, 0}, {0, math.MaxInt64, 9},
	} {
		if got := g.Between(row.lo, row.hi); got != row.want {
			t.Errorf("between %d and %d: %d gaps, want %d", row.lo, row.hi, got, row.want)
		}
	}
	if n := new(Gaps).Between(0, math.MaxInt64); n != 0 {
		t.Errorf("%d gaps in an empty distribution", n)
	}
}

func TestGapsMerge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gaps := rapid.SliceOfN(rapid.Int64Range(0, 1<<45), 0, 3*fewGaps).Draw(t, "gaps")
		cut := rapid.IntRange(0, len(gaps)).Draw(t, "cut")
		var whole, first, second Gaps
		for i, gap := range gaps {
			whole.Add(gap)
			if i < cut {
				first.Add(gap)
			} else {
				second.Add(gap)
			}
		}
		first.Merge(&second)
		for q := 0.0; q <= 1; q += 0.125 {
			if first.Quantile(q) != whole.Quantile(q) {
				t.Fatalf("quantile %v: %d merged, %d whole", q, first.Quantile(q), whole.Quantile(q))
			}
		}
		if first.Count() != whole.Count() || first.Sum() != whole.Sum() || first.Min() != whole.Min() || first.Max() != whole.Max() {
			t.Fatalf("merged %+v, whole %+v", first, whole)
		}
	})
}

func TestBumpStops(t *testing.T) {
	n := uint32(math.MaxUint32 - 1)
	for range 3 {
		bump(&n, 1)
	}
	if n != math.MaxUint32 {
		t.Errorf("a full bucket holds %d", n)
	}
	if bump(&n, 5); n != math.MaxUint32 {
		t.Errorf("a full bucket holds %d after a merge", n)
	}
}
