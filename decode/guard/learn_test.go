package guard

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/witness"
)

// message is a sender's message as the tests make it up.
type message struct {
	id     uint32
	flags  can.Flags
	n      int // bytes
	p      Protection
	frames int    // 0: 300
	moving string // one letter a byte: r random, w walking, 0 constant; "": all random
	lose   float64
}

// send makes frames 10 ms apart, from a seed.
func (m message) send(t testing.TB, seed uint64) []can.Frame {
	t.Helper()
	g := compile(t, m.p)
	rng := rand.New(rand.NewPCG(seed, uint64(m.id)))
	if m.frames == 0 {
		m.frames = 300
	}
	walk := make([]byte, m.n)
	var out []can.Frame
	for n := range m.frames {
		p := make([]byte, m.n)
		for i := range p {
			walk[i] += byte(rng.IntN(5)) - 2
			switch {
			case m.moving == "" || m.moving[i] == 'r':
				p[i] = byte(rng.Uint32())
			case m.moving[i] == 'w':
				p[i] = walk[i]
			}
		}
		f := can.Frame{ID: m.id, Flags: m.flags, Time: int64(n)*10*ms + rng.Int64N(2*ms)}
		f.SetPayload(p)
		if err := g.FillNth(uint64(n), &f); err != nil {
			t.Fatal(err)
		}
		if rng.Float64() >= m.lose {
			out = append(out, f)
		}
	}
	return out
}

// learnsFrom checks that what is learned from one stretch holds on another one,
// and that a flipped bit breaks it.
func learnsFrom(t *testing.T, messages ...message) []Lesson {
	t.Helper()
	var samples [][]can.Frame
	for _, m := range messages {
		samples = append(samples, m.send(t, 1))
	}
	lessons := Learn(samples)
	for i, m := range messages {
		g := compile(t, lessons[i].Protection)
		fresh := m.send(t, 2)
		w := g.Watch(10 * ms)
		for k := range fresh {
			if faults := w.Add(&fresh[k]); faults != 0 {
				t.Fatalf("%03X frame %d % X: %v; learned %+v", m.id, k, fresh[k].Payload(), faults, lessons[i].Protection)
			}
		}
		if len(lessons[i].Protection.Checksums) != len(m.p.Checksums) {
			t.Errorf("%03X: learned %+v", m.id, lessons[i])
			continue
		}
		sent := compile(t, m.p)
		for k := range fresh {
			fresh[k].Data[k%m.n] ^= 1 << (k / m.n % 8)
			if got, want := g.Verify(nil, &fresh[k], 1), sent.Verify(nil, &fresh[k], 1); got&WrongChecksum != want&WrongChecksum {
				t.Fatalf("%03X: bit %d of byte %d flipped: %v, want %v", m.id, k/m.n%8, k%m.n, got, want)
			}
		}
	}
	return lessons
}

