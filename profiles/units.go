package profiles

import (
	"cmp"
	"encoding/hex"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"plugproof/decode/guard"
)

// Quantities are written with their unit in the file, so that nobody has to
// know whether a number means milliseconds or seconds.

// Time is a duration, written as 10ms, 2s, 1.5s, 500us.
type Time time.Duration

// Rate is a bit rate in bit/s, written as 500kbit/s, 2Mbit/s, 33.3kbit/s.
type Rate int64

// Ratio is a share, written as 10%.
type Ratio float64

// ID is a CAN identifier, written as 0x201 (11 bits) or 0x18FEEE00 (29 bits); a
// trailing x makes one of 29 bits of a small value: 0x00000201x.
type ID struct {
	Value    uint32
	Extended bool
}

// Compare orders identifiers: those of 11 bits first, then by value.
func (id ID) Compare(other ID) int {
	switch {
	case id.Extended != other.Extended && other.Extended:
		return -1
	case id.Extended != other.Extended:
		return 1
	}
	return cmp.Compare(id.Value, other.Value)
}

// IDRange is one identifier or an inclusive range of them: 0x7E0-0x7EF.
type IDRange struct{ From, To ID }

// Bits are payload bits as they stood, written byte by byte from the left, each
// with its highest bit first and ~ for a bit that changed: "0000~~~~ 00001111".
type Bits struct {
	Bytes int    // how many there are, at most 8
	Stood uint64 // the bits that did not change; byte 0 is the lowest
	Ones  uint64 // of them, those that stood at 1
}

// SignalRef names a signal as Message.Signal, or a whole message as Message.
type SignalRef string

// Cover is one piece of what a checksum covers, written as one of
//
//	data          every payload byte but the checksum's own
//	data 1..6     payload bytes 1 to 6
//	id            the identifier, high byte first; id reversed: low byte first; id low: its low byte
//	length        the payload length
//	bytes 86 0A   these bytes, in hexadecimal
//	listed 8|4 86 0A ...
//	              one of these bytes: that of the value which the bits 8|4 hold,
//	              start and length as in a DBC file, lowest bit first
type Cover guard.Part

// Split returns the message and the signal; signal is empty for a whole message.
func (r SignalRef) Split() (message, signal string) {
	message, signal, _ = strings.Cut(string(r), ".")
	return message, signal
}

// ParseTime reads a Time. There is no default unit: 10 alone is an error.
func ParseTime(s string) (Time, error) {
	d, err := time.ParseDuration(s)
	switch {
	case err != nil || s == "0":
		return 0, fmt.Errorf("%q is no time: write a number and its unit, as in 10ms or 2s", s)
	case d < 0:
		return 0, fmt.Errorf("time %q is negative", s)
	}
	return Time(d), nil
}

