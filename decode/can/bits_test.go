package can

import (
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

func frame(t testing.TB, id uint32, flags Flags, payload string) *Frame {
	t.Helper()
	data, err := hex.DecodeString(payload)
	if err != nil {
		t.Fatal(err)
	}
	f := &Frame{ID: id, Flags: flags}
	f.SetPayload(data)
	if err := f.Valid(); err != nil {
		t.Fatal(err)
	}
	return f
}

// The frame of the figure "CAN-bus-frame-with-stuff-bit-and-correct-CRC" on
// Wikipedia: id 0x014, one byte 01. Its CRC is published; the stuffed string is
// computed from it.
func TestPublishedFrame(t *testing.T) {
	f := frame(t, 0x014, 0, "01")
	w := referenceWire(f)
	if w.crc != 0x7753 || w.stuff != 3 || w.stuffed != "000001001010000010001000001001111011101010011" {
		t.Errorf("reference: CRC %#x, %d stuff bits, %s", w.crc, w.stuff, w.stuffed)
	}
	if n, d := f.WireBits(); n != 58 || d != 0 || n-3 != 55 {
		t.Errorf("WireBits = %d, %d, want 55 to the end of frame, 58 with the intermission", n, d)
	}
}

// Computed from the definitions, no outside witness: regression only.
func TestComputedFrames(t *testing.T) {
	tests := []struct {
		id      uint32
		flags   Flags
		payload string
		crc     uint64
		stuff   int
		bits    int
	}{
		{0x123, 0, "", 0x6858, 1, 48},
		{0x123, 0, "1122", 0x04B7, 2, 65},
		{0x555, 0, "5555555555555555", 0x1B04, 1, 112},
		{0x000, 0, "0000000000000000", 0x145B, 16, 127},
		{0x7FF, 0, "FFFFFFFFFFFFFFFF", 0x4C89, 15, 126},
		{0x18DB33F1, Extended, "02010C0000000000", 0x0DBC, 12, 143},
	}
	for _, tt := range tests {
		f := frame(t, tt.id, tt.flags, tt.payload)
		n, d := f.WireBits()
		w := referenceWire(f)
		if n != tt.bits || d != 0 || w.crc != tt.crc || w.stuff != tt.stuff {
			t.Errorf("%03X#%s: %d, %d bits, CRC %#x, %d stuff bits; want %d, 0, %#x, %d",
				tt.id, tt.payload, n, d, w.crc, w.stuff, tt.bits, tt.crc, tt.stuff)
		}
	}
}

// Check values over the ASCII digits 1 to 9, from the CRC catalogue that
// akhilles/crc-catalog carries (CRC-15/CAN, CRC-17/CAN-FD, CRC-21/CAN-FD).
func TestCRCCatalogue(t *testing.T) {
	const digits = "123456789"
	bits := ""
	for _, c := range []byte(digits) {
		bits += bitString(uint32(c), 8)
	}
	for _, tt := range []struct {
		width int
		poly  uint64
		check uint64
	}{{15, 0x4599, 0x059E}, {17, 0x1685B, 0x04F03}, {21, 0x102899, 0x0ED841}} {
		if got := referenceCRC(bits, tt.width, tt.poly, 0); got != tt.check {
			t.Errorf("reference CRC-%d = %#x, want %#x", tt.width, got, tt.check)
		}
	}
	var crc uint16
	for i, c := range []byte(digits) {
		crc ^= crcShare[len(digits)-1-i][c]
	}
	if crc != 0x059E {
		t.Errorf("table CRC-15 = %#x, want 0x059e", crc)
	}
}

// Field sums of linux/can/length.h; the bounds for every length follow from its
// stuffing rule (computed).
func TestClassicBounds(t *testing.T) {
	worst := map[Flags][9]int{
		0:        {55, 65, 75, 85, 95, 105, 115, 125, 135},
		Extended: {80, 90, 100, 110, 120, 130, 140, 150, 160},
	}
	for kind, base := range map[Flags]int{0: 47, Extended: 67} {
		for n := range 9 {
			low, _ := MinWireBits(kind, n)
			high, _ := MaxWireBits(kind, n)
			if low != base+8*n || high != worst[kind][n] {
				t.Errorf("flags %d, %d bytes: %d to %d, want %d to %d", kind, n, low, high, base+8*n, worst[kind][n])
			}
			g := map[Flags]int{0: 34, Extended: 54}[kind]
			if davis := g + 8*n + 13 + (g+8*n-1)/4; high != davis { // Davis and others 2007; formula from memory
				t.Errorf("flags %d, %d bytes: worst %d, by Davis %d", kind, n, high, davis)
			}
		}
		low, _ := MinWireBits(kind|Remote, 8)
		high, _ := MaxWireBits(kind|Remote, 8)
		if low != base || high != worst[kind][0] {
			t.Errorf("remote, flags %d: %d to %d, want those of an empty frame", kind, low, high)
		}
	}
}

// Maximum lengths with the largest payload: netdev mail of 2023-05-30, "can:
// length: refactor frame lengths".
func TestKernelMaximumLengths(t *testing.T) {
	for _, tt := range []struct {
		kind                  Flags
		bits, bytes           int
		stuffed, stuffedBytes int
	}{
		{0, 111, 14, 135, 17},
		{Extended, 131, 17, 160, 20},
		{FD, 579, 73, 712, 89},
		{FD | Extended, 598, 75, 736, 92},
	} {
		n := MaxClassicLen
		if tt.kind&FD != 0 {
			n = MaxFDLen
		}
		low, _ := MinWireBits(tt.kind, n)
		high, _ := MaxWireBits(tt.kind, n)
		if low != tt.bits || high != tt.stuffed || (low+7)/8 != tt.bytes || (high+7)/8 != tt.stuffedBytes {
			t.Errorf("flags %d: %d and %d bits, want %d and %d", tt.kind, low, high, tt.bits, tt.stuffed)
		}
	}
}

// Computed but for the ends, which are those of the kernel's table.
func TestFDBounds(t *testing.T) {
	for _, tt := range []struct{ n, none, worst int }{
		{0, 62, 67},
		{8, 126, 147},
		{12, 158, 187},
		{16, 190, 227},
		{20, 227, 272},
		{24, 259, 312},
		{32, 323, 392},
		{48, 451, 552},
		{64, 579, 712},
	} {
		low, _ := MinWireBits(FD, tt.n)
		high, _ := MaxWireBits(FD, tt.n)
		if low != tt.none || high != tt.worst {
			t.Errorf("%d bytes: %d to %d, want %d to %d", tt.n, low, high, tt.none, tt.worst)
		}
	}
}

// 500 kbit/s and 2 Mbit/s (computed). The fast part of a 64-byte frame of the
// older FD format is at most 673 bits (electronics.stackexchange 284797); ours
// adds 4 bits of stuff count, a fixed stuff bit, and one more at the boundary.
func TestFDRateSwitch(t *testing.T) {
	micros := func(slow, fast int) float64 { return float64(slow)/0.5 + float64(fast)/2 }
	for _, tt := range []struct {
		n, slow, fast int
		micros        float64
	}{{8, 29, 97, 106.5}, {64, 29, 550, 333.0}} {
		slow, fast := MinWireBits(FD|BRS, tt.n)
		if slow != tt.slow || fast != tt.fast || micros(slow, fast) != tt.micros {
			t.Errorf("%d bytes: %d slow, %d fast, %g us", tt.n, slow, fast, micros(slow, fast))
		}
	}
	slow, fast := MaxWireBits(FD|BRS, 64)
	if micros(slow, fast) != 405.5 || fast != 673+4+1+1 {
		t.Errorf("worst 64 bytes: %d slow, %d fast, %g us, want 405.5 us and 679 fast", slow, fast, micros(slow, fast))
	}
	// A frame that needs no stuff bits is as long as the example says.
	f := frame(t, 0x2AA, FD|BRS, "5555555555555555")
	f.ID = 0x2AB
	if slow, fast := f.WireBits(); slow != 29 || fast != 97 {
		t.Errorf("2AB##1 55..: %d slow, %d fast, want 29 and 97", slow, fast)
	}
}

// Frames per second back to back, and the time of one in microseconds (computed):
// 11-bit with 8 bytes least and most, 29-bit the same, 11-bit empty. A rough
// outside witness is e2e.ti.com thread 1092453: an 11-bit frame of 8 bytes takes
// about 110 us at 1 Mbit/s.
func TestFramesPerSecond(t *testing.T) {
	min8, _ := MinWireBits(0, 8)
	max8, _ := MaxWireBits(0, 8)
	minX, _ := MinWireBits(Extended, 8)
	maxX, _ := MaxWireBits(Extended, 8)
	min0, _ := MinWireBits(0, 0)
	bits := [5]int{min8, max8, minX, maxX, min0}
	rows := []struct {
		rate   float64
		fps    [5]float64
		micros [5]float64
	}{
		{125e3, [5]float64{1126.1, 925.9, 954.2, 781.25, 2659.6}, [5]float64{888, 1080, 1048, 1280, 376}},
		{250e3, [5]float64{2252.3, 1851.9, 1908.4, 1562.5, 5319.1}, [5]float64{444, 540, 524, 640, 188}},
		{500e3, [5]float64{4504.5, 3703.7, 3816.8, 3125.0, 10638.3}, [5]float64{222, 270, 262, 320, 94}},
		{1e6, [5]float64{9009.0, 7407.4, 7633.6, 6250.0, 21276.6}, [5]float64{111, 135, 131, 160, 47}},
	}
	for _, row := range rows {
		for i, n := range bits {
			fps := row.rate / float64(n)
			if math.Abs(fps-row.fps[i]) > 0.051 || float64(n)/row.rate*1e6 != row.micros[i] {
				t.Errorf("%d bits at %g bit/s: %.2f frames/s, want %.1f", n, row.rate, fps, row.fps[i])
			}
		}
	}
}

// A worked load at 500 kbit/s (computed): real stuffing lies between the bounds.
func TestWorkedBusLoad(t *testing.T) {
	set := []struct {
		kind   Flags
		n      int
		period float64 // seconds
	}{
		{0, 8, 0.010}, {0, 8, 0.020}, {0, 8, 0.100}, {0, 4, 0.100}, {0, 8, 1}, {Extended, 8, 1}, {Extended, 8, 0.020},
	}
	rng := rand.New(rand.NewPCG(1, 2))
	var low, high, real float64
	for _, m := range set {
		least, _ := MinWireBits(m.kind, m.n)
		most, _ := MaxWireBits(m.kind, m.n)
		low += float64(least) / m.period
		high += float64(most) / m.period
		bits, _ := randomFrame(rng, m.kind, m.n).WireBits()
		real += float64(bits) / m.period
	}
	if math.Round(low) != 25342 || math.Round(high) != 30845 {
		t.Errorf("load %.0f to %.0f bit/s, want 25342 to 30845", low, high)
	}
	if pct := fmt.Sprintf("%.2f %.2f", low/5e3, high/5e3); pct != "5.07 6.17" {
		t.Errorf("load in percent: %s", pct)
	}
	if real <= low || real >= high {
		t.Errorf("real stuffing gives %.0f bit/s, outside %.0f to %.0f", real, low, high)
	}
}

func TestErrorFrameHasNoLength(t *testing.T) {
	f := Frame{ID: 0x40, Flags: Error, Len: 8, DLC: 8}
	if n, d := f.WireBits(); n != 0 || d != 0 {
		t.Errorf("WireBits = %d, %d", n, d)
	}
}

// Frames with long runs are drawn as often as random ones, so that stuffing at
// every place and at the ends of fields comes up.
func drawFrame(t *rapid.T) *Frame {
	f := &Frame{}
	kinds := []Flags{0, Remote, FD, FD | BRS, FD | ESI, FD | BRS | ESI}
	f.Flags = rapid.SampledFrom(kinds).Draw(t, "kind")
	limit := uint32(MaxStandardID)
	if rapid.Bool().Draw(t, "extended") {
		f.Flags |= Extended
		limit = MaxExtendedID
	}
	f.ID = rapid.OneOf(rapid.Uint32Range(0, limit), rapid.SampledFrom([]uint32{0, limit, limit >> 5, limit &^ 31})).Draw(t, "id")
	f.DLC = rapid.Uint8Range(0, 15).Draw(t, "dlc")
	f.Len = DLCToLen(f.DLC, f.Is(FD))
	if f.Is(Remote) {
		return f
	}
	bytes := rapid.OneOf(rapid.Byte(), rapid.SampledFrom([]byte{0, 0xFF, 0x1F, 0xE0, 0xF0, 0x0F, 0x07, 0x83}))
	for i := range f.Payload() {
		f.Data[i] = bytes.Draw(t, "byte")
	}
	return f
}

func TestWireBitsMatchReference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := drawFrame(t)
		if err := f.Valid(); err != nil {
			t.Fatal(err)
		}
		checkAgainstReference(t, f)
	})
}

