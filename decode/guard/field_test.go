package guard

import (
	"bytes"
	"testing"

	"pgregory.net/rapid"
)

// slowRead walks the bits one by one, by the numbering drawn at Field. It is
// false where the walk leaves the payload.
func slowRead(f Field, p []byte) (v uint64, ok bool) {
	at := f.Start
	for i := range f.Length {
		if at < 0 || at >= 8*len(p) {
			return 0, false
		}
		bit := uint64(p[at/8] >> (at % 8) & 1)
		if f.Order == Intel {
			v |= bit << i
			at++
			continue
		}
		v = v<<1 | bit
		if at--; at%8 == 7 || at < 0 {
			at += 16 // from bit 0 of a byte to bit 7 of the next
		}
	}
	return v, true
}

func TestFieldMatchesReference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := Field{
			Start:  rapid.IntRange(0, 511).Draw(t, "start"),
			Length: rapid.IntRange(1, 64).Draw(t, "length"),
			Order:  Order(rapid.IntRange(0, 1).Draw(t, "order")),
		}
		p := rapid.SliceOfN(rapid.Byte(), 64, 64).Draw(t, "payload")
		want, inside := slowRead(f, p)
		if err := f.check(); (err == nil) != inside {
			t.Fatalf("%v: inside %t, check says %v", f, inside, err)
		}
		if !inside {
			return
		}
		at, err := f.compile()
		if err != nil {
			t.Fatal(err)
		}
		if got := at.read(p[:f.end()]); got != want {
			t.Fatalf("%v of % X = %#x, reference %#x", f, p, got, want)
		}
		if _, ok := slowRead(f, p[:f.end()-1]); ok {
			t.Fatalf("%v needs less than %d bytes", f, f.end())
		}
		v := rapid.Uint64().Draw(t, "value")
		q := bytes.Clone(p)
		at.write(q[:f.end()], v)
		if got, _ := slowRead(f, q); got != v&f.max() {
			t.Fatalf("%v written as %#x reads %#x", f, v, got)
		}
		at.write(q, want)
		if !bytes.Equal(p, q) {
			t.Fatalf("%v: writing touched other bits", f)
		}
	})
}

func TestFieldRefused(t *testing.T) {
	for _, f := range []Field{
		{},
		{Length: 65},
		{Length: -1},
		{Start: -1, Length: 8},
		{Start: 512, Length: 1, Order: Intel},
		{Start: 505, Length: 8, Order: Intel},
		{Start: 504, Length: 2},
		{Length: 8, Order: 2},
	} {
		if err := f.check(); err == nil {
			t.Errorf("%v was accepted", f)
		}
	}
	if s := Byte(3).String(); s != "24|8@1" {
		t.Errorf("String = %s", s)
	}
	if Nibble(1, 1) != (Field{12, 4, Intel}) {
		t.Errorf("Nibble = %v", Nibble(1, 1))
	}
}