func endToEnd(t *testing.T, e EndToEnd) Protection {
	t.Helper()
	p, err := e.Protection()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Each kind of checksum is found in made-up frames, alone or with siblings.
func TestLearnChecksums(t *testing.T) {
	counter := []Counter{{Field: Nibble(6, 0)}}
	with := func(p Protection) Protection {
		p.Counters = counter
		return p
	}
	lastByte := func(law Law, over ...Part) Protection { return with(checksumOf(Byte(7), law, over...)) }
	ids := []byte{0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99, 0xAA, 0xBB, 0xCC, 0xDD, 0xEE, 0xFF, 0x10}
	nibbles := func(init uint64) Protection {
		return with(checksumOf(Nibble(7, 0), Law{Kind: NibbleSum, Init: init, Subtract: true}, ID(), Data(0, 0)))
	}
	sumWithID := lastByte(Law{Kind: Sum}, Length(), ID(), Data(0, 0))
	crcWithID := lastByte(CRC8(0x1D, 0xFF, 0xFF), ID(), Data(0, 0))
	crcBehind := lastByte(CRC8(0x31, 0xFF, 0), Data(0, 0), Part{Kind: PartIDReverse})
	tests := []struct {
		name     string
		messages []message
		exactly  bool // the description itself comes back, not only one that does the same
	}{
		{"sum", []message{{id: 0x100, n: 8, p: lastByte(Law{Kind: Sum}, Data(0, 0))}}, true},
		{"sum with length and identifier", []message{{id: 0x260, n: 8, p: sumWithID}}, true},
		{"sum, complement", []message{{id: 0x101, n: 8, p: lastByte(Law{Kind: Sum, XorOut: 0xFF}, Data(0, 0))}}, false},
		{"sum from a constant", []message{{id: 0x102, n: 8, p: lastByte(Law{Kind: Sum, Init: 0x5A}, Data(0, 0))}}, true},
		{"sum of six bytes", []message{{id: 0x103, n: 8, p: lastByte(Law{Kind: Sum}, Data(0, 6))}}, true},
		{"sum in a middle byte", []message{{id: 0x104, n: 8, p: with(checksumOf(Byte(3), Law{Kind: Sum}, Data(0, 0)))}}, true},
		{"xor", []message{{id: 0x105, n: 8, p: lastByte(Law{Kind: XOR}, Data(0, 0))}}, true},
		{"xor from a constant", []message{{id: 0x106, n: 8, p: lastByte(Law{Kind: XOR, XorOut: 0x39}, Data(0, 0))}}, true},
		{"crc 1D", []message{{id: 0x107, n: 8, p: lastByte(CRC8(0x1D, 0xFF, 0xFF), Data(0, 0))}}, true},
		{"crc 1D, xor depends on the message", []message{{id: 0x108, n: 8, p: lastByte(CRC8(0x1D, 0, 0x10), Data(0, 0))}}, true},
		{"crc 1D from FD, xor DF", []message{{id: 0x109, n: 8, p: lastByte(CRC8(0x1D, 0xFD, 0xDF), Data(0, 0))}}, false},
		{"crc 2F and a constant", []message{{
			id: 0x10A, n: 8,
			p: with(checksumOf(Byte(0), CRC8(0x2F, 0xFF, 0xFF), Data(0, 0), Bytes(0x86))),
		}}, true},
		{"crc 07 in a middle byte", []message{{id: 0x10B, n: 8, p: with(checksumOf(Byte(4), CRC8(7, 0, 0), Data(0, 0)))}}, true},
		{"crc with another polynomial", []message{{id: 0x10C, n: 8, p: lastByte(CRC8(0x9B, 0, 0), Data(0, 0))}}, true},
		{"crc, reflected", []message{{
			id: 0x10D, n: 8,
			p: lastByte(Law{Kind: CRC, Width: 8, Poly: 0x07, Init: 0xFF, XorOut: 0xFF, Reflect: true}, Data(0, 0)),
		}}, true},
		{"crc 16 at the end", []message{{id: 0x10E, n: 8, p: checksumOf(bigEndian(6, 2), CRC16(0x1021, 0xFFFF, 0), Data(0, 0))}}, true},
		{"crc 16 in front", []message{{id: 0x10F, n: 8, p: checksumOf(Field{0, 16, Intel}, CRC16(0x8005, 0, 0), Data(0, 0))}}, true},
		{"nibbles", []message{{
			id: 0x110, n: 8,
			p: with(checksumOf(Nibble(7, 0), Law{Kind: NibbleSum, Init: 5, Subtract: true}, Data(0, 0))),
		}}, true},

		{"sum with identifier, siblings", []message{{id: 0x260, n: 8, p: sumWithID}, {id: 0x2C1, n: 8, p: sumWithID}}, true},
		{"crc with identifier, siblings", []message{{id: 0x123, n: 8, p: crcWithID}, {id: 0x345, n: 8, p: crcWithID}}, true},
		{"crc with identifier behind, siblings", []message{{id: 0x123, n: 8, p: crcBehind}, {id: 0x345, n: 8, p: crcBehind}}, true},
		{"nibbles with identifier, siblings", []message{
			{id: 0x111, n: 8, p: nibbles(8)},
			{id: 0x222, n: 8, p: nibbles(8)},
			{id: 0x12345678, flags: can.Extended, n: 8, p: nibbles(11)},
			{id: 0x02345678, flags: can.Extended, n: 8, p: nibbles(11)},
		}, true},
		{"siblings of other lengths", []message{
			{id: 0x260, n: 8, p: sumWithID},
			{id: 0x2C6, n: 5, p: checksumOf(Byte(4), Law{Kind: Sum}, Length(), ID(), Data(0, 0))},
		}, true},

		{"profile 1 both", []message{{id: 0x200, n: 8, p: endToEnd(t, EndToEnd{Profile: 1, DataID: 0x123, Length: 8})}}, false},
		{"profile 1 alternating", []message{{id: 0x201, n: 8, p: endToEnd(t, EndToEnd{Profile: 1, DataID: 0x123, Mode: Alternating, Length: 8})}}, true},
		{"profile 1 nibble", []message{{id: 0x202, n: 8, p: endToEnd(t, EndToEnd{Profile: 1, DataID: 0x123, Mode: LowNibble, Length: 8})}}, false},
		{"profile 2", []message{{id: 0x203, n: 8, p: endToEnd(t, EndToEnd{Profile: 2, DataIDs: ids})}}, true},
		{"profile 5", []message{{id: 0x204, n: 8, p: endToEnd(t, EndToEnd{Profile: 5, DataID: 0x1234, Length: 8})}}, true},
		{"profile 5, FD", []message{{id: 0x205, flags: can.FD, n: 32, p: endToEnd(t, EndToEnd{Profile: 5, DataID: 0x1234, Length: 32})}}, true},
		{"profile 11 in 16 bytes", []message{{
			id: 0x206, flags: can.FD, n: 16,
			p: endToEnd(t, EndToEnd{Profile: 11, DataID: 0x123, Offset: 0, Length: 16}),
		}}, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for i, l := range learnsFrom(t, tt.messages...) {
				if l.Alternatives != 0 || l.Sibling != -1 {
					t.Errorf("%d alternatives, sibling %d", l.Alternatives, l.Sibling)
				}
				if diff := cmp.Diff(tt.messages[i].p, l.Protection); tt.exactly && diff != "" {
					t.Errorf("learned (-sent +learned):\n%s", diff)
				}
			}
		})
	}
}