func checkAgainstReference(t interface{ Fatalf(string, ...any) }, f *Frame) {
	w := referenceWire(f)
	nominal, data := f.WireBits()
	if nominal != len(w.nominal) || data != len(w.data) {
		t.Fatalf("flags %#x id %#x dlc %d % X: %d + %d bits, reference %d + %d", f.Flags, f.ID, f.DLC, f.Payload(),
			nominal, data, len(w.nominal), len(w.data))
	}
	n := len(f.Payload())
	lowN, lowD := MinWireBits(f.Flags, n)
	highN, highD := MaxWireBits(f.Flags, n)
	if nominal < lowN || data < lowD || nominal > highN || nominal+data > highN+highD {
		t.Fatalf("flags %#x, %d bytes: %d + %d bits outside %d + %d to %d + %d", f.Flags, n,
			nominal, data, lowN, lowD, highN, highD)
	}
}

func FuzzWireBits(f *testing.F) {
	f.Add(uint32(0x014), uint16(0), uint8(1), []byte{1})
	f.Add(uint32(0x18DB33F1), uint16(Extended), uint8(8), []byte{2, 1, 0x0C})
	f.Add(uint32(0), uint16(FD|BRS), uint8(15), []byte{0, 0, 0, 0xFF})
	f.Fuzz(func(t *testing.T, id uint32, flags uint16, dlc uint8, data []byte) {
		fr := &Frame{ID: id, Flags: Flags(flags), DLC: dlc}
		fr.Len = DLCToLen(dlc, fr.Is(FD))
		if !fr.Is(Remote) {
			copy(fr.Data[:fr.Len], data)
		}
		if fr.Valid() != nil || fr.Is(Error) {
			fr.WireBits() // no panic is all that is promised
			return
		}
		checkAgainstReference(t, fr)
	})
}

