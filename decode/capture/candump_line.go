package capture

import (
	"bytes"
	"encoding/binary"
	"math"

	"plugproof/decode/can"
)

// A line of a candump log is "(seconds.fraction) interface frame", with an
// optional R (received) or T (sent) after it. The functions here read one such
// line, whatever its form, and say what is wrong with one they cannot read: Cut
// when the text ends too early, Malformed when it holds what cannot be.

// good is the kind of a record that gave a frame.
const good Kind = ""

// record is a parsed line: the frame but for its place and bus.
type record struct {
	frame can.Frame
	bus   []byte // name; aliases the line
}

// parse reads a line of a candump log.
func (r *record) parse(line []byte) Kind {
	r.frame = can.Frame{}
	ns, rest, kind := parseStamp(trimBlanks(line))
	if kind != good {
		return kind
	}
	r.frame.Time = ns
	r.bus, rest = token(rest)
	text, rest := token(rest)
	switch {
	case len(text) == 0:
		return Cut
	case !busName(r.bus):
		return Malformed
	}
	if kind := parseFrame(text, &r.frame); kind != good {
		return kind
	}
	switch way, rest := token(rest); {
	case len(rest) > 0:
		return Glued
	case len(way) == 0:
		return good
	case string(way) == "R":
		r.frame.Flags |= can.Rx
	case string(way) == "T":
		r.frame.Flags |= can.Tx
	default:
		return Glued
	}
	return good
}

// parseStamp reads "(seconds.fraction)" and returns nanoseconds. Figures after
// the ninth are dropped; the fraction may be missing.
func parseStamp(s []byte) (ns int64, rest []byte, kind Kind) {
	if len(s) == 0 || s[0] != '(' {
		return 0, s, Malformed
	}
	i, sec := 1, int64(0)
	for ; i < len(s) && isDigit(s[i]); i++ {
		if sec = sec*10 + int64(s[i]-'0'); sec > maxSeconds {
			return 0, s, Malformed
		}
	}
	if i == 1 && len(s) > 1 {
		return 0, s, Malformed
	}
	ns, rest, kind = parseFraction(s[i:])
	return sec*1e9 + ns, rest, kind
}

// parseFraction reads the rest of a stamp behind its seconds: ".249713)" or ")".
func parseFraction(s []byte) (ns int64, rest []byte, kind Kind) {
	i := 0
	if len(s) > 1 && s[0] == '.' && isDigit(s[1]) {
		ns, i = fractionNanos(s)
	}
	switch {
	case i == len(s), i == 0 && len(s) == 1 && s[0] == '.':
		return 0, s, Cut
	case s[i] != ')':
		return 0, s, Malformed
	}
	return ns, s[i+1:], good
}

// fractionNanos reads the figures behind the point that s begins with, and returns
// where they end. Those after the ninth are dropped.
func fractionNanos(s []byte) (ns int64, end int) {
	unit := int64(1e9)
	for end = 1; end < len(s) && isDigit(s[end]); end++ {
		unit /= 10 // to 0 after the ninth
		ns += int64(s[end]-'0') * unit
	}
	return ns, end
}

// maxSeconds keeps a stamp within int64 nanoseconds: the year 2262.
const maxSeconds = math.MaxInt64/1_000_000_000 - 1

// parseFrame reads the frame of a candump log line into f, whose payload must be
// clear.
func parseFrame(s []byte, f *can.Frame) Kind {
	n := 0
	for n < len(s) && isHex(s[n]) {
		n++
	}
	switch {
	case n == len(s) && n <= 8:
		return Cut
	case n == len(s) || s[n] != '#':
		return Malformed
	case isXL(s[n+1:]) && (n == 3 || n == 5): // with or without two digits of VCID
		return XL
	}
	if !setID(s[:n], f) {
		return Malformed
	}
	s = s[n+1:]
	switch {
	case len(s) > 0 && s[0] == '#':
		return parseFD(s[1:], f)
	case len(s) > 0 && (s[0] == 'R' || s[0] == 'r'):
		return parseRemote(s[1:], f)
	}
	return parseClassic(s, f)
}

// setID reads 3 digits as an 11-bit and 8 digits as a 29-bit identifier,
// whatever the value. Bit 29 of the latter marks an error frame (CAN_ERR_FLAG).
func setID(s []byte, f *can.Frame) bool {
	const errorFlag = 0x20000000 // linux/can.h
	id := uint32(0)
	for _, c := range s {
		id = id<<4 | uint32(hexDigit[c]-1)
	}
	switch {
	case len(s) == 3 && id <= can.MaxStandardID:
	case len(s) == 8 && id <= can.MaxExtendedID:
		f.Flags |= can.Extended
	case len(s) == 8 && id <= errorFlag|can.MaxExtendedID:
		f.Flags |= can.Error
	default:
		return false
	}
	f.ID = id &^ errorFlag
	return true
}

