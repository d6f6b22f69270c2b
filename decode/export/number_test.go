package export

import (
	"encoding/json"
	"math"
	"math/big"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

func TestSeconds(t *testing.T) {
	for ns, want := range map[int64]string{
		0: "0", 1: "0.000000001", -1: "-0.000000001", 1_250_000_000: "1.25", 3_000_000_000: "3",
		1_672_772_547_772_609_123: "1672772547.772609123", 1_000_000_010: "1.00000001",
		math.MaxInt64: "9223372036.854775807", math.MinInt64: "-9223372036.854775808",
	} {
		if got := string(appendSeconds(nil, ns)); got != want {
			t.Errorf("%d: got %s, want %s", ns, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		ns := rapid.Int64().Draw(t, "ns")
		got, ok := new(big.Rat).SetString(string(appendSeconds(nil, ns)))
		if !ok || got.Cmp(big.NewRat(ns, nano)) != 0 {
			t.Fatalf("%d: %s", ns, appendSeconds(nil, ns))
		}
		if clock, ok := new(big.Rat).SetString(string(appendClock(nil, ns))); !ok || clock.Cmp(got) != 0 {
			t.Fatalf("%d: %s", ns, appendClock(nil, ns))
		}
	})
}

// TestFloat holds the quick ways against strconv: the same number, no longer,
// and what JSON allows.
func TestFloat(t *testing.T) {
	check := func(t interface{ Fatalf(string, ...any) }, x float64) {
		got := string(appendFloat(nil, x))
		if back, err := strconv.ParseFloat(got, 64); err != nil || back != x {
			t.Fatalf("%v: got %s", x, got)
		}
		if !json.Valid([]byte(got)) {
			t.Fatalf("%v: %s is not JSON", x, got)
		}
		plain := strconv.FormatFloat(x, 'f', -1, 64)
		short := strconv.FormatFloat(x, 'e', -1, 64)
		if got != plain && got != short && !(x == 0 && got == "0") {
			t.Fatalf("got %s, strconv gives %s or %s", got, plain, short)
		}
	}
	for _, x := range []float64{
		0, math.Copysign(0, -1), 1, -1, 0.5, 0.1, 0.30000000000000004, 1e-7, 123456789.125, 1e15, 1e21, 1e-300, 0.99995, 0.00005,
		math.MaxFloat64, math.SmallestNonzeroFloat64, 1 << 53, 9999999999.9999, -0.0001, 1e10 + 0.5, 250.99609375,
	} {
		check(t, x)
	}
	rapid.Check(t, func(t *rapid.T) { check(t, rapid.Float64Range(-1e300, 1e300).Draw(t, "x")) })
	rapid.Check(t, func(t *rapid.T) {
		raw := rapid.Int64Range(-1<<40, 1<<40).Draw(t, "raw")
		factor := rapid.SampledFrom([]float64{0.1, 0.01, 0.001, 0.0001, 0.25, 0.125, 1.0 / 256, 1.0 / 3, 0.05, 3.6}).Draw(t, "factor")
		check(t, float64(float64(raw)*factor)+rapid.SampledFrom([]float64{0, -40, 0.5, 1e6}).Draw(t, "offset"))
	})
}

func TestDecimals(t *testing.T) {
	for v, want := range map[float64]int{0: 0, 1: 0, -40: 0, 0.1: 1, 0.25: 2, 1.0 / 256: 8, 0.4: 1, 1e-9: 9, 1e-12: -1, 1.0 / 3: -1, 1e30: 0} {
		if got := decimalsOf(v); got != want {
			t.Errorf("%v: got %d, want %d", v, got, want)
		}
	}
	if got := decimalsOf(math.NaN()); got != manyDecimals {
		t.Errorf("NaN: got %d", got)
	}
}
