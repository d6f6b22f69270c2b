package capture

import (
	"encoding/hex"
	"testing"

	"pgregory.net/rapid"
)

// Every byte value at every place, against encoding/hex.
func TestNibblesFindTheFirstBadCharacter(t *testing.T) {
	for at := range 8 {
		for c := range 256 {
			text := []byte("0aF9bC3d")
			text[at] = byte(c)
			values, bad := nibbles(word(text))
			one, err := hex.DecodeString("0" + string(rune(c)))
			if err != nil {
				if bad == 0 || leading(bad) != at {
					t.Fatalf("%q: bad %x, want place %d", text, bad, at)
				}
				continue
			}
			if bad != 0 || byte(values>>(8*at)) != one[0] {
				t.Fatalf("%q: values %x bad %x", text, values, bad)
			}
		}
	}
}

func TestNibblesAgainstLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.SliceOfN(rapid.SampledFrom([]byte("0123456789ABCDEFabcdef#.\n :@`/gG\x80\xff")), 8, 8).Draw(t, "text")
		values, bad := nibbles(word(text))
		want, err := hex.DecodeString(string(text))
		if (err != nil) != (bad != 0) {
			t.Fatalf("%q: bad %x, library says %v", text, bad, err)
		}
		if err != nil {
			n := 0
			for isHex(text[n]) {
				n++
			}
			if leading(bad) != n {
				t.Fatalf("%q: %d good characters, want %d", text, leading(bad), n)
			}
			return
		}
		got := joinNibbles(values)
		for i, b := range want {
			if byte(got>>(8*i)) != b {
				t.Fatalf("%q: packed %08x, want % x", text, got, want)
			}
		}
	})
}

func TestSixDigits(t *testing.T) {
	for _, row := range []struct {
		text string
		want int64
		ok   bool
	}{
		{"000000", 0, true},
		{"181291", 181291, true},
		{"999999", 999999, true},
		{"000001", 1, true},
		{"18129:", 0, false},
		{"/81291", 0, false},
		{"18 291", 0, false},
		{"1812a1", 0, false},
		{"1812\xb11", 0, false},
	} {
		got, ok := sixDigits(word([]byte(row.text + ") ")))
		if ok != row.ok || ok && got != row.want {
			t.Errorf("%q: got %d %v, want %d %v", row.text, got, ok, row.want, row.ok)
		}
	}
}
