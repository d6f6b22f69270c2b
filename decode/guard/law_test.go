package guard

import (
	"encoding/hex"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func lawSum(t testing.TB, l Law, data []byte) uint64 {
	t.Helper()
	s, err := l.compile()
	if err != nil {
		t.Fatal(err)
	}
	return s.sum(data)
}

func named(t testing.TB, name string) Law {
	t.Helper()
	l, ok := Named(name)
	if !ok {
		t.Fatalf("no law named %s", name)
	}
	return l
}

// Check values over the ASCII digits 1 to 9, from the CRC catalogue as
// akhilles/crc-catalog carries it.
func TestCatalogue(t *testing.T) {
	checks := map[string]uint64{
		"crc-8/sae-j1850": 0x4B, "crc-8/gsm-a": 0x37, "crc-8/autosar": 0xDF, "crc-8/smbus": 0xF4,
		"crc-16/ibm-3740": 0x29B1, "crc-16/arc": 0xBB3D,
		"crc-32/autosar": 0x1697D06A, "crc-32/iso-hdlc": 0xCBF43926,
		"crc-64/xz":     0x995DC9BBDF1939FA, // from memory
		"crc-16/xmodem": 0x31C3,             // from memory
	}
	for _, name := range Names() {
		law := named(t, name)
		want, ok := checks[name]
		if law.Kind == CRC && !ok {
			t.Errorf("%s has no check value here", name)
		}
		if ok && lawSum(t, law, []byte("123456789")) != want {
			t.Errorf("%s = %#x, want %#x", name, lawSum(t, law, []byte("123456789")), want)
		}
	}
	// Widths that are not whole bytes work as well.
	for _, tt := range []struct {
		width       int
		poly, check uint64
	}{{15, 0x4599, 0x059E}, {17, 0x1685B, 0x04F03}, {21, 0x102899, 0x0ED841}} {
		if got := lawSum(t, Law{Kind: CRC, Width: tt.width, Poly: tt.poly}, []byte("123456789")); got != tt.check {
			t.Errorf("crc-%d = %#x, want %#x", tt.width, got, tt.check)
		}
	}
}

// Example data of the AUTOSAR CRC library, from the tests of zariiii9003/autosar-e2e.
func TestAutosarExamples(t *testing.T) {
	names := []string{"crc-8/sae-j1850", "crc-8/autosar", "crc-16/ibm-3740", "crc-32/autosar", "crc-64/xz"}
	tests := []struct {
		data string
		want [5]uint64
	}{
		{"00000000", [5]uint64{0x59, 0x12, 0x84C0, 0x6FB32240, 0xF4A586351E1B9F4B}},
		{"F20183", [5]uint64{0x37, 0xC2, 0xD374, 0x4F721A25, 0x319C27668164F1C6}},
		{"0FAA0055", [5]uint64{0x79, 0xC6, 0x2023, 0x20662DF8, 0x54C5D0F7667C1575}},
		{"00FF5511", [5]uint64{0xB8, 0x77, 0xB8F9, 0x9BD7996E, 0xA63822BE7E0704E6}},
		{"332255AABBCCDDEEFF", [5]uint64{0xCB, 0x11, 0xF53F, 0xA65A343D, 0x701ECEB219A8E5D5}},
		{"926B55", [5]uint64{0x8C, 0x33, 0x0745, 0xEE688A78, 0x5FAA96A9B59F3E4E}},
		{"FFFFFFFF", [5]uint64{0x74, 0x6C, 0x1D0F, 0xFFFFFFFF, 0xFFFFFFFF00000000}},
	}
	for _, tt := range tests {
		for i, name := range names {
			if got := lawSum(t, named(t, name), unhex(t, tt.data)); got != tt.want[i] {
				t.Errorf("%s over %s = %#x, want %#x", name, tt.data, got, tt.want[i])
			}
		}
	}
}

// slowCRC divides bit by bit: the definition, most significant bit of the
// register first.
func slowCRC(l Law, data []byte) uint64 {
	mirror := func(v uint64, width int) uint64 {
		var m uint64
		for i := range width {
			m |= v >> i & 1 << (width - 1 - i)
		}
		return m
	}
	r := l.Init
	for _, b := range data {
		v := uint64(b)
		if l.Reflect {
			v = mirror(v, 8)
		}
		for i := 7; i >= 0; i-- {
			top := r >> (l.Width - 1) & 1
			r = r << 1
			if l.Width < 64 {
				r &= 1<<l.Width - 1
			}
			if top != v>>i&1 {
				r ^= l.Poly
			}
		}
	}
	if l.Reflect {
		r = mirror(r, l.Width)
	}
	return r ^ l.XorOut
}

func TestCRCMatchesReference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := Law{Kind: CRC, Width: rapid.IntRange(8, 64).Draw(t, "width"), Reflect: rapid.Bool().Draw(t, "reflect")}
		limit := uint64(1)<<(l.Width-1)<<1 - 1
		l.Poly = rapid.Uint64Range(0, limit).Draw(t, "poly") | 1
		l.Init = rapid.Uint64Range(0, limit).Draw(t, "init")
		l.XorOut = rapid.Uint64Range(0, limit).Draw(t, "xor")
		data := rapid.SliceOfN(rapid.Byte(), 0, 70).Draw(t, "data")
		s, err := l.compile()
		if err != nil {
			t.Fatal(err)
		}
		if got, want := s.sum(data), slowCRC(l, data); got != want {
			t.Fatalf("%v over % X = %#x, reference %#x", l, data, got, want)
		}
	})
}

