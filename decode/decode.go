// Package decode turns frames into named physical values by the definitions of
// DBC files, and values back into frames.
//
// A Decoder is built once; it compiles every message into a plan. Decoding then
// costs no allocation and never clamps: a value outside the range that the DBC
// states is a finding for somebody else, not something to hide.
package decode

import (
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// Mapping says on which bus a database applies. An empty Bus means every bus
// that has no mapping of its own.
type Mapping struct {
	Bus      string
	Database *dbc.Database
}

// Value is one decoded signal.
type Value struct {
	Signal *Signal
	Raw    uint64  // the bits; sign-extended to 64 where the signal is signed; IEEE bits for floats
	Phys   float64 // float64(float64(raw)*factor)+offset; the raw value itself is exact in Raw
}

// Signal is the compiled form of one dbc.Signal.
type Signal struct {
	Def *dbc.Signal
	// unexported plan fields follow
}

// Message is the compiled form of one dbc.Message.
type Message struct {
	Def     *dbc.Message
	Signals []Signal // in the order of Def.Signals, those that cannot be decoded left out
}

// Table holds the messages of one bus.
type Table struct{}

// Decoder holds a Table for each mapped bus.
type Decoder struct{}

// NewDecoder compiles the databases. Several databases for one bus are merged
// in order; the first definition of an identifier wins and the others are
// reported in the diagnostics.
func NewDecoder(maps []Mapping) (*Decoder, []dbc.Diagnostic) { panic("to be written") }

// Bus returns the table of the named bus; nil where no database applies.
func (d *Decoder) Bus(name string) *Table { panic("to be written") }

// Lookup returns the message of a frame, nil when the frame is not known, or is
// a remote or error frame. J1939 definitions match by PGN (source any).
func (t *Table) Lookup(f *can.Frame) *Message { panic("to be written") }

// Decode appends the values of all signals that are present in the frame and
// fit its length, in the order of Signals, and returns the extended slice.
// complete is false when the frame is too short for a signal that should be there.
func (m *Message) Decode(f *can.Frame, dst []Value) (values []Value, complete bool) {
	panic("to be written")
}
