package survey

import (
	"cmp"
	"math"
	"math/bits"
	"slices"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// MaxDistinct is how many values of a signal of more than 8 bits are told apart;
// more are reported as more than that. Shorter signals have no limit.
const MaxDistinct = 64

// maxLabels bounds the value tables whose entries are counted.
const maxLabels = 64

// message gathers the signals of one row.
type message struct {
	def     *decode.Message
	latest  []value  // of each signal, apart because every frame needs them
	signals []signal // as in def.Signals
	all     bool     // the latest decoded frame has all of them
	cut     bool     // it was too short for one that should be there
	short   uint64   // frames that were
	repeats uint64   // frames since the latest decoded one that have its payload
}

// value is the latest value of a signal and what it counts as. A value that is
// like the one before costs an increment or two; what it counts as is booked
// when it ends.
type value struct {
	frames  uint64 // that carry the signal
	raw     uint64
	run     uint64 // frames in a row with that value, when it counts as anything
	present bool   // in the latest decoded frame
	counts  counts
}

// counts says what a value counts as.
type counts uint8

const (
	outside  counts = 1 << iota // of the stated range
	infinite                    // or not a number
	labelled                    // the value table has a text for it
)

// signal gathers the values of one signal.
type signal struct {
	sig       *decode.Signal
	low, high float64 // stated range widened by what rounding may do; infinite when not stated
	wide      bool    // over 64 bits: no number, only presence
	labelling bool

	outside, infinite uint64  // frames
	min, max          float64 // +Inf, -Inf: no finite value yet
	distinct          valueSet
	labels            []labelCount // sorted by raw
}

// labelCount counts the frames with a value that has a text.
type labelCount struct{ raw, frames uint64 }

func newMessage(def *decode.Message) *message {
	m := &message{def: def, latest: make([]value, len(def.Signals)), signals: make([]signal, len(def.Signals))}
	for i := range m.signals {
		m.signals[i] = newSignal(&def.Signals[i])
	}
	return m
}

func newSignal(sig *decode.Signal) signal {
	s := signal{sig: sig, min: math.Inf(1), max: math.Inf(-1), wide: sig.Def.Length > 64}
	s.low, s.high = statedRange(sig.Def)
	s.distinct.short = sig.Def.Length <= 8
	n := len(sig.Def.Values)
	s.labelling = 0 < n && n <= maxLabels && !s.wide
	return s
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
	if m.all = len(values) == len(m.latest); !m.all {
		for i := range m.latest {
			m.latest[i].present = false
		}
	}
	for i := range values {
		v := &values[i]
		at := i
		if !m.all {
			at = v.Signal.Index
		}
		now := &m.latest[at]
		now.present = true
		now.frames++
		if v.Raw != now.raw || now.frames == 1 {
			s := &m.signals[at]
			s.book(now)
			now.raw, now.counts = v.Raw, s.classify(v)
		}
		if now.counts != 0 {
			now.run++
		}
	}
	return values
}

// settle credits the repeated frames to the values that they repeated.
func (m *message) settle() {
	if m.repeats == 0 {
		return
	}
	for i := range m.latest {
		if now := &m.latest[i]; now.present {
			now.frames += m.repeats
			if now.counts != 0 {
				now.run += m.repeats
			}
		}
	}
	if m.cut {
		m.short += m.repeats
	}
	m.repeats = 0
}

// book ends all runs of equal values.
func (m *message) book() {
	m.settle()
	for i := range m.signals {
		m.signals[i].book(&m.latest[i])
	}
}

func (m *message) merge(next *message) {
	m.book()
	next.book()
	m.short += next.short
	m.all, m.cut = next.all, next.cut
	for i := range m.signals {
		now, later := &m.latest[i], next.latest[i]
		if later.frames == 0 {
			now.present = false
			continue
		}
		later.frames += now.frames
		*now = later
		m.signals[i].merge(&next.signals[i])
	}
}

// statedRange returns the range in which a value is not outside. Files round
// factors and limits: 255 * 0.392157 is meant to be 100. What that adds up to is
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

// classify looks at a value that differs from the one before.
func (s *signal) classify(v *decode.Value) counts {
	if s.wide {
		return 0
	}
	s.distinct.add(v.Raw)
	var c counts
	if s.labelling && s.sig.Label(v.Raw) != "" {
		c = labelled
	}
	if v.Phys < s.low || v.Phys > s.high {
		c |= outside
	}
	if s.min <= v.Phys && v.Phys <= s.max {
		return c
	}
	if math.IsNaN(v.Phys) || math.IsInf(v.Phys, 0) {
		return c&^outside | infinite
	}
	if v.Phys < s.min {
		s.min = v.Phys
	}
	if v.Phys > s.max {
		s.max = v.Phys
	}
	return c
}

// book ends a run of equal values.
func (s *signal) book(now *value) {
	if now.run == 0 {
		return
	}
	if now.counts&outside != 0 {
		s.outside += now.run
	}
	if now.counts&infinite != 0 {
		s.infinite += now.run
	}
	if now.counts&labelled != 0 {
		s.addLabel(now.raw, now.run)
	}
	now.run = 0
}

func (s *signal) merge(next *signal) {
	s.outside += next.outside
	s.infinite += next.infinite
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

// valueSet is a set of raw values. With more than MaxDistinct it is full and
// holds none. Signals of up to 8 bits have a bit for each value, so they never
// fill it; for others it is a hash table with linear probing.
type valueSet struct {
	short bool
	full  bool
	zero  bool      // the value 0 is in the hash table's set
	n     int       // values in that set
	bits  [4]uint64 // by the lowest 8 bits of the value
	slots []uint64  // 0: free
}

func (v *valueSet) add(raw uint64) {
	switch {
	case v.short:
		v.bits[raw>>6&3] |= 1 << (raw & 63)
		return
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

// count returns the number of values; with more than MaxDistinct it is that.
func (v *valueSet) count() int {
	if v.full {
		return MaxDistinct
	}
	n := v.n
	for _, x := range v.bits {
		n += bits.OnesCount64(x)
	}
	return n
}

func (v *valueSet) merge(other *valueSet) {
	if other.full {
		*v = valueSet{full: true}
		return
	}
	for i, x := range other.bits {
		v.bits[i] |= x
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