func TestLearnCounters(t *testing.T) {
	tests := []Counter{
		{Field: Nibble(1, 0)},
		{Field: Nibble(1, 1), Modulo: 15},
		{Field: Field{8, 2, Intel}},
		{Field: Field{9, 3, Intel}},
		{Field: Field{10, 2, Intel}, Modulo: 3},
		{Field: Byte(3)},
		{Field: Byte(0), Step: 7},
		{Field: Byte(0), Step: 255},
		{Field: Nibble(2, 0), Reserved: []uint64{0}},
		{Field: Nibble(2, 0), Modulo: 15, Reserved: []uint64{0}},
		{Field: Field{16, 6, Intel}, Modulo: 50},
		{Field: Field{0, 16, Intel}},
		{Field: bigEndian(2, 2)},
	}
	for _, c := range tests {
		for _, lose := range []float64{0, 0.02} {
			p := Protection{Counters: []Counter{c}}
			m := message{id: 0x300, n: 4, p: p, moving: "wwww", lose: lose, frames: 700}
			if lessons := learnsFrom(t, m); cmp.Diff(p, lessons[0].Protection) != "" {
				t.Errorf("lost %g: learned %+v, want %+v", lose, lessons[0].Protection, p)
			}
		}
	}
}

func TestLearnTogglesAndParity(t *testing.T) {
	for _, p := range []Protection{
		{Toggles: []Toggle{{Field: Field{7, 1, Intel}, Every: 1}}},
		{Toggles: []Toggle{{Field: Field{7, 1, Intel}, Every: 2}, {Field: Field{15, 1, Intel}, Every: 5}}},
		{Parities: []Parity{{Field: Field{15, 1, Intel}, Over: []Field{Byte(0), Byte(1)}}}},
		{Parities: []Parity{{Field: Field{31, 1, Intel}, Over: []Field{Byte(3)}, Odd: true}}},
		{
			Toggles:  []Toggle{{Field: Field{0, 1, Intel}, Every: 1}},
			Parities: []Parity{{Field: Field{15, 1, Intel}, Over: []Field{Byte(0), Byte(1)}}},
		},
	} {
		lessons := learnsFrom(t, message{id: 0x301, n: 4, p: p, moving: "rrrr"})
		if diff := cmp.Diff(p, lessons[0].Protection); diff != "" {
			t.Errorf("learned (-sent +learned):\n%s", diff)
		}
	}
}

