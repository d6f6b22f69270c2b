package capture

import (
	"bytes"
	"time"
)

// stampStyle is what stands before the records of a console capture.
type stampStyle uint8

const (
	styleNone     stampStyle = iota
	styleAbsolute            // "(1436509052.249713)", at least ten figures
	styleDate                // "(2015-07-10 06:17:32.249713)", no time zone
	styleZero                // "(003.249713)", from the start of the capture
	styleDelta               // "(000.249713)", from the frame before
)

// consoleStamp reads the stamp at the start of a line, if there is one. It
// cannot tell styleDelta from styleZero and says styleZero.
func consoleStamp(s []byte) (ns int64, style stampStyle, rest []byte, kind Kind) {
	if len(s) == 0 || s[0] != '(' {
		return 0, styleNone, s, good
	}
	if len(s) > 5 && s[5] == '-' {
		ns, rest, kind = parseDate(s)
		return ns, styleDate, rest, kind
	}
	ns, rest, kind = parseStamp(s)
	if figures := bytes.IndexByte(s, '.') - 1; figures < 10 {
		return ns, styleZero, rest, kind
	}
	return ns, styleAbsolute, rest, kind
}

// parseDate reads "(2015-07-10 06:17:32.249713)" as UTC.
func parseDate(s []byte) (ns int64, rest []byte, kind Kind) {
	const form = "(0000-00-00 00:00:00"
	for i := range min(len(s), len(form)) {
		if form[i] == '0' != isDigit(s[i]) || form[i] != '0' && s[i] != form[i] {
			return 0, s, Malformed
		}
	}
	if len(s) < len(form) {
		return 0, s, Cut
	}
	number := func(from, to int) (n int) {
		for _, c := range s[from:to] {
			n = n*10 + int(c-'0')
		}
		return n
	}
	month, day, clock := number(6, 8), number(9, 11), [3]int{number(12, 14), number(15, 17), number(18, 20)}
	at := time.Date(number(1, 5), time.Month(month), day, clock[0], clock[1], clock[2], 0, time.UTC)
	ns, rest, kind = parseFraction(s[len(form):])
	h, m, sec := at.Clock()
	switch {
	case kind != good:
		return 0, s, kind
	case int(at.Month()) != month, at.Day() != day, clock != [3]int{h, m, sec},
		at.Unix() < 0, at.Unix() > maxSeconds:
		return 0, s, Malformed // time.Date carries a 32nd day over
	}
	return at.Unix()*1e9 + ns, rest, good
}

// styleOf decides from the first frames of a capture what its stamps are.
// Gaps between frames go down as often as up; times from the start go down
// hardly ever. Equal gaps of a single cyclic message never go up again.
func styleOf(head []byte) stampStyle {
	var rec consoleRecord
	var bare []byte
	last, up, same, down := int64(-1), 0, 0, 0
	for len(head) > 0 {
		var line []byte
		line, head, _ = bytes.Cut(head, []byte("\n"))
		bare = withoutColour(line, bare[:0])
		if rec.parse(bare) != good {
			continue
		}
		ns := rec.frame.Time
		switch {
		case last < 0 && rec.style != styleZero:
			return rec.style
		case rec.style != styleZero:
			continue
		case last < 0:
		case ns > last:
			up++
		case ns < last:
			down++
		default:
			same++
		}
		last = ns
	}
	switch {
	case last < 0:
		return styleNone
	case down*8 > up+down, same > 1 && up <= 1 && last > 0:
		return styleDelta
	}
	return styleZero
}
