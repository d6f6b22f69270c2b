package capture

import (
	"fmt"
	"iter"
	"slices"
	"strings"

	"plugproof/decode/can"
)

// Columns says how a capture that is delimited text is laid out: a line for each
// frame, fields between delimiters, quoted as RFC 4180 has it but without line
// ends in them. No layout is built in: whoever reads such a capture states it.
type Columns struct {
	Delimiter    byte   // between fields; Blanks: any run of blanks and tabs
	Skip         int    // lines before the header, or before the first record
	Header       bool   // a line with the names of the columns follows those
	Comment      string // lines that begin with it are passed over; "": none do
	DecimalComma bool   // fractions stand behind a comma

	Time   TimeColumn
	ID     IDColumn
	Bus    BusColumn
	Length LengthColumn
	Data   DataColumns
	Flags  []FlagColumn // of each flag one at most
	Only   *FlagColumn  // lines without it are no frames; nil: all are
}

// Blanks as a delimiter is any run of blanks and tabs.
const Blanks = ' '

// Column names a column by what the header calls it, or by its number from 1.
// The zero value is none.
type Column struct {
	Name   string
	Number int
}

// String gives `3` or `"Time"`.
func (c Column) String() string {
	if c.Name != "" {
		return fmt.Sprintf("%q", c.Name)
	}
	return fmt.Sprint(c.Number)
}

func (c Column) given() bool { return c != Column{} }

// TimeColumn says what the stamps are.
type TimeColumn struct {
	Column Column
	Unit   int64  // ns of one unit, of stamps that are numbers; 0: they have a Layout
	Layout string // as "YYYY-MM-DD hh:mm:ss"; see compileLayout
	From   Origin // of stamps that are numbers
	Day    int64  // ns from the Unix epoch to the midnight that they count from; 0: not known
	East   int64  // ns by which the clock of a Layout is ahead of UTC
	Wraps  int64  // ns after which the clock begins anew; 0: it does not
	Add    int64  // ns, to be added to every stamp
}

// Origin is what numbers of a time column count from.
type Origin uint8

// The origins.
const (
	FromStart  Origin = iota // of the capture, of a day, or of something unknown
	FromEpoch                // 1970, UTC
	FromRecord               // the record before
)

// Base is how a number is written.
type Base uint8

// The bases.
const (
	Hex      Base = iota // 1A0, 0x1A0 or 1A0h
	Decimal              // 416
	Prefixed             // 0x1A0 is hexadecimal, 416 decimal
)

// IDColumn says how identifiers are written, and which have 29 bits where no flag
// column does.
type IDColumn struct {
	Column   Column
	Base     Base
	Extended Extended
	Suffix   string // of ExtendedSuffix
}

// Extended is how an identifier of 29 bits is told from one of 11.
type Extended uint8

// The ways.
const (
	ExtendedLarge  Extended = iota // it is above 0x7FF
	ExtendedWidth                  // it has more than three hexadecimal figures
	ExtendedSuffix                 // a mark follows it
	ExtendedBit31                  // its highest bit is set
	ExtendedAlways
	ExtendedNever
)

// BusColumn names the bus of a frame: by a column, or the same one for all.
type BusColumn struct {
	Column Column
	Name   string            // without a column; "": can0
	Names  map[string]string // what a field stands for; others stand for themselves
}

// LengthColumn says how many bytes a frame has. Without one they are counted.
type LengthColumn struct {
	Column Column
	Base   Base
	Code   bool // the field is the data length code: 9 of an FD frame are 12 bytes
}

// DataColumns say where the payload stands: all in one column, or a byte in each.
type DataColumns struct {
	Column    Column // all of it
	Separator byte   // between bytes in one column, besides blanks; 0: blanks only, or none at all
	From, To  Column // a byte in each; without To as many as there are
	Base      Base   // Hex or Decimal; in one column decimal bytes have a separator
}

// FlagColumn says when a frame has a flag: when the field is one of the words, or
// has it among its words, or is a number with one of the bits of a mask.
type FlagColumn struct {
	Flag   can.Flags
	Column Column
	Words  []string // letters of either case
	Mask   uint64   // 0: by Words
}

// ColumnsFault is a contradiction in Columns.
type ColumnsFault struct {
	Key  string // what it is about, as "time.unit"
	Text string
	Try  string
}

// Error gives the key and the text.
func (f *ColumnsFault) Error() string { return f.Key + ": " + f.Text }

// maxFields is how many columns are looked at.
const maxFields = 512

