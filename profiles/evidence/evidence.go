// Package evidence gathers, in one pass and bounded memory, what a capture shows
// of a vehicle setting: how each message came, whether its protection held, and
// what its signals did. It judges nothing: the rules do.
//
// A Collector satisfies capture.Collector, so that a large capture is read in
// chunks by several workers; what it gathers does not depend on their number.
package evidence

import (
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/decode/survey"
	"plugproof/profiles"
)

// Caps that keep the memory of a Collector bounded whatever the capture holds.
const (
	MaxEvents  = 32   // places kept per list, the first ones; counts go on
	MaxGaps    = 256  // gaps kept per list besides, the longest ones
	MaxChanges = 512  // discrete changes kept per signal that a profile names
	MaxValues  = 64   // distinct raw values kept per signal
	MaxStreams = 8192 // identifiers told apart per bus
)

// Limits of what counts as an event; common practice unless it says otherwise.
const (
	PauseLimit   = 60e9  // ns without a frame on any bus: joined logs (see design: capture rules)
	SilenceLimit = 50e6  // ns without a frame of any sender on one bus
	LongGap      = 2.5   // cycles: a gap worth its place
	ShortGap     = 0.3   // cycles: too soon for the same sender
	UnknownLong  = 500e6 // ns: a gap worth its place where no cycle is known
	LeapFactor   = 3
	PairWindow   = 200e6 // ns within which a value and its reference belong together
)

// Evidence is what a capture shows. Times are ns on the capture's clock.
type Evidence struct {
	Setting    *profiles.Setting
	Frames     uint64
	Sent       uint64 // of them sent by the recording computer itself
	Start, End int64  // earliest and latest frame

	Buses    []*Bus              // sorted by interface name
	Messages map[string]*Message // by name; one for every message of the setting, seen or not
	Others   []*Stream           // identifiers that the setting does not have, sorted by bus and identifier
	Pauses   Events              // no frame on any bus for longer than PauseLimit
	Backward Events              // steps back in time
	Clumped  uint64              // frames closer to the one before on their bus than the wire allows
	Fits     []Fit               // values against their references: links of chains, then references of functions
	Talks    []Talk              // requests and their answers, by name of the dialogue
}

// Under files the evidence under another setting, which knows the same buses and
// messages and was loaded from the same facts.
func (ev *Evidence) Under(s *profiles.Setting) {
	ev.Setting = s
	for _, b := range ev.Buses {
		for _, facts := range s.Buses {
			if b.Facts != nil && b.Facts.Name == facts.Name {
				b.Facts = facts
			}
		}
	}
	for name, m := range ev.Messages {
		if facts := s.Message(name); facts != nil {
			m.Facts = facts
		}
	}
}

// Bus is one interface of the capture.
type Bus struct {
	Interface   string             // as the capture names it
	Facts       *profiles.BusFacts // the bus of the setting that it is; nil: none
	Frames      uint64             // error frames left out
	First, Last int64
	Load        survey.Windows // bits on the wire
	Course      *survey.Course // bits on the wire over time; nil without Options.Series
	Errors      *survey.Track  // error frames; N of a bucket counts them
	ErrorFrames Events
	ErrorClass  map[string]uint64 // error frames by class; one frame may have several
	Silences    LongEvents        // no frame for longer than SilenceLimit
	Clumped     uint64
	TooMany     uint64 // frames of identifiers past MaxStreams
}

// Stream is how the frames of one identifier came on one bus.
type Stream struct {
	Bus         *Bus
	ID          profiles.ID
	Frames      uint64
	Remote      uint64 // remote frames, counted apart: they are not in Frames
	First, Last int64
	FirstFrame  can.Frame
	LastFrame   can.Frame
	Gaps        survey.Gaps
	MaxGap      Event
	LongGaps    LongEvents    // gaps over LongGap cycles, or over UnknownLong
	Short       uint64        // gaps under ShortGap cycles
	Lost        uint64        // frames missing in gaps near whole multiples of the cycle
	Count       *survey.Track // longest gap in ns by bucket; N counts the frames
	Lengths     [can.MaxFDLen + 1]uint32
	Misfits     Events // frames whose length is not the setting's

	Ones, Zeros uint64 // bits of the first 8 bytes, byte 0 lowest, that were 1 at least once, 0 at least once
	Payloads    int    // distinct payloads of 8 bytes, up to MaxValues
	Repeats     uint64 // frames with the payload of the one before
	Alternates  uint64 // frames unlike the one before but like that before it, protection left out
	payloads    map[uint64]struct{}
}

