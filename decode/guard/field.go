package guard

import (
	"fmt"

	"plugproof/decode/can"
)

// Order is the byte order of a field, numbered as in DBC files.
type Order uint8

// The byte orders.
const (
	Motorola Order = 0 // Start is the most significant bit
	Intel    Order = 1 // Start is the least significant bit
)

// Field is an unsigned bit field of a payload. Bits are numbered as in DBC
// files, byte*8 + bit, bit 0 the least significant of its byte:
//
//	byte 0:  7  6  5  4  3  2  1  0
//	byte 1: 15 14 13 12 11 10  9  8
//	Intel 6|4:    bits 6 7 8 9, 6 the lowest
//	Motorola 1|4: bits 1 0 15 14, 1 the highest
type Field struct {
	Start  int // bit number
	Length int // bits, 1 to 64
	Order  Order
}

// Byte returns the field of one whole byte.
func Byte(n int) Field { return Field{Start: 8 * n, Length: 8, Order: Intel} }

// Nibble returns the field of four bits: half 0 is the lower one of byte n, half 1 the upper.
func Nibble(n, half int) Field { return Field{Start: 8*n + 4*half, Length: 4, Order: Intel} }

// String writes the field as DBC files do: start|length@order.
func (f Field) String() string { return fmt.Sprintf("%d|%d@%d", f.Start, f.Length, f.Order) }

// check refuses what no payload can hold.
func (f Field) check() error {
	switch {
	case f.Length < 1 || f.Length > 64:
		return fmt.Errorf("bits %v: the length must be 1 to 64", f)
	case f.Order > Intel:
		return fmt.Errorf("bits %v: the byte order must be 0 (Motorola) or 1 (Intel)", f)
	case f.Start < 0 || f.Start >= 8*can.MaxFDLen || f.end() > can.MaxFDLen:
		return fmt.Errorf("bits %v lie outside of %d bytes", f, can.MaxFDLen)
	}
	return nil
}

// end returns how many payload bytes the field needs.
func (f Field) end() int {
	if f.Order == Intel {
		return (f.Start+f.Length-1)/8 + 1
	}
	return (f.fromLeft()+f.Length-1)/8 + 1
}

// fromLeft returns how many bits of the payload stand before a Motorola field,
// written most significant bit first.
func (f Field) fromLeft() int { return f.Start/8*8 + 7 - f.Start%8 }

// max returns the largest value.
func (f Field) max() uint64 { return 1<<f.Length - 1 }

// spot is a checked Field, ready to read and write.
type spot struct {
	Field
	first, stop int    // bytes first to stop-1
	shift       int    // bits below the field in its lowest byte
	mask        uint64 // the largest value
}

func (f Field) compile() (spot, error) {
	if err := f.check(); err != nil {
		return spot{Field: f}, err
	}
	s := spot{Field: f, first: f.Start / 8, stop: f.end(), shift: f.Start % 8, mask: f.max()}
	if f.Order == Motorola {
		s.shift = 8*s.stop - f.fromLeft() - f.Length
	}
	return s, nil
}

// read returns the field's value. The payload holds at least stop bytes.
func (s *spot) read(p []byte) uint64 {
	if s.stop == s.first+1 {
		return uint64(p[s.first]) >> s.shift & s.mask
	}
	return s.readMany(p[s.first:s.stop])
}

// readMany is read for a field in several bytes.
func (s *spot) readMany(p []byte) uint64 {
	var v uint64
	if s.Order == Intel {
		v = uint64(p[0]) >> s.shift
		for i, b := range p[1:] {
			v |= uint64(b) << (8*i + 8 - s.shift)
		}
		return v & s.mask
	}
	last := len(p) - 1
	for _, b := range p[:last] {
		v = v<<8 | uint64(b)
	}
	return (v<<(8-s.shift) | uint64(p[last])>>s.shift) & s.mask
}

// write sets the field to the lower bits of v.
func (s *spot) write(p []byte, v uint64) {
	if s.stop == s.first+1 {
		p[s.first] = p[s.first]&^byte(s.mask<<s.shift) | byte((v&s.mask)<<s.shift)
		return
	}
	for i := range s.Length { // bit by bit from the lowest
		at := s.Start + i
		if s.Order == Motorola {
			left := s.fromLeft() + s.Length - 1 - i
			at = left/8*8 + 7 - left%8
		}
		p[at/8] = p[at/8]&^(1<<(at%8)) | byte(v>>i&1)<<(at%8)
	}
}
