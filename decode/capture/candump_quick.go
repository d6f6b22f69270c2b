package capture

import (
	"encoding/binary"
	"math/bits"

	"plugproof/decode/can"
)

// The usual line of a candump log:
//
//	(1700000000.181291) can0 1C4#0123456789ABCDEF
//	0          11     19   20   25  29              45: line end
//
// Ten figures of seconds, six or nine of the fraction, an interface name of at most
// seven characters seen before, 3 or 8 id digits, 0 to 8 bytes of data, R or T
// at most after them, and LF or CRLF. Anything else takes the general parser.

// quickSpan is what quick may look at: the longest usual line, and the words
// loaded at its end.
const quickSpan = 68

// usualStamp is the seconds field of the line before: the next one mostly has
// the same.
type usualStamp struct {
	head uint64 // "(1672772"
	tail uint32 // "602."
	ns   int64  // its value in nanoseconds
}

// quick reads the line that b starts with into f and returns its length with
// the line end; 0, and f as it was, when it is not of the usual shape.
func (d *candump) quick(b []byte, f *can.Frame) int {
	if len(b) < quickSpan {
		return 0
	}
	b = b[:quickSpan]
	if word(b) != d.stamp.head || binary.LittleEndian.Uint32(b[8:]) != d.stamp.tail {
		if !d.stamp.set(b) {
			return 0
		}
	}
	fraction, p := quickFraction(b)
	if p == 0 {
		return 0
	}
	name := d.names.quick(word(b[p:]))
	if name == nil {
		return 0
	}
	p += name.size
	id, flags, size := quickID(word(b[p:]), b[p+8])
	if size == 0 {
		return 0
	}
	p += size
	data, n := quickPayload(word(b[p:]), word(b[p+8:]))
	way, size := quickEnd(binary.LittleEndian.Uint32(b[p+2*n:]))
	if size == 0 || n > can.MaxClassicLen {
		return 0
	}
	f.Time = d.stamp.ns + fraction
	f.ID, f.Bus, f.Flags = id, name.bus, flags|way
	if f.Len > can.MaxClassicLen { // the slot held an FD frame
		clear(f.Data[can.MaxClassicLen:])
	}
	f.Len, f.DLC = uint8(n), uint8(n)
	binary.LittleEndian.PutUint64(f.Data[:], data)
	return p + 2*n + size
}

// set takes over the seconds field that b starts with: "(", ten figures, ".".
func (u *usualStamp) set(b []byte) bool {
	if b[0] != '(' || b[11] != '.' {
		return false
	}
	sec := int64(0)
	for _, c := range b[1:11] {
		if !isDigit(c) {
			return false
		}
		sec = sec*10 + int64(c-'0')
	}
	if sec > maxSeconds {
		return false
	}
	u.head, u.tail, u.ns = word(b), binary.LittleEndian.Uint32(b[8:]), sec*1e9
	return true
}

// quickFraction reads six or nine figures behind the point, ")" and a blank. It
// returns nanoseconds and where the interface name starts, 0 for anything else.
func quickFraction(b []byte) (ns int64, at int) {
	w := word(b[12:])
	micros, ok := sixDigits(w)
	if !ok {
		return 0, 0
	}
	if w>>48 == ')'|' '<<8 {
		return micros * 1e3, 20
	}
	a, t, u := w>>48&0xFF^'0', w>>56^'0', uint64(b[20]^'0')
	if a > 9 || t > 9 || u > 9 || b[21] != ')' || b[22] != ' ' {
		return 0, 0
	}
	return micros*1e3 + int64(a*100+t*10+u), 23
}

// quickID reads the identifier and its "#" from w and the character after it.
// It returns size 0 for an error frame, which is not usual, and for a bad one.
func quickID(w uint64, ninth byte) (id uint32, flags can.Flags, size int) {
	if byte(w>>24) == '#' {
		a, b, c := hexDigit[byte(w)], hexDigit[byte(w>>8)], hexDigit[byte(w>>16)]
		if a-1 > can.MaxStandardID>>8 || b == 0 || c == 0 {
			return 0, 0, 0
		}
		return uint32(a-1)<<8 | uint32(b-1)<<4 | uint32(c-1), 0, 4
	}
	values, bad := nibbles(w)
	id = bits.ReverseBytes32(joinNibbles(values))
	if bad != 0 || ninth != '#' || id > can.MaxExtendedID {
		return 0, 0, 0
	}
	return id, can.Extended, 9
}

// quickPayload reads the pairs of hex digits at the start of two words. The
// bytes of data after the n that were read are zero.
func quickPayload(w0, w1 uint64) (data uint64, n int) {
	v0, bad := nibbles(w0)
	if bad != 0 {
		n = leading(bad) / 2
		return uint64(joinNibbles(v0 & (1<<(16*n) - 1))), n
	}
	v1, bad := nibbles(w1)
	if bad != 0 {
		n = leading(bad) / 2
		v1 &= 1<<(16*n) - 1
		return uint64(joinNibbles(v0)) | uint64(joinNibbles(v1))<<32, n + 4
	}
	return uint64(joinNibbles(v0)) | uint64(joinNibbles(v1))<<32, 8
}

// quickEnd reads what may follow the data: the direction and the line end. It
// returns size 0 when w is neither.
func quickEnd(w uint32) (way can.Flags, size int) {
	if byte(w) == '\n' {
		return 0, 1
	}
	switch w & 0xFFFF {
	case '\r' | '\n'<<8:
		return 0, 2
	case ' ' | 'R'<<8:
		way = can.Rx
	case ' ' | 'T'<<8:
		way = can.Tx
	default:
		return 0, 0
	}
	switch {
	case byte(w>>16) == '\n':
		return way, 3
	case w>>16 == '\r'|'\n'<<8:
		return way, 4
	}
	return 0, 0
}
