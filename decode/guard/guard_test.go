package guard

import (
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"plugproof/decode/can"
)

func compile(t testing.TB, p Protection) *Guard {
	t.Helper()
	g, err := p.Compile()
	if err != nil {
		t.Fatal(err)
	}
	return g
}

func newFrame(t testing.TB, id uint32, flags can.Flags, payload string) *can.Frame {
	t.Helper()
	f := &can.Frame{ID: id, Flags: flags}
	f.SetPayload(unhex(t, strings.ReplaceAll(payload, " ", "")))
	return f
}

// checksumOf returns a protection of nothing but one checksum.
func checksumOf(field Field, law Law, over ...Part) Protection {
	return Protection{Checksums: []Checksum{{Field: field, Law: law, Over: over}}}
}

// Real messages with their checksums, from commaai/opendbc
// opendbc/can/tests/test_checksums.py; those marked computed are ours.
func TestRealMessages(t *testing.T) {
	// CRC-8 2F over all but byte 0, then a constant of the identifier's own.
	autosar := func(constant byte) Protection {
		return checksumOf(Byte(0), CRC8(0x2F, 0xFF, 0xFF), Data(1, 0), Bytes(constant))
	}
	// CRC-8 1D from 0 over all but the last byte, combined with a value of the identifier's own.
	last := func(n int, xor uint8) Protection {
		return checksumOf(Byte(n), CRC8(0x1D, 0, xor), Data(0, n))
	}
	// The nibbles of identifier and data taken away from 8 (11 where the identifier has 29 bits).
	nibbles := func(init uint64) Protection {
		return checksumOf(Nibble(7, 0), Law{Kind: NibbleSum, Init: init, Subtract: true}, ID(), Data(0, 0))
	}
	sum := checksumOf(Byte(7), Law{Kind: Sum}, Length(), ID(), Data(0, 7))
	ext := can.Extended
	tests := []struct {
		name    string
		p       Protection
		id      uint32
		flags   can.Flags
		payload string
	}{
		{"constant 86", autosar(0x86), 0x086, 0, "6B 00 BD 00 00 00 00 00"},
		{"constant 86", autosar(0x86), 0x086, 0, "EE 01 0A 00 00 00 00 00"},
		{"constant 86", autosar(0x86), 0x086, 0, "60 0F 62 C0 00 00 00 00"},
		{"constant 40", autosar(0x40), 0x040, 0, "AF 00 00 80 C0 00 20 3E"},
		{"constant F5", autosar(0xF5), 0x0F5, 0, "11 30 2E 00 05 1C 80 30"},
		{"constant AA", autosar(0xAA), 0x0AA, 0, "F2 00 7E FF A1 2A 40 00"},
		{"xor 10", last(5, 0x10), 0x010, 0, "17 51 97 CC 00 DF"},
		{"xor F6", last(6, 0xF6), 0x0F6, 0, "7C 43 57 60 00 00 A1"},
		{"xor F1", last(3, 0xF1), 0x0F1, 0, "7B 30 00 F8"},
		{"xor 0A", last(7, 0x0A), 0x00A, 0, "7E 38 00 7D 10 31 80 32"},
		{
			"sum with length and identifier, computed", checksumOf(Byte(4), Law{Kind: Sum}, Length(), ID(), Data(0, 4)),
			0x2E4, 0, "80 00 00 00 6B",
		},
		{"same, a recorded frame", sum, 0x260, 0, "04 00 00 00 00 00 00 6E"}, // hatchback-2009/ecu-fitted-key-on.log line 2
		{"nibbles of an extended identifier, computed", nibbles(11), 0x12345678, ext, "01 00 00 00 00 00 00 06"},
	}
	for _, tt := range tests {
		g := compile(t, tt.p)
		f := newFrame(t, tt.id, tt.flags, tt.payload)
		if faults := g.Verify(nil, f, 1); faults != 0 {
			t.Errorf("%s: %s: %v (%s)", tt.name, tt.payload, faults, g.Explain(nil, f))
		}
		filled := *f
		for i := range g.checksums {
			g.checksums[i].at.write(filled.Payload(), 0)
		}
		if err := g.Fill(nil, &filled); err != nil || filled != *f {
			t.Errorf("%s: filled % X, %v, want %s", tt.name, filled.Payload(), err, tt.payload)
		}
		f.Data[2] ^= 0x10
		if faults := g.Verify(nil, f, 1); faults != WrongChecksum {
			t.Errorf("%s with a bit flipped: %v", tt.name, faults)
		}
	}
}

