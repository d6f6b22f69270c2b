package decode

import (
	"fmt"
	"slices"
	"strings"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// Encode makes f a frame of the message that carries the given physical values,
// by signal name. It sets the identifier, the format, the length and the data;
// time, bus and the other fields stay as they are. A message of more than 8
// bytes makes an FD frame, padded to the next length that FD has.
//
// A signal that is not given gets its start value when the DBC states one; all
// other bits are zero. A multiplexer that is not given selects a page of the
// signals that are: its start value if that does, else the lowest value.
//
// After an error f is not to be used. It is a *RangeError, or wraps one of
// ErrUnknownSignal, ErrPage, ErrTooShort (a signal behind the end of its
// message), ErrTooLong, ErrOverlap (two given signals share bits and differ)
// and ErrWide.
func (m *Message) Encode(f *can.Frame, values map[string]float64) error {
	raws := make([]Value, 0, len(values))
	for i := range m.Signals {
		s := &m.Signals[i]
		phys, given := values[s.Def.Name]
		if !given || m.byName[s.Def.Name] != s {
			continue
		}
		raw, err := s.FromPhys(phys)
		if err != nil {
			return m.failed(err)
		}
		raws = append(raws, Value{s, raw, phys})
	}
	if len(raws) < len(values) {
		return m.failed(m.unknown(values))
	}
	return m.Fill(f, raws)
}

// unknown names the values that are none of the message's signals.
func (m *Message) unknown(values map[string]float64) error {
	var names []string
	for name := range values {
		if m.Signal(name) == nil {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return fmt.Errorf("%s: %w", strings.Join(names, ", "), ErrUnknownSignal)
}

// Fill is Encode for raw values: only Signal and Raw of each are looked at, and
// the signals must be the message's own. What Decode returned for a frame gives
// that frame again, but for bits that belong to no signal, and for signals wider
// than 64 bits, which are left out (PutBytes writes them).
func (m *Message) Fill(f *can.Frame, values []Value) error {
	if err := m.empty(f); err != nil {
		return err
	}
	set := make([]*uint64, len(m.Signals)) // what each signal is to be; nil: not given
	for i := range values {
		v := &values[i]
		if v.Signal.Index >= len(m.Signals) || v.Signal != &m.Signals[v.Signal.Index] {
			return m.failed(fmt.Errorf("%s: %w", v.Signal.Def.Name, ErrUnknownSignal))
		}
		if !v.Signal.Wide() {
			set[v.Signal.Index] = &v.Raw
		}
	}
	if err := m.selectPages(set); err != nil {
		return m.failed(err)
	}
	if err := m.write(f, set); err != nil {
		return m.failed(err)
	}
	return nil
}

func (m *Message) failed(err error) error {
	return fmt.Errorf("message %s: %w", m.Def.Name, err)
}

// empty makes f a frame of the message with all bits zero.
func (m *Message) empty(f *can.Frame) error {
	length := m.Def.Length
	fd := m.Def.FD || length > can.MaxClassicLen
	if length > can.MaxFDLen || m.Def.J1939 && length > can.MaxClassicLen {
		return m.failed(fmt.Errorf("%w: %d bytes need a transport protocol", ErrTooLong, length))
	}
	f.ID = m.Def.ID
	f.Flags = f.Flags&^(can.Extended|can.Remote|can.Error|can.FD) | extended(m.Def)
	if fd {
		f.Flags |= can.FD
	} else {
		f.Flags &^= can.BRS | can.ESI
	}
	var zeros [can.MaxFDLen]byte
	f.SetPayload(zeros[:length])
	return nil
}

// selectPages gives each multiplexer that has no value one for which the given
// signals are there.
func (m *Message) selectPages(set []*uint64) error {
	wanted := make(map[*Signal][]dbc.MuxRange)
	for i := range m.Signals {
		if set[i] == nil {
			continue
		}
		for s := &m.Signals[i]; s.parent != nil; s = s.parent {
			ranges := s.pages
			if others, ok := wanted[s.parent]; ok {
				ranges = intersect(others, ranges)
			}
			if len(ranges) == 0 {
				return fmt.Errorf("%s: %w: no value of %s has it and all others that are given",
					m.Signals[i].Def.Name, ErrPage, s.parent.Def.Name)
			}
			wanted[s.parent] = ranges
		}
	}
	for mux, ranges := range wanted {
		if set[mux.Index] == nil {
			raw := (mux.choose(ranges) ^ mux.sign) - mux.sign
			set[mux.Index] = &raw
		}
	}
	return nil
}

// choose returns the value of a multiplexer that selects one of the ranges.
func (s *Signal) choose(ranges []dbc.MuxRange) uint64 {
	if s.start != nil && contains(ranges, *s.start&s.mask) {
		return *s.start & s.mask
	}
	return ranges[0].From
}

func intersect(a, b []dbc.MuxRange) []dbc.MuxRange {
	var out []dbc.MuxRange
	for _, x := range a {
		for _, y := range b {
			if from, to := max(x.From, y.From), min(x.To, y.To); from <= to {
				out = append(out, dbc.MuxRange{From: from, To: to})
			}
		}
	}
	return out
}

// write puts the values and start values into an empty frame, multiplexers
// before what depends on them, and reads back that nothing got lost.
func (m *Message) write(f *can.Frame, set []*uint64) error {
	n := len(f.Payload())
	for _, s := range m.outerFirst {
		raw := set[s.Index]
		if raw == nil && s.need <= n {
			raw = s.start
		}
		if raw == nil || !s.present(f, n) {
			continue
		}
		if err := s.Put(f, *raw); err != nil {
			return err
		}
	}
	for _, s := range m.outerFirst { // again: a start value may lie over one of them
		if raw := set[s.Index]; raw != nil && s.present(f, n) {
			s.set(&f.Data, *raw&s.mask)
		}
	}
	for i, raw := range set {
		if raw == nil {
			continue
		}
		s := &m.Signals[i]
		if !s.present(f, n) {
			return fmt.Errorf("%s: %w: %s is %d", s.Def.Name, ErrPage, s.parent.Def.Name, s.parent.page(&f.Data))
		}
		if s.raw(&f.Data) != *raw {
			return fmt.Errorf("%s: %w: wanted %#x, the frame has %#x", s.Def.Name, ErrOverlap, *raw&s.mask, s.raw(&f.Data)&s.mask)
		}
	}
	return nil
}

// depth returns the number of multiplexers that the signal depends on.
func (s *Signal) depth() int {
	n := 0
	for ; s.parent != nil; s = s.parent {
		n++
	}
	return n
}
