// Package dbc reads DBC files as people really have them into a Database, and
// says with file, line and column what it could not understand. One bad signal
// never costs its message, one bad statement never costs the file.
package dbc

import (
	"fmt"
	"time"
)

// Database is the content of one DBC file.
type Database struct {
	File        string // name used in positions
	Version     string
	Comment     string
	Bitrate     int64    // bit/s from the "Baudrate" attribute or BS_; 0: not stated
	DataBitrate int64    // bit/s of the FD data phase, from the "BaudrateCANFD" attribute; 0: not stated
	Imports     []string // files that CM_ "IMPORT name"; asks for; Parse opens none of them
	Nodes       []*Node
	Messages    []*Message // in file order; never holds two of one identifier and format
	ValueTables []*ValueTable
	Attributes  Attributes // of the network
	Definitions []*AttributeDefinition
	Diagnostics []Diagnostic // what Parse found, sorted by position
	Lines       []LineUse    // what became of each line; line n is Lines[n-1]

	source *source
}

// Node is a network node (BU_).
type Node struct {
	Name       string // the long name where the file has one
	Comment    string
	Attributes Attributes
	Pos        Position
}

// Message is one frame definition (BO_) with what the file says of it elsewhere.
type Message struct {
	ID         uint32    // without flag bits
	Extended   bool      // 29-bit identifier
	FD         bool      // by VFrameFormat, or by a length of 9 to 64 bytes where the file states no format
	J1939      bool      // by VFrameFormat or the network's ProtocolType: identifiers match by PGN
	Name       string    // the long name where the file has one
	Length     int       // bytes; may exceed 64 for what needs a transport protocol
	Senders    []string  // the BO_ sender first, then BO_TX_BU_; never holds Vector__XXX, but XXX is kept
	Signals    []*Signal // in file order
	Groups     []SignalGroup
	Comment    string
	CycleTime  time.Duration // GenMsgCycleTime; 0: not cyclic or not stated
	SendType   string        // GenMsgSendType by name; "" when not stated
	Attributes Attributes
	Relations  map[string]Attributes // attributes between a node and this message (BA_REL_), by node
	Pos        Position              // of the BO_
}

// ByteOrder of a signal.
type ByteOrder uint8

// The byte orders; the digits are those of the DBC file.
const (
	Motorola ByteOrder = 0 // @0: Start is the most significant bit
	Intel    ByteOrder = 1 // @1: Start is the least significant bit
)

// ValueType of a signal's raw bits.
type ValueType uint8

// The value types. Float32 and Float64 come from SIG_VALTYPE_.
const (
	Unsigned ValueType = iota
	Signed
	Float32
	Float64
)

// Signal is one signal definition (SG_) with what the file says of it elsewhere.
//
// Bit b of a payload is bit b%8 (0 is the least significant) of byte b/8, for
// both byte orders:
//
//	          bit 7  6  5  4  3  2  1  0
//	byte 0        7  6  5  4  3  2  1  0
//	byte 1       15 14 13 12 11 10  9  8
//
//	Intel    4|8@1: from bit 4 upward:    4 5 6 7 8 9 10 11      (least significant first)
//	Motorola 3|8@0: from bit 3 downward:  3 2 1 0 15 14 13 12    (most significant first)
type Signal struct {
	Name      string // the long name where the file has one
	Start     int    // start bit as the file writes it
	Length    int    // bits, 1 or more
	Order     ByteOrder
	Type      ValueType
	Factor    float64
	Offset    float64
	Min, Max  float64 // both 0: not stated; infinite where the file's number is too large for a float64
	Unit      string
	Receivers []string // never holds the "nobody" name Vector__XXX
	Comment   string

	Multiplexer bool       // other signals depend on its value
	Switch      *Signal    // the multiplexer it depends on; nil: always present
	Pages       []MuxRange // values of Switch for which it is present; sorted

	Values     []ValueText // sorted by Value
	Start0     *float64    // GenSigStartValue, raw; nil: neither the signal nor the attribute's default states one
	SendType   string
	Timeouts   map[string]time.Duration // receiver timeouts by node ("" when stated for all)
	Attributes Attributes
	Relations  map[string]Attributes // attributes between a node and this signal (BA_REL_), by node
	Pos        Position              // of the SG_
}