// From the same file of opendbc: counters 0 to 3 of one message give the
// checksums 11, 10, 9, 8 with a standard identifier and 4, 3, 2, 1 with an
// extended one; the two differ by 7 mod 16. The messages' own bytes are not
// given, so only the differences are checked.
func TestNibbleSumDifferences(t *testing.T) {
	law := Law{Kind: NibbleSum, Init: 8, Subtract: true}
	extended := law
	extended.Init += 3
	checksum := func(law Law, id uint32, flags can.Flags, count byte) uint64 {
		f := newFrame(t, id, flags, "00 00 00 00 00 00 00 00")
		f.Data[7] = count << 4
		if err := compile(t, checksumOf(Nibble(7, 0), law, ID(), Data(0, 0))).Fill(nil, f); err != nil {
			t.Fatal(err)
		}
		return uint64(f.Data[7] & 15)
	}
	for count := range byte(3) {
		for _, step := range []uint64{
			checksum(law, 0x123, 0, count) - checksum(law, 0x123, 0, count+1),
			checksum(extended, 0x12345678, can.Extended, count) - checksum(extended, 0x12345678, can.Extended, count+1),
		} {
			if step&15 != 1 {
				t.Errorf("counter %d to %d takes %d away", count, count+1, step)
			}
		}
	}
	// By hand: 8 - (1+2+3) = 2; 8 + 3 - (1+...+8) = -25 = 7 mod 16.
	if std, ext := checksum(law, 0x123, 0, 0), checksum(extended, 0x12345678, can.Extended, 0); std != 2 || ext != 7 {
		t.Errorf("checksums %d and %d, want 2 and 7", std, ext)
	}
}

func TestFaults(t *testing.T) {
	p := Protection{
		Counters:  []Counter{{Field: Nibble(1, 0), Modulo: 15}},
		Constants: []Constant{{Field: Nibble(1, 1), Value: 0xA}},
		Checksums: []Checksum{{Field: Byte(0), Law: CRC8(0x1D, 0xFF, 0xFF), Over: []Part{Data(0, 0)}}},
	}
	g := compile(t, p)
	if g.MinLen() != 2 {
		t.Errorf("MinLen = %d", g.MinLen())
	}
	first, second := newFrame(t, 0x100, 0, "00 00 11 22"), newFrame(t, 0x100, 0, "00 00 33 44")
	for _, fill := range [][2]*can.Frame{{nil, first}, {first, second}} {
		if err := g.Fill(fill[0], fill[1]); err != nil {
			t.Fatal(err)
		}
		if faults := g.Verify(fill[0], fill[1], 1); faults != 0 {
			t.Fatalf("filled % X: %v", fill[1].Payload(), faults)
		}
	}
	if second.Data[1] != 0xA1 {
		t.Errorf("constant and counter: %#x", second.Data[1])
	}
	tests := []struct {
		name    string
		change  func(f *can.Frame)
		want    Faults
		explain string
	}{
		{"nothing", func(*can.Frame) {}, 0, ""},
		{"short", func(f *can.Frame) { f.SetPayload([]byte{1}) }, Short, "1 bytes, the protection needs 2"},
		{"remote", func(f *can.Frame) { f.Flags |= can.Remote }, Short, "0 bytes"},
		{"data", func(f *can.Frame) { f.Data[3]++ }, WrongChecksum, "computed"},
		{"longer", func(f *can.Frame) { f.Len++ }, WrongChecksum, "computed"},
		{"constant", func(f *can.Frame) { f.Data[1] ^= 0x10 }, WrongChecksum | WrongConstant, "bits 12|4@1 hold 0xb, always 0xa"},
		{"frozen", func(f *can.Frame) { f.Data[1] = 0xA0 }, WrongChecksum | FrozenCounter, "counter is 0 after 0, expected 1"},
		{"step", func(f *can.Frame) { f.Data[1] = 0xA7 }, WrongChecksum | WrongStep, "counter is 7 after 0, expected 1"},
		{"reserved", func(f *can.Frame) { f.Data[1] = 0xAF }, WrongChecksum | ReservedCounter, "counter is 15, a value that is never sent"},
	}
	for _, tt := range tests {
		f := *second
		tt.change(&f)
		if got := g.Verify(first, &f, 1); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
		if text := g.Explain(first, &f); !strings.Contains(text, tt.explain) || (text == "") != (tt.want == 0) {
			t.Errorf("%s: explained as %q, want %q", tt.name, text, tt.explain)
		}
	}
	f := *second
	f.Data[1] = 0xAF
	if text := g.Explain(nil, &f); !strings.Contains(text, "counter is 15, a value that is never sent") {
		t.Errorf("first frame explained as %q", text)
	}
	if s := (WrongChecksum | WrongStep).String(); s != "wrong checksum, wrong counter step" {
		t.Errorf("String = %q", s)
	}
	short := newFrame(t, 0x100, 0, "01")
	before := *short
	if err := g.Fill(nil, short); err == nil || *short != before {
		t.Errorf("filled a short frame: %v", err)
	}
	if faults := g.Verify(short, second, 1); faults != 0 {
		t.Errorf("after a short frame: %v", faults)
	}
}

