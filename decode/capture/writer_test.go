package capture

import (
	"bytes"
	"errors"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

// The forms are those of the doc comment of the format's parser; the samples
// marked scapy are of its test/scapy/layers/can.uts.
func TestWriteCandump(t *testing.T) {
	buses := newBuses(t, "vcan0", "two words", "")
	for _, row := range []struct {
		frame can.Frame
		want  string
	}{
		{frame(1539191392_761779000, 0x123, 0, 4, 0x11, 0x22, 0x33, 0x44), "(1539191392.761779) vcan0 123#11223344"}, // scapy
		{
			frame(1539191495_563320000, 0x1F334455, can.Extended, 8, 0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88),
			"(1539191495.563320) vcan0 1F334455#1122334455667788",
		}, // scapy
		{frame(0, 0x55, can.Extended, 0), "(0.000000) vcan0 00000055#"},
		{frame(1, 1, 0, 0), "(0.000000001) vcan0 001#"},
		{frame(1_000_001_000, 0x7FF, can.Rx, 1, 0xAF), "(1.000001) vcan0 7FF#AF R"},
		{frame(5, 0x123, can.Tx|can.Remote, 0), "(0.000000005) vcan0 123#R T"},
		{frame(0, 0x123, can.Remote, 7), "(0.000000) vcan0 123#R7"},
		{frame(0, 0x123, can.Remote, 9), "(0.000000) vcan0 123#R8_9"},
		{frame(0, 0x123, 0, 14, 1, 2, 3, 4, 5, 6, 7, 8), "(0.000000) vcan0 123#0102030405060708_E"},
		{frame(0, 0x123, can.FD|can.BRS|can.ESI, 3, 0x11, 0x22, 0x33), "(0.000000) vcan0 123##3112233"},
		{frame(0, 0x123, can.FD|can.Extended, 0), "(0.000000) vcan0 00000123##0"},
		{frame(0, 4, can.Error, 8), "(0.000000) vcan0 20000004#0000000000000000"},
		{frame(math.MaxInt64, 0, 0, 0), "(9223372036.854775807) vcan0 000#"},
		{onBus(1, frame(0, 1, 0, 0)), "(0.000000) two_words 001#"},
		{onBus(2, frame(0, 1, 0, 0)), "(0.000000) if2 001#"},
		{onBus(77, frame(0, 1, 0, 0)), "(0.000000) bus_77 001#"},
	} {
		got := string(write(t, WriterOptions{}, buses, row.frame))
		if d := cmp.Diff(row.want+"\n", got); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
	}
}

func onBus(bus uint16, f can.Frame) can.Frame {
	f.Bus = bus
	return f
}

// A bus gets its interface block, with its bit rate, when its first frame comes.
func TestWritePcapngInterfaces(t *testing.T) {
	buses := newBuses(t, "silent", "body", "drive")
	buses.SetBitrates(1, 125000, 0)
	buses.SetBitrates(2, 500000, 2_000_000)
	data := write(t, WriterOptions{Format: Pcapng}, buses, onBus(2, frame(1, 1, 0, 0)), onBus(1, frame(2, 2, 0, 0)), onBus(2, frame(3, 3, 0, 0)))
	got, _, read := readAll(t, string(data), 8)
	// A pcapng interface has one bit rate; that of the FD data phase is not kept.
	want := []can.Bus{{Name: "drive", Bitrate: 500000}, {Name: "body", Bitrate: 125000}}
	if d := cmp.Diff(want, read); d != "" {
		t.Errorf("buses (-want +got):\n%s", d)
	}
	checkFrames(t, []brief{{"drive", 1, 1, 0}, {"body", 2, 2, 0}, {"drive", 3, 3, 0}}, got, read)
}

func TestWriteRefuses(t *testing.T) {
	for _, row := range []struct {
		name   string
		format WriteFormat
		frame  can.Frame
		reason error  // or
		text   string // part of the message
	}{
		{"identifier", CandumpLog, frame(0, 0x800, 0, 0), can.ErrID, ""},
		{"length", Pcap, can.Frame{Len: 9, DLC: 9}, can.ErrLength, ""},
		{"length over all", Pcapng, can.Frame{Len: 200, DLC: 15, Flags: can.FD}, can.ErrLength, ""},
		{"kind", Pcapng, frame(0, 1, can.FD|can.Remote, 0), can.ErrKind, ""},
		{"negative time", CandumpLog, frame(-1, 1, 0, 0), nil, "its time of -1 ns"},
		{"negative time", Pcap, frame(-1, 1, 0, 0), nil, "1970 to 2106 that a pcap holds"},
		{"negative time", Pcapng, frame(-1, 1, 0, 0), nil, "from 1970 on"},
		{"time after 2106", Pcap, frame(1<<32*1e9, 1, 0, 0), nil, "1970 to 2106"},
	} {
		w, err := NewWriter(io.Discard, newBuses(t, "can0"), WriterOptions{Format: row.format})
		if err != nil {
			t.Fatal(err)
		}
		ok := frame(0, 1, 0, 0)
		err = w.Write([]can.Frame{ok, row.frame, ok})
		if err == nil || row.reason != nil && !errors.Is(err, row.reason) ||
			!strings.Contains(err.Error(), row.text) || !strings.Contains(err.Error(), "frame 2 ") {
			t.Errorf("%v, %s: %v", row.format, row.name, err)
		}
		if w.Write([]can.Frame{ok}) != err || w.Close() != err {
			t.Errorf("%v, %s: the error is not kept", row.format, row.name)
		}
	}
}

func TestNewWriterRefuses(t *testing.T) {
	for _, opts := range []WriterOptions{
		{Format: 3}, {Compression: 3}, {Format: Pcap, LinkType: 1}, {Format: Pcapng, LinkType: -1}, {LinkType: linkCAN},
	} {
		if _, err := NewWriter(io.Discard, &can.Buses{}, opts); err == nil {
			t.Errorf("%+v: no error", opts)
		}
	}
}

// full is a disk with room for some bytes.
type full struct{ room int }

var errFull = errors.New("no space left on device")

func (f *full) Write(p []byte) (int, error) {
	if f.room -= len(p); f.room < 0 {
		return 0, errFull
	}
	return len(p), nil
}

// An error of the output comes back from Write or Close, as it is.
func TestWriteOutputFails(t *testing.T) {
	frames := make([]can.Frame, 1000)
	for i := range frames {
		frames[i] = frame(int64(i)*1_234_567, uint32(i), 0, 8, byte(i*i), byte(i*7), byte(i>>3))
	}
	for _, opts := range everyTarget() {
		size := len(write(t, opts, newBuses(t, "can0"), frames...))
		for _, room := range []int{0, 1, size / 2, size - 1} {
			w, err := NewWriter(&full{room}, newBuses(t, "can0"), opts)
			if err != nil {
				t.Fatal(err)
			}
			if err = w.Write(frames); err == nil {
				err = w.Close()
			}
			if !errors.Is(err, errFull) {
				t.Errorf("%s, room for %d of %d: %v", targetName(opts), room, size, err)
			}
		}
	}
}

func TestWriteAfterClose(t *testing.T) {
	w, err := NewWriter(io.Discard, &can.Buses{}, WriterOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Error(err)
	}
	if w.Write([]can.Frame{frame(0, 1, 0, 0)}) == nil || w.Close() == nil {
		t.Error("a closed writer takes more")
	}
}

func TestFormatFor(t *testing.T) {
	for _, row := range []struct {
		path string
		want WriterOptions
		ok   bool
	}{
		{"a.log", WriterOptions{Format: CandumpLog}, true},
		{"dir.pcap/a.TXT", WriterOptions{Format: CandumpLog}, true},
		{"a.pcap", WriterOptions{Format: Pcap}, true},
		{"a.b.pcapng", WriterOptions{Format: Pcapng}, true},
		{"a.log.gz", WriterOptions{Format: CandumpLog, Compression: Gzip}, true},
		{"A.PCAP.ZST", WriterOptions{Format: Pcap, Compression: Zstd}, true},
		{"a.pcapng.zst", WriterOptions{Format: Pcapng, Compression: Zstd}, true},
		{"a.gz", WriterOptions{}, false},
		{"a.gz.log", WriterOptions{}, true},
		{"a.pcap.gz.gz", WriterOptions{}, false},
		{"a", WriterOptions{}, false},
		{"pcap", WriterOptions{}, false},
		{"", WriterOptions{}, false},
		{"-", WriterOptions{}, false},
	} {
		got, err := FormatFor(row.path)
		if got != row.want || err == nil != row.ok {
			t.Errorf("FormatFor(%q) = %+v, %v", row.path, got, err)
		}
		if err != nil && !strings.Contains(err.Error(), `"`+row.path+`"`) {
			t.Errorf("FormatFor(%q): %v does not name it", row.path, err)
		}
	}
}

// What was flushed can be read while the writer is still open.
func TestFlush(t *testing.T) {
	for _, opts := range everyTarget() {
		var out bytes.Buffer
		w, err := NewWriter(&out, newBuses(t, "can0"), opts)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 3 {
			if err := errors.Join(w.Write([]can.Frame{frame(int64(i), 5, 0, 1, 7)}), w.Flush()); err != nil {
				t.Fatal(err)
			}
			if got, _, _ := readAll(t, out.String(), 8); len(got) != i+1 {
				t.Errorf("%s: %d frames after %d were flushed", targetName(opts), len(got), i+1)
			}
		}
	}
}