// What is not there is not found.
func TestLearnNothing(t *testing.T) {
	crc := checksumOf(Byte(0), CRC8(0x1D, 0xFF, 0xFF), Data(0, 0))
	sibling := message{id: 0x260, n: 8, p: checksumOf(Byte(7), Law{Kind: Sum}, Length(), ID(), Data(0, 0))}
	tests := []struct {
		name string
		m    message
		harm func(f []can.Frame)
	}{
		{"random bytes", message{id: 0x400, n: 8}, nil},
		{"walking values", message{id: 0x400, n: 8, moving: "wwwwwwww"}, nil},
		{"constant frames", message{id: 0x400, n: 8, moving: "00000000"}, nil},
		{"empty frames", message{id: 0x400, n: 0}, nil},
		{"too few frames", message{id: 0x400, n: 8, p: crc, frames: 63}, nil},
		{"too few payloads", message{id: 0x400, n: 3, p: crc, moving: "000"}, func(f []can.Frame) {
			g := compile(t, crc)
			rng := rand.New(rand.NewPCG(13, 14))
			for i := range f {
				f[i].Data[1], f[i].Data[2] = byte(rng.IntN(5)), byte(rng.IntN(3)) // 15 payloads
				if err := g.Fill(nil, &f[i]); err != nil {
					t.Fatal(err)
				}
			}
		}},
		{"one wrong checksum", message{id: 0x400, n: 8, p: crc}, func(f []can.Frame) { f[200].Data[0] ^= 1 }},
		{
			"one wrong counter",
			message{id: 0x400, n: 2, p: Protection{Counters: []Counter{{Field: Nibble(0, 0)}}}, moving: "ww"},
			func(f []can.Frame) { f[200].Data[0] ^= 15 },
		},
		{"a byte sent twice", message{id: 0x400, n: 4, moving: "wrww"}, func(f []can.Frame) {
			for i := range f {
				f[i].Data[3] = f[i].Data[1]
			}
		}},
		{"two values sent twice", message{id: 0x400, n: 4, moving: "ww00"}, func(f []can.Frame) {
			for i := range f {
				f[i].Data[2], f[i].Data[3] = f[i].Data[0], f[i].Data[1]
			}
		}},
		{"a value and its complement", message{id: 0x400, n: 4, moving: "www0"}, func(f []can.Frame) {
			for i := range f {
				f[i].Data[3] = ^f[i].Data[0]
			}
		}},
	}
	for _, tt := range tests {
		for seed := range uint64(3) {
			frames := tt.m.send(t, seed)
			if tt.harm != nil {
				tt.harm(frames)
			}
			lessons := Learn([][]can.Frame{sibling.send(t, seed), frames})
			if diff := cmp.Diff(Protection{}, lessons[1].Protection); diff != "" {
				t.Errorf("%s, seed %d: learned %+v", tt.name, seed, lessons[1])
			}
			if len(lessons[0].Protection.Checksums) != 1 {
				t.Errorf("%s, seed %d: the sibling taught %+v", tt.name, seed, lessons[0])
			}
		}
	}
	if lessons := Learn([][]can.Frame{nil}); lessons[0].Frames != 0 || lessons[0].Sibling != -1 {
		t.Errorf("no frames: %+v", lessons)
	}
}