func TestCompileRefused(t *testing.T) {
	p := Protection{
		Counters:  []Counter{{Field: Nibble(0, 0)}, {Field: Nibble(0, 0), Modulo: 99}},
		Constants: []Constant{{Field: Byte(0), Value: 0x100}, {Field: Byte(64)}},
		Checksums: []Checksum{
			{Field: Byte(0), Law: CRC8(0x1D, 0, 0)},
			{Field: Byte(0), Law: CRC8(0x1D, 0, 0), Over: []Part{Data(3, 2)}},
			{Field: Byte(0), Law: CRC8(0x1C, 0, 0), Over: []Part{Data(0, 0)}},
			{Field: Byte(0), Law: Law{Kind: XOR}, Over: []Part{{Kind: 99}}},
			{Field: Byte(0), Law: Law{Kind: XOR}, Over: []Part{Listed(Field{}, 1)}},
			{Field: Byte(0), Law: Law{Kind: XOR}, Over: []Part{Data(0, 0), Data(0, 0), Data(0, 0)}},
		},
	}
	g, err := p.Compile()
	if g != nil || err == nil {
		t.Fatal("accepted")
	}
	want := []string{
		"counter 2: modulo 99", "constant 1: value 0x100", "constant 2: bits 512|8@1 lie outside",
		"checksum 1: it covers nothing", "checksum 2: bytes 3 to 2", "checksum 3: crc-8", "checksum 4: part kind 99",
		"checksum 5: bits 0|0@0", "checksum 6: it covers up to 192 bytes",
	}
	lines := strings.Split(err.Error(), "\n")
	if len(lines) != len(want) {
		t.Fatalf("errors:\n%v", err)
	}
	for i, line := range lines {
		if !strings.Contains(line, want[i]) {
			t.Errorf("error %q, want %q", line, want[i])
		}
	}
}

func drawPart(t *rapid.T, n int) Part {
	kind := rapid.SampledFrom([]PartKind{PartData, PartID, PartIDReverse, PartIDLow, PartLength, PartBytes, PartListed}).Draw(t, "part")
	switch kind {
	case PartData:
		from := rapid.IntRange(0, n-1).Draw(t, "from")
		return Data(from, rapid.SampledFrom([]int{0, n}).Draw(t, "to"))
	case PartBytes:
		return Bytes(rapid.SliceOfN(rapid.Byte(), 1, 3).Draw(t, "bytes")...)
	case PartListed:
		return Listed(Nibble(n-1, 1), rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "list")...)
	}
	return Part{Kind: kind}
}

// What Fill makes, Verify accepts; and it touches nothing but the guarded fields.
func TestFillThenVerify(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 8).Draw(t, "bytes")
		law := rapid.SampledFrom(Names()).Draw(t, "law")
		l, _ := Named(law)
		p := Protection{
			Counters:  []Counter{{Field: Nibble(n-1, 1), Modulo: 15}},
			Constants: []Constant{{Field: Nibble(n-1, 0), Value: 9}},
			Checksums: []Checksum{{Field: Byte(rapid.IntRange(0, n-2).Draw(t, "at")), Law: l, Over: []Part{drawPart(t, n), Data(0, 0)}}},
		}
		g, err := p.Compile()
		if err != nil {
			t.Fatal(err)
		}
		var last *can.Frame
		for range 20 {
			f := &can.Frame{ID: 0x321}
			f.SetPayload(rapid.SliceOfN(rapid.Byte(), n, n).Draw(t, "payload"))
			plain := *f
			if err := g.Fill(last, f); err != nil {
				t.Fatal(err)
			}
			if faults := g.Verify(last, f, 1); faults != 0 {
				t.Fatalf("%+v: % X: %v", p, f.Payload(), faults)
			}
			for i := range n {
				if i != n-1 && i != p.Checksums[0].Field.Start/8 && f.Data[i] != plain.Data[i] {
					t.Fatalf("byte %d changed", i)
				}
			}
			last = f
		}
	})
}