// Message is a message of the setting as the capture shows it.
type Message struct {
	Facts       *profiles.MessageFacts
	Stream      *Stream   // nil when no frame of it came on its bus
	Elsewhere   []*Stream // the same identifier on other buses of the capture
	OtherKind   *Stream   // the same identifier value with the other number of bits
	Faults      map[guard.Faults]*Events
	FaultTracks map[guard.Faults]*survey.Track // the same over time; N counts the frames; nil without Options.Series
	Judged      uint64                         // frames whose protection was looked at
	LostByCount uint64                         // frames missing by the counter
	Pages       map[uint64]uint64              // frames by page of its multiplexer, up to MaxValues pages
	Signals     map[string]*Signal
	FirstValid  int64 // stamp of the first frame without a "not available" pattern; see HasValid
	HasValid    bool
	Incomplete  uint64 // frames too short for a signal
}

// Seen returns the number of its frames on its bus.
func (m *Message) Seen() uint64 {
	if m.Stream == nil {
		return 0
	}
	return m.Stream.Frames
}

// Signal is what one signal did, in physical values unless it says raw. Of one that
// only protects its message, and that no profile names, there is no more than Frames.
type Signal struct {
	Def        *dbc.Signal
	Own        *profiles.Signal // what the profile adds; never nil
	Frames     uint64           // in which it was present
	NA         uint64           // of them "not available" by a declared pattern
	NAFirst    Events
	NATrack    *survey.Track // those frames over time; nil where there were none
	Worded     uint64        // values of a quantity with a name of their own, as "no request": no numbers
	AllOnes    uint64        // raw all ones, for unsigned fields of 8 bits and more without a declared pattern
	OnesFirst  Events
	Available  uint64 // values that were not NA
	FirstTime  int64  // of the first available value
	LastTime   int64
	Min, Max   float64
	First      float64
	Last       float64
	Track      *survey.Track     // available values
	Changes    *survey.Changes   // raw values; nil for signals that no profile names
	Values     map[uint64]uint64 // frames by raw value; nil where there were more than MaxValues
	MoreValues bool

	Steps        uint64  // pairs of available values
	Moved        uint64  // of them with a change
	Rough        float64 // sum of |step| of the raw value as declared
	RoughSwapped float64 // the same with the other byte order; only whole bytes
	SwappedMin   float64
	SwappedMax   float64
	TooFast      Events  // steps beyond the profile's slew, one quantum taken off
	Leaps        Events  // of them those beyond LeapFactor times the slew: no noise on a fast change
	HalfJumps    Events  // raw steps over half of the field's range
	Outliers     Events  // one odd value, zero or not available, between two that agree within 5 %
	AtTop        int64   // longest time at the greatest raw value or one below it, ns
	OutOfBand    Events  // outside the accepted band of the profile
	Rises        float64 // forward steps of a counting signal, wraps included, physical
	Falls        uint64  // backward steps of a counting signal that are no wrap
}

// Span is the range of available values.
func (s *Signal) Span() float64 {
	if s.Available == 0 {
		return 0
	}
	return s.Max - s.Min
}

// Event is one place in the capture.
type Event struct {
	Frame can.Frame // its stamp and place are those of the event
	Gap   int64     // ns before it, where the event is about a gap
}

// Events is a list of the first MaxEvents places, and the count of all.
type Events struct {
	Count uint64
	First []Event
}

// LongEvents are Events about gaps, and the longest of them: what is judged by the
// length of a gap sees every one that matters, however many came before it.
type LongEvents struct {
	Events
	Worst []Event // the MaxGaps longest, of equals the earlier ones, in order of the capture
}

// Fit gathers pairs of a value (y) and its reference (x).
type Fit struct {
	Y, X         profiles.SignalRef
	Function     string
	Link         int // 1, 2, ...: Chain[Link] against Chain[Link-1]; 0: Chain[0] against the function's reference
	N            uint64
	SumX, SumY   float64
	SumXX, SumYY float64
	SumXY        float64
	MinX, MaxX   float64
}