// Check returns a *ColumnsFault when the columns contradict themselves, else nil.
func (c *Columns) Check() error {
	for _, check := range []func() *ColumnsFault{c.checkShape, c.checkTime, c.checkID, c.checkData, c.checkFlags} {
		if f := check(); f != nil {
			return f
		}
	}
	for key, col := range c.all() {
		switch {
		case col.Name != "" && !c.Header:
			return &ColumnsFault{key, fmt.Sprintf("column %v is named, but there is no header", col), "say header: true, or give its number from 1"}
		case col.Number < 0 || col.Number > maxFields:
			return &ColumnsFault{key, fmt.Sprintf("no column %d: they count from 1 to %d", col.Number, maxFields), ""}
		}
	}
	return nil
}

// all lists every column that is given with its key.
func (c *Columns) all() iter.Seq2[string, Column] {
	return func(yield func(string, Column) bool) {
		keys := []string{"time.column", "id.column", "bus.column", "length.column", "data.column", "data.from", "data.to"}
		list := []Column{c.Time.Column, c.ID.Column, c.Bus.Column, c.Length.Column, c.Data.Column, c.Data.From, c.Data.To}
		for _, f := range c.Flags {
			keys, list = append(keys, flagKey(f.Flag)+".column"), append(list, f.Column)
		}
		if c.Only != nil {
			keys, list = append(keys, "only.column"), append(list, c.Only.Column)
		}
		for i, col := range list {
			if col.given() && !yield(keys[i], col) {
				return
			}
		}
	}
}

func (c *Columns) checkShape() *ColumnsFault {
	switch {
	case c.Delimiter == 0:
		return &ColumnsFault{"delimiter", "what stands between fields is not said", `as in delimiter: "," or tab or blanks`}
	case c.Delimiter == '"', c.Delimiter == '\n', c.Delimiter == '\r', c.Delimiter == '.', c.Delimiter >= 0x80,
		c.Delimiter >= '0' && c.Delimiter <= '9':
		return &ColumnsFault{"delimiter", fmt.Sprintf("%q cannot stand between fields", c.Delimiter), `as in delimiter: "," or tab or blanks`}
	case c.Skip < 0 || c.Skip > 10_000:
		return &ColumnsFault{"skip", fmt.Sprintf("%d lines cannot stand before the records", c.Skip), "0 to 10000"}
	case c.Comment != "" && (c.Comment[0] >= '0' && c.Comment[0] <= '9' || isBlank(c.Comment[0])):
		return &ColumnsFault{"comment", "a comment cannot begin like a record", `as in comment: "#"`}
	case c.Bus.Name != "" && c.Bus.Column.given():
		return &ColumnsFault{"bus.name", "the bus has a column and a fixed name", "leave one out"}
	case c.Bus.Name != "" && !busName([]byte(c.Bus.Name)):
		return &ColumnsFault{"bus.name", fmt.Sprintf("%q cannot name a bus", c.Bus.Name), "letters and figures"}
	case len(c.Bus.Names) > 0 && !c.Bus.Column.given():
		return &ColumnsFault{"bus.names", "names of buses without a column to find them in", "give bus: {column: ...}"}
	}
	for _, name := range c.Bus.Names {
		if !busName([]byte(name)) {
			return &ColumnsFault{"bus.names", fmt.Sprintf("%q cannot name a bus", name), "letters and figures"}
		}
	}
	return nil
}

func (c *Columns) checkTime() *ColumnsFault {
	t := &c.Time
	numbers := t.Unit != 0
	switch {
	case !t.Column.given():
		return &ColumnsFault{"time.column", "the column of the stamps is not said", "its name in the header, or its number from 1"}
	case numbers == (t.Layout != ""):
		return &ColumnsFault{"time", "either a unit or a layout says how stamps are written", "unit: s, or layout: hh:mm:ss"}
	case t.Unit < 0:
		return &ColumnsFault{"time.unit", "a unit of time is greater than 0", "s, ms, us, ns or a multiple as 10us"}
	case !numbers && t.From != FromStart:
		return &ColumnsFault{"time.from", "a layout says itself what it counts from", "leave from out"}
	case t.East != 0 && numbers:
		return &ColumnsFault{"time.zone", "numbers have no time zone", "leave zone out"}
	case t.Wraps < 0:
		return &ColumnsFault{"time.wraps", "a clock cannot begin anew after less than nothing", ""}
	case t.Wraps != 0 && t.From == FromRecord:
		return &ColumnsFault{"time.wraps", "gaps do not wrap", "leave wraps out"}
	case t.Day != 0 && t.From != FromStart:
		return &ColumnsFault{"time.day", "only times of a day need one", "leave day out"}
	}
	if numbers {
		return nil
	}
	l, err := compileLayout(t.Layout)
	switch {
	case err != nil:
		return &ColumnsFault{"time.layout", err.Error(), "as in hh:mm:ss or YYYY-MM-DD hh:mm:ss; fractions follow by themselves"}
	case l.date && (t.Day != 0 || t.Wraps != 0):
		return &ColumnsFault{"time.layout", "a layout with a date needs no day and does not wrap", "leave day and wraps out"}
	}
	return nil
}

