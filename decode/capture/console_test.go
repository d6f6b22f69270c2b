package capture

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

// Console lines, without stamps. "packets" is the sample of the screen format in
// a packet library's CAN test suite; the others are from memory of the
// open-source tool's output, as standing in its source.
var consoleRows = []struct {
	name, source, line string
	want               can.Frame
	kind               Kind
}{
	{
		"ext", "packets", "  vcan0  1F334455   [8]  11 22 33 44 55 66 77 88",
		frame(0, 0x1F334455, can.Extended, 8, eight...), good,
	},
	{"std", "memory", "  can0  123   [3]  11 22 33", frame(0, 0x123, 0, 3, 0x11, 0x22, 0x33), good},
	{"std, indented", "memory", "  can0       123   [3]  11 22 33", frame(0, 0x123, 0, 3, 0x11, 0x22, 0x33), good},
	{"empty", "memory", "  can0  123   [0] ", frame(0, 0x123, 0, 0), good},
	{"ext, small id", "memory", "  can0  00000055   [1]  11", frame(0, 0x55, can.Extended, 1, 0x11), good},
	{"remote", "memory", "  can0  123   [4]  remote request", frame(0, 0x123, can.Remote, 4), good},
	{"raw DLC", "memory", "  can0  123   {E}  11 22 33 44 55 66 77 88", frame(0, 0x123, 0, 14, eight...), good},
	{"FD of 8", "memory", "  can0  123  [08]  11 22 33 44 55 66 77 88", frame(0, 0x123, can.FD, 8, eight...), good},
	{
		"FD of 64", "memory", "  can0  123  [64] " + strings.Repeat(" A5", 64),
		frame(0, 0x123, can.FD, 15, []byte(strings.Repeat("\xA5", 64))...), good,
	},
	{"FD of 0", "memory", "  can0  123  [00] ", frame(0, 0x123, can.FD, 0), good},
	{"received", "memory", "  can0  RX - -  123   [1]  11", frame(0, 0x123, can.Rx, 1, 0x11), good},
	{
		"sent, flags", "memory", "  can0  TX B E  123  [01]  11",
		frame(0, 0x123, can.Tx|can.FD|can.BRS|can.ESI, 1, 0x11), good,
	},
	{"received, before the name", "ours", "  RX B -  can0  123  [01]  11", frame(0, 0x123, can.Rx|can.FD|can.BRS, 1, 0x11), good},
	{
		"text column", "memory", "  can0  123   [3]  41 20 00                  'A .'",
		frame(0, 0x123, 0, 3, 0x41, 0x20, 0), good,
	},
	{
		"text column with a length in it", "memory", "  can0  123   [5]  20 5B 38 5D 20            ' [8] '",
		frame(0, 0x123, 0, 5, ' ', '[', '8', ']', ' '), good,
	},
	{"reversed", "memory", "  can0  123   [3]  33`22`11", frame(0, 0x123, 0, 3, 0x11, 0x22, 0x33), good},
	{
		"reversed, text column", "memory", "  can0  123   [3]  43`42`41                  `CBA`",
		frame(0, 0x123, 0, 3, 0x41, 0x42, 0x43), good,
	},
	{"bits", "memory", "  can0  123   [2]  00010001 10100010", frame(0, 0x123, 0, 2, 0x11, 0xA2), good},
	{"bits, reversed", "memory", "  can0  123   [2]  10100010`00010001", frame(0, 0x123, 0, 2, 0x11, 0xA2), good},
	{
		"error", "memory", "  can0  20000004   [8]  00 01 00 00 00 00 00 00   ERRORFRAME",
		frame(0, 4, can.Error, 8, 0, 1), good,
	},
	{"colours", "memory", "  \x1b[31mcan0\x1b[0m  \x1b[1;34m123\x1b[m   [1]  11", frame(0, 0x123, 0, 1, 0x11), good},
	{"lower case", "ours", "  can0  7ab   [2]  de ad", frame(0, 0x7AB, 0, 2, 0xDE, 0xAD), good},
	{"tabs", "ours", "can0\t123\t[1]\t11", frame(0, 0x123, 0, 1, 0x11), good},
	{"XL", "memory", "  can0  123   [0007]  (81|00:12345678) 11 22 33 44 55 66 77", can.Frame{}, XL},

	{"nine bytes", "ours", "  can0  123   [9]  11 22 33 44 55 66 77 88 99", can.Frame{}, Malformed},
	{"FD of 9", "kernel can/length.h", "  can0  123  [09]  11 22 33 44 55 66 77 88 99", can.Frame{}, Malformed},
	{"id over 11 bits", "ours", "  can0  800   [1]  11", can.Frame{}, Malformed},
	{"id over 29 bits", "ours", "  can0  40000000   [1]  11", can.Frame{}, Malformed},
	{"too many bytes", "ours", "  can0  123   [1]  11 22", can.Frame{}, Malformed},
	{"not hex", "ours", "  can0  123   [2]  11 G2", can.Frame{}, Malformed},
	{"three figures", "ours", "  can0  123   [2]  111 22", can.Frame{}, Malformed},
	{"remote FD", "ours", "  can0  123  [04]  remote request", can.Frame{}, Malformed},
	{"raw DLC 8", "ours", "  can0  123   {8}  11 22 33 44 55 66 77 88", can.Frame{}, Malformed},
	{"error mark on a data frame", "ours", "  can0  123   [1]  11   ERRORFRAME", can.Frame{}, Malformed},
	{"cut after the id", "ours", "  can0  123", can.Frame{}, Cut},
	{"cut after the name, with direction", "ours", "  can0  RX - -", can.Frame{}, Cut},
	{"cut in the length", "ours", "  can0  123   [8", can.Frame{}, Cut},
	{"cut in the data", "ours", "  can0  123   [8]  11 22", can.Frame{}, Cut},
	{"cut in a byte", "ours", "  can0  123   [8]  11 2", can.Frame{}, Cut},
	{"cut in the text column", "ours", "  can0  123   [3]  41 42 43      'AB", can.Frame{}, Cut},
	{"start missing", "ours", "3   [8]  11 22 33 44 55 66 77 88", can.Frame{}, Cut},
	{"start missing, data", "ours", "33 44 55 66 77 88", can.Frame{}, Cut},
	{"two records", "ours", "  can0  123   [1]  11  can0  124   [1]  22", can.Frame{}, Glued},
	{"cut one and whole one", "ours", "  can0  123   [8]  11 2  can0  124   [1]  22", can.Frame{}, Glued},
	{"prompt behind", "ours", "  can0  123   [1]  11 you@bench:~$", can.Frame{}, Glued},
	{"prompt", "ours", "you@bench:~$ candump any", can.Frame{}, Foreign},
	{"prose", "ours", "not too bad", can.Frame{}, Foreign},
	{"a short remark", "ours", "too bad", can.Frame{}, Foreign},
	{"brackets", "ours", "(cold) engine", can.Frame{}, Foreign},
	{"blank", "ours", "", can.Frame{}, Blank},
	{"comment", "ours", "# ignition on", can.Frame{}, Comment},
	{"zeros", "ours", "\x00\x00", can.Frame{}, Garbage},
	{"lost", "memory", "DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 3)", can.Frame{}, Lost},
}