// MuxRange is an inclusive range of multiplexer values.
type MuxRange struct{ From, To uint64 }

// ValueText names one raw value. Where an unsigned 64-bit signal goes beyond
// the int64, Value has the same 64 bits: uint64(Value) is the raw value.
type ValueText struct {
	Value int64
	Text  string
}

// ValueTable is a named table (VAL_TABLE_).
type ValueTable struct {
	Name   string
	Values []ValueText
	Pos    Position
}

// SignalGroup is a group of signals of one message (SIG_GROUP_).
type SignalGroup struct {
	Name        string
	Repetitions int
	Signals     []string
}

// Attributes holds the attribute values that the file states for one object, by
// name. Defaults stand in Database.Definitions; the fields that Parse derives
// from attributes (CycleTime, FD, ...) have taken them into account.
type Attributes map[string]Attribute

// Attribute is one attribute value. Text is the value as text; for an ENUM it
// is the entry's name, whether the file gave the name or the index.
type Attribute struct {
	Text   string
	Number float64 // the numeric value, or the index of an ENUM; NaN for text
}

// AttributeDefinition is one BA_DEF_ or BA_DEF_REL_ statement with its default.
type AttributeDefinition struct {
	Name    string
	Object  string // "", BU_, BO_, SG_, EV_, or the relation keyword
	Type    string // INT, HEX, FLOAT, STRING, ENUM
	Min     float64
	Max     float64
	Enum    []string
	Default *Attribute // nil: none given
	Pos     Position
}

// LineUse says what became of a line.
type LineUse uint8

// The uses. Every line of a parsed file has one; a line is set aside when
// anything on it is, and then a diagnostic of severity Error covers it.
const (
	Blank      LineUse = iota + 1 // empty, or a // comment
	Understood                    // in the Database, or known to say nothing about frames
	SetAside
)

// Account counts the lines of one file by use.
type Account struct{ Blank, Understood, SetAside int }

// Account counts db.Lines.
func (db *Database) Account() Account {
	var a Account
	for _, use := range db.Lines {
		switch use {
		case Blank:
			a.Blank++
		case Understood:
			a.Understood++
		case SetAside:
			a.SetAside++
		}
	}
	return a
}

// Message returns the message of that name, nil when there is none.
func (db *Database) Message(name string) *Message {
	for _, m := range db.Messages {
		if m.Name == name {
			return m
		}
	}
	return nil
}

// Signal returns the signal of that name, nil when there is none.
func (m *Message) Signal(name string) *Signal {
	for _, s := range m.Signals {
		if s.Name == name {
			return s
		}
	}
	return nil
}

// Bytes returns how many bytes a payload must have to hold the whole signal.
func (s *Signal) Bytes() int {
	first := s.Start
	if s.Order == Motorola {
		first = s.Start ^ 7 // counted from the most significant bit of byte 0
	}
	return (first+s.Length-1)/8 + 1
}

// Position is a place in a DBC file. Line and Col count from 1, Col in bytes of
// the UTF-8 text after decoding; Offset counts from 0 in that text.
type Position struct {
	File      string
	Line, Col int
	Offset    int
}

// String gives file:line:col.
func (p Position) String() string { return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Col) }

// Severity of a diagnostic.
type Severity uint8

// The severities. Only Error makes lint fail.
const (
	Note    Severity = iota // unusual, understood
	Warning                 // understood, but probably not meant
	Error                   // set aside, or cannot work: part of the file has no effect
)

// String gives the severity as a word.
func (s Severity) String() string { return [...]string{"note", "warning", "error"}[s] }

// Diagnostic is one finding about a file: what, where, and what to try.
type Diagnostic struct {
	Pos      Position
	Severity Severity
	Rule     string // name in words: signal/outside-frame
	Text     string // what is wrong, with the offending text
	Hint     string // what to try; may be empty

	FirstLine, LastLine int // the lines it covers; Pos lies on one of them
}

// String gives "file:line:col: severity: text (hint)".
func (d Diagnostic) String() string {
	s := fmt.Sprintf("%s: %s: %s", d.Pos, d.Severity, d.Text)
	if d.Hint != "" {
		s += " (" + d.Hint + ")"
	}
	return s
}