func FuzzVerify(f *testing.F) {
	g := compile(f, Protection{
		Counters:  []Counter{{Field: Nibble(1, 0), Modulo: 15}},
		Checksums: []Checksum{{Field: Byte(0), Law: CRC8(0x2F, 0xFF, 0xFF), Over: []Part{Data(1, 0), Listed(Nibble(1, 0), 1, 2, 3)}}},
	})
	f.Add([]byte{0xAA, 1, 2}, []byte{0xBB, 2, 3})
	f.Add([]byte{}, []byte{1})
	f.Fuzz(func(t *testing.T, before, now []byte) {
		last, fr := &can.Frame{Flags: can.FD}, &can.Frame{Flags: can.FD}
		last.SetPayload(before[:min(len(before), 64)])
		fr.SetPayload(now[:min(len(now), 64)])
		faults := g.Verify(last, fr, 1)
		if (faults == 0) != (g.Explain(last, fr) == "") {
			t.Errorf("faults %v explained as %q", faults, g.Explain(last, fr))
		}
		w := g.Watch(10)
		if first := w.Add(last); first != g.Verify(nil, last, 1) {
			t.Errorf("watched alone: %v, verified: %v", first, g.Verify(nil, last, 1))
		}
		fr.Time = 10
		w.Add(fr)
		if err := g.Fill(last, fr); err == nil && g.Verify(last, fr, 1) != 0 {
			t.Errorf("filled % X after % X: %v", fr.Payload(), last.Payload(), g.Verify(last, fr, 1))
		}
	})
}

// exampleGuards are the protections that the benchmarks and the allocation test use.
func exampleGuards(t testing.TB) map[string]*Guard {
	counters := []Counter{{Field: Nibble(1, 0), Modulo: 15}}
	withCounter := func(law Law, at Field, over ...Part) *Guard {
		p := checksumOf(at, law, over...)
		p.Counters = counters
		return compile(t, p)
	}
	return map[string]*Guard{
		"crc8":      withCounter(CRC8(0x1D, 0xFF, 0xFF), Byte(0), Data(0, 0)),
		"crc8list":  withCounter(CRC8(0x2F, 0xFF, 0xFF), Byte(0), Data(1, 0), Listed(Nibble(1, 0), make([]byte, 16)...)),
		"sum":       withCounter(Law{Kind: Sum}, Byte(7), Length(), ID(), Data(0, 7)),
		"xor":       withCounter(Law{Kind: XOR}, Byte(7), Data(0, 7)),
		"nibblesum": withCounter(Law{Kind: NibbleSum, Init: 8, Subtract: true}, Nibble(7, 0), ID(), Data(0, 0)),
	}
}

func randomFrames(n int) []can.Frame {
	rng := rand.New(rand.NewPCG(7, 8))
	frames := make([]can.Frame, n)
	for i := range frames {
		frames[i].ID = 0x123
		var p [8]byte
		for k := range p {
			p[k] = byte(rng.Uint32())
		}
		frames[i].SetPayload(p[:])
	}
	return frames
}

func TestNoAllocations(t *testing.T) {
	frames := randomFrames(2)
	for name, g := range exampleGuards(t) {
		if n := testing.AllocsPerRun(100, func() {
			g.Verify(&frames[0], &frames[1], 1)
			g.Fill(&frames[0], &frames[1])
		}); n != 0 {
			t.Errorf("%s: %g allocations", name, n)
		}
	}
}

func BenchmarkGuard(b *testing.B) {
	frames := randomFrames(1024)
	guards := exampleGuards(b)
	for _, name := range []string{"crc8", "crc8list", "sum", "xor", "nibblesum"} {
		g := guards[name]
		b.Run("verify/"+name, func(b *testing.B) {
			b.SetBytes(8)
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				g.Verify(&frames[i%1023], &frames[i%1023+1], 1)
			}
		})
		b.Run("fill/"+name, func(b *testing.B) {
			b.SetBytes(8)
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				g.Fill(&frames[i%1023], &frames[i%1023+1])
			}
		})
	}
}
