package capture

import (
	"bytes"

	"plugproof/decode/can"
)

// candump reads a candump log. Lines of the usual shape take a short way of
// their own (quick), every other line the general parser (record.parse).
type candump struct {
	in    *input
	text  lines
	names busNames
	usual usualStamp
	rec   record
}

func openCandump(in *input) (decoder, error) {
	return &candump{in: in, text: newLines(in.r), names: newBusNames(in.buses)}, nil
}

// sniffCandump looks for one frame, whatever stands before it.
func sniffCandump(head []byte) bool {
	var rec record
	head = bytes.TrimPrefix(head, byteOrderMark)
	for len(head) > 0 {
		var line []byte
		line, head, _ = bytes.Cut(head, []byte("\n"))
		if kind := rec.parse(line); kind == good || kind == XL {
			return true
		}
	}
	return false
}

func (d *candump) read(dst []can.Frame) (n int, err error) {
	defer func() { d.in.rep.Records += uint64(n) }()
	for n < len(dst) {
		n += d.run(dst[n:])
		if n == len(dst) {
			break
		}
		at := d.text.at()
		line, state := d.text.next()
		switch state {
		case lineMore:
			if n == 0 {
				d.text.more()
			}
			return n, nil
		case lineEnd:
			return n, d.text.err
		case lineOversize:
			d.in.rep.setAside(Oversize, at)
		default:
			n += d.slow(line, state, at, &dst[n])
		}
	}
	return n, nil
}

// run reads lines of the usual shape for as long as they last.
func (d *candump) run(dst []can.Frame) int {
	t := &d.text
	if t.skipping {
		return 0
	}
	for n := range dst {
		f := &dst[n]
		used := d.quick(t.win[t.pos:], f)
		if used == 0 {
			return n
		}
		t.record++
		f.Offset = t.base + int64(t.pos)
		f.Record = t.record
		f.File = d.in.file
		t.pos += used
	}
	return len(dst)
}

// slow reads any line; it returns 1 when that gave a frame.
func (d *candump) slow(line []byte, state lineState, at Place, f *can.Frame) int {
	kind := d.rec.parse(line)
	var bus uint16
	if kind == good {
		bus, kind = d.names.find(d.rec.bus)
	} else {
		kind = classify(line, kind)
	}
	switch {
	case state == lineLast && d.text.broken():
		kind = Cut // the input broke off within this line
	case state == lineLast && kind == good:
		d.in.rep.note(noteUnended)
	}
	if kind != good {
		d.in.rep.setAside(kind, at)
		return 0
	}
	*f = d.rec.frame
	f.Offset, f.Record, f.Bus, f.File = at.Offset, at.Record, bus, d.in.file
	return 1
}

const noteUnended = "the last line has no line end: its frame may be cut short"
