package moved

import (
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
)

// Bits are numbered as in package dbc: bit b of a payload is bit b%8, 0 the least
// significant, of byte b/8. A byte order is the path that a number takes through
// them:
//
//	Intel     7 6 5 4 3 2 1 0      from bit 0 of a byte down to bit 7 of the byte before
//	Motorola  7 6 5 4 3 2 1 0      from bit 0 of a byte down to bit 7 of the byte after

// lower returns the next less significant bit, negative where the path ends.
func lower(bit, order int) int {
	if order == int(dbc.Motorola) && bit%8 == 0 {
		return bit + 15
	}
	return bit - 1
}

// upper returns the next more significant bit, negative where the path ends.
func upper(bit, order int) int {
	if order == int(dbc.Motorola) && bit%8 == 7 {
		return bit - 15
	}
	return bit + 1
}

// bits lists the bits of the field, the most significant first.
func (f Field) bits() []int {
	bit := f.Start
	if f.Order == dbc.Intel {
		bit += f.Length - 1
	}
	list := make([]int, f.Length)
	for i := range list {
		list[i] = bit
		bit = lower(bit, int(f.Order))
	}
	return list
}

// fieldOf is the field of bits on a path, the most significant first.
func fieldOf(bits []int, order int, signed bool) Field {
	f := Field{Start: bits[0], Length: len(bits), Order: dbc.ByteOrder(order), Signed: signed}
	if f.Order == dbc.Intel {
		f.Start = bits[len(bits)-1]
	}
	if bits[0]/8 == bits[len(bits)-1]/8 { // both byte orders say the same: Intel
		f.Start, f.Order = bits[len(bits)-1], dbc.Intel
	}
	return f
}

func guardedBits(f guard.Field) []int {
	return Field{Start: f.Start, Length: f.Length, Order: dbc.ByteOrder(f.Order)}.bits()
}

// candidate is a field and how many of its lower bits moved.
type candidate struct {
	Field
	moving int
}

// moves reports whether a bit changed where the thing was moved, and has no known
// purpose. What a bit did elsewhere may be a start value, or "not available".
func (id *identifier) moves(bit int) bool {
	return bit >= 0 && bit < 8*id.length && id.varies[bit/8]>>(bit%8)&1 != 0 && id.taken[bit/8]>>(bit%8)&1 == 0
}

// vary notes which bits change within the spans; nil is everywhere.
func (id *identifier) vary(spans []Span) {
	clear(id.varies[:])
	var before []byte
	for _, r := range []*reel{&id.in, &id.out} {
		for i, t := range r.times {
			if spans != nil && !inside(spans, t) {
				continue
			}
			data := r.data[i*r.stride : i*r.stride+int(r.lens[i])]
			for k := range min(len(before), len(data)) {
				id.varies[k] |= before[k] ^ data[k]
			}
			before = data
		}
	}
}

// How digits of one number behave. Counting up, a digit rises when the lower one
// falls, and falls together with it when the next higher one rises: the lower one
// flips with it each time, the other way in about half of them, and twice as often
// by itself. Where the number runs so fast that it skips values its low digits are
// noise: that they flip together now and then is enough inside a byte, and no
// reason to go on to another.
const (
	leastRatio  = 0.6  // flips of the lower digit by those of the upper
	leastBoth   = 0.6  // of the flips of the upper digit, with one of the lower
	leastCarry  = 0.2  // of the flips of the upper digit, with one of the lower the other way
	noiseBoth   = 0.25 // leastBoth inside a byte, where low digits are noise
	noiseRatio  = 0.5  // flips of the upper digit by those of the lower, from which they may be
	signRun     = 0.8  // flips together the same way: copies of a sign
	leastSigned = 4    // bits of a signed number
	leastNumber = 3    // bits of any number
)

// carries reports whether a bit and the next lower one are digits of one number,
// by what they did everywhere or where the thing was moved.
func (id *identifier) carries(bit, low, order int) bool {
	if !id.moves(bit) || !id.moves(low) {
		return false
	}
	for _, set := range id.joints {
		if digits(&set[bit], &set[low], order, bit/8 == low/8) {
			return true
		}
	}
	return false
}

