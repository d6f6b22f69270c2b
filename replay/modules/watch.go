package modules

import (
	"math"
	"slices"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles"
)

// watch is a unit's opinion of one message. Receivers test four things: time,
// length, counter and checksum, and whether the sender has the value at all.
type watch struct {
	facts   *profiles.MessageFacts
	timeout time.Duration
	grace   time.Duration // after key-on, in which it does not judge
	message *decode.Message
	guard   *guard.Watch
	toggles []toggle
	needs   []*decode.Signal // without these it is of no use

	deaf     bool // believes nothing
	heard    bool
	last     time.Duration // of a frame that was believed
	frame    can.Frame     // that one
	rejected int           // in a row
}

// essential lists the signals that make a frame worthless when they are not
// available.
func essential() []string {
	return []string{
		"EngineSpeedRpm", "CoolantTemp", "ActualTorque", "DriverDemandTorque", "PedalPercent", "VehicleSpeedKph",
		"LeverPosition", "FanCommandPercent", "RelayEngineSpeedRpm", "RelayFanCommandPercent", "BrakeSwitch",
	}
}

func newWatch(m *profiles.MessageFacts, l *profiles.ListenerFacts) (*watch, error) {
	decoder, _ := decode.NewDecoder([]decode.Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{m.Def}}}})
	w := &watch{facts: m, timeout: l.Timeout.Value, grace: l.Grace, message: decoder.Bus("").Message(m.Name)}
	p, err := m.Protection()
	if err != nil {
		return nil, err
	}
	if len(p.Counters)+len(p.Toggles)+len(p.Parities)+len(p.Checksums) > 0 {
		g, err := p.Compile()
		if err != nil {
			return nil, err
		}
		w.guard = g.Watch(int64(m.Cycle.Value))
	}
	for _, t := range p.Toggles {
		w.toggles = append(w.toggles, toggle{at: t.Field.Start, every: max(t.Every, 1)})
	}
	for _, name := range essential() {
		// The gateway passes on that a value is missing: its copies have their own bit.
		if s := w.message.Signal(name); s != nil && !m.Relayed {
			w.needs = append(w.needs, s)
		}
	}
	return w, nil
}

func (w *watch) hear(f *can.Frame, at time.Duration) {
	stamped := *f
	stamped.Time = int64(at)
	if !w.believes(&stamped) {
		w.rejected++
		return
	}
	w.heard, w.rejected, w.last, w.frame = true, 0, at, stamped
}

func (w *watch) believes(f *can.Frame) bool {
	if w.deaf || int(f.Len) != w.facts.Length.Value || f.Is(can.Remote) {
		return false
	}
	for i := range w.toggles {
		if w.toggles[i].stuck(f) {
			return false
		}
	}
	if w.guard != nil && w.guard.Add(f) != 0 {
		return false
	}
	return !slices.ContainsFunc(w.needs, func(s *decode.Signal) bool { return missing(s, f) })
}

// toggle is a receiver's opinion of a toggle bit. It counts frames, whenever they
// come, until the bit flips. The guard, which judges captures, begins anew after a
// gap, where a flip may have been lost: by it alone a bit that is stuck would be
// believed again with every frame that a busy machine delays.
type toggle struct {
	at, every int
	bit       byte
	frames    int // with the bit as it is
}

func (t *toggle) stuck(f *can.Frame) bool {
	bit := f.Data[t.at/8] >> (t.at % 8) & 1
	if bit != t.bit {
		t.bit, t.frames = bit, 0
	}
	t.frames++
	return t.frames > t.every
}

func missing(s *decode.Signal, f *can.Frame) bool {
	v, ok := s.Read(f)
	return !ok || v.Label() == "NotAvailable"
}

func (w *watch) lost(c *Car, patience time.Duration) bool {
	if patience == 0 {
		patience = w.timeout
	}
	return patience > 0 && c.on(w.grace) && c.now-max(w.last, c.keyAt) > patience
}

// read returns a signal of the last frame that was believed.
func (w *watch) read(signal string) float64 {
	s := w.message.Signal(signal)
	if s == nil || missing(s, &w.frame) {
		return math.NaN()
	}
	v, _ := s.Read(&w.frame)
	return v.Phys
}
