package capture

import (
	"bytes"
	"fmt"

	"plugproof/decode/can"
)

// console reads what candump prints to a terminal.
type console struct {
	in      *input
	text    lines
	names   busNames
	rec     consoleRecord
	style   stampStyle
	now     int64  // styleDelta: sum of all gaps so far
	gaps    uint64 // styleDelta: damaged lines that may have hidden a gap
	noFlags bool   // an FD frame came without its flags
	inError bool   // the line before belongs to an error frame
	bare    []byte // a line without its colours
}

func sniffConsole(head []byte) bool {
	var rec consoleRecord
	var bare []byte
	head = bytes.TrimPrefix(head, byteOrderMark)
	for len(head) > 0 {
		var line []byte
		line, head, _ = bytes.Cut(head, []byte("\n"))
		bare = withoutColour(line, bare[:0])
		if kind := rec.parse(bare); kind == good || kind == XL {
			return true
		}
	}
	return false
}

func openConsole(in *input) (decoder, error) {
	d := &console{in: in, names: newBusNames(in.buses)}
	head, _ := in.r.Peek(in.r.Buffered())
	if d.style = styleOf(head); d.style == styleZero {
		// Telling gaps from times takes many lines. An error, such as the end,
		// comes again when it is read.
		head, _ = in.r.Peek(lookAhead)
		d.style = styleOf(head)
	}
	d.text = newLines(in.r)
	switch d.style {
	case styleZero:
		in.rep.Clock = ClockRelative
		d.in.rep.note("stamps were read as times from the start of the capture")
	case styleDelta:
		in.rep.Clock = ClockRelative
		d.in.rep.note("stamps were read as gaps between frames and summed")
	case styleDate:
		d.in.rep.note("dates name no time zone and were read as UTC")
	}
	return d, nil
}

func (d *console) read(dst []can.Frame) (int, error) { return d.text.fill(dst, d) }

func (d *console) usual([]can.Frame) int { return 0 }

// end adds the notes that only the whole capture allows.
func (d *console) end() {
	if d.noFlags {
		d.in.rep.note("FD frames stand there without their flags: whether they switched the bit rate is not known")
	}
	if d.style == styleDelta && d.gaps > 0 {
		d.in.rep.note(fmt.Sprintf("%d damaged lines hid their gap, so the times after them are early", d.gaps))
	}
}

func (d *console) line(line []byte, state lineState, at Place, f *can.Frame) int {
	kind, bus := Oversize, uint16(0)
	if state == lineOversize {
		d.rec = consoleRecord{}
	} else {
		kind, bus = d.parse(line)
	}
	d.advance(kind)
	d.inError = kind == good && d.rec.frame.Is(can.Error) || kind == Comment && d.inError
	if d.text.settle(d.in.rep, kind, state, at) != good {
		return 0
	}
	d.noFlags = d.noFlags || d.rec.noFlags
	*f = d.rec.frame
	f.Offset, f.Record, f.Bus, f.File = at.Offset, at.Record, bus, d.in.file
	if d.style == styleDelta {
		f.Time = d.now
	}
	return 1
}

// parse reads a line into rec.
func (d *console) parse(line []byte) (kind Kind, bus uint16) {
	if bytes.IndexByte(line, 0x1B) >= 0 {
		d.bare = withoutColour(line, d.bare[:0])
		line = d.bare
	}
	kind = d.rec.parse(line)
	switch {
	case kind != good:
		kind = d.classify(line, kind)
	case !d.fits(d.rec.style):
		kind = Malformed
	default:
		bus, kind = d.names.find(d.rec.bus)
	}
	return kind, bus
}

// fits reports whether a stamp is of the capture's style. Absolute times and
// dates say themselves what they are.
func (d *console) fits(style stampStyle) bool {
	switch d.style {
	case styleAbsolute, styleDate:
		return style == styleAbsolute || style == styleDate
	case styleZero, styleDelta:
		return style == styleZero
	}
	return style == styleNone
}

// advance adds the gap of the line just parsed; a damaged record counts too
// when its stamp is whole.
func (d *console) advance(kind Kind) {
	if d.style != styleDelta {
		return
	}
	known := d.rec.stamped && d.rec.style == styleZero && kind != Foreign
	if sum := d.now + d.rec.frame.Time; known && sum >= d.now { // not past the year 2262
		d.now = sum
	}
	switch kind {
	case Glued: // the second stamp in it is not read
		d.gaps++
	case Cut, Malformed, Garbage, Oversize:
		if !known {
			d.gaps++
		}
	}
}

// classify says what a line is that gave no frame, where its parser said kind.
func (d *console) classify(line []byte, kind Kind) Kind {
	explains := len(line) > 0 && line[0] == '\t' && d.inError
	line = trimBlanks(line)
	if kind, ok := beside(line); ok {
		return kind
	}
	lengths := countLengths(line)
	switch {
	case explains, line[0] == '#':
		return Comment
	case kind == XL:
		return XL
	case findStamp(line[1:]) >= 0, lengths > 1:
		return Glued
	case line[0] == '(' && len(line) > 1 && !isDigit(line[1]):
		return Foreign
	case kind != Foreign && (d.style == styleNone || line[0] == '('):
		return kind
	case kind != Foreign, lengths == 1, isBytes(line): // the start is missing
		return Cut
	}
	return Foreign
}

// countLengths counts the length fields in a line: "[8]", "[64]", "{F}".
func countLengths(line []byte) (n int) {
	for len(line) > 0 {
		var word []byte
		word, line = token(line)
		last := len(word) - 1
		if last >= 2 && last <= 5 && (word[0] == '[' && word[last] == ']' || word[0] == '{' && word[last] == '}') &&
			only(word[1:last], "0123456789ABCDEF") {
			n++
		}
	}
	return n
}

// isBytes reports whether line is what is left of the data of a record.
func isBytes(line []byte) bool {
	words := 0
	for ; len(line) > 0; words++ {
		var word []byte
		if word, line = token(line); len(word) > 2 || !only(word, "0123456789ABCDEF") {
			return false
		}
	}
	return words > 1
}

// withoutColour appends line to dst without the escape sequences that colour it.
func withoutColour(line, dst []byte) []byte {
	for {
		start := bytes.Index(line, []byte("\x1B["))
		if start < 0 {
			return append(dst, line...)
		}
		dst = append(dst, line[:start]...)
		line = bytes.TrimLeft(line[start+2:], "0123456789;")
		if len(line) > 0 {
			line = line[1:] // the letter that ends the sequence
		}
	}
}