func (c *Columns) checkID() *ColumnsFault {
	switch {
	case !c.ID.Column.given():
		return &ColumnsFault{"id.column", "the column of the identifiers is not said", "its name in the header, or its number from 1"}
	case (c.ID.Extended == ExtendedSuffix) != (c.ID.Suffix != ""):
		return &ColumnsFault{"id.suffix", "what follows identifiers of 29 bits is said by extended: suffix and suffix: x, together", ""}
	case c.ID.Extended == ExtendedWidth && c.ID.Base != Hex:
		return &ColumnsFault{"id.extended", "only hexadecimal identifiers have a width", "large, or a flag column"}
	case c.ID.Extended != ExtendedLarge && c.flagged(can.Extended):
		return &ColumnsFault{"id.extended", "a flag column says which identifiers have 29 bits", "leave one out"}
	}
	return nil
}

func (c *Columns) checkData() *ColumnsFault {
	d := &c.Data
	switch {
	case !d.Column.given() && !d.From.given():
		return &ColumnsFault{"data", "where the data stands is not said", "data: {column: ...} for all of it, or data: {from: ...} for a byte in each column"}
	case d.Column.given() && d.From.given():
		return &ColumnsFault{"data.from", "the data stands in one column and in many", "leave one out"}
	case d.To.given() && !d.From.given():
		return &ColumnsFault{"data.to", "data in one column ends with it", "leave to out"}
	case d.Separator != 0 && !d.Column.given():
		return &ColumnsFault{"data.separator", "bytes in columns of their own have none", "leave separator out"}
	case d.Separator >= 0x80, isHex(d.Separator), d.Separator != 0 && d.Separator < ' ', d.Separator == 'x', d.Separator == 'X':
		return &ColumnsFault{"data.separator", fmt.Sprintf("%q cannot stand between bytes", d.Separator), `as in separator: "-"`}
	case d.Base == Prefixed:
		return &ColumnsFault{"data.base", "bytes are hex or decimal", ""}
	}
	return nil
}

func (c *Columns) checkFlags() *ColumnsFault {
	var seen can.Flags
	flags := slices.Clone(c.Flags)
	if c.Only != nil {
		flags = append(flags, *c.Only)
	}
	for i, f := range flags {
		key := flagKey(f.Flag)
		if i == len(c.Flags) {
			key = "only"
		}
		switch {
		case key == "" || seen&f.Flag != 0:
			return &ColumnsFault{key, fmt.Sprintf("flag %#x is no flag of a frame, or is there twice", f.Flag), ""}
		case !f.Column.given():
			return &ColumnsFault{key + ".column", "the column of the flag is not said", "its name in the header, or its number from 1"}
		case (len(f.Words) == 0) == (f.Mask == 0), slices.Contains(f.Words, ""), slices.ContainsFunc(f.Words, func(w string) bool { return strings.TrimSpace(w) != w }):
			return &ColumnsFault{key + ".words", "words or a mask say when the flag is set", "as in words: [yes, 1], or mask: 0x4"}
		}
		seen |= f.Flag
	}
	return nil
}

// flagged reports whether a column says which frames have a flag.
func (c *Columns) flagged(flag can.Flags) bool {
	return slices.ContainsFunc(c.Flags, func(f FlagColumn) bool { return f.Flag == flag })
}

// flagKey is what a flag is called; "": it is none.
func flagKey(flag can.Flags) string {
	switch flag {
	case can.Extended:
		return "extended"
	case can.Remote:
		return "remote"
	case can.Error:
		return "error"
	case can.FD:
		return "fd"
	case can.BRS:
		return "brs"
	case can.ESI:
		return "esi"
	case can.Rx:
		return "rx"
	case can.Tx:
		return "tx"
	}
	return ""
}