func TestConsoleLines(t *testing.T) {
	fd := "  first  7FF  [64] " + strings.Repeat(" EE", 64)
	for _, row := range consoleRows {
		t.Run(row.name, func(t *testing.T) {
			for _, end := range []string{"\n", "\r\n"} {
				text := strings.Join([]string{fd, row.line, fd, row.line, fd, ""}, end)
				for _, batch := range []int{1, 64} {
					got, rep, _ := readAll(t, text, batch)
					checkRow(t, got, rep, row.want, row.kind)
					if rep.Format != "candump console" || rep.Clock != ClockNone {
						t.Errorf("read as %s with clock %d", rep.Format, rep.Clock)
					}
				}
			}
		})
	}
}

// Lines in the five ways candump stamps them, and what is made of the stamps.
func TestConsoleStamps(t *testing.T) {
	const ms = int64(1e6)
	for _, row := range []struct {
		name   string
		stamps []string
		want   []int64
		clock  Clock
		note   string
	}{
		{
			"absolute",
			[]string{"(1436509052.249713)", "(1436509052.449847)"},
			[]int64{1436509052_249713000, 1436509052_449847000},
			ClockAbsolute, "",
		},
		{
			"absolute, clock not set",
			[]string{"(0000000012.000000)", "(0000000013.000000)"},
			[]int64{12e9, 13e9},
			ClockRelative, "",
		},
		{
			"date",
			[]string{"(2015-07-10 06:17:32.249713)", "(2015-07-10 06:17:32.449847)"},
			[]int64{1436509052_249713000, 1436509052_449847000},
			ClockAbsolute, "UTC",
		},
		{
			"from zero",
			[]string{"(000.000000)", "(000.200134)", "(001.400000)", "(001.400000)"},
			[]int64{0, 200_134_000, 1400 * ms, 1400 * ms},
			ClockRelative, "from the start",
		},
		{
			"from zero, one step back",
			[]string{
				"(000.000000)", "(000.010000)", "(000.020000)", "(000.019999)",
				"(000.030000)", "(000.040000)", "(000.050000)", "(000.060000)", "(000.070000)",
			},
			[]int64{0, 10 * ms, 20 * ms, 19_999_000, 30 * ms, 40 * ms, 50 * ms, 60 * ms, 70 * ms},
			ClockRelative, "from the start",
		},
		{
			"gaps",
			[]string{"(000.000000)", "(000.200000)", "(000.100000)", "(000.300000)"},
			[]int64{0, 200 * ms, 300 * ms, 600 * ms},
			ClockRelative, "gaps",
		},
		{
			"equal gaps",
			[]string{"(000.000000)", "(000.010000)", "(000.010000)", "(000.010000)"},
			[]int64{0, 10 * ms, 20 * ms, 30 * ms},
			ClockRelative, "gaps",
		},
		{
			"gaps past the year 2262",
			[]string{
				"(000.000000)", "(999999999.0)", "(000000001.0)", "(999999999.0)", "(999999999.0)",
				"(999999999.0)", "(999999999.0)", "(999999999.0)", "(999999999.0)", "(999999999.0)", "(999999999.0)", "(999999999.0)",
			},
			[]int64{
				0, 999999999e9, 1000000000e9, 1999999999e9, 2999999998e9, 3999999997e9, 4999999996e9, 5999999995e9,
				6999999994e9, 7999999993e9, 8999999992e9, 8999999992e9,
			},
			ClockRelative, "gaps",
		},
		{"one frame", []string{"(000.000000)"}, []int64{0}, ClockRelative, "from the start"},
		{"none", []string{"", ""}, []int64{0, 0}, ClockNone, ""},
	} {
		t.Run(row.name, func(t *testing.T) {
			var text strings.Builder
			for _, stamp := range row.stamps {
				text.WriteString(" " + stamp + "  can0  123   [1]  11\n")
			}
			got, rep, _ := readAll(t, text.String(), 64)
			var times []int64
			for _, f := range got {
				times = append(times, f.Time)
			}
			if diff := cmp.Diff(row.want, times); diff != "" {
				t.Error(diff)
			}
			if notes := strings.Join(rep.Notes, "; "); rep.Clock != row.clock || !strings.Contains(notes, row.note) ||
				row.note == "" && notes != "" {
				t.Errorf("clock %d, notes %q; want %d, %q", rep.Clock, notes, row.clock, row.note)
			}
		})
	}
}