// ParseRate reads a Rate.
func ParseRate(s string) (Rate, error) {
	for _, unit := range []struct {
		suffix string
		factor float64
	}{{"Mbit/s", 1e6}, {"kbit/s", 1e3}, {"bit/s", 1}} {
		number, ok := strings.CutSuffix(s, unit.suffix)
		if !ok {
			continue
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
		if err == nil && v*unit.factor >= 1 && v*unit.factor <= 20e6 {
			return Rate(math.Round(v * unit.factor)), nil
		}
		break
	}
	return 0, fmt.Errorf("%q is no bit rate: write a number and its unit, as in 500kbit/s or 2Mbit/s", s)
}

// ParseRatio reads a Ratio.
func ParseRatio(s string) (Ratio, error) {
	number, ok := strings.CutSuffix(s, "%")
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if !ok || err != nil || !(v >= 0 && v <= 1000) {
		return 0, fmt.Errorf("%q is no share: write it in percent, as in 10%%", s)
	}
	return Ratio(v / 100), nil
}

// ParseID reads an ID.
func ParseID(s string) (ID, error) {
	number, extended := strings.CutSuffix(s, "x")
	v, err := strconv.ParseUint(number, 0, 32)
	if err != nil || v > 0x1FFFFFFF {
		return ID{}, fmt.Errorf("%q is no identifier: write 0x201, or 0x00000201x for one of 29 bits", s)
	}
	return ID{Value: uint32(v), Extended: extended || v > 0x7FF}, nil
}

// ParseIDRange reads an IDRange.
func ParseIDRange(s string) (IDRange, error) {
	first, last, ranged := strings.Cut(s, "-")
	from, err := ParseID(strings.TrimSpace(first))
	if err != nil || !ranged {
		return IDRange{From: from, To: from}, err
	}
	to, err := ParseID(strings.TrimSpace(last))
	if err == nil && (to.Extended != from.Extended || to.Value < from.Value) {
		err = fmt.Errorf("%q is no range of identifiers: the second must be the greater one, of the same length", s)
	}
	return IDRange{From: from, To: to}, err
}

// ParseRange reads a Range.
func ParseRange(s string) (Range, error) {
	first, last, ok := strings.Cut(s, "..")
	from, err1 := strconv.ParseFloat(strings.TrimSpace(first), 64)
	to, err2 := strconv.ParseFloat(strings.TrimSpace(last), 64)
	if !ok || err1 != nil || err2 != nil || !(from <= to) || math.IsInf(to-from, 0) {
		return Range{}, fmt.Errorf("%q is no range: write least..greatest, as in -40..215", s)
	}
	return Range{From: from, To: to}, nil
}

// ParseCover reads a Cover.
func ParseCover(s string) (Cover, error) {
	word, rest, _ := strings.Cut(s, " ")
	switch {
	case s == "data":
		return Cover(guard.Data(0, 0)), nil
	case s == "id":
		return Cover(guard.ID()), nil
	case s == "id reversed":
		return Cover{Kind: guard.PartIDReverse}, nil
	case s == "id low":
		return Cover{Kind: guard.PartIDLow}, nil
	case s == "length":
		return Cover(guard.Length()), nil
	case word == "data":
		var from, to int
		if n, err := fmt.Sscanf(rest, "%d..%d", &from, &to); err == nil && n == 2 && 0 <= from && from <= to && to < 64 {
			return Cover(guard.Data(from, to+1)), nil
		}
	case word == "bytes":
		if b, err := hex.DecodeString(strings.ReplaceAll(rest, " ", "")); err == nil && len(b) > 0 {
			return Cover(guard.Bytes(b...)), nil
		}
	case word == "listed":
		index, list, _ := strings.Cut(rest, " ")
		field := guard.Field{Order: guard.Intel}
		b, err := hex.DecodeString(strings.ReplaceAll(list, " ", ""))
		n, _ := fmt.Sscanf(index, "%d|%d", &field.Start, &field.Length)
		if err == nil && len(b) > 0 && n == 2 && index == fmt.Sprintf("%d|%d", field.Start, field.Length) {
			return Cover(guard.Listed(field, b...)), nil
		}
	}
	return Cover{}, fmt.Errorf("%q is nothing a checksum covers: write data, data 1..6, id, id reversed, id low, length, bytes 86 0A, or listed 8|4 86 0A", s)
}

// String gives the form that ParseCover reads.
func (c Cover) String() string {
	switch c.Kind {
	case guard.PartID:
		return "id"
	case guard.PartIDReverse:
		return "id reversed"
	case guard.PartIDLow:
		return "id low"
	case guard.PartLength:
		return "length"
	case guard.PartBytes:
		return fmt.Sprintf("bytes % X", c.Bytes)
	case guard.PartListed:
		return fmt.Sprintf("listed %d|%d % X", c.Index.Start, c.Index.Length, c.Bytes)
	}
	if c.From == 0 && c.To == 0 {
		return "data"
	}
	return fmt.Sprintf("data %d..%d", c.From, c.To-1)
}

// ParseBits reads Bits.
func ParseBits(s string) (Bits, error) {
	var b Bits
	for text := range strings.FieldsSeq(s) {
		if len(text) != 8 || strings.Trim(text, "01~") != "" || b.Bytes == 8 {
			return Bits{}, fmt.Errorf("%q are no bits: write up to 8 bytes of 0, 1 and ~, as in 0000~~~~ 00001111", s)
		}
		for i, c := range text {
			bit := uint64(1) << (8*b.Bytes + 7 - i)
			if c != '~' {
				b.Stood |= bit
			}
			if c == '1' {
				b.Ones |= bit
			}
		}
		b.Bytes++
	}
	return b, nil
}

// String gives the form that ParseBits reads.
func (b Bits) String() string {
	var text strings.Builder
	for i := range 8 * b.Bytes {
		if i > 0 && i%8 == 0 {
			text.WriteByte(' ')
		}
		switch bit := uint64(1) << (i/8*8 + 7 - i%8); {
		case b.Stood&bit == 0:
			text.WriteByte('~')
		case b.Ones&bit != 0:
			text.WriteByte('1')
		default:
			text.WriteByte('0')
		}
	}
	return text.String()
}

// String gives the form that ParseTime reads.
func (t Time) String() string { return time.Duration(t).String() }

// String gives the form that ParseRate reads.
func (r Rate) String() string {
	switch {
	case r >= 1e6 && r%1e5 == 0:
		return strconv.FormatFloat(float64(r)/1e6, 'f', -1, 64) + "Mbit/s"
	case r >= 1e3:
		return strconv.FormatFloat(float64(r)/1e3, 'f', -1, 64) + "kbit/s"
	}
	return strconv.FormatInt(int64(r), 10) + "bit/s"
}

// String gives the form that ParseRatio reads.
func (r Ratio) String() string {
	return strconv.FormatFloat(math.Round(float64(r)*1e8)/1e6, 'f', -1, 64) + "%"
}

// String gives the form that ParseID reads.
func (id ID) String() string {
	switch {
	case id.Extended && id.Value <= 0x7FF:
		return fmt.Sprintf("0x%08Xx", id.Value)
	case id.Extended:
		return fmt.Sprintf("0x%08X", id.Value)
	}
	return fmt.Sprintf("0x%03X", id.Value)
}

// Holds reports whether the range holds the identifier.
func (r IDRange) Holds(id ID) bool {
	return id.Extended == r.From.Extended && id.Value >= r.From.Value && id.Value <= r.To.Value
}

// String gives the form that ParseIDRange reads.
func (r IDRange) String() string {
	if r.From == r.To {
		return r.From.String()
	}
	return r.From.String() + "-" + r.To.String()
}

// String gives the form that ParseRange reads.
func (r Range) String() string {
	return strconv.FormatFloat(r.From, 'f', -1, 64) + ".." + strconv.FormatFloat(r.To, 'f', -1, 64)
}

// scalar reads a YAML scalar with parse and puts the scalar's place on the error.
func scalar[T any](node ast.Node, parse func(string) (T, error), to *T) error {
	if _, ok := node.(ast.ScalarNode); !ok {
		return &yaml.SyntaxError{Message: "a single value belongs here", Token: node.GetToken()}
	}
	v, err := parse(node.GetToken().Value)
	if err != nil {
		return &yaml.SyntaxError{Message: err.Error(), Token: node.GetToken()}
	}
	*to = v
	return nil
}

// UnmarshalYAML reads one name or a list of names.
func (f *Files) UnmarshalYAML(node ast.Node) error {
	if _, ok := node.(ast.ScalarNode); ok {
		*f = Files{node.GetToken().Value}
		return nil
	}
	return yaml.NodeToValue(node, (*[]string)(f), yaml.Strict())
}

// UnmarshalYAML reads the quantity with its unit.
func (t *Time) UnmarshalYAML(node ast.Node) error { return scalar(node, ParseTime, t) }

// UnmarshalYAML reads the quantity with its unit.
func (r *Rate) UnmarshalYAML(node ast.Node) error { return scalar(node, ParseRate, r) }

// UnmarshalYAML reads the quantity with its unit.
func (r *Ratio) UnmarshalYAML(node ast.Node) error { return scalar(node, ParseRatio, r) }

// UnmarshalYAML reads an identifier.
func (id *ID) UnmarshalYAML(node ast.Node) error { return scalar(node, ParseID, id) }

// UnmarshalYAML reads an identifier or a range of them.
func (r *IDRange) UnmarshalYAML(node ast.Node) error { return scalar(node, ParseIDRange, r) }

// UnmarshalYAML reads bits.
func (b *Bits) UnmarshalYAML(node ast.Node) error { return scalar(node, ParseBits, b) }

// UnmarshalYAML reads a range of physical values.
func (r *Range) UnmarshalYAML(node ast.Node) error { return scalar(node, ParseRange, r) }

// UnmarshalYAML reads a piece of what a checksum covers.
func (c *Cover) UnmarshalYAML(node ast.Node) error { return scalar(node, ParseCover, c) }

// MarshalYAML writes the form that is read.
func (c Cover) MarshalYAML() ([]byte, error) { return []byte(c.String()), nil }

// MarshalYAML writes the form that is read.
func (b Bits) MarshalYAML() ([]byte, error) { return []byte(b.String()), nil }

// MarshalYAML writes the form that is read.
func (t Time) MarshalYAML() ([]byte, error) { return []byte(t.String()), nil }

// MarshalYAML writes the form that is read.
func (r Rate) MarshalYAML() ([]byte, error) { return []byte(r.String()), nil }

// MarshalYAML writes the form that is read.
func (r Ratio) MarshalYAML() ([]byte, error) { return []byte(r.String()), nil }

// MarshalYAML writes the form that is read.
func (id ID) MarshalYAML() ([]byte, error) { return []byte(id.String()), nil }

// MarshalYAML writes the form that is read.
func (r IDRange) MarshalYAML() ([]byte, error) { return []byte(r.String()), nil }

// MarshalYAML writes the form that is read.
func (r Range) MarshalYAML() ([]byte, error) { return []byte(r.String()), nil }
