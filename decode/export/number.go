package export

import (
	"math"
	"strconv"

	"plugproof/decode"
	"plugproof/decode/can"
)

const nano = 1_000_000_000

// appendSeconds appends a time in ns as seconds, exactly: 1.25, -0.5, 3.
func appendSeconds(dst []byte, ns int64) []byte {
	abs := uint64(ns)
	if ns < 0 {
		dst = append(dst, '-')
		abs = -abs
	}
	dst = strconv.AppendUint(dst, abs/nano, 10)
	rest := abs % nano
	if rest == 0 {
		return dst
	}
	return appendFraction(dst, rest, 9)
}

// appendFraction appends "." and digits without the zeros at the end.
func appendFraction(dst []byte, v uint64, digits int) []byte {
	for v%10 == 0 {
		v /= 10
		digits--
	}
	var b [20]byte
	for i := digits; i > 0; i-- {
		b[i] = byte('0' + v%10)
		v /= 10
	}
	b[0] = '.'
	return append(dst, b[:digits+1]...)
}

const hexDigits = "0123456789ABCDEF"

// appendID appends an identifier in 3 digits, or 8 for one of 29 bits.
func appendID(dst []byte, id uint32, long bool) []byte {
	shift := 8
	if long {
		shift = 28
	}
	for ; shift >= 0; shift -= 4 {
		dst = append(dst, hexDigits[id>>shift&15])
	}
	return dst
}

func appendHex(dst, p []byte) []byte {
	for _, b := range p {
		dst = append(dst, hexDigits[b>>4], hexDigits[b&15])
	}
	return dst
}

// appendWide appends the bytes of a signal that has no number, in hex.
func appendWide(dst []byte, f *can.Frame, s *decode.Signal) []byte {
	var b [can.MaxFDLen + 1]byte
	return appendHex(dst, s.AppendBytes(f, b[:0]))
}

// maxExact is the largest magnitude up to which a float64 holds every integer.
const maxExact = 1 << 53

// appendFloat appends a finite number in the fewest digits that give it again,
// written plainly unless it is very large or very small.
func appendFloat(dst []byte, x float64) []byte {
	if math.Abs(x) < 1e15 {
		if n := int64(x); float64(n) == x {
			return strconv.AppendInt(dst, n, 10)
		}
		if out, ok := appendDecimal(dst, x); ok {
			return out
		}
	}
	if abs := math.Abs(x); abs < 1e-6 || abs >= 1e21 {
		return strconv.AppendFloat(dst, x, 'e', -1, 64)
	}
	return strconv.AppendFloat(dst, x, 'f', -1, 64)
}

// maxDecimals is how many digits after the point appendDecimal tries: most
// factors have fewer.
const maxDecimals = 4

// appendDecimal is the quick way for numbers with few decimals. A decimal of at
// most 15 digits that gives x again is the only one of its length, and the
// division of two integers below 2^53 is what reading it would compute.
func appendDecimal(dst []byte, x float64) ([]byte, bool) {
	abs := math.Abs(x)
	if abs >= 1e10 {
		return dst, false
	}
	scale := 1.0
	for digits := 1; digits <= maxDecimals; digits++ {
		scale *= 10
		n := math.Round(abs * scale)
		if n/scale != abs {
			continue
		}
		if x < 0 {
			dst = append(dst, '-')
		}
		whole, rest := uint64(n)/uint64(scale), uint64(n)%uint64(scale)
		return appendFraction(strconv.AppendUint(dst, whole, 10), rest, digits), true
	}
	return dst, false
}

// appendExact appends the raw integer of a value whose physical value is that
// integer (decode.Signal.Exact).
func appendExact(dst []byte, v *decode.Value) []byte {
	if v.Signal.Signed() {
		return strconv.AppendInt(dst, int64(v.Raw), 10)
	}
	return strconv.AppendUint(dst, v.Raw, 10)
}

// beyondExact reports whether the value is an integer that a float64 may round.
func beyondExact(v *decode.Value) bool {
	return math.Abs(v.Phys) >= maxExact && v.Signal.Exact()
}