func TestConsoleBadDates(t *testing.T) {
	const ok = "(2015-07-10 06:17:32.249713)  can0  123   [1]  11\n"
	for _, stamp := range []string{
		"(2015-02-30 06:17:32.0)", "(2015-13-10 06:17:32.0)", "(2015-07-10 24:17:32.0)", "(2015-07-10 06:60:32.0)",
		"(2015-07-10 06:17:61.0)", "(2015/07/10 06:17:32.0)", "(9999-07-10 06:17:32.0)", "(1969-07-10 06:17:32.0)",
		"(2015-07-10 06:17:32.x)", "(1.5)", "",
	} {
		got, rep, _ := readAll(t, ok+stamp+"  can0  123   [1]  22\n"+ok, 64)
		if len(got) != 2 || rep.SetAside[Malformed].Count+rep.SetAside[Cut].Count != 1 {
			t.Errorf("%s: %d frames, set aside %v", stamp, len(got), rep.SetAside)
		}
	}
}

// Damaged lines must not shift the time of what follows unless they hide a gap,
// and then the report says so.
func TestConsoleGapsAcrossDamage(t *testing.T) {
	const text = "" +
		" (000.000000)  can0  123   [1]  11\n" +
		" (000.200000)  can0  123   [1]  11\n" +
		" (000.100000)  can0  123   [8]  11\n" + // cut, but its gap is there
		"you@bench:~$\n" +
		" (000.300000)  can0  123   [1]  11\n" +
		"  can0  123   [1]  11\n" + // its gap is lost
		" (000.100000)  can0  123   [1]  11\n"
	got, rep, _ := readAll(t, text, 64)
	if len(got) != 4 || got[2].Time != 600e6 || got[3].Time != 700e6 {
		t.Errorf("got %v", got)
	}
	if !strings.Contains(strings.Join(rep.Notes, ";"), "1 damaged lines hid their gap") {
		t.Errorf("notes: %q", rep.Notes)
	}
}

func TestConsoleErrorExplanation(t *testing.T) {
	const text = "" +
		"  can0  20000204   [8]  00 08 00 00 00 00 60 00   ERRORFRAME\n" +
		"\tcontroller-problem{tx-error-warning}\n" +
		"\terror-counter-tx-rx{{96}{0}}\n" +
		"  can0  123   [1]  11\n" +
		"\tnot an explanation\n"
	got, rep, _ := readAll(t, text, 64)
	if len(got) != 2 || !got[0].Is(can.Error) || got[0].ID != 0x204 {
		t.Errorf("frames %v", got)
	}
	if rep.SetAside[Comment].Count != 2 || rep.SetAside[Foreign].Count != 1 {
		t.Errorf("set aside %v", rep.SetAside)
	}
}

func TestConsoleSaysThatFlagsAreMissing(t *testing.T) {
	for text, want := range map[string]bool{
		"  can0  123  [01]  11\n":         true,
		"  can0  RX - -  123  [01]  11\n": false,
		"  can0  123   [1]  11\n":         false,
	} {
		_, rep, _ := readAll(t, text, 64)
		if got := strings.Contains(strings.Join(rep.Notes, ";"), "without their flags"); got != want {
			t.Errorf("%q: notes %q", text, rep.Notes)
		}
	}
}