// isXL reports whether s, which follows the first "#", is the rest of a CAN XL
// frame: flags:type:acceptance#data.
func isXL(s []byte) bool {
	const form = "hh:hh:hhhhhhhh#"
	for i := range min(len(s), len(form)) {
		if form[i] == 'h' != isHex(s[i]) || form[i] != 'h' && s[i] != form[i] {
			return false
		}
	}
	return len(s) >= len("hh:")
}

func parseClassic(s []byte, f *can.Frame) Kind {
	n, s, kind := parsePayload(s, f.Data[:can.MaxClassicLen])
	if kind != good {
		return kind
	}
	f.Len, f.DLC = uint8(n), uint8(n)
	return parseRawDLC(s, f)
}

// parseRemote reads the length that a remote frame asks for, if it says one.
func parseRemote(s []byte, f *can.Frame) Kind {
	if f.Flags&can.Error != 0 {
		return Malformed
	}
	f.Flags |= can.Remote
	if len(s) > 0 && s[0] != '_' {
		if s[0] < '0' || s[0] > '8' {
			return Malformed
		}
		f.Len, f.DLC = s[0]-'0', s[0]-'0'
		s = s[1:]
	}
	return parseRawDLC(s, f)
}

// parseRawDLC reads "_9" to "_F", which only a frame of 8 bytes may have.
func parseRawDLC(s []byte, f *can.Frame) Kind {
	switch {
	case len(s) == 0:
		return good
	case s[0] != '_' || f.Len != can.MaxClassicLen:
		return Malformed
	case len(s) == 1:
		return Cut
	case len(s) > 2 || hexDigit[s[1]] < 10:
		return Malformed
	}
	f.DLC = hexDigit[s[1]] - 1
	return good
}

// parseFD reads the flags nibble and payload of an FD frame. A length between
// those that FD has cannot have been on a bus.
func parseFD(s []byte, f *can.Frame) Kind {
	const brs, esi, fdf = 1, 2, 4 // linux/can.h
	switch {
	case len(s) == 0:
		return Cut
	case f.Flags&can.Error != 0, !isHex(s[0]), hexDigit[s[0]]-1 > brs|esi|fdf:
		return Malformed
	}
	flags := hexDigit[s[0]] - 1
	n, rest, kind := parsePayload(s[1:], f.Data[:])
	f.Flags |= can.FD
	if flags&brs != 0 {
		f.Flags |= can.BRS
	}
	if flags&esi != 0 {
		f.Flags |= can.ESI
	}
	f.DLC = can.LenToDLC(n)
	f.Len = can.DLCToLen(f.DLC, true)
	switch {
	case kind != good:
		return kind
	case len(rest) > 0 || int(f.Len) != n:
		return Malformed
	}
	return good
}

// parsePayload reads pairs of hex digits, with a dot between any two, into dst.
func parsePayload(s, dst []byte) (n int, rest []byte, kind Kind) {
	for len(s) >= 8 && n+4 <= len(dst) { // eight digits at a time, while there are no dots
		values, bad := nibbles(word(s))
		if bad != 0 {
			break
		}
		binary.LittleEndian.PutUint32(dst[n:], joinNibbles(values))
		n += 4
		s = s[8:]
	}
	for len(s) > 0 {
		if n > 0 && s[0] == '.' {
			s = s[1:]
		} else if !isHex(s[0]) {
			break
		}
		switch {
		case len(s) < 2:
			return n, s, Cut
		case n == len(dst), !isHex(s[0]), !isHex(s[1]):
			return n, s, Malformed
		}
		dst[n] = (hexDigit[s[0]]-1)<<4 | (hexDigit[s[1]] - 1)
		n++
		s = s[2:]
	}
	return n, s, good
}

// busName reports whether s can be the name of an interface. Brackets and "#"
// belong to the fields around it and show that something is missing.
func busName(s []byte) bool {
	const longest = 64 // Linux allows 15; other writers are freer
	return len(s) > 0 && len(s) <= longest && !bytes.ContainsFunc(s, func(r rune) bool {
		return r < ' ' || r == 0x7F || r == '(' || r == ')' || r == '#' || r == '\uFFFD'
	})
}

func isBlank(c byte) bool { return c == ' ' || c == '\t' || c == '\r' }

// trimBlanks removes blanks at both ends, among them the return of a CRLF.
func trimBlanks(s []byte) []byte {
	for len(s) > 0 && isBlank(s[0]) {
		s = s[1:]
	}
	for len(s) > 0 && isBlank(s[len(s)-1]) {
		s = s[:len(s)-1]
	}
	return s
}

// token returns the first word of s and what follows it.
func token(s []byte) (word, rest []byte) {
	for len(s) > 0 && isBlank(s[0]) {
		s = s[1:]
	}
	n := 0
	for n < len(s) && !isBlank(s[n]) {
		n++
	}
	return s[:n], s[n:]
}