// By hand.
func TestSums(t *testing.T) {
	data := []byte{0xFF, 0x02, 0x81}
	for _, tt := range []struct {
		law  Law
		want uint64
	}{
		{Law{Kind: Sum}, 0x182},
		{Law{Kind: Sum, Init: 0x10}, 0x192},
		{Law{Kind: Sum, XorOut: 0xFF}, 0x17D},
		{Law{Kind: Sum, Init: 0x200, Subtract: true}, 0x7E},
		{Law{Kind: XOR}, 0x7C},
		{Law{Kind: XOR, Init: 0x01, XorOut: 0x80}, 0xFD},
		{Law{Kind: NibbleSum}, 15 + 15 + 2 + 8 + 1},
		{Law{Kind: NibbleSum, Init: 0x30, Subtract: true}, 0x30 - 41},
	} {
		if got := lawSum(t, tt.law, data) & 0xFFF; got != tt.want&0xFFF {
			t.Errorf("%v = %#x, want %#x", tt.law, got, tt.want)
		}
	}
	// 11 ^ 22 ^ ... ^ 77 = 00 (computed).
	if got := lawSum(t, named(t, "xor"), unhex(t, "11223344556677")); got != 0 {
		t.Errorf("xor = %#x, want 0", got)
	}
}

func TestLawRefused(t *testing.T) {
	for _, tt := range []struct {
		law  Law
		says string
	}{
		{Law{Kind: 9}, "kind 9: no such law"},
		{Law{Kind: CRC, Width: 7, Poly: 1}, "crc of 7 bits"},
		{Law{Kind: CRC, Width: 65, Poly: 1}, "crc of 65 bits"},
		{Law{Kind: CRC}, "crc of 0 bits"},
		{Law{Kind: CRC, Width: 8, Poly: 0x11D}, "wider than 8 bits"},
		{Law{Kind: CRC, Width: 8, Poly: 0x1D, Init: 0x100}, "wider than 8 bits"},
		{Law{Kind: CRC, Width: 8, Poly: 0x1C}, "even"},
	} {
		if _, err := tt.law.compile(); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%v: %v, want %q", tt.law, err, tt.says)
		}
	}
	if _, ok := Named("crc-8"); ok {
		t.Error("a law without a full name")
	}
	if names := Names(); !slices.IsSorted(names) || len(names) < 10 {
		t.Errorf("names %v", names)
	}
}
