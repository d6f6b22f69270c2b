package capture

import (
	"math/bits"

	"plugproof/decode/can"
)

// What stands in the fields of delimited text. All of it works on the bytes of
// the line and allocates nothing.

// powers of ten that a uint64 holds.
var powers = func() (p [20]uint64) {
	p[0] = 1
	for i := 1; i < len(p); i++ {
		p[i] = 10 * p[i-1]
	}
	return p
}()

// parseDecimal reads a number with a fraction and an exponent, "12.5", "-3e-3",
// as that many units, rounded to the nearest whole, halves away from 0; 19 figures
// of it count. It fails when the result does not fit.
func parseDecimal(s []byte, unit int64, comma bool) (v int64, ok bool) {
	negative := false
	if len(s) > 0 && (s[0] == '-' || s[0] == '+') {
		negative = s[0] == '-'
		s = s[1:]
	}
	point := byte('.')
	if comma {
		point = ','
	}
	mantissa, exponent, s, ok := parseMantissa(s, point)
	if !ok {
		return 0, false
	}
	if len(s) > 0 {
		e, ok := parseExponent(s)
		if !ok {
			return 0, false
		}
		exponent += e
	}
	u, ok := scale(mantissa, uint64(unit), exponent)
	if v = int64(u); !ok || v < 0 {
		return 0, false
	}
	if negative {
		v = -v
	}
	return v, true
}

// parseMantissa reads figures with a point among them. Figures of the fraction
// that a uint64 has no room for are passed over.
func parseMantissa(s []byte, point byte) (mantissa uint64, exponent int, rest []byte, ok bool) {
	const room = (1<<64 - 10) / 10
	figures, fraction := 0, false
	i := 0
	for ; i < len(s); i++ {
		c := s[i]
		switch {
		case isDigit(c) && mantissa <= room:
			mantissa = mantissa*10 + uint64(c-'0')
			figures++
			if fraction {
				exponent--
			}
		case isDigit(c) && !fraction:
			return 0, 0, s, false
		case isDigit(c):
		case c == point && !fraction:
			fraction = true
		default:
			return mantissa, exponent, s[i:], figures > 0
		}
	}
	return mantissa, exponent, nil, figures > 0
}

// parseExponent reads "e-3".
func parseExponent(s []byte) (e int, ok bool) {
	if s[0] != 'e' && s[0] != 'E' {
		return 0, false
	}
	s = s[1:]
	sign := 1
	if len(s) > 0 && (s[0] == '-' || s[0] == '+') {
		if s[0] == '-' {
			sign = -1
		}
		s = s[1:]
	}
	if len(s) == 0 || len(s) > 3 {
		return 0, false
	}
	for _, c := range s {
		if !isDigit(c) {
			return 0, false
		}
		e = e*10 + int(c-'0')
	}
	return sign * e, true
}

// scale returns mantissa * unit * 10^exponent, rounded.
func scale(mantissa, unit uint64, exponent int) (uint64, bool) {
	const most = len(powers) - 1
	for ; exponent < -most && mantissa > 0; exponent++ {
		mantissa /= 10 // far below a half
	}
	high, low := bits.Mul64(mantissa, unit)
	switch {
	case mantissa == 0:
		return 0, true
	case exponent > most || exponent >= 0 && high != 0:
		return 0, false
	case exponent >= 0:
		high, low = bits.Mul64(low, powers[exponent])
		return low, high == 0
	}
	by := powers[-exponent]
	if high >= by {
		return 0, false
	}
	v, rest := bits.Div64(high, low, by)
	if rest >= by-rest {
		v++
	}
	return v, true
}

// parseNumber reads a whole number without a sign. width counts its hexadecimal
// figures.
func parseNumber(s []byte, base Base) (v uint64, width int, ok bool) {
	prefixed := len(s) > 2 && s[0] == '0' && s[1]|0x20 == 'x'
	if base == Decimal || base == Prefixed && !prefixed {
		return parseDigits(s)
	}
	switch {
	case prefixed:
		s = s[2:]
	case len(s) > 1 && s[len(s)-1]|0x20 == 'h':
		s = s[:len(s)-1]
	}
	if len(s) == 0 || len(s) > 16 {
		return 0, 0, false
	}
	for _, c := range s {
		digit := hexDigit[c]
		if digit == 0 {
			return 0, 0, false
		}
		v = v<<4 | uint64(digit-1)
	}
	return v, len(s), true
}

func parseDigits(s []byte) (v uint64, width int, ok bool) {
	if len(s) == 0 || len(s) > 19 {
		return 0, 0, false
	}
	for _, c := range s {
		if !isDigit(c) {
			return 0, 0, false
		}
		v = v*10 + uint64(c-'0')
	}
	return v, len(s), true
}

// parseByte reads one byte.
func parseByte(s []byte, base Base) (byte, bool) {
	if base == Hex && len(s) == 2 && hexDigit[s[0]] != 0 && hexDigit[s[1]] != 0 {
		return (hexDigit[s[0]]-1)<<4 | (hexDigit[s[1]] - 1), true
	}
	v, _, ok := parseNumber(s, base)
	return byte(v), ok && v <= 0xFF
}

// parseField reads the bytes of one field into dst and returns their number, at
// most len(dst)+1. Hexadecimal ones may stand without anything between them.
func parseField(s, dst []byte, separator byte, base Base) (n int, kind Kind) {
	for {
		for len(s) > 0 && (isBlank(s[0]) || s[0] == separator) {
			s = s[1:]
		}
		if len(s) == 0 {
			return n, good
		}
		size := 0
		for size < len(s) && s[size] != separator && !isBlank(s[size]) {
			size++
		}
		group := s[:size]
		s = s[size:]
		if base == Hex && len(group) > 2 && group[0] == '0' && group[1]|0x20 == 'x' {
			group = group[2:]
		}
		if base != Hex || len(group) <= 2 {
			b, ok := parseByte(group, base)
			switch {
			case !ok:
				return n, Malformed
			case n == len(dst):
				return n + 1, good
			}
			dst[n] = b
			n++
			continue
		}
		for ; len(group) > 0; group = group[2:] {
			if len(group) == 1 {
				return n, Cut
			}
			high, low := hexDigit[group[0]], hexDigit[group[1]]
			switch {
			case high == 0 || low == 0:
				return n, Malformed
			case n == len(dst):
				return n + 1, good
			}
			dst[n] = (high-1)<<4 | (low - 1)
			n++
		}
	}
}

// lengthOf sets the length of a frame from that many bytes, or from a code.
func lengthOf(f *can.Frame, v uint64, code bool) bool {
	fd := f.Flags&can.FD != 0
	switch {
	case code && v <= 15:
		f.DLC = uint8(v)
		f.Len = can.DLCToLen(f.DLC, fd)
		return true
	case code, v > can.MaxFDLen, !fd && v > can.MaxClassicLen:
		return false
	}
	f.DLC = can.LenToDLC(int(v))
	f.Len = can.DLCToLen(f.DLC, fd)
	return uint64(f.Len) == v
}