func digits(up, down *joint, order int, oneByte bool) bool {
	flips, under := float64(up.flips), float64(down.flips)
	if up.flips == 0 || under < leastRatio*flips {
		return false
	}
	both := float64(up.carry[order]+up.same[order]) / flips
	carry := float64(up.carry[order]) / flips
	return both >= leastBoth && carry >= leastCarry ||
		oneByte && flips >= noiseRatio*under && both >= noiseBoth && carry >= leastCarry*noiseBoth
}

// follows reports whether two neighbours move together the same way, as the top
// bits of a signed number do when it passes 0.
func (id *identifier) follows(bit, low, order int) bool {
	if !id.moves(bit) || !id.moves(low) {
		return false
	}
	for _, set := range id.joints {
		if n := set[bit].flips; n > 0 && float64(set[bit].same[order]) >= signRun*float64(n) {
			return true
		}
	}
	return false
}

// numbers grows fields over neighbouring bits, in both byte orders.
func (id *identifier) numbers() []candidate {
	seen := map[Field]bool{}
	var list []candidate
	for order := range 2 {
		for top := range 8 * id.length {
			if !id.moves(top) || id.carries(upper(top, order), top, order) {
				continue
			}
			if c := id.grow(top, order); c.Length > 0 && !seen[c.Field] {
				seen[c.Field] = true
				list = append(list, c)
			}
		}
	}
	return list
}

// grow follows a number down from its top bit. It is signed where bits of a sign
// stand on top.
func (id *identifier) grow(top, order int) candidate {
	bits := []int{top}
	sign, carried := false, 0
	for {
		last := bits[len(bits)-1]
		low := lower(last, order)
		switch {
		case id.carries(last, low, order):
			carried++
		case carried == 0 && id.follows(last, low, order):
			sign = true
		default:
			low = -1
		}
		if low < 0 {
			break
		}
		bits = append(bits, low)
	}
	if sign && (carried < 2 || len(bits) < leastSigned) {
		bits, sign = bits[:1], false
	}
	if len(bits) < leastNumber {
		return candidate{}
	}
	moving := len(bits)
	if !sign {
		bits = id.fill(bits, order)
	}
	return candidate{fieldOf(bits, order, sign), moving}
}

// fill adds the bits above that never moved, to the end of the byte, or else of
// the half byte: where they stand still a number is taken to fill it.
func (id *identifier) fill(bits []int, order int) []int {
	full, grown := bits, bits
	for top := bits[0]; top%8 != 7; {
		if top%4 == 3 {
			full = grown
		}
		top = upper(top, order)
		if top >= 8*id.length || id.moves(top) || id.taken[top/8]>>(top%8)&1 != 0 {
			return full
		}
		grown = append([]int{top}, grown...)
	}
	return grown
}

// switches are the single bits that moved.
func (id *identifier) switches() []candidate {
	var list []candidate
	for bit := range 8 * id.length {
		if id.moves(bit) {
			list = append(list, candidate{Field{Start: bit, Length: 1, Order: dbc.Intel}, 1})
		}
	}
	return list
}

// codes are the runs of two to eight bits inside a byte whose ends moved: what
// stands for positions need not behave as a number.
func (id *identifier) codes() []candidate {
	var list []candidate
	for at := range id.length {
		for low := range 8 {
			for high := low + 1; high < 8; high++ {
				if id.moves(8*at+low) && id.moves(8*at+high) && id.free(8*at+low, 8*at+high) {
					list = append(list, id.code(8*at+low, 8*at+high))
				}
			}
		}
	}
	return list
}

// code is the run from low to high. One that begins a half byte is taken to fill it.
func (id *identifier) code(low, high int) candidate {
	f, moving := Field{Start: low, Length: high - low + 1, Order: dbc.Intel}, high-low+1
	for f.Length < 4 && low%4 == 0 && !id.moves(low+f.Length) && id.free(low+f.Length, low+f.Length) {
		f.Length++
	}
	if f.Length < 4 {
		f.Length = moving
	}
	return candidate{f, moving}
}

// free reports whether no bit from low to high has a known purpose.
func (id *identifier) free(low, high int) bool {
	for bit := low; bit <= high; bit++ {
		if id.taken[bit/8]>>(bit%8)&1 != 0 {
			return false
		}
	}
	return true
}

func bitOf(data []byte, bit int) byte { return data[bit/8] >> (bit % 8) & 1 }
