package capture

import (
	"bytes"
	"fmt"

	"plugproof/decode/can"
)

// FormatDelimited is FileReport.Format of what was read by Columns.
const FormatDelimited = "delimited text"

// delimited reads delimited text by its columns.
type delimited struct {
	in      *input
	text    lines
	names   busNames
	l       *columnLayout
	clock   runningClock
	fields  [][]byte // of the line, as far as any is looked at
	scratch []byte   // of quoted fields with quotes in them
	frame   can.Frame
	fault   fieldFault

	busText []byte // the bus field of the record before, and what it is
	bus     uint16
	hasBus  bool

	timed bool // the stamp of the record was read, whatever else is wrong with it
	noted [faultKinds]bool
	gaps  uint64 // clock.gaps: damaged lines that hid one
	fd    bool   // it was noted that frames were taken for FD by their length
	local bool   // it was noted that a date names no time zone
}

// delimitedFormat is the format of a capture that is read by columns.
func delimitedFormat(c *Columns) format {
	return format{
		name:  FormatDelimited,
		sniff: func(head []byte) bool { return sniffDelimited(c, head) == nil },
		open:  func(in *input) (decoder, error) { return openDelimited(c, in) },
	}
}

func openDelimited(c *Columns, in *input) (decoder, error) {
	head, _ := in.r.Peek(in.r.Buffered()) // sniffing has made the header visible
	l, err := c.layout(head)
	if err != nil {
		return nil, err
	}
	d := newDelimited(l, newBusNames(in.buses))
	d.in, d.text = in, newLines(in.r)
	if in.rep.Clock = ClockRelative; l.absolute {
		in.rep.Clock = ClockAbsolute
	}
	return d, nil
}

func newDelimited(l *columnLayout, names busNames) *delimited {
	return &delimited{
		l: l, names: names, fields: make([][]byte, 0, l.most),
		clock: runningClock{wraps: l.time.Wraps, gaps: l.time.From == FromRecord},
	}
}

// sniffDelimited looks for one frame. The error says why there is none.
func sniffDelimited(c *Columns, head []byte) error {
	l, err := c.layout(head)
	if err != nil {
		return err
	}
	d := newDelimited(l, busNames{})
	var first error
	number := uint32(0)
	for rest := bytes.TrimPrefix(head, byteOrderMark); len(rest) > 0; {
		var line []byte
		line, rest, _ = bytes.Cut(rest, []byte("\n"))
		number++
		kind := d.parse(line, number)
		if kind == good {
			return nil
		}
		if first == nil && kind != Blank && kind != Comment {
			first = d.fault.explain(number, kind)
		}
	}
	if first == nil {
		first = fmt.Errorf("no line of its first %d kB is a record", lookAhead>>10)
	}
	return first
}

func (d *delimited) read(dst []can.Frame) (int, error) { return d.text.fill(dst, d) }

func (d *delimited) usual([]can.Frame) int { return 0 }

func (d *delimited) line(line []byte, state lineState, at Place, f *can.Frame) int {
	d.timed = false
	kind, bus := Oversize, uint16(0)
	if state != lineOversize {
		kind = d.parse(line, at.Record)
		if kind == good {
			bus, kind = d.findBus()
		}
	}
	if d.clock.gaps && !d.timed && (kind == Cut || kind == Malformed || kind == Garbage || kind == Oversize) {
		d.gaps++
	}
	if d.text.settle(d.in.rep, kind, state, at) != good {
		if kind == Malformed {
			d.note()
		}
		return 0
	}
	*f = d.frame
	f.Offset, f.Record, f.Bus, f.File = at.Offset, at.Record, bus, d.in.file
	return 1
}

// findBus looks up the bus that parse found.
func (d *delimited) findBus() (uint16, Kind) {
	name := d.l.busName
	if d.l.bus >= 0 {
		name = d.field(d.l.bus)
	}
	if d.hasBus && bytes.Equal(name, d.busText) {
		return d.bus, good
	}
	known, ok := d.l.busNames[string(name)]
	if !ok {
		known = name
	}
	if !busName(known) {
		return 0, d.failed(faultBus, d.l.bus, name)
	}
	bus, kind := d.names.find(known)
	if kind == good {
		d.busText, d.bus, d.hasBus = append(d.busText[:0], name...), bus, true
	}
	return bus, kind
}

// end adds the notes that only the whole allows.
func (d *delimited) end() {
	rep := d.in.rep
	if d.gaps > 0 {
		rep.note(fmt.Sprintf("%d damaged lines hid their gap, so the times after them are early", d.gaps))
	}
	if d.clock.most > 0 {
		rep.note(fmt.Sprintf("the clock began anew (%d times), as it may by its columns", d.clock.most))
	}
}

// once adds a note that one record brings up. Nothing is noted while sniffing.
func (d *delimited) once(noted *bool, text string) {
	if !*noted && d.in != nil {
		*noted = true
		d.in.rep.note(text)
	}
}

// note says once what is wrong with records of a kind.
func (d *delimited) note() {
	if what := d.fault.what; !d.noted[what] {
		d.once(&d.noted[what], "in malformed records, "+faultWords[what])
	}
}

// apart reports whether lines can be read without those before them.
func (d *delimited) apart() bool { return !d.clock.gaps && d.clock.wraps == 0 }

func (d *delimited) place() *lines { return &d.text }

func (d *delimited) twin(names busNames) chunkDecoder { return newDelimited(d.l, names) }

func (d *delimited) begin(in *input, text lines, intern func([]byte) (uint16, bool)) {
	d.in, d.text, d.names.intern = in, text, intern
	d.hasBus, d.fd, d.local = false, false, false
	clear(d.noted[:])
}

// fieldFault is why a line is no frame, for whoever wrote the columns.
type fieldFault struct {
	what   faultKind
	column int // from 0; -1: none
	text   []byte
}

type faultKind uint8

const (
	faultNone faultKind = iota
	faultTime
	faultID
	faultIDRange
	faultLength
	faultData
	faultFewer
	faultMore
	faultKindOf
	faultBus
	faultQuote
	faultColumns
	faultKinds
)

var faultWords = [faultKinds]string{
	faultNone:    "it is none of the columns",
	faultTime:    "the time is not what its column says",
	faultID:      "the identifier is no number as its column says",
	faultIDRange: "the identifier is too large",
	faultLength:  "the length is not one that a frame can have",
	faultData:    "the data is not bytes as its columns say",
	faultFewer:   "the data is shorter than the length says",
	faultMore:    "the data is longer than the length says, or than a frame can be",
	faultKindOf:  "the flags contradict each other",
	faultBus:     "the bus has no name that can be used",
	faultQuote:   "a quoted field does not end where it should",
	faultColumns: "it has too few columns",
}

// failed keeps a fault and returns the kind of record that it makes.
func (d *delimited) failed(what faultKind, column int, text []byte) Kind {
	d.fault = fieldFault{what, column, text}
	switch what {
	case faultFewer:
		return Cut
	case faultColumns:
		if len(d.fields) < 2 {
			return Foreign
		}
		return Cut
	}
	return Malformed
}

// explain makes the fault of a line an error.
func (f *fieldFault) explain(line uint32, kind Kind) error {
	switch {
	case kind == Garbage, f.what == faultNone:
		return fmt.Errorf("line %d is %s", line, kind)
	case f.column < 0:
		return fmt.Errorf("line %d: %s", line, faultWords[f.what])
	}
	return fmt.Errorf("line %d, column %d, %q: %s", line, f.column+1, f.text[:min(len(f.text), 40)], faultWords[f.what])
}
