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

// first returns the index of the field's first byte.
func (f Field) first() int { return f.Start / 8 }

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

// read returns the field's value. The payload holds at least end bytes.
func (f Field) read(p []byte) uint64 {
	p = p[f.first():f.end()]
	if f.Order == Intel {
		low := f.Start % 8
		v := uint64(p[0]) >> low
		for i, b := range p[1:] {
			v |= uint64(b) << (8*i + 8 - low)
		}
		return v & f.max()
	}
	last := len(p) - 1
	spare := 8*f.end() - f.fromLeft() - f.Length // bits of the last byte behind the field
	var v uint64
	for _, b := range p[:last] {
		v = v<<8 | uint64(b)
	}
	return (v<<(8-spare) | uint64(p[last])>>spare) & f.max()
}

// write sets the field to the lower bits of v, bit by bit.
func (f Field) write(p []byte, v uint64) {
	for i := range f.Length {
		at := f.Start + i
		if f.Order == Motorola {
			left := f.fromLeft() + f.Length - 1 - i
			at = left/8*8 + 7 - left%8
		}
		p[at/8] = p[at/8]&^(1<<(at%8)) | byte(v>>i&1)<<(at%8)
	}
}

// mask sets in m the bits that the field occupies.
func (f Field) mask(m *[can.MaxFDLen]byte) { f.write(m[:], f.max()) }
