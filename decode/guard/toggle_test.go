package guard

import (
	"math/bits"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"plugproof/decode/can"
)

func TestVerifyToggle(t *testing.T) {
	g := compile(t, Protection{Toggles: []Toggle{{Field: Field{3, 1, Intel}}, {Field: Field{4, 1, Intel}, Every: 2}}})
	frame := func(b byte) *can.Frame {
		f := &can.Frame{}
		f.SetPayload([]byte{b})
		return f
	}
	for _, tt := range []struct {
		before, now byte
		steps       int
		want        Faults
	}{{0, 8, 1, 0}, {8, 8, 1, WrongToggle}, {0, 0, 2, 0}, {0, 8, 2, 0}, {0, 0, 3, WrongToggle}, {0, 0x18, 1, 0}} {
		if got := g.Verify(frame(tt.before), frame(tt.now), tt.steps); got != tt.want {
			t.Errorf("%#x then %#x after %d: %v, want %v", tt.before, tt.now, tt.steps, got, tt.want)
		}
	}
	if text := g.Explain(frame(8), frame(8)); text != "toggle bit is 1 again" {
		t.Errorf("explained as %q", text)
	}
	f := frame(0xFF)
	if err := g.Fill(frame(0x18), f); err != nil || f.Data[0] != 0xF7 {
		t.Errorf("filled %#x, %v, want 0xf7: the fast bit flipped, the slow one kept", f.Data[0], err)
	}
	for n, want := range []byte{0, 8, 0x10, 0x18, 0} {
		f := frame(0)
		if err := g.FillNth(uint64(n), f); err != nil || f.Data[0] != want {
			t.Errorf("frame %d is %#x, %v, want %#x", n, f.Data[0], err, want)
		}
	}
}

// The number of set bits among those counted comes out even, or odd, whether the
// parity bit lies inside or beside them.
func TestParity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Parity{Field: Field{rapid.IntRange(0, 31).Draw(t, "at"), 1, Intel}, Odd: rapid.Bool().Draw(t, "odd")}
		for range rapid.IntRange(0, 2).Draw(t, "fields") {
			start := rapid.IntRange(0, 15).Draw(t, "start")
			if len(p.Over) == 1 {
				start += 16 // do not overlap
			}
			p.Over = append(p.Over, Field{start, rapid.IntRange(1, 16-start%16).Draw(t, "length"), Intel})
		}
		g, err := Protection{Parities: []Parity{p}}.Compile()
		if err != nil {
			t.Fatal(err)
		}
		f := &can.Frame{}
		f.SetPayload(rapid.SliceOfN(rapid.Byte(), 4, 4).Draw(t, "payload"))
		if err := g.Fill(nil, f); err != nil {
			t.Fatal(err)
		}
		var counted [4]byte
		counted[p.Field.Start/8] = 1 << (p.Field.Start % 8)
		for _, o := range p.Over {
			for i := o.Start; i < o.Start+o.Length; i++ {
				counted[i/8] |= 1 << (i % 8)
			}
		}
		ones := 0
		for i, mask := range counted {
			if len(p.Over) == 0 {
				mask = 0xFF
			}
			ones += bits.OnesCount8(f.Data[i] & mask)
		}
		if ones%2 == 1 != p.Odd {
			t.Fatalf("%+v: % X has %d bits set", p, f.Payload(), ones)
		}
		f.Data[p.Field.Start/8] ^= 1 << (p.Field.Start % 8)
		if faults := g.Verify(nil, f, 1); faults != WrongParity || !strings.Contains(g.Explain(nil, f), "parity bit is") {
			t.Fatalf("flipped: %v, %s", faults, g.Explain(nil, f))
		}
	})
}

func TestToggleAndParityRefused(t *testing.T) {
	p := Protection{
		Toggles:  []Toggle{{Field: Byte(0)}, {Field: Field{0, 1, Intel}, Every: -1}, {}},
		Parities: []Parity{{Field: Byte(0)}, {Field: Field{0, 1, Intel}, Over: []Field{{600, 1, Intel}}}, {}},
	}
	_, err := p.Compile()
	if err == nil {
		t.Fatal("accepted")
	}
	want := []string{
		"toggle 1: bits 0|8@1: a toggle bit has the length 1", "toggle 2: it cannot flip every -1 frames",
		"toggle 3: bits 0|0@0", "parity 1: bits 0|8@1: a parity bit has the length 1", "parity 2: bits 600|1@1 lie outside",
		"parity 3: bits 0|0@0",
	}
	for i, line := range strings.Split(err.Error(), "\n") {
		if i >= len(want) || !strings.HasPrefix(line, want[i]) {
			t.Errorf("line %d: %s", i+1, line)
		}
	}
}
