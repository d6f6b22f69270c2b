package decode

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/bits"
	"slices"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// Message is the compiled form of one dbc.Message.
type Message struct {
	Def     *dbc.Message
	Signals []Signal // in the order of Def.Signals, those that no frame can carry left out

	byName     map[string]*Signal
	outerFirst []*Signal // multiplexers before what depends on them

	root   *Signal // the multiplexer that selects one of pages; nil: there is one page
	pages  []page  // sorted by from; the first starts at 0
	direct []uint16
	always page // what does not depend on root
}

// Decode appends the values of all signals that are present in the frame and
// fit its length, in the order of Signals, and returns the extended slice.
// complete is false when the frame is too short for a signal that should be
// there; Missing says which. It does not compare identifiers.
//
// A signal that its definition puts behind the end of the message is decoded
// where a longer frame has it, and is not missed where none has.
func (m *Message) Decode(f *can.Frame, dst []Value) (values []Value, complete bool) {
	n := len(f.Payload())
	p := m.page(f, n)
	if p.conditional || n < p.need {
		return m.decodePart(f, p, dst)
	}
	at := len(dst)
	dst = slices.Grow(dst, len(p.signals))[:at+len(p.signals)]
	out := dst[at:]
	intel := binary.LittleEndian.Uint64(f.Data[:8])
	motorola := bits.ReverseBytes64(intel)
	for i, s := range p.signals {
		v := &out[i]
		v.Signal = s
		if !s.simple {
			v.Raw = s.raw(&f.Data)
			v.Phys = s.Phys(v.Raw)
			continue
		}
		w := intel
		if s.big {
			w = motorola
		}
		raw := (w>>(s.shift&63)&s.mask ^ s.sign) - s.sign
		v.Raw = raw
		v.Phys = float64(float64(int64(raw))*s.factor) + s.offset
	}
	return dst, true
}

// decodePart decodes what of a page the frame has.
func (m *Message) decodePart(f *can.Frame, p *page, dst []Value) (values []Value, complete bool) {
	n := len(f.Payload())
	complete = true
	for _, s := range p.signals {
		if !s.present(f, n) {
			continue
		}
		if s.need > n {
			complete = complete && !s.inside
			continue
		}
		raw := s.raw(&f.Data)
		dst = append(dst, Value{s, raw, s.Phys(raw)})
	}
	return dst, complete
}

// Missing appends the signals that the frame should carry and is too short for.
// When the value of a multiplexer is missing, nobody knows which of its pages
// should be there: the multiplexer alone is named.
func (m *Message) Missing(f *can.Frame, dst []*Signal) []*Signal {
	n := len(f.Payload())
	for _, s := range m.page(f, n).signals {
		if s.need > n && s.inside && s.present(f, n) {
			dst = append(dst, s)
		}
	}
	return dst
}

// Signal returns the (first) signal of that name, nil when there is none.
func (m *Message) Signal(name string) *Signal { return m.byName[name] }

// Compile returns the compiled form of one message, for those who know which
// frames are its and need no Table. It is nil where no frame can have its identifier.
func Compile(def *dbc.Message) *Message {
	if f := (can.Frame{ID: def.ID, Flags: extended(def)}); f.Valid() != nil {
		return nil
	}
	m, _ := compile(def)
	return m
}

// compile makes the plan of a message and says which signals it had to leave out.
func compile(def *dbc.Message) (*Message, []dbc.Diagnostic) {
	m := &Message{Def: def}
	var diags []dbc.Diagnostic
	usable := make(map[*dbc.Signal]bool, len(def.Signals))
	for _, s := range def.Signals {
		why := unusable(s)
		usable[s] = why == ""
		if why != "" {
			diags = append(diags, leftOut(def, s, why))
		}
	}
	for _, s := range def.Signals {
		if usable[s] && !reachable(s, usable) {
			usable[s] = false
			diags = append(diags, leftOut(def, s, "no frame says which page it is on: its multiplexer cannot be decoded"))
		}
	}
	m.Signals = make([]Signal, 0, len(def.Signals))
	for _, s := range def.Signals {
		if usable[s] {
			m.Signals = append(m.Signals, Signal{Def: s, Index: len(m.Signals)})
		}
	}
	m.link()
	m.setPages()
	return m, diags
}

