package capture

import (
	"math"
	"math/bits"
)

// resolution turns the stamps of an interface into nanoseconds:
// stamp * mul / div >> shift + offset.
type resolution struct {
	mul, div uint64
	shift    uint
	offset   int64 // s
}

// newResolution reads if_tsresol: units of 10^-n s, or with the top bit set 2^-n s,
// n = 0..127. offset is if_tsoffset, in seconds.
func newResolution(tsresol byte, offset int64) resolution {
	r := resolution{mul: 1, div: 1, offset: offset}
	n := uint(tsresol & 0x7F)
	switch {
	case tsresol&0x80 != 0:
		r.mul, r.shift = 1e9, n
	case n <= 9:
		r.mul = pow10(9 - n)
	case n <= 9+19:
		r.div = pow10(n - 9)
	default:
		r.mul = 0 // 10^20 units and more to the nanosecond: 2^64 of them are none
	}
	return r
}

// pow10 returns 10^n, n <= 19.
func pow10(n uint) uint64 {
	p := uint64(1)
	for range n {
		p *= 10
	}
	return p
}

// nanoseconds converts a stamp, rounding down. It returns false when the result
// is not an int64.
func (r *resolution) nanoseconds(stamp uint64) (int64, bool) {
	hi, lo := bits.Mul64(stamp, r.mul)
	switch {
	case r.shift >= 64:
		hi, lo = 0, hi>>(r.shift-64)
	case r.shift > 0:
		hi, lo = hi>>r.shift, lo>>r.shift|hi<<(64-r.shift)
	case r.div > 1: // then mul is 1 and hi is 0
		lo /= r.div
	}
	if r.offset == 0 {
		return int64(lo), hi == 0 && lo <= math.MaxInt64
	}
	return addSeconds(hi, lo, r.offset)
}

// addSeconds returns hi:lo nanoseconds + seconds.
func addSeconds(hi, lo uint64, seconds int64) (int64, bool) {
	negative := seconds < 0
	abs := uint64(seconds)
	if negative {
		abs = -abs
	}
	offHi, offLo := bits.Mul64(abs, 1e9)
	if !negative {
		var carry uint64
		lo, carry = bits.Add64(lo, offLo, 0)
		hi, carry = bits.Add64(hi, offHi, carry)
		return int64(lo), carry == 0 && hi == 0 && lo <= math.MaxInt64
	}
	lo, borrow := bits.Sub64(lo, offLo, 0)
	hi, borrow = bits.Sub64(hi, offHi, borrow)
	if borrow == 0 {
		return int64(lo), hi == 0 && lo <= math.MaxInt64
	}
	return int64(lo), hi == math.MaxUint64 && lo > math.MaxInt64
}
