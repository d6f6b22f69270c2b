package guard

import (
	"fmt"
	"math/bits"
	"slices"
)

// Kind is a family of checksums.
type Kind uint8

// The families.
const (
	CRC       Kind = iota
	Sum            // bytes added up
	XOR            // bytes combined bit by bit
	NibbleSum      // the two halves of each byte added up
)

var kindNames = [...]string{"crc", "sum", "xor", "nibble sum"}

// String names the family.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

// Law is how bytes become a checksum.
//
// CRC follows the usual model: a register of Width bits starts at Init, takes
// in bytes (lowest bit first and result mirrored if Reflect), and is combined
// with XorOut. The others start at Init, add each byte (take it away if
// Subtract), and are combined with XorOut: XorOut with all bits set makes the
// complement. What does not fit into the field is cut off at the upper end.
type Law struct {
	Kind     Kind
	Width    int    // CRC only: bits, 8 to 64
	Poly     uint64 // CRC only: without its top term, highest power first
	Init     uint64
	XorOut   uint64
	Reflect  bool // CRC only
	Subtract bool // Sum and NibbleSum only
}

// CRC8 returns an unreflected CRC of 8 bits.
func CRC8(poly, init, xorOut uint8) Law {
	return Law{Kind: CRC, Width: 8, Poly: uint64(poly), Init: uint64(init), XorOut: uint64(xorOut)}
}

// CRC16 returns an unreflected CRC of 16 bits.
func CRC16(poly, init, xorOut uint16) Law {
	return Law{Kind: CRC, Width: 16, Poly: uint64(poly), Init: uint64(init), XorOut: uint64(xorOut)}
}

// String describes the law in one line.
func (l Law) String() string {
	if l.Kind != CRC {
		text := l.Kind.String()
		if l.Subtract {
			text += " taken away"
		}
		return fmt.Sprintf("%s from %#x, xor %#x", text, l.Init, l.XorOut)
	}
	text := fmt.Sprintf("crc-%d polynomial %#x, start %#x, xor %#x", l.Width, l.Poly, l.Init, l.XorOut)
	if l.Reflect {
		text += ", reflected"
	}
	return text
}

func (l Law) check() error {
	switch {
	case int(l.Kind) >= len(kindNames):
		return fmt.Errorf("%v: no such law", l.Kind)
	case l.Kind == CRC && (l.Width < 8 || l.Width > 64):
		return fmt.Errorf("crc of %d bits: the width must be 8 to 64", l.Width)
	case l.Kind == CRC && (l.Poly|l.Init|l.XorOut)>>(l.Width-1)>>1 != 0:
		return fmt.Errorf("%v: a constant is wider than %d bits", l, l.Width)
	case l.Kind == CRC && l.Poly&1 == 0:
		return fmt.Errorf("%v: the polynomial is even", l)
	}
	return nil
}

// summer is a checked Law, ready to work.
type summer struct {
	Law
	table *[256]uint64 // CRC: register at the upper end, or at the lower if Reflect
	start uint64
}

func (l Law) compile() (summer, error) {
	s := summer{Law: l, start: l.Init}
	if err := l.check(); err != nil || l.Kind != CRC {
		return s, err
	}
	if l.Reflect {
		s.start = bits.Reverse64(l.Init) >> (64 - l.Width)
	} else {
		s.start = l.Init << (64 - l.Width)
	}
	s.table = l.crcTable()
	return s, nil
}

func (l Law) crcTable() *[256]uint64 {
	table := new([256]uint64)
	high := l.Poly << (64 - l.Width)
	for b := range table {
		r := uint64(b) << 56
		if l.Reflect {
			r = uint64(bits.Reverse8(uint8(b))) << 56
		}
		for range 8 {
			carry := r >> 63
			r = r<<1 ^ high*carry
		}
		if l.Reflect {
			r = bits.Reverse64(r)
		}
		table[b] = r
	}
	return table
}

// sum returns the checksum of data.
func (s *summer) sum(data []byte) uint64 { return s.end(s.take(s.start, data)) }

// take takes in data after what gave r, at first start.
func (s *summer) take(r uint64, data []byte) uint64 {
	switch {
	case s.Kind == CRC && s.Reflect:
		for _, b := range data {
			r = r>>8 ^ s.table[byte(r)^b]
		}
	case s.Kind == CRC:
		for _, b := range data {
			r = r<<8 ^ s.table[byte(r>>56)^b]
		}
	case s.Kind == XOR:
		for _, b := range data {
			r ^= uint64(b)
		}
	default:
		r += s.add(data)
	}
	return r
}

// end makes the checksum of what take gave last.
func (s *summer) end(r uint64) uint64 {
	if s.Kind == CRC && !s.Reflect {
		r >>= 64 - s.Width
	}
	return r ^ s.XorOut
}

// add returns what data adds in the families that add up.
func (s *summer) add(data []byte) uint64 {
	var total uint64
	for _, b := range data {
		if s.Kind == NibbleSum {
			total += uint64(b>>4 + b&15)
		} else {
			total += uint64(b)
		}
	}
	if s.Subtract {
		total = -total
	}
	return total
}

// namedLaws are CRCs under their names in the catalogue of parametrised CRC
// algorithms, as akhilles/crc-catalog carries them.
var namedLaws = map[string]Law{
	"crc-8/autosar":   CRC8(0x2F, 0xFF, 0xFF),
	"crc-8/gsm-a":     CRC8(0x1D, 0, 0),
	"crc-8/sae-j1850": CRC8(0x1D, 0xFF, 0xFF),
	"crc-8/smbus":     CRC8(0x07, 0, 0),
	"crc-16/arc":      {Kind: CRC, Width: 16, Poly: 0x8005, Reflect: true},
	"crc-16/ibm-3740": CRC16(0x1021, 0xFFFF, 0),
	"crc-16/xmodem":   CRC16(0x1021, 0, 0),
	"crc-32/autosar":  {Kind: CRC, Width: 32, Poly: 0xF4ACFB13, Init: 1<<32 - 1, XorOut: 1<<32 - 1, Reflect: true},
	"crc-32/iso-hdlc": {Kind: CRC, Width: 32, Poly: 0x04C11DB7, Init: 1<<32 - 1, XorOut: 1<<32 - 1, Reflect: true},
	"crc-64/xz":       {Kind: CRC, Width: 64, Poly: 0x42F0E1EBA9EA3693, Init: 1<<64 - 1, XorOut: 1<<64 - 1, Reflect: true},
	"sum":             {Kind: Sum},
	"sum complement":  {Kind: Sum, XorOut: 1<<64 - 1},
	"xor":             {Kind: XOR},
	"nibble sum":      {Kind: NibbleSum},
}

// Named returns a law by its name; Names lists them.
func Named(name string) (Law, bool) {
	l, ok := namedLaws[name]
	return l, ok
}

// Names returns the names that Named knows, sorted.
func Names() []string {
	names := make([]string, 0, len(namedLaws))
	for name := range namedLaws {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}
