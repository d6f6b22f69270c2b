// Package decode turns frames into named physical values by the definitions of
// DBC files, and values back into frames.
//
// A Decoder is built once; it compiles every message into a plan. Decoding then
// costs no allocation and never clamps: a value outside the range that the DBC
// states is a finding for somebody else, not something to hide.
//
//	dec, diagnostics := decode.NewDecoder([]decode.Mapping{{Database: db}})
//	table := dec.Bus("can0")
//	if m := table.Lookup(f); m != nil {
//		values, complete = m.Decode(f, values[:0])
//	}
//
// The inverse is Message.Encode for physical values by name, and Message.Fill
// for raw ones. How bits are numbered is drawn at Signal.
//
// A Decoder and all that hangs on it is never written to after NewDecoder:
// several goroutines may use it at once.
package decode

import (
	"fmt"
	"slices"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// Mapping says on which bus a database applies. An empty Bus means every bus
// that has no mapping of its own.
type Mapping struct {
	Bus      string
	Database *dbc.Database
}

// Decoder holds a Table for each mapped bus.
type Decoder struct {
	tables map[string]*Table
}

// NewDecoder compiles the databases. Several databases for one bus are merged
// in order; the first definition of an identifier wins and the others are
// reported in the diagnostics, as is every signal that no frame can carry.
func NewDecoder(maps []Mapping) (*Decoder, []dbc.Diagnostic) {
	d := &Decoder{tables: make(map[string]*Table)}
	compiled := make(map[*dbc.Database][]*Message)
	var diags []dbc.Diagnostic
	for _, m := range maps {
		messages, ok := compiled[m.Database]
		if !ok {
			messages, diags = compileAll(m.Database, diags)
			compiled[m.Database] = messages
		}
		t := d.tables[m.Bus]
		if t == nil {
			t = newTable()
			d.tables[m.Bus] = t
		}
		for _, msg := range messages {
			if first := t.add(msg); first != nil {
				diags = append(diags, duplicate(msg.Def, first.Def))
			}
		}
	}
	return d, diags
}

// compileAll compiles the messages of one database and appends what it has to
// say to diags.
func compileAll(db *dbc.Database, diags []dbc.Diagnostic) ([]*Message, []dbc.Diagnostic) {
	messages := make([]*Message, 0, len(db.Messages))
	for _, def := range db.Messages {
		if f := (can.Frame{ID: def.ID, Flags: extended(def)}); f.Valid() != nil {
			diags = append(diags, noIdentifier(def))
			continue
		}
		m, ds := compile(def)
		messages = append(messages, m)
		diags = append(diags, ds...)
	}
	return messages, diags
}

func extended(def *dbc.Message) can.Flags {
	if def.Extended {
		return can.Extended
	}
	return 0
}

func noIdentifier(def *dbc.Message) dbc.Diagnostic {
	return dbc.Diagnostic{
		Pos:      def.Pos,
		Severity: dbc.Error,
		Rule:     "message/not-decodable",
		Text:     fmt.Sprintf("message %s is left out: no frame has the identifier %#x", def.Name, def.ID),
		Hint:     "correct its line in the DBC file",
	}
}

func duplicate(def, first *dbc.Message) dbc.Diagnostic {
	return dbc.Diagnostic{
		Pos:      def.Pos,
		Severity: dbc.Warning,
		Rule:     "message/defined-twice",
		Text: fmt.Sprintf("message %s has the identifier of %s at %s and is left out",
			def.Name, first.Name, first.Pos),
		Hint: "give each bus its own DBC file, or name first the file that is right",
	}
}

// Bus returns the table of the named bus; nil where no database applies.
func (d *Decoder) Bus(name string) *Table {
	if t := d.tables[name]; t != nil {
		return t
	}
	return d.tables[""]
}

// Tables returns every table once, in the order of the bus names they are
// mapped to; the one for all other buses comes first.
func (d *Decoder) Tables() []*Table {
	names := make([]string, 0, len(d.tables))
	for name := range d.tables {
		names = append(names, name)
	}
	slices.Sort(names)
	tables := make([]*Table, len(names))
	for i, name := range names {
		tables[i] = d.tables[name]
	}
	return tables
}

// Finder finds the message of a frame by the index of its bus. It remembers the
// tables it has looked up, so each goroutine needs its own.
type Finder struct {
	dec    *Decoder
	buses  *can.Buses
	tables []*Table
}

// Finder returns a Finder for frames whose bus is an index into buses.
func (d *Decoder) Finder(buses *can.Buses) *Finder { return &Finder{dec: d, buses: buses} }

// Lookup returns the message of a frame as Table.Lookup does; nil where no
// database applies to its bus.
func (n *Finder) Lookup(f *can.Frame) *Message {
	if int(f.Bus) >= len(n.tables) {
		n.grow(int(f.Bus) + 1)
	}
	return n.tables[f.Bus].Lookup(f)
}

func (n *Finder) grow(size int) {
	for i := len(n.tables); i < size; i++ {
		n.tables = append(n.tables, n.dec.Bus(n.buses.Name(uint16(i))))
	}
}