// unusable says why no frame can carry a signal; "" when one can.
func unusable(s *dbc.Signal) string {
	first := firstBit(s)
	switch {
	case s.Start < 0 || s.Length < 1:
		return fmt.Sprintf("start %d and length %d are not a place in a frame", s.Start, s.Length)
	case s.Length > 8*can.MaxFDLen-first: // this way round it cannot overflow
		return fmt.Sprintf("it ends behind the %d bytes that the longest frame has", can.MaxFDLen)
	case s.Type == dbc.Float32 && s.Length != 32, s.Type == dbc.Float64 && s.Length != 64:
		return fmt.Sprintf("a float of %d bits does not exist", s.Length)
	case s.Multiplexer && s.Length > 64:
		return "a multiplexer of more than 64 bits has no number"
	}
	return ""
}

// reachable reports whether the multiplexers a usable signal depends on are
// usable and end at one that is always there.
func reachable(s *dbc.Signal, usable map[*dbc.Signal]bool) bool {
	for range len(usable) + 1 {
		if s.Switch == nil {
			return true
		}
		if s = s.Switch; !usable[s] || s.Length > 64 {
			return false
		}
	}
	return false // they go in a circle
}

func leftOut(m *dbc.Message, s *dbc.Signal, why string) dbc.Diagnostic {
	return dbc.Diagnostic{
		Pos:      s.Pos,
		Severity: dbc.Error,
		Rule:     "signal/not-decodable",
		Text:     fmt.Sprintf("signal %s of message %s is left out: %s", s.Name, m.Name, why),
		Hint:     "correct its line in the DBC file",
	}
}

// link fills in the plans of the signals.
func (m *Message) link() {
	m.byName = make(map[string]*Signal, len(m.Signals))
	compiled := make(map[*dbc.Signal]*Signal, len(m.Signals))
	for i := range m.Signals {
		s := &m.Signals[i]
		compiled[s.Def] = s
		s.factor, s.offset = s.Def.Factor, s.Def.Offset
		s.setKind()
		s.place()
		s.inside = s.need <= m.Def.Length
		s.setLabels()
		s.setStart()
	}
	for i := range m.Signals {
		s := &m.Signals[i]
		if s.Def.Switch != nil {
			s.parent = compiled[s.Def.Switch]
			s.pages = tidy(s.Def.Pages)
		}
		if m.byName[s.Def.Name] == nil {
			m.byName[s.Def.Name] = s
		}
		m.outerFirst = append(m.outerFirst, s)
	}
	slices.SortStableFunc(m.outerFirst, func(a, b *Signal) int { return a.depth() - b.depth() })
}

func (s *Signal) setKind() {
	switch {
	case s.Def.Length > 64:
		s.kind = manyBits
	case s.Def.Type == dbc.Float32:
		s.kind = single
	case s.Def.Type == dbc.Float64:
		s.kind = double
	case s.Def.Type == dbc.Signed:
		s.sign = 1 << (s.Def.Length - 1)
	case s.Def.Length == 64:
		s.kind = large
	}
}

// setStart takes over the start value (GenSigStartValue, raw) when the signal can hold it.
func (s *Signal) setStart() {
	if s.Def.Start0 == nil || s.kind == manyBits {
		return
	}
	x := *s.Def.Start0
	if s.Float() {
		raw := math.Float64bits(x)
		if s.kind == single {
			raw = uint64(math.Float32bits(float32(x)))
		}
		s.start = &raw
		return
	}
	if raw, ok := s.nearest(x); ok {
		s.start = &raw
	}
}
