package survey

import "strings"

// A tally counts, for each of 64 bits, how often that bit was set in the words
// added to it, for two kinds of words at a time. Level i holds bit i of all 128
// counters, so one addition carries through them all at once.
type tally [][2]uint64

// add counts the set bits of x and of y, each 1<<level times.
func (t *tally) add(x, y uint64, level int) {
	levels := *t
	for i := level; x|y != 0; i++ {
		if i >= len(levels) {
			levels = append(levels, make([][2]uint64, i+1-len(levels))...)
			*t = levels
		}
		l := &levels[i]
		x, l[0] = x&l[0], x^l[0]
		y, l[1] = y&l[1], y^l[1]
	}
}

func (t *tally) merge(other tally) {
	for level, xy := range other {
		t.add(xy[0], xy[1], level)
	}
}

// count returns how often the given bit was set in the words of one kind.
func (t tally) count(kind, bit int) uint64 {
	var n uint64
	for level, xy := range t {
		n |= xy[kind] >> bit & 1 << level
	}
	return n
}

// The kinds of a word's tally.
const (
	flips  = 0 // frames in which the bit differs from the frame before
	breaks = 1 // frames in which the bit did not act as the next digit of a counter
)

// word watches eight payload bytes of one identifier, as a little-endian word:
// bit b of it is payload bit b in the numbering of package dbc.
type word struct {
	first, last uint64 // in the first and the latest frame
	ones, some  uint64 // bits that were set in every frame, and in at least one
	steps       tally  // flips and breaks
}

// see takes the content of one frame; mask says which bits the frame has.
func (w *word) see(data, mask uint64) {
	w.ones &= data | ^mask
	w.some |= data
}

// step compares a frame with the one before it, over the bits that both have,
// and reports whether any differs. In a field that counts up by one, a bit
// flips exactly when the bit below it falls from 1 to 0.
func (w *word) step(before, data, mask uint64) bool {
	flipped := (before ^ data) & mask
	if flipped == 0 {
		return false
	}
	carried := (before &^ data & mask) << 1
	w.steps.add(flipped, (flipped^carried)&mask, 0)
	return true
}

func (w *word) merge(next *word) {
	w.last = next.last
	w.ones &= next.ones
	w.some |= next.some
	w.steps.merge(next.steps)
}

// wordMask returns the bits of payload word i that a frame of length bytes has.
func wordMask(length uint8, i int) uint64 {
	switch n := int(length) - 8*i; {
	case n >= 8:
		return ^uint64(0)
	case n <= 0:
		return 0
	default:
		return 1<<(8*n) - 1
	}
}

// BitUse says what one payload bit did over the capture.
type BitUse byte

// The uses of a bit, each with the character that stands for it in a BitMap.
const (
	BitAlways0 BitUse = '0' // 0 in every frame
	BitAlways1 BitUse = '1' // 1 in every frame
	BitChanges BitUse = '~' // both were seen
	BitCounts  BitUse = '+' // digit of a field of two bits or more that counts up by one
)

// A counter of several bytes is found whole when its low byte comes first, else
// byte by byte, as far as its digits move often enough.

// A field counts when its lowest bit flipped at least minCounts times, every
// further bit at least twice, and a bit acted otherwise than as the next digit
// in at most a quarter as many frames as the bit below it flipped. A bit that
// never moves would differ at half of those flips; lost frames, reserved values
// and wraps before the full width cost a few.
const minCounts = 16

// counting returns the bits of the word that belong to counting fields.
func (w *word) counting() uint64 {
	var found uint64
	for bit := 0; bit < 64; {
		top := bit
		for top < 63 && w.steps.count(flips, bit) >= minCounts && w.isNextDigit(top+1) {
			top++
		}
		if top > bit {
			found |= 1<<(top+1) - 1<<bit
		}
		bit = top + 1
	}
	return found
}

func (w *word) isNextDigit(bit int) bool {
	return w.steps.count(flips, bit) >= 2 && 4*w.steps.count(breaks, bit) <= w.steps.count(flips, bit-1)
}

// BitMap tells the use of every payload bit: one string per byte, its most
// significant bit first, one BitUse character per bit. Its length is that of
// the longest payload seen.
type BitMap []string

func newBitMap(words []word, length uint8) BitMap {
	m := make(BitMap, length)
	for i := range m {
		w := &words[i/8]
		varying, counts := w.some&^w.ones, w.counting()
		var line [8]byte
		for k := range line {
			bit := i%8*8 + 7 - k
			switch {
			case counts>>bit&1 == 1:
				line[k] = byte(BitCounts)
			case varying>>bit&1 == 1:
				line[k] = byte(BitChanges)
			case w.ones>>bit&1 == 1:
				line[k] = byte(BitAlways1)
			default:
				line[k] = byte(BitAlways0)
			}
		}
		m[i] = string(line[:])
	}
	return m
}

// Lines draws the map for a text of 80 columns: eight bytes on each line, a
// blank between bytes, 71 characters at most.
//
//	00000000 ~~~~~~~~ 00001111 0000++++ 00000000 00000000 00000000 ~~~~~~~~
func (m BitMap) Lines() []string {
	var lines []string
	for len(m) > 0 {
		n := min(8, len(m))
		lines = append(lines, strings.Join(m[:n], " "))
		m = m[n:]
	}
	return lines
}
