package guard

import (
	"math/bits"

	"plugproof/decode/can"
)

// minParityPayloads and minParityBits guard against chance: a parity bit is one
// bit of evidence per payload, and flags that move together look like one.
const (
	minParityPayloads = 64
	minParityBits     = 4 // that vary among those counted
)

// findParity looks in classic frames for the smallest stretches of whole bytes
// whose number of set bits is always even, or always odd. Which of the bits is
// the parity bit does not show: the highest one with no other purpose is named.
func (s *study) findParity() {
	n := s.lesson.Length
	if s.lesson.Frames < minFrames || s.lesson.Payloads < minParityPayloads || n > can.MaxClassicLen {
		return
	}
	var done [can.MaxClassicLen]bool // bytes in a stretch that was found
	for width := 1; width <= n; width++ {
		for from := 0; from+width <= n; from++ {
			p, ok := s.parityOf(from, from+width)
			for i := from; i < from+width; i++ {
				ok = ok && !done[i]
			}
			if !ok {
				continue
			}
			for i := from; i < from+width; i++ {
				done[i] = true
			}
			s.lesson.Protection.Parities = append(s.lesson.Protection.Parities, p)
		}
	}
}

// parityOf reports whether the set bits of bytes from to to-1 are always even, or
// always odd.
func (s *study) parityOf(from, to int) (Parity, bool) {
	moving, highest := 0, -1
	for i := from; i < to; i++ {
		if s.checksumAt(i) {
			return Parity{}, false // a checksum may make an even number of its own
		}
		moving += bits.OnesCount8(s.varies[i])
		if free := s.varies[i] &^ s.taken[i]; free != 0 {
			highest = 8*i + bits.Len8(free) - 1
		}
	}
	if moving < minParityBits || highest < 0 {
		return Parity{}, false
	}
	odd := s.ones(s.payloads[0], from, to)
	for _, f := range s.payloads {
		if s.ones(f, from, to) != odd {
			return Parity{}, false
		}
	}
	if s.twins(from, to) {
		return Parity{}, false
	}
	p := Parity{Field: Field{highest, 1, Intel}, Odd: odd == 1}
	for i := from; i < to; i++ {
		p.Over = append(p.Over, Byte(i))
	}
	return p, true
}

// ones returns 1 where the number of set bits is odd.
func (s *study) ones(f *can.Frame, from, to int) int {
	count := 0
	for _, b := range f.Data[from:to] {
		count += bits.OnesCount8(b)
	}
	return count & 1
}

// checksumAt reports whether a byte holds part of a checksum.
func (s *study) checksumAt(i int) bool {
	for _, c := range s.lesson.Protection.Checksums {
		if at, err := c.Field.compile(); err != nil || at.first <= i && i < at.stop {
			return true
		}
	}
	return false
}

// twins reports whether two of the bits always move together: a value that is
// sent twice has an even number of set bits without any parity.
func (s *study) twins(from, to int) bool {
	first := s.payloads[0]
	for a := 8 * from; a < 8*to; a++ {
		for b := a + 1; b < 8*to; b++ {
			if s.varies[a/8]>>(a%8)&1 == 0 || s.varies[b/8]>>(b%8)&1 == 0 {
				continue
			}
			together := true
			for _, f := range s.payloads {
				moved := func(bit int) byte { return (f.Data[bit/8] ^ first.Data[bit/8]) >> (bit % 8) & 1 }
				if moved(a) != moved(b) {
					together = false
					break
				}
			}
			if together {
				return true
			}
		}
	}
	return false
}
