package decode

import (
	"encoding/binary"
	"math"
	"math/bits"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// Signal is the compiled form of one dbc.Signal.
//
// # Where its bits are
//
// Bit b of a payload is bit b%8 (0 is the least significant) of byte b/8,
// whatever the byte order of the signal. Drawn with the first byte on top:
//
//	       bit  7  6  5  4  3  2  1  0
//	byte 0      7  6  5  4  3  2  1  0
//	byte 1     15 14 13 12 11 10  9  8
//	byte 2     23 22 21 20 19 18 17 16
//
// An Intel signal (@1) starts at its least significant bit and goes to higher
// bits, then on to bit 0 of the next byte. 4|12@1 holds, from a (the most
// significant) to l:
//
//	       bit  7  6  5  4  3  2  1  0
//	byte 0      i  j  k  l  .  .  .  .      start: bit 4, holds l
//	byte 1      a  b  c  d  e  f  g  h
//
// A Motorola signal (@0) starts at its most significant bit and goes to lower
// bits, then on to bit 7 of the next byte. 3|12@0 holds:
//
//	       bit  7  6  5  4  3  2  1  0
//	byte 0      .  .  .  .  a  b  c  d      start: bit 3, holds a
//	byte 1      e  f  g  h  i  j  k  l
type Signal struct {
	Def   *dbc.Signal
	Index int // place in Message.Signals

	factor, offset float64

	// How the raw bits are taken out: eight bytes from base on are read as one
	// word, little endian for Intel and big endian for Motorola, and shifted
	// right. A signal that touches nine bytes has its last bits in byte base+8.
	mask   uint64 // Length ones; all ones from 64 bits on
	sign   uint64 // the sign bit; 0 when not signed
	base   uint8  // 0..56
	shift  uint8  // 0..63
	ninth  uint8  // bits in byte base+8: 0..7
	big    bool   // Motorola
	simple bool   // in the first eight bytes and of kind integer: the common case
	kind   kind

	need   int // bytes that a frame must have to hold the signal
	inside bool
	parent *Signal // the multiplexer it depends on; nil: always present
	pages  []dbc.MuxRange
	labels labels
	start  *uint64 // raw start value; nil: none, or one that does not fit
}

// kind says how raw bits become a number.
type kind uint8

const (
	integer  kind = iota // fits an int64 after sign extension
	large                // unsigned of 64 bits
	single               // IEEE 754, 32 bits
	double               // IEEE 754, 64 bits
	manyBits             // wider than 64 bits: no number
)

// place fills in where the bits are. Start and Length are in range.
func (s *Signal) place() {
	def := s.Def
	s.big = def.Order == dbc.Motorola
	first := firstBit(def)
	s.need = (first + def.Length + 7) / 8
	s.mask = ^uint64(0)
	if def.Length < 64 {
		s.mask = 1<<def.Length - 1
	}
	if def.Length > 64 {
		s.kind = manyBits
		return
	}
	base := min(first/8, can.MaxFDLen-8)
	if s.need <= 8 {
		base = 0
	}
	s.base = uint8(base)
	within := first - 8*base // bits of the word before the signal, in its order
	if over := within + def.Length - 64; over > 0 {
		s.ninth = uint8(over)
	}
	s.shift = uint8(within)
	if s.big && s.ninth == 0 {
		s.shift = uint8(64 - within - def.Length)
	}
	s.simple = s.kind == integer && s.base == 0 && s.ninth == 0
}

// firstBit returns the place of the signal's start bit, counted in the order in
// which its byte order goes through the payload.
func firstBit(s *dbc.Signal) int {
	if s.Order == dbc.Motorola {
		return s.Start ^ 7 // the same byte, counted from its most significant bit
	}
	return s.Start
}

// word reads the eight bytes that hold the signal, as its byte order goes.
func (s *Signal) word(data *[can.MaxFDLen]byte) uint64 {
	w := binary.LittleEndian.Uint64(data[s.base:])
	if s.big {
		w = bits.ReverseBytes64(w)
	}
	return w
}

// raw takes the signal's bits out of the data: sign-extended where the signal
// is signed, 0 for a signal wider than 64 bits.
func (s *Signal) raw(data *[can.MaxFDLen]byte) uint64 {
	w := s.word(data)
	if s.ninth != 0 || s.kind == manyBits {
		w = s.spanning(data, w)
	} else {
		w >>= s.shift & 63
	}
	return (w&s.mask ^ s.sign) - s.sign
}

func (s *Signal) spanning(data *[can.MaxFDLen]byte, w uint64) uint64 {
	if s.kind == manyBits {
		return 0
	}
	last := uint64(data[s.base+8])
	if s.big {
		return w<<s.ninth | last>>(8-s.ninth)
	}
	return w>>s.shift | last<<(64-s.shift)
}

// Phys converts a raw value, as Value.Raw holds it, to the physical one:
// float64(float64(raw)*factor)+offset. The inner conversion keeps machines that
// can fuse the two steps from doing so, so that all print the same. It is NaN
// for a signal wider than 64 bits.
func (s *Signal) Phys(raw uint64) float64 {
	var x float64
	switch s.kind {
	case integer:
		x = float64(int64(raw))
	case large:
		x = float64(raw)
	case single:
		x = float64(math.Float32frombits(uint32(raw)))
	case double:
		x = math.Float64frombits(raw)
	default:
		return math.NaN()
	}
	return float64(x*s.factor) + s.offset
}

// Read returns the signal's value in a frame of its message. It is false when
// the frame is too short for it, or carries another page of its multiplexer.
func (s *Signal) Read(f *can.Frame) (Value, bool) {
	n := len(f.Payload())
	if s.need > n || !s.present(f, n) {
		return Value{}, false
	}
	raw := s.raw(&f.Data)
	return Value{s, raw, s.Phys(raw)}, true
}

// Wide reports whether the signal has more than 64 bits. Such a signal has no
// number: Raw is 0 and Phys is NaN; AppendBytes gives its bits.
func (s *Signal) Wide() bool { return s.kind == manyBits }

// Float reports whether raw values are IEEE 754 numbers.
func (s *Signal) Float() bool { return s.kind == single || s.kind == double }

// Signed reports whether raw values are signed integers.
func (s *Signal) Signed() bool { return s.sign != 0 }

// Exact reports whether the physical value is the raw integer itself, so that
// Value.Raw says exactly what Value.Phys may have rounded.
func (s *Signal) Exact() bool {
	return s.kind <= large && s.factor == 1 && s.offset == 0
}

// AppendBytes appends the signal's bits in whole bytes and in the order of the
// payload: the least significant byte first for an Intel signal, the most
// significant first for a Motorola one. When the length is no multiple of
// eight, the byte with the most significant bits is filled up with zeros. Bytes
// that a short frame lacks count as zero.
func (s *Signal) AppendBytes(f *can.Frame, dst []byte) []byte {
	at := len(dst)
	dst = append(dst, make([]byte, (s.Def.Length+7)/8)...)
	s.copyBits(dst[at:], f.Data[:], toBytes)
	return dst
}

// present reports whether a frame with n bytes carries the signal by the pages
// of its multiplexers.
func (s *Signal) present(f *can.Frame, n int) bool {
	for p := s.parent; p != nil; s, p = p, p.parent {
		if p.need > n || !contains(s.pages, p.page(&f.Data)) {
			return false
		}
	}
	return true
}

// page returns the value of a multiplexer as pages are numbered: its bits as an
// unsigned number.
func (s *Signal) page(data *[can.MaxFDLen]byte) uint64 { return s.raw(data) & s.mask }

// contains looks the value up in sorted ranges.
func contains(ranges []dbc.MuxRange, v uint64) bool {
	lo, hi := 0, len(ranges)
	for lo < hi {
		mid := (lo + hi) / 2
		if v > ranges[mid].To {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo < len(ranges) && v >= ranges[lo].From
}

// Value is one decoded signal.
type Value struct {
	Signal *Signal
	Raw    uint64  // the bits; sign-extended to 64 where the signal is signed; IEEE bits for floats
	Phys   float64 // float64(float64(raw)*factor)+offset; the raw value itself is exact in Raw
}

// Label returns the text that the signal's value table has for the value, ""
// when it has none.
func (v *Value) Label() string { return v.Signal.Label(v.Raw) }
