package capture

import (
	"bytes"
	"encoding/binary"
	"io"
	"math/rand/v2"
	"strings"
	"testing"

	"plugproof/decode/can"
)

// benchFrames is n classic frames with 8 bytes, on two buses.
func benchFrames(n int) []can.Frame {
	rng := rand.New(rand.NewPCG(5, 6))
	frames := make([]can.Frame, n)
	for i := range frames {
		f := &frames[i]
		*f = frame(1_700_000_000e9+int64(i)*230_000, rng.Uint32N(0x800), can.Rx, 8)
		f.Bus = uint16(i % 2)
		for j := range f.Data[:8] {
			f.Data[j] = byte(rng.UintN(256))
		}
	}
	return frames
}

func BenchmarkReadPackets(b *testing.B) {
	frames := benchFrames(200_000)
	for _, opts := range everyTarget() {
		if opts.Format == CandumpLog {
			continue
		}
		b.Run(targetName(opts), func(b *testing.B) {
			benchRead(b, write(b, opts, newBuses(b, "drive", "body"), frames...))
		})
	}
}

// BenchmarkWrite counts the bytes before compression.
func BenchmarkWrite(b *testing.B) {
	frames := benchFrames(200_000)
	buses := newBuses(b, "drive", "body")
	for _, opts := range everyTarget() {
		b.Run(targetName(opts), func(b *testing.B) {
			plain := opts
			plain.Compression = Plain
			b.SetBytes(int64(len(write(b, plain, buses, frames...))))
			b.ReportAllocs()
			for b.Loop() {
				w, err := NewWriter(io.Discard, buses, opts)
				if err != nil {
					b.Fatal(err)
				}
				if err := w.Write(frames); err != nil {
					b.Fatal(err)
				}
				if err := w.Close(); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N)*float64(len(frames))/b.Elapsed().Seconds()/1e6, "Mframes/s")
		})
	}
}

// Reading packets and writing allocate by the capture, not by the frame.
func TestPacketsAllocateNothingPerFrame(t *testing.T) {
	frames := benchFrames(20_000)
	for i := range frames { // every kind has its own path
		switch i % 8 {
		case 1:
			frames[i].Flags = can.FD | can.BRS
		case 2:
			frames[i].Flags = can.Error | can.Rx
		case 3:
			frames[i].Flags = can.Extended | can.Remote | can.Tx
			clear(frames[i].Data[:])
		}
	}
	for _, opts := range everyTarget() {
		if opts.Compression != Plain {
			continue
		}
		w, err := NewWriter(io.Discard, newBuses(t, "drive", "body"), opts)
		if err != nil {
			t.Fatal(err)
		}
		dst := make([]can.Frame, 64)
		next := 0
		writing := testing.AllocsPerRun(100, func() { // a first run is not counted
			if err := w.Write(frames[next : next+64]); err != nil {
				t.Fatal(err)
			}
			next += 64
		})
		r := open(t, string(write(t, opts, newBuses(t, "drive", "body"), frames...)), Options{})
		reading := testing.AllocsPerRun(100, func() {
			if n, err := r.Read(t.Context(), dst); n == 0 || err != nil {
				t.Fatalf("%d frames, %v", n, err)
			}
		})
		r.Close()
		if reading > 0 || writing > 0 {
			t.Errorf("%s: %v allocations per batch read, %v written", targetName(opts), reading, writing)
		}
	}
}

// A file of nothing but noise behind a good start is read in bounded memory and
// time: what it costs grows with its size, not with its square.
func TestNoise(t *testing.T) {
	fake := []byte("\x06\x00\x00\x00\x00\x10\x00\x00\x00\x00\x00\x00") // a packet block of 4096 bytes, it says
	for name, data := range map[string][]byte{
		"fake blocks": bytes.Repeat(fake, 1<<20),
		"text":        []byte(strings.Repeat("nothing here ", 1<<20)),
		"zeros":       make([]byte, 12<<20),
	} {
		n := newNgFile(binary.LittleEndian).iface(linkCAN).packet(0, 1, canPacket)
		n.bytes = append(n.bytes, data...)
		n.packet(0, 2, canPacket)
		got, rep, _ := readAll(t, string(n.bytes), 64)
		if len(got) != 2 || rep.SetAside[Garbage].Count != 1 || len(rep.SetAside) != 1 {
			t.Errorf("%s: %d frames, set aside %v", name, len(got), rep.SetAside)
		}
	}
}
