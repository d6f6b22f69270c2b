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
	stamp usualStamp
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

func (d *candump) read(dst []can.Frame) (int, error) { return d.text.fill(dst, d) }

func (d *candump) usual(dst []can.Frame) int {
	t := &d.text
	if t.skipping {
		return 0
	}
	n := 0
	for n < len(dst) {
		f := &dst[n]
		size := d.quick(t.win[t.pos:], f)
		if size == 0 {
			break
		}
		t.record++
		f.Offset = t.base + int64(t.pos)
		f.Record = t.record
		f.File = d.in.file
		t.pos += size
		n++
	}
	d.in.rep.Records += uint64(n)
	return n
}

func (d *candump) line(line []byte, state lineState, at Place, f *can.Frame) int {
	kind, bus := Oversize, uint16(0)
	if state != lineOversize {
		kind = d.rec.parse(line)
		if kind == good {
			bus, kind = d.names.find(d.rec.bus)
		} else {
			kind = classify(line, kind)
		}
	}
	if d.text.settle(d.in.rep, kind, state, at) != good {
		return 0
	}
	*f = d.rec.frame
	f.Offset, f.Record, f.Bus, f.File = at.Offset, at.Record, bus, d.in.file
	return 1
}

func (d *candump) end() {}

func (d *candump) apart() bool { return true }

func (d *candump) place() *lines { return &d.text }

func (d *candump) twin(names busNames) chunkDecoder { return &candump{names: names} }

func (d *candump) begin(in *input, text lines, intern func([]byte) (uint16, bool)) {
	d.in, d.text, d.names.intern = in, text, intern
}
