package decode

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"

	"plugproof/decode/can"
)

// Reasons a value cannot be written into a frame. The errors of this package
// wrap them; a value that its bits cannot hold gives a *RangeError instead.
var (
	ErrUnknownSignal = errors.New("not a signal of the message")
	ErrPage          = errors.New("not on the page that the multiplexer selects")
	ErrTooShort      = errors.New("the frame is too short")
	ErrTooLong       = errors.New("the message is longer than a frame")
	ErrOverlap       = errors.New("another value was written over its bits")
	ErrWide          = errors.New("more than 64 bits have no number")
)

// RangeError says that the bits of a signal cannot hold a value.
type RangeError struct {
	Signal   string
	Value    float64 // what was to be written
	Min, Max float64 // what the bits can hold
	Unit     string
	Raw      bool // Value, Min and Max are raw, not physical
}

// Error names the signal, the value and the range.
func (e *RangeError) Error() string {
	kind, unit := "", ""
	if e.Raw {
		kind = "raw "
	} else if e.Unit != "" {
		unit = " " + e.Unit
	}
	return fmt.Sprintf("%s: %s%v%s does not fit: its bits hold %v to %v%s",
		e.Signal, kind, e.Value, unit, e.Min, e.Max, unit)
}

// Put writes a raw value (as in Value.Raw: sign-extended where the signal is
// signed, IEEE bits for floats) into the frame's data and leaves all other bits
// alone. The error is a *RangeError when the value has more bits than the
// signal, or wraps ErrTooShort or ErrWide (PutBytes writes such a signal).
func (s *Signal) Put(f *can.Frame, raw uint64) error {
	switch {
	case s.kind == manyBits:
		return fmt.Errorf("%s: %w", s.Def.Name, ErrWide)
	case s.need > len(f.Payload()):
		return s.tooShort(f)
	case !s.holds(raw):
		return s.rawRange(raw)
	}
	s.set(&f.Data, raw&s.mask)
	return nil
}

// PutBytes writes the bits of a signal as AppendBytes returns them. The error
// wraps ErrTooShort, or says that p does not have the signal's number of bits.
func (s *Signal) PutBytes(f *can.Frame, p []byte) error {
	length := s.Def.Length
	if s.need > len(f.Payload()) {
		return s.tooShort(f)
	}
	if len(p) != (length+7)/8 {
		return fmt.Errorf("%s: %d bytes given, its %d bits are %d bytes", s.Def.Name, len(p), length, (length+7)/8)
	}
	top := p[len(p)-1]
	if s.big {
		top = p[0]
	}
	if used := (length-1)%8 + 1; top>>used != 0 {
		return fmt.Errorf("%s: % X has more than its %d bits", s.Def.Name, p, length)
	}
	s.copyBits(p, f.Data[:], toData)
	return nil
}

// FromPhys returns the raw value whose physical value is nearest. The error is
// a *RangeError when the bits cannot hold it, or wraps ErrWide. The minimum and
// maximum that the DBC states are not looked at: what a sender must not send is
// for its caller to say.
func (s *Signal) FromPhys(phys float64) (uint64, error) {
	x := (phys - s.offset) / s.factor
	switch s.kind {
	case manyBits:
		return 0, fmt.Errorf("%s: %w", s.Def.Name, ErrWide)
	case double:
		return math.Float64bits(x), nil
	case single:
		if math.IsInf(float64(float32(x)), 0) && !math.IsInf(x, 0) {
			return 0, s.physRange(phys)
		}
		return uint64(math.Float32bits(float32(x))), nil
	}
	lowest, highest := s.limits()
	raw, ok := s.nearest(x)
	if !ok {
		// Rounding may have carried the division past a limit that is meant.
		for _, limit := range [...]uint64{lowest, highest} {
			if s.Phys(limit) == phys {
				return limit, nil
			}
		}
		return 0, s.physRange(phys)
	}
	best := raw
	for _, near := range [...]uint64{raw - 1, raw + 1} {
		if s.holds(near) && math.Abs(s.Phys(near)-phys) < math.Abs(s.Phys(best)-phys) {
			best = near
		}
	}
	return best, nil
}

// holds reports whether the raw value has no more bits than the signal.
func (s *Signal) holds(raw uint64) bool { return (raw&s.mask^s.sign)-s.sign == raw }

// limits returns the lowest and the highest raw value of an integer signal.
func (s *Signal) limits() (lowest, highest uint64) {
	if s.sign != 0 {
		return -s.sign, s.sign - 1
	}
	return 0, s.mask
}

// nearest rounds x to a raw integer; false when the bits cannot hold that.
func (s *Signal) nearest(x float64) (uint64, bool) {
	x = math.RoundToEven(x)
	from, end := 0.0, math.Ldexp(1, s.Def.Length)
	if s.sign != 0 {
		from, end = -end/2, end/2
	}
	switch {
	case !(x >= from && x < end): // NaN is not in any range
		return 0, false
	case x < 0:
		return uint64(int64(x)), true
	}
	return uint64(x), true
}

func (s *Signal) physRange(phys float64) error {
	e := &RangeError{Signal: s.Def.Name, Value: phys, Unit: s.Def.Unit}
	if s.kind == single {
		e.Min, e.Max = s.Phys(uint64(math.Float32bits(-math.MaxFloat32))), s.Phys(uint64(math.Float32bits(math.MaxFloat32)))
	} else {
		lowest, highest := s.limits()
		e.Min, e.Max = s.Phys(lowest), s.Phys(highest)
	}
	if e.Min > e.Max {
		e.Min, e.Max = e.Max, e.Min
	}
	return e
}

func (s *Signal) rawRange(raw uint64) error {
	lowest, highest := s.limits()
	e := &RangeError{Signal: s.Def.Name, Value: float64(raw), Min: float64(lowest), Max: float64(highest), Raw: true}
	if s.sign != 0 {
		e.Value, e.Min = float64(int64(raw)), float64(int64(lowest))
	}
	return e
}

func (s *Signal) tooShort(f *can.Frame) error {
	return fmt.Errorf("%s: %w: %d bytes, it needs %d", s.Def.Name, ErrTooShort, len(f.Payload()), s.need)
}

// set writes bits that are known to fit.
func (s *Signal) set(data *[can.MaxFDLen]byte, raw uint64) {
	w := s.word(data)
	switch {
	case s.ninth == 0:
		w = w&^(s.mask<<s.shift) | raw<<s.shift
	case s.big:
		w = w&^(s.mask>>s.ninth) | raw>>s.ninth
		last := &data[s.base+8]
		*last = *last&(0xFF>>s.ninth) | byte(raw<<(8-s.ninth))
	default:
		w = w&^(s.mask<<s.shift) | raw<<s.shift
		last := &data[s.base+8]
		*last = *last&(0xFF<<s.ninth) | byte(raw>>(64-s.shift))
	}
	if s.big {
		w = bits.ReverseBytes64(w)
	}
	binary.LittleEndian.PutUint64(data[s.base:], w)
}
