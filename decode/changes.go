package decode

import (
	"bytes"

	"plugproof/decode/can"
)

// maxStreams bounds what Changes remembers, some 20 MB: a fuzzed capture may hold a million
// identifiers, a car a few hundred.
const maxStreams = 1 << 16

// Changes tells values that changed from those that only came again. Values are
// compared as raw bits, by bus, identifier and signal; the first one counts as
// a change. The identifiers after the first 65,536 are not remembered: all
// their values count as changed. The zero value is ready to use.
type Changes struct {
	last map[stream]*state
}

// stream is what sends the same values again and again.
type stream struct {
	bus      uint16
	extended bool
	id       uint32
}

// state is what a stream sent last.
type state struct {
	message *Message
	seen    []bool   // by Signal.Index
	raw     []uint64 // by Signal.Index
	wide    [][]byte // by Signal.Index, of signals over 64 bits; nil when there is none
	payload []byte   // of a frame that has no message
}

// Keep removes the values of f, a frame of m, that are the same as the last
// time, and returns the rest. It works in place.
func (c *Changes) Keep(f *can.Frame, m *Message, values []Value) []Value {
	s := c.state(f, m)
	kept := values[:0]
	for _, v := range values {
		if s.changes(f, &v) {
			kept = append(kept, v)
		}
	}
	return kept
}

// Payload reports whether the payload of a frame without a message is another
// one than the last time.
func (c *Changes) Payload(f *can.Frame) bool {
	s := c.state(f, nil)
	now := f.Payload()
	if s.payload != nil && bytes.Equal(s.payload, now) {
		return false
	}
	s.payload = append(s.payload[:0], now...)
	if s.payload == nil {
		s.payload = []byte{} // seen, and empty
	}
	return true
}

func (c *Changes) state(f *can.Frame, m *Message) *state {
	key := stream{f.Bus, f.Is(can.Extended), f.ID}
	s := c.last[key]
	if s != nil && s.message == m {
		return s
	}
	s = &state{message: m}
	if m != nil {
		s.seen = make([]bool, len(m.Signals))
		s.raw = make([]uint64, len(m.Signals))
	}
	if c.last == nil {
		c.last = make(map[stream]*state)
	}
	if len(c.last) < maxStreams || c.last[key] != nil {
		c.last[key] = s
	}
	return s
}

// changes reports whether v differs from what its signal had, and notes it.
func (s *state) changes(f *can.Frame, v *Value) bool {
	i := v.Signal.Index
	if v.Signal.Wide() {
		return s.wideChanges(f, v.Signal)
	}
	if s.seen[i] && s.raw[i] == v.Raw {
		return false
	}
	s.seen[i], s.raw[i] = true, v.Raw
	return true
}

func (s *state) wideChanges(f *can.Frame, sig *Signal) bool {
	if s.wide == nil {
		s.wide = make([][]byte, len(s.seen))
	}
	now := sig.AppendBytes(f, nil)
	if s.seen[sig.Index] && bytes.Equal(s.wide[sig.Index], now) {
		return false
	}
	s.seen[sig.Index], s.wide[sig.Index] = true, now
	return true
}
