package survey

import (
	"cmp"
	"math"
	"slices"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// MaxDistinct is how many values of a signal are told apart; more are reported
// as more than that.
const MaxDistinct = 256

// maxLabels bounds the value tables whose entries are counted.
const maxLabels = 64

// message gathers the signals of one row.
type message struct {
	def     *decode.Message
	signals []signal // as in def.Signals
	short   uint64   // frames too short for a signal that should be there
	cut     bool     // the latest frame was
	repeats uint64   // frames since the latest decoded one that have its payload
}

func newMessage(def *decode.Message) *message {
	m := &message{def: def, signals: make([]signal, len(def.Signals))}
	for i := range m.signals {
		m.signals[i] = newSignal(&def.Signals[i])
	}
	return m
}

// add takes a frame with a payload or length other than the frame before.
// values is scratch space; what it has become is returned for the next call.
func (m *message) add(f *can.Frame, values []decode.Value) []decode.Value {
	m.settle()
	values, complete := m.def.Decode(f, values[:0])
	m.cut = !complete
	if m.cut {
		m.short++
	}
	next := 0
	for i := range m.signals {
		s := &m.signals[i]
		s.present = next < len(values) && values[next].Signal == s.sig
		if s.present {
			s.add(&values[next])
			next++
		}
	}
	return values
}

// settle credits the repeated frames to the values that they repeated.
func (m *message) settle() {
	if m.repeats == 0 {
		return
	}
	for i := range m.signals {
		if m.signals[i].present {
			m.signals[i].run += m.repeats
		}
	}
	if m.cut {
		m.short += m.repeats
	}
	m.repeats = 0
}

func (m *message) merge(next *message) {
	m.settle()
	next.settle()
	m.short += next.short
	m.cut = next.cut
	for i := range m.signals {
		m.signals[i].merge(&next.signals[i])
	}
}

// signal gathers the values of one signal. Equal values in a row cost an
// increment; a run is booked when it ends.
type signal struct {
	sig       *decode.Signal
	low, high float64 // stated range widened by what rounding may do; infinite when not stated
	present   bool    // in the latest decoded frame
	latest    value
	run       uint64 // frames in a row with that value, not booked yet

	frames, outsideFrames, infiniteFrames uint64
	min, max                              float64 // +Inf, -Inf: no finite value yet
	distinct                              valueSet
	labels                                []labelCount // sorted by raw
}

// labelCount counts the frames with a value that has a text.
type labelCount struct{ raw, frames uint64 }

// value is one value of a signal and what it counts as.
type value struct {
	raw      uint64
	outside  bool
	infinite bool // not a number, or infinite
	labelled bool // the value table has a text for it
}

func newSignal(sig *decode.Signal) signal {
	s := signal{sig: sig, min: math.Inf(1), max: math.Inf(-1)}
	s.low, s.high = statedRange(sig.Def)
	return s
}

// statedRange returns the range in which a value is not outside: a value that
// the file means to be the limit may differ from it by rounding, which is far
// less than a thousandth of a step.
func statedRange(def *dbc.Signal) (low, high float64) {
	if def.Min == 0 && def.Max == 0 {
		return math.Inf(-1), math.Inf(1)
	}
	slack := 0.0
	if def.Type != dbc.Float32 && def.Type != dbc.Float64 {
		slack = math.Abs(def.Factor) / 1000
	}
	const rounding = 1e-12
	return def.Min - slack - rounding*math.Abs(def.Min), def.Max + slack + rounding*math.Abs(def.Max)
}

func (s *signal) add(v *decode.Value) {
	if s.run > 0 && v.Raw == s.latest.raw {
		s.run++
		return
	}
	s.book()
	s.latest, s.run = s.classify(v), 1
}

// classify looks at a value that differs from the one before.
func (s *signal) classify(v *decode.Value) value {
	now := value{raw: v.Raw}
	if s.sig.Def.Length > 64 {
		return now // no number, only presence
	}
	s.distinct.add(v.Raw)
	if n := len(s.sig.Def.Values); n > 0 && n <= maxLabels {
		now.labelled = s.sig.Label(v.Raw) != ""
	}
	if math.IsNaN(v.Phys) || math.IsInf(v.Phys, 0) {
		now.infinite = true
		return now
	}
	now.outside = v.Phys < s.low || v.Phys > s.high
	if v.Phys < s.min {
		s.min = v.Phys
	}
	if v.Phys > s.max {
		s.max = v.Phys
	}
	return now
}

// book ends the run of equal values.
func (s *signal) book() {
	if s.run == 0 {
		return
	}
	s.frames += s.run
	if s.latest.outside {
		s.outsideFrames += s.run
	}
	if s.latest.infinite {
		s.infiniteFrames += s.run
	}
	if s.latest.labelled {
		s.addLabel(s.latest.raw, s.run)
	}
	s.run = 0
}

func (s *signal) merge(next *signal) {
	s.book()
	next.book()
	s.present, s.latest = next.present, next.latest
	s.frames += next.frames
	s.outsideFrames += next.outsideFrames
	s.infiniteFrames += next.infiniteFrames
	if next.min < s.min {
		s.min = next.min
	}
	if next.max > s.max {
		s.max = next.max
	}
	s.distinct.merge(&next.distinct)
	for _, l := range next.labels {
		s.addLabel(l.raw, l.frames)
	}
}

func (s *signal) addLabel(raw, frames uint64) {
	i, found := slices.BinarySearchFunc(s.labels, raw, func(l labelCount, raw uint64) int {
		return cmp.Compare(l.raw, raw)
	})
	if !found {
		s.labels = slices.Insert(s.labels, i, labelCount{raw: raw})
	}
	s.labels[i].frames += frames
}

// valueSet is a set of up to MaxDistinct raw values; with one more it is full
// and holds none. It is a hash table with linear probing.
type valueSet struct {
	slots []uint64 // 0: free
	n     int      // values, 0 among them
	zero  bool     // the value 0 is in the set
	full  bool
}

func (v *valueSet) add(raw uint64) {
	switch {
	case v.full:
		return
	case raw == 0:
		if v.zero {
			return
		}
		v.zero = true
	case !v.insert(raw):
		return
	}
	if v.n++; v.n > MaxDistinct {
		*v = valueSet{full: true}
	}
}

// insert reports whether the value is new.
func (v *valueSet) insert(raw uint64) bool {
	if 2*v.n >= len(v.slots) {
		v.grow()
	}
	i := int(spread(raw)) & (len(v.slots) - 1)
	for v.slots[i] != 0 {
		if v.slots[i] == raw {
			return false
		}
		i = (i + 1) & (len(v.slots) - 1)
	}
	v.slots[i] = raw
	return true
}

func (v *valueSet) grow() {
	old := v.slots
	v.slots = make([]uint64, max(8, 2*len(old)))
	for _, raw := range old {
		if raw != 0 {
			v.insert(raw)
		}
	}
}

func (v *valueSet) merge(other *valueSet) {
	if other.full {
		*v = valueSet{full: true}
		return
	}
	if other.zero {
		v.add(0)
	}
	for _, raw := range other.slots {
		if raw != 0 {
			v.add(raw)
		}
	}
}

// spread mixes a value so that its upper half decides the slot of a hash table.
func spread(x uint64) uint64 { return x * 0x9E3779B97F4A7C15 >> 32 } // 2^64 / golden ratio