// Frames of another length, remote and error frames are left out.
func TestLearnMixedFrames(t *testing.T) {
	m := message{id: 0x260, n: 8, p: checksumOf(Byte(7), Law{Kind: Sum}, Length(), ID(), Data(0, 0))}
	frames := m.send(t, 3)
	for i := range 30 {
		f := can.Frame{ID: 0x260, Flags: []can.Flags{0, can.Remote, can.Error}[i%3], Time: frames[5*i].Time + ms}
		f.SetPayload([]byte{1, 2, 3})
		frames = slices.Insert(frames, 6*i+1, f)
	}
	l := Learn([][]can.Frame{frames})[0]
	if l.Length != 8 || l.Frames != 300 || cmp.Diff(m.p, l.Protection) != "" {
		t.Errorf("learned %+v", l)
	}
}

// Few payloads leave several laws: their number is told.
func TestLearnCountsAlternatives(t *testing.T) {
	m := message{id: 0x111, n: 8, p: checksumOf(Byte(7), Law{Kind: Sum}, Data(0, 0)), moving: "rr000000"}
	l := Learn([][]can.Frame{m.send(t, 4)})[0]
	// Byte 7 is the sum of bytes 0 and 1 and, as the others are zero, of any longer
	// stretch that starts with the two: up to byte 1, 2, ... 5, or to the end.
	if diff := cmp.Diff(m.p, l.Protection); diff != "" || l.Alternatives != 5 {
		t.Errorf("%d alternatives to %+v", l.Alternatives, l.Protection)
	}
}

