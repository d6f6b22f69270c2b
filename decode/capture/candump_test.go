package capture

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

// open opens a capture given as text.
func open(t testing.TB, text string, opts Options) *Reader {
	t.Helper()
	opts.Stdin = strings.NewReader(text)
	r, err := Open([]string{"-"}, opts)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// readAll reads a capture given as text in batches of the given size.
func readAll(t *testing.T, text string, batch int) ([]can.Frame, FileReport, []can.Bus) {
	t.Helper()
	r := open(t, text, Options{})
	defer r.Close()
	var all []can.Frame
	dst := make([]can.Frame, batch)
	var err error
	for err == nil {
		var n int
		n, err = r.Read(context.Background(), dst)
		all = append(all, dst[:n]...)
	}
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	rep := r.Reports()[0]
	checkAccount(t, rep)
	return all, rep, r.Buses().All()
}

// checkAccount holds every report to its promise: no record is lost.
func checkAccount(t *testing.T, rep FileReport) {
	t.Helper()
	sum := rep.Frames
	for kind, tally := range rep.SetAside {
		sum += tally.Count
		if len(tally.First) != int(min(tally.Count, places)) {
			t.Errorf("%s: %d places of %d", kind, len(tally.First), tally.Count)
		}
	}
	if rep.Records != sum {
		t.Errorf("%d records, but %d frames and set aside: %+v", rep.Records, sum, rep)
	}
}

// frame builds a frame to compare with; place and bus are left out.
func frame(ns int64, id uint32, flags can.Flags, dlc uint8, data ...byte) can.Frame {
	f := can.Frame{Time: ns, ID: id, Flags: flags, DLC: dlc, Len: can.DLCToLen(dlc, flags&can.FD != 0)}
	copy(f.Data[:], data)
	return f
}

var eight = []byte{0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88}

// The forms of the log and what damage does to them. Sources: "doc" is the doc
// comment of the compact ASCII format, "socketcan" the Rust library's
// description of it (self-declared AI text), "packets" a packet library's CAN
// test suite, "python" a Python CAN library's log reader and writer, "kernel"
// net/can/raw.c; "ours" is a choice of this package.
var candumpRows = []struct {
	name, source, line string
	want               can.Frame
	kind               Kind
}{
	{
		"std", "packets", "(1539191392.761779) vcan0 123#11223344",
		frame(1539191392_761779000, 0x123, 0, 4, 0x11, 0x22, 0x33, 0x44), good,
	},
	{
		"ext", "packets", "(1539191495.563320) vcan0 1F334455#1122334455667788",
		frame(1539191495_563320000, 0x1F334455, can.Extended, 8, eight...), good,
	},
	{
		"ext, small id", "packets", "(1539191495.563320) vcan0 00000055#1122334455667788",
		frame(1539191495_563320000, 0x55, can.Extended, 8, eight...), good,
	},
	{
		"eight bytes", "doc", "(1539191392.761779) vcan0 123#1122334455667788",
		frame(1539191392_761779000, 0x123, 0, 8, eight...), good,
	},
	{"empty", "socketcan", "(0.5) can0 123#", frame(500e6, 0x123, 0, 0), good},
	{"dots", "doc", "(0.5) can0 123#11.2233.44556677.88", frame(500e6, 0x123, 0, 8, eight...), good},
	{"lower case", "ours", "(0.5) can0 7ab#deadbeef", frame(500e6, 0x7AB, 0, 4, 0xDE, 0xAD, 0xBE, 0xEF), good},
	{"remote", "doc", "(0.5) can0 123#R", frame(500e6, 0x123, can.Remote, 0), good},
	{"remote, lower case", "doc", "(0.5) can0 7A1#r", frame(500e6, 0x7A1, can.Remote, 0), good},
	{"remote, length", "doc", "(0.5) can0 123#R7", frame(500e6, 0x123, can.Remote, 7), good},
	{"remote, raw DLC", "doc", "(0.5) can0 123#R8_9", frame(500e6, 0x123, can.Remote, 9), good},
	{"remote, ext", "ours", "(0.5) can0 00000123#R3", frame(500e6, 0x123, can.Remote|can.Extended, 3), good},
	{"raw DLC", "doc", "(0.5) can0 123#1122334455667788_E", frame(500e6, 0x123, 0, 14, eight...), good},
	{"raw DLC, lower case", "ours", "(0.5) can0 123#1122334455667788_f", frame(500e6, 0x123, 0, 15, eight...), good},
	{"FD", "doc", "(0.5) can0 123##0112233", frame(500e6, 0x123, can.FD, 3, 0x11, 0x22, 0x33), good},
	{"FD, BRS", "doc", "(0.5) can0 123##1", frame(500e6, 0x123, can.FD|can.BRS, 0), good},
	{"FD, ESI", "doc", "(0.5) can0 123##2", frame(500e6, 0x123, can.FD|can.ESI, 0), good},
	{"FD, BRS and ESI", "doc", "(0.5) can0 123##3", frame(500e6, 0x123, can.FD|can.BRS|can.ESI, 0), good},
	{"FD, kernel's FDF bit", "kernel", "(0.5) can0 123##5", frame(500e6, 0x123, can.FD|can.BRS, 0), good},
	{
		"FD, 12 bytes", "socketcan", "(0.5) can0 120##500112233445566778899AABB",
		frame(500e6, 0x120, can.FD|can.BRS, 9, 0, 0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99, 0xAA, 0xBB), good,
	},
	{
		"FD, 64 bytes, ext", "ours", "(0.5) can0 12345678##0" + strings.Repeat("A5", 64),
		frame(500e6, 0x12345678, can.FD|can.Extended, 15, []byte(strings.Repeat("\xA5", 64))...), good,
	},
	{"XL", "doc", "(0.5) can0 45123#81:00:12345678#11223344.556677", can.Frame{}, XL},
	{"XL without VCID", "ours", "(0.5) can0 123#81:00:12345678#11223344.556677", can.Frame{}, XL},
	{"error, controller", "socketcan", "(0.5) can0 20000004#0000000000000000", frame(500e6, 4, can.Error, 8), good},
	{"error, bus error", "python", "(0.5) can0 20000080#0000000000000000", frame(500e6, 0x80, can.Error, 8), good},
	{
		"error, mixed id", "doc", "(0.5) can0 32345678#112233",
		frame(500e6, 0x12345678, can.Error, 3, 0x11, 0x22, 0x33), good,
	},
	{"received", "docs of the Rust library; letter from memory", "(0.5) can0 123#11 R", frame(500e6, 0x123, can.Rx, 1, 0x11), good},
	{"sent", "docs of the Rust library; letter from memory", "(0.5) can0 123#11 T", frame(500e6, 0x123, can.Tx, 1, 0x11), good},
	{"zero stamp", "python", "(0.0) vcan0 123#11", frame(0, 0x123, 0, 1, 0x11), good},
	{"nine figures", "ours", "(1.123456789) can0 123#11", frame(1_123456789, 0x123, 0, 1, 0x11), good},
	{"twelve figures", "ours", "(1.123456789999) can0 123#11", frame(1_123456789, 0x123, 0, 1, 0x11), good},
	{"no fraction", "ours", "(12) can0 123#11", frame(12e9, 0x123, 0, 1, 0x11), good},
	{"latest stamp", "computed", "(9223372035.999999999) can0 123#", frame(9223372035_999999999, 0x123, 0, 0), good},
	{"numeric channel", "python", "(0.5) 1 123#11", frame(500e6, 0x123, 0, 1, 0x11), good},
	{"wide blanks", "ours", "  (0.5) \t can0   123#11  ", frame(500e6, 0x123, 0, 1, 0x11), good},

	{"id over 11 bits", "ours", "(0.5) can0 800#11", can.Frame{}, Malformed},
	{"id over 29 bits", "ours", "(0.5) can0 40000000#11", can.Frame{}, Malformed},
	{"four id digits", "ours", "(0.5) can0 0123#11", can.Frame{}, Malformed},
	{"nine id digits", "ours", "(0.5) can0 012345678#11", can.Frame{}, Malformed},
	{"no id", "ours", "(0.5) can0 #11", can.Frame{}, Malformed},
	{"nine bytes", "doc", "(0.5) can0 123#112233445566778899", can.Frame{}, Malformed},
	{"sixteen bytes", "ours", "(1700000000.181291) can0 123#11223344556677881122334455667788", can.Frame{}, Malformed},
	{"raw DLC with 7 bytes", "doc", "(0.5) can0 123#11223344556677_E", can.Frame{}, Malformed},
	{"raw DLC 8", "doc", "(0.5) can0 123#1122334455667788_8", can.Frame{}, Malformed},
	{"remote of 9 bytes", "ours", "(0.5) can0 123#R9", can.Frame{}, Malformed},
	{"remote error frame", "doc", "(0.5) can0 20000004#R", can.Frame{}, Malformed},
	{"FD error frame", "ours", "(0.5) can0 20000004##0", can.Frame{}, Malformed},
	{"FD remote", "doc", "(0.5) can0 123##R", can.Frame{}, Malformed},
	{"FD of 9 bytes", "kernel can/length.h", "(0.5) can0 123##0112233445566778899", can.Frame{}, Malformed},
	{"FD of 65 bytes", "ours", "(0.5) can0 123##0" + strings.Repeat("A5", 65), can.Frame{}, Malformed},
	{"FD flags 8", "ours", "(0.5) can0 123##8", can.Frame{}, Malformed},
	{"not hex", "ours", "(0.5) can0 123#1G", can.Frame{}, Malformed},
	{"two dots", "ours", "(0.5) can0 123#11..22", can.Frame{}, Malformed},
	{"stamp after 2262", "computed", "(9223372036.0) can0 123#11", can.Frame{}, Malformed},
	{"stamp without figures", "ours", "(.) can0 123#11", can.Frame{}, Cut},

	{"cut in the stamp", "ours", "(1700000000.18", can.Frame{}, Cut},
	{"cut after the stamp", "ours", "(1700000000.181291)", can.Frame{}, Cut},
	{"cut in the name", "ours", "(1700000000.181291) ca", can.Frame{}, Cut},
	{"cut in the id", "ours", "(1700000000.181291) can0 2C", can.Frame{}, Cut},
	{"cut in a byte", "ours", "(1700000000.181291) can0 1C4#0A6", can.Frame{}, Cut},
	{"cut before the raw DLC", "ours", "(0.5) can0 123#1122334455667788_", can.Frame{}, Cut},
	{"cut before the FD flags", "ours", "(0.5) can0 123##", can.Frame{}, Cut},
	{"start missing, stamp", "ours", "81291) can0 1C4#0123", can.Frame{}, Cut},
	{"start missing, name", "ours", "n0 1C4#0123 R", can.Frame{}, Cut},
	{"start missing, id", "ours", "C4#0123", can.Frame{}, Cut},
	{"start missing, data", "ours", "234567", can.Frame{}, Cut},
	{"two records", "ours", "(1.181291) can0 1C4#0123(1.181536) can1 3B0#42", can.Frame{}, Glued},
	{"two records, blank", "ours", "(1.181291) can0 1C4#0123 (1.181536) can1 3B0#42", can.Frame{}, Glued},
	{"a cut one before a whole one", "ours", "(1.1812(1.181536) can1 3B0#42", can.Frame{}, Glued},
	{"a tail before a whole one", "ours", "0123(1.181536) can1 3B0#42", can.Frame{}, Glued},
	{"two frames, one stamp", "ours", "(1.181291) can0 1C4#0123can1 3B0#42", can.Frame{}, Glued},
	{"prompt before", "ours", "you@bench:~$ (1.181291) can0 1C4#0123", can.Frame{}, Glued},
	{"prompt behind", "ours", "(1.181291) can0 1C4#0123 you@bench:~$", can.Frame{}, Glued},
	{"prompt", "ours", "you@bench:~$ cat my.log", can.Frame{}, Foreign},
	{"root prompt", "ours", "root@bench:~# candump -L can0", can.Frame{}, Foreign},
	{"prose", "ours", "engine (cold) started, see #3", can.Frame{}, Foreign},
	{"blank", "ours", "", can.Frame{}, Blank},
	{"blanks", "ours", " \t ", can.Frame{}, Blank},
	{"comment", "ours", "# ignition on", can.Frame{}, Comment},
	{"bare comment sign", "ours", "#", can.Frame{}, Comment},
	{"zeros", "ours: a disk that lost power", strings.Repeat("\x00", 40), can.Frame{}, Garbage},
}

func TestCandumpLines(t *testing.T) {
	const before = "(0.1) first 7FF##1" // an FD slot to be cleaned, and a capture in any case
	fd := before + strings.Repeat("EE", 64)
	for _, row := range candumpRows {
		t.Run(row.name, func(t *testing.T) {
			for _, end := range []string{"\n", "\r\n"} {
				// twice, so that state left by the first would show in the second
				text := strings.Join([]string{fd, row.line, fd, row.line, fd, ""}, end)
				for _, batch := range []int{1, 2, 64} {
					got, rep, _ := readAll(t, text, batch)
					checkRow(t, got, rep, row.want, row.kind)
				}
			}
		})
	}
}

func checkRow(t *testing.T, got []can.Frame, rep FileReport, want can.Frame, kind Kind) {
	t.Helper()
	if rep.Records != 5 {
		t.Errorf("%d records, want 5", rep.Records)
	}
	if kind != good {
		if len(got) != 3 || rep.SetAside[kind].Count != 2 || rep.SetAside[kind].First[0].Record != 2 {
			t.Errorf("%d frames, set aside %v; want 3 and twice %q", len(got), rep.SetAside, kind)
		}
		return
	}
	if len(got) != 5 {
		t.Fatalf("%d frames, set aside %v; want 5", len(got), rep.SetAside)
	}
	for _, i := range []int{1, 3} {
		f := got[i]
		if f.Record != uint32(i+1) || f.Valid() != nil {
			t.Errorf("record %d at line %d: %v", f.Record, i+1, f.Valid())
		}
		f.Record, f.Offset, f.Bus = 0, 0, 0
		if diff := cmp.Diff(want, f); diff != "" {
			t.Errorf("frame %d (-want +got):\n%s", i, diff)
		}
	}
}

func TestOpenRefuses(t *testing.T) {
	for _, row := range []struct{ name, text, want string }{
		{"empty", "", "it is empty"},
		{"prose", "hello\nworld\n", `it begins with "hello\nworld\n"`},
		{"comments only", "# nothing\n\n", "it begins with"},
		{"first line cut", "(1700000000.181291) can0 1C4#0A6", "it begins with"},
		{"one long line", strings.Repeat("x", 1<<20), "it begins with"},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, err := Open([]string{"-"}, Options{Stdin: strings.NewReader(row.text)})
			var e *Error
			if !errors.Is(err, ErrNotCapture) || !errors.As(err, &e) || !strings.Contains(err.Error(), row.want) {
				t.Errorf("got %v, want %q", err, row.want)
			}
			if err != nil && strings.Contains(err.Error(), "\n") {
				t.Errorf("more than one line: %v", err)
			}
		})
	}
}