func randomFrame(rng *rand.Rand, kind Flags, n int) *Frame {
	f := &Frame{ID: uint32(rng.IntN(MaxStandardID + 1)), Flags: kind}
	if kind&Extended != 0 {
		f.ID = uint32(rng.IntN(MaxExtendedID + 1))
	}
	payload := make([]byte, n)
	for i := range payload {
		payload[i] = byte(rng.Uint32())
	}
	f.SetPayload(payload)
	return f
}

func TestWireBitsDoesNotAllocate(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	classic, fd := randomFrame(rng, 0, 8), randomFrame(rng, FD|BRS, 64)
	if n := testing.AllocsPerRun(100, func() { classic.WireBits(); fd.WireBits() }); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkWireBits(b *testing.B) {
	for _, bench := range []struct {
		name string
		kind Flags
		n    int
	}{{"classic11x8", 0, 8}, {"classic29x8", Extended, 8}, {"fd11x8", FD | BRS, 8}, {"fd11x64", FD | BRS, 64}} {
		b.Run(bench.name, func(b *testing.B) {
			rng := rand.New(rand.NewPCG(5, 6))
			frames := make([]*Frame, 1024)
			for i := range frames {
				frames[i] = randomFrame(rng, bench.kind, bench.n)
			}
			b.SetBytes(int64(bench.n))
			b.ReportAllocs()
			sum := 0
			for i := 0; b.Loop(); i++ {
				n, d := frames[i%len(frames)].WireBits()
				sum += n + d
			}
			if sum == 0 {
				b.Fatal("no bits")
			}
		})
	}
}

func BenchmarkTables(b *testing.B) {
	for b.Loop() {
		buildStuffTable()
		buildCRCShare()
	}
}
