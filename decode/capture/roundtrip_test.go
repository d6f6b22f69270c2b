package capture

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plugproof/decode/can"
	"plugproof/decode/witness"
)

// targetName names a subtest.
func targetName(o WriterOptions) string {
	return fmt.Sprintf("%v, link type %d, compression %d", o.Format, o.LinkType, o.Compression)
}

// everyTarget is every combination of format, link type and compression.
func everyTarget() []WriterOptions {
	var all []WriterOptions
	for c := Plain; c <= Zstd; c++ {
		all = append(all, WriterOptions{Format: CandumpLog, Compression: c})
		for _, l := range []int{linkCAN, linkSLL, linkSLL2} {
			all = append(all,
				WriterOptions{Format: Pcap, Compression: c, LinkType: l},
				WriterOptions{Format: Pcapng, Compression: c, LinkType: l})
		}
	}
	return all
}

func newBuses(t testing.TB, names ...string) *can.Buses {
	t.Helper()
	buses := &can.Buses{}
	for _, name := range names {
		if _, ok := buses.Intern([]byte(name)); !ok {
			t.Fatalf("no room for bus %s", name)
		}
	}
	return buses
}

// write gives the bytes of a capture.
func write(t testing.TB, opts WriterOptions, buses *can.Buses, frames ...can.Frame) []byte {
	t.Helper()
	var buf bytes.Buffer
	w, err := NewWriter(&buf, buses, opts)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(frames); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// anyFrame draws a frame of any kind that can be on a bus.
func anyFrame(t *rapid.T) can.Frame {
	f := can.Frame{Time: anyTime(t), Bus: rapid.Uint16Range(0, 2).Draw(t, "bus")}
	f.Flags = rapid.SampledFrom([]can.Flags{0, can.Rx, can.Tx}).Draw(t, "direction")
	switch rapid.SampledFrom([]string{"data", "remote", "error", "fd"}).Draw(t, "kind") {
	case "error":
		f.Flags |= can.Error
		f.ID = rapid.Uint32Range(0, knownErrorClasses).Draw(t, "classes")
	case "remote":
		f.Flags |= can.Remote
	case "fd":
		f.Flags |= can.FD | rapid.SampledFrom([]can.Flags{0, can.BRS, can.ESI, can.BRS | can.ESI}).Draw(t, "fd flags")
	}
	if f.Flags&can.Error == 0 {
		f.ID = rapid.Uint32Range(0, can.MaxStandardID).Draw(t, "id")
		if rapid.Bool().Draw(t, "extended") {
			f.Flags |= can.Extended
			f.ID = rapid.Uint32Range(0, can.MaxExtendedID).Draw(t, "long id")
		}
	}
	f.DLC = rapid.Uint8Range(0, 15).Draw(t, "dlc")
	f.Len = can.DLCToLen(f.DLC, f.Flags&can.FD != 0)
	copy(f.Payload(), rapid.SliceOfN(rapid.Byte(), int(f.Len), int(f.Len)).Draw(t, "data"))
	return f
}

// anyTime draws a stamp that every format can hold: 1970 to 2106.
func anyTime(t *rapid.T) int64 {
	ns := rapid.Int64Range(0, 1<<32*1e9-1).Draw(t, "ns")
	if rapid.Bool().Draw(t, "whole microseconds") {
		ns -= ns % 1000
	}
	return ns
}

// asRead is what a frame written with opts reads back as: the losses that the
// documentation of the formats states, and no others.
func asRead(opts WriterOptions, f can.Frame, bus string) (can.Frame, string) {
	const way = can.Rx | can.Tx
	cookedLink := opts.Format != CandumpLog && opts.LinkType != linkCAN
	switch {
	case cookedLink && f.Flags&way == 0:
		f.Flags |= can.Rx
	case opts.Format == Pcap && opts.LinkType == linkCAN:
		f.Flags &^= way
	}
	if opts.Format == Pcap {
		bus = unnamedBus
		if opts.LinkType == linkSLL2 {
			bus = fmt.Sprintf("if%d", f.Bus+1)
		}
	}
	return f, bus
}

// Whatever is written reads back the same, but for what asRead says.
func TestRoundTrip(t *testing.T) {
	names := []string{"drive", "can1", "körper"}
	for _, opts := range everyTarget() {
		t.Run(targetName(opts), func(t *testing.T) {
			rapid.Check(t, func(rt *rapid.T) {
				frames := rapid.SliceOfN(rapid.Custom(anyFrame), 1, 8).Draw(rt, "frames")
				checkRoundTrip(t, opts, names, frames)
				if t.Failed() {
					rt.FailNow()
				}
			})
		})
	}
}

func checkRoundTrip(t *testing.T, opts WriterOptions, names []string, frames []can.Frame) {
	t.Helper()
	data := write(t, opts, newBuses(t, names...), frames...)
	got, rep, buses := readAll(t, string(data), 3)
	if rep.Format != opts.Format.String() || len(rep.SetAside) > 0 || rep.Broken != "" {
		t.Errorf("report %+v", rep)
	}
	if len(got) != len(frames) {
		t.Fatalf("%d frames of %d came back", len(got), len(frames))
	}
	for i := range frames {
		want, wantBus := asRead(opts, frames[i], names[frames[i].Bus])
		g := got[i]
		if g.Record != uint32(i+1) {
			t.Errorf("frame %d is record %d", i+1, g.Record)
		}
		if bus := buses[g.Bus].Name; bus != wantBus {
			t.Errorf("frame %d on bus %q, want %q", i+1, bus, wantBus)
		}
		g.Offset, g.Record, want.Bus = 0, 0, g.Bus
		if d := cmp.Diff(want, g); d != "" {
			t.Errorf("frame %d (-written +read):\n%s", i+1, d)
		}
	}
}

// Captures of real cars come back from pcapng as the very text that they were.
func TestPublicCapturesRoundTrip(t *testing.T) {
	logs, err := filepath.Glob(filepath.Join(witness.PublicData(t), "captures", "*", "*.log"))
	if err != nil || len(logs) == 0 {
		t.Fatalf("no logs: %v", err)
	}
	for _, path := range logs {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		frames, _, buses := readAll(t, string(text), 512)
		packets := write(t, WriterOptions{Format: Pcapng, Compression: Zstd}, busTable(t, buses), frames...)
		frames, _, buses = readAll(t, string(packets), 512)
		got := write(t, WriterOptions{}, busTable(t, buses), frames...)
		if want := strings.ReplaceAll(string(text), "\r", ""); string(got) != want {
			t.Errorf("%s differs (-text +read back):\n%.2000s", filepath.Base(path), cmp.Diff(want, string(got)))
		}
	}
}

func busTable(t testing.TB, buses []can.Bus) *can.Buses {
	t.Helper()
	var names []string
	for _, b := range buses {
		names = append(names, b.Name)
	}
	return newBuses(t, names...)
}
