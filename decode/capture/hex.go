package capture

import (
	"encoding/binary"
	"math/bits"
)

// Eight characters at a time: a word holds one character per byte, the first in
// the lowest. Every step below works on all eight bytes at once.
const (
	ones  = 0x0101010101010101
	highs = 0xF0F0F0F0F0F0F0F0 // the upper half of every byte
)

// nibbles returns the values of the eight hex digits in x, one per byte, and in
// bad a bit in the upper half of each byte that is no hex digit. Only the lowest
// of those is exact: a carry may mark bytes after it, never before.
//
// Bit 6 tells letters from figures. Without their case bit letters start at
// 0x41, figures at 0x30; what is left counts from 0 and must stay under 6 or 10.
func nibbles(x uint64) (values, bad uint64) {
	letter := x >> 6 & ones
	upper := x &^ (letter << 5)
	rank := (upper ^ 0x30*ones ^ (letter<<7 - letter<<4)) - letter
	bad = (rank | (rank + 6*ones + letter<<2)) & highs
	return rank + letter<<3 + letter<<1, bad
}

// leading returns how many characters stand before the first bad one.
func leading(bad uint64) int { return bits.TrailingZeros64(bad) >> 3 }

// joinNibbles joins eight nibbles, one per byte, to four bytes; the first is the lowest.
func joinNibbles(v uint64) uint32 {
	v = (v<<4 | v>>8) & 0x00FF00FF00FF00FF
	v = (v | v>>8) & 0x0000FFFF0000FFFF
	return uint32(v | v>>16)
}

// sixDigits returns the number that the first six characters of x spell.
func sixDigits(x uint64) (n int64, ok bool) {
	d := (x ^ 0x30*ones) << 16 // two leading zeros make it eight digits
	if (d|(d+0x0606060606060000))&highs != 0 {
		return 0, false
	}
	d = (d*10 + d>>8) & 0x00FF00FF00FF00FF
	d = (d*100 + d>>16) & 0x0000FFFF0000FFFF
	return int64((d*10000 + d>>32) & 0xFFFFFFFF), true
}

func word(b []byte) uint64 { return binary.LittleEndian.Uint64(b) }

// hexDigit holds 1 + the value of each hex digit; 0: none.
var hexDigit = [256]uint8{
	'0': 1, '1': 2, '2': 3, '3': 4, '4': 5, '5': 6, '6': 7, '7': 8, '8': 9, '9': 10,
	'A': 11, 'B': 12, 'C': 13, 'D': 14, 'E': 15, 'F': 16,
	'a': 11, 'b': 12, 'c': 13, 'd': 14, 'e': 15, 'f': 16,
}

func isHex(c byte) bool   { return hexDigit[c] != 0 }
func isDigit(c byte) bool { return c-'0' <= 9 }
