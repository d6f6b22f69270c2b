package capture

import (
	"bufio"
	"bytes"
	"errors"
	"io"

	"plugproof/decode/can"
)

// maxLine is the longest line, in bytes, that is looked at. The longest record,
// a CAN XL frame of 2048 bytes, takes about 6 KB.
const maxLine = 64 << 10

// lines cuts a text capture into lines and knows where each of them stands.
// Memory is bounded whatever the input: it looks through the window of a
// bufio.Reader, or at one chunk of a capture.
type lines struct {
	r        *bufio.Reader // nil: win is all there is
	win      []byte        // seen, but not yet taken from r
	pos      int           // start of the next line in win
	base     int64         // offset of win[0] in the capture
	record   uint32        // number of the last line handed out
	err      error         // why win cannot grow any more
	skipping bool          // inside an oversized line
}

// lineState says what next found.
type lineState uint8

const (
	lineWhole    lineState = iota
	lineLast               // the last line, without a line end
	lineOversize           // longer than maxLine; its text is skipped
	lineMore               // nothing yet: more must be made visible
	lineEnd                // nothing: the window is empty and cannot grow
)

// byteOrderMark is what some editors put before UTF-8 text.
var byteOrderMark = []byte("\xEF\xBB\xBF")

func newLines(r *bufio.Reader) lines {
	win, _ := r.Peek(r.Buffered()) // what sniffing has made visible
	return lines{r: r, win: win, pos: len(win) - len(bytes.TrimPrefix(win, byteOrderMark))}
}

// next returns the next line without its line end. The line is valid until the
// next call of more. Its offset is t.at().Offset as it was before the call.
func (t *lines) next() ([]byte, lineState) {
	rest := t.win[t.pos:]
	end := bytes.IndexByte(rest, '\n')
	switch {
	case len(rest) == 0 && t.err != nil:
		return nil, lineEnd
	case t.skipping:
		t.skip(end)
		return nil, lineMore
	case end > maxLine, end < 0 && len(rest) > maxLine:
		t.record++
		t.skipping = true
		t.skip(end)
		return nil, lineOversize
	case end >= 0:
		t.record++
		t.pos += end + 1
		return rest[:end], lineWhole
	case t.err == nil:
		return nil, lineMore
	}
	t.record++
	t.pos = len(t.win)
	return rest, lineLast
}

// skip drops an oversized line up to its end, or all that is visible of it.
func (t *lines) skip(end int) {
	if end < 0 {
		t.pos = len(t.win)
		return
	}
	t.pos += end + 1
	t.skipping = false
}

// more makes at least one more byte visible, or sets err. It reads no more than
// once, so that a live pipe gives its lines as they come.
func (t *lines) more() {
	if t.r == nil {
		t.err = io.EOF
	}
	if t.err != nil {
		return
	}
	t.take()
	_, err := t.r.Peek(t.r.Buffered() + 1)
	t.win, _ = t.r.Peek(t.r.Buffered())
	t.err = err
}

// lineDecoder is what the text formats differ in.
type lineDecoder interface {
	// usual reads lines into dst for as long as they have the usual shape.
	usual(dst []can.Frame) int
	// line reads any line into f and returns 1 when it gave a frame. An oversized
	// one comes without its text.
	line(line []byte, state lineState, at Place, f *can.Frame) int
	// end is called when there are no more lines.
	end()
}

// fill fills dst as decoder.read does.
func (t *lines) fill(dst []can.Frame, d lineDecoder) (n int, err error) {
	for n < len(dst) {
		n += d.usual(dst[n:])
		if n == len(dst) {
			break
		}
		at := t.at()
		switch line, state := t.next(); state {
		case lineMore:
			if n == 0 {
				t.more()
			}
			return n, nil
		case lineEnd:
			d.end()
			return n, t.err
		default:
			n += d.line(line, state, at, &dst[n])
		}
	}
	return n, nil
}

const noteUnended = "the last line has no line end: its frame may be cut short"

// settle enters in the report what became of a line, and returns its kind: a line
// in which the input broke off is Cut, whatever it looks like.
func (t *lines) settle(rep *FileReport, kind Kind, state lineState, at Place) Kind {
	switch {
	case state == lineLast && t.broken():
		kind = Cut
	case state == lineLast && kind == good:
		rep.note(noteUnended)
	}
	if kind == good {
		rep.Records++
	} else {
		rep.setAside(kind, at)
	}
	return kind
}

// take takes what was handed out from r. The window is then to be made anew.
func (t *lines) take() {
	_, _ = t.r.Discard(t.pos) // cannot fail: these bytes are buffered
	t.base += int64(t.pos)
	t.pos = 0
}

// broken reports whether the input ended before the capture did.
func (t *lines) broken() bool { return t.err != nil && !errors.Is(t.err, io.EOF) }

// at is the place of the next line.
func (t *lines) at() Place {
	return Place{Offset: t.base + int64(t.pos), Record: t.record + 1}
}