// samplesOf reads a capture: identifiers in order, and the frames of each.
func samplesOf(t *testing.T, path string) (ids []uint32, frames [][]can.Frame) {
	t.Helper()
	r, err := capture.Open([]string{path}, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	byID := make(map[uint32][]can.Frame)
	batch := make([]can.Frame, 256)
	for !errors.Is(err, io.EOF) {
		var n int
		if n, err = r.Read(context.Background(), batch); err != nil && !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
		for _, f := range batch[:n] {
			byID[f.ID] = append(byID[f.ID], f)
		}
	}
	for id := range byID {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	for _, id := range ids {
		frames = append(frames, byID[id])
	}
	return ids, frames
}

// The public captures of a 2009 hatchback (github ElDominio/CANBUSlogs). Three
// messages, 0x260, 0x2C1 and 0x2C4, end in the sum of length, identifier and the
// other bytes; the DBC of a sister car (opendbc) has such a checksum on two
// thirds of its messages. 0x260 shows 13 payloads on its 640 frames: too few by
// themselves, so the two others must vouch for it, and where they are silent (ECU
// unplugged) nothing is learned. No other message of the car is guarded.
func TestLearnHatchback(t *testing.T) {
	dir := filepath.Join(witness.PublicData(t), "captures", "hatchback-2009")
	for name, want := range map[string]string{
		"ecu-fitted-key-on.log":    "260 640 frames 13 payloads sibling 2C1; 2C1 396 frames 227 payloads; 2C4 535 frames 207 payloads",
		"air-con-on-off.log":       "260 1104 frames 1 payloads sibling 2C1; 2C1 695 frames 572 payloads; 2C4 937 frames 424 payloads",
		"ecu-unplugged-key-on.log": "",
	} {
		ids, frames := samplesOf(t, filepath.Join(dir, name))
		var got []string
		for i, l := range Learn(frames) {
			if len(l.Protection.Checksums) == 0 {
				if diff := cmp.Diff(Protection{}, l.Protection); diff != "" {
					t.Errorf("%s: %03X: learned %+v", name, ids[i], l.Protection)
				}
				continue
			}
			law := checksumOf(Byte(7), Law{Kind: Sum}, Length(), ID(), Data(0, 0))
			if diff := cmp.Diff(law, l.Protection); diff != "" {
				t.Errorf("%s: %03X (-want +learned):\n%s", name, ids[i], diff)
			}
			text := fmt.Sprintf("%03X %d frames %d payloads", ids[i], l.Frames, l.Payloads)
			if l.Sibling >= 0 {
				text += fmt.Sprintf(" sibling %03X", ids[l.Sibling])
			}
			got = append(got, text)
		}
		if text := strings.Join(got, "; "); text != want {
			t.Errorf("%s:\n got %s\nwant %s", name, text, want)
		}
	}
}

// A heavy truck (github yabskbd/remora_ctrl_proto): J1939 messages as a rule carry
// no checksum; what is found is held against the whole log by Learn itself.
func TestLearnTruck(t *testing.T) {
	dir := filepath.Join(witness.PublicData(t), "captures", "truck-j1939")
	ids, frames := samplesOf(t, filepath.Join(dir, "mixed.log"))
	for i, l := range Learn(frames) {
		if diff := cmp.Diff(Protection{}, l.Protection); diff != "" {
			t.Errorf("%08X: learned %+v", ids[i], l)
		}
	}
}

// Whatever the frames, what is learned compiles and holds on all of them.
func FuzzLearn(f *testing.F) {
	m := message{id: 0x100, n: 3, p: Protection{
		Counters:  []Counter{{Field: Nibble(1, 0)}},
		Checksums: []Checksum{{Field: Byte(2), Law: Law{Kind: XOR}, Over: []Part{Data(0, 0)}}},
	}, frames: 80}
	var seed []byte
	for _, frame := range m.send(f, 5) {
		seed = append(seed, frame.Payload()...)
	}
	f.Add(uint8(3), uint32(0x100), seed)
	f.Add(uint8(1), uint32(0), make([]byte, 100))
	f.Fuzz(func(t *testing.T, length uint8, id uint32, data []byte) {
		n := int(length%8) + 1
		var frames []can.Frame
		for i := 0; i+n <= len(data) && i < 400*n; i += n {
			fr := can.Frame{ID: id & can.MaxStandardID, Time: int64(i/n) * 10 * ms}
			fr.SetPayload(data[i : i+n])
			frames = append(frames, fr)
		}
		l := Learn([][]can.Frame{frames})[0]
		g, err := l.Protection.Compile()
		if err != nil {
			t.Fatal(err)
		}
		if l.Frames < minFrames && cmp.Diff(Protection{}, l.Protection) != "" {
			t.Errorf("learned from %d frames: %+v", l.Frames, l.Protection)
		}
		w := g.Watch(10 * ms)
		for i := range frames {
			if faults := w.Add(&frames[i]); faults != 0 {
				t.Fatalf("frame %d % X: %v, learned %+v", i, frames[i].Payload(), faults, l.Protection)
			}
		}
	})
}

func BenchmarkLearn(b *testing.B) {
	var samples [][]can.Frame
	for id := range uint32(20) {
		m := message{id: 0x200 + id, n: 8, p: Protection{Counters: []Counter{{Field: Nibble(6, 0)}}}, frames: 1000}
		if id%2 == 0 {
			m.p.Checksums = []Checksum{{Field: Byte(7), Law: CRC8(0x1D, 0xFF, 0xFF), Over: []Part{ID(), Data(0, 0)}}}
		}
		samples = append(samples, m.send(b, 1))
	}
	b.ReportAllocs()
	for b.Loop() {
		if l := Learn(samples); len(l[0].Protection.Checksums) != 1 {
			b.Fatal("nothing learned")
		}
	}
}
