package capture

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

// plainColumns are time in seconds, identifier, length and data, by number.
func plainColumns() *Columns {
	return &Columns{
		Delimiter: ',',
		Time:      TimeColumn{Column: Column{Number: 1}, Unit: 1e9},
		ID:        IDColumn{Column: Column{Number: 2}},
		Length:    LengthColumn{Column: Column{Number: 3}, Base: Decimal},
		Data:      DataColumns{Column: Column{Number: 4}},
	}
}

// with changes columns and returns them.
func with(c *Columns, changes ...func(*Columns)) *Columns {
	for _, change := range changes {
		change(c)
	}
	return c
}

func number(n int) Column { return Column{Number: n} }

// readDelimited reads text by columns to its end.
func readDelimited(t testing.TB, c *Columns, text string, batch int) ([]can.Frame, FileReport, []can.Bus) {
	t.Helper()
	r := open(t, text, Options{Columns: c})
	defer r.Close()
	var all []can.Frame
	dst := make([]can.Frame, batch)
	for i := range dst { // what a caller's batch held before must not show
		dst[i] = can.Frame{Flags: can.FD, Len: 64, Data: [64]byte{1, 9: 2, 63: 3}}
	}
	for {
		n, err := r.Read(context.Background(), dst)
		all = append(all, dst[:n]...)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	return all, r.Reports()[0], r.Buses().All()
}

// short writes a frame as "ns id flags len:data".
func short(f *can.Frame) string {
	return fmt.Sprintf("%d %X %s%d:%X", f.Time, f.ID, flagText(f.Flags), f.DLC, f.Data[:f.Len])
}

func flagText(flags can.Flags) string {
	text := ""
	for i, c := range "xreFbs<>" {
		if flags&(1<<i) != 0 {
			text += string(c)
		}
	}
	if text != "" {
		text += " "
	}
	return text
}

// Every row is one line that follows a good one: the frame it gives, or what it
// is set aside as.
func TestDelimitedLines(t *testing.T) {
	hexPrefixed := func(c *Columns) { c.ID.Base = Prefixed }
	noLength := func(c *Columns) { c.Length = LengthColumn{}; c.Data.Column = number(3) }
	for _, row := range []struct {
		name    string
		columns *Columns
		good    string // the line before; "": one of plainColumns
		line    string
		want    string // a frame, or a Kind
	}{
		{"plain", plainColumns(), "", "1.5,1A0,3,11 22 33", "1500000000 1A0 3:112233"},
		{"carriage return", plainColumns(), "", "1.5,1A0,3,11 22 33\r", "1500000000 1A0 3:112233"},
		{"blanks around", plainColumns(), "", " 1.5 ,\t1A0 , 3 , 11 22  33 ", "1500000000 1A0 3:112233"},
		{"quoted", plainColumns(), "", `"1.5","1A0","3","11 22 33"`, "1500000000 1A0 3:112233"},
		{"quoted with a delimiter", with(plainColumns(), func(c *Columns) { c.Data.Separator = ',' }), "", `1.5,1A0,3,"11,22,33"`, "1500000000 1A0 3:112233"},
		{"quote left open", plainColumns(), "", `1.5,1A0,3,"11 22 33`, string(Malformed)},
		{"text behind a quote", plainColumns(), "", `1.5,"1A0"1,3,11 22 33`, string(Malformed)},
		{"no data, no last column", plainColumns(), "", "1.5,1A0,0", "1500000000 1A0 0:"},
		{"more columns", plainColumns(), "", "1.5,1A0,1,11,a remark,7", "1500000000 1A0 1:11"},
		{"without blanks", plainColumns(), "", "1.5,1A0,3,112233", "1500000000 1A0 3:112233"},
		{"bytes with 0x", plainColumns(), "", "1.5,0x1A0,3,0x11 0x22 0x33", "1500000000 1A0 3:112233"},
		{"one number with 0x", plainColumns(), "", "1.5,1A0h,3,0x112233", "1500000000 1A0 3:112233"},
		{"one figure a byte", plainColumns(), "", "1.5,1A0,3,1 2 3", "1500000000 1A0 3:010203"},
		{"half a byte", plainColumns(), "", "1.5,1A0,3,11223", string(Cut)},
		{"fewer bytes", plainColumns(), "", "1.5,1A0,4,11 22 33", string(Cut)},
		{"more bytes", plainColumns(), "", "1.5,1A0,2,11 22 33", string(Malformed)},
		{"no hexadecimal byte", plainColumns(), "", "1.5,1A0,3,11 22 3G", string(Malformed)},
		{"too few columns", plainColumns(), "", "1.5,1A0", string(Cut)},
		{"no columns", plainColumns(), "", "end of the measurement", string(Foreign)},
		{"nothing", plainColumns(), "", "  ", string(Blank)},
		{"a spreadsheet's empty row", plainColumns(), "", ",,, ,", string(Blank)},
		{"zeros", plainColumns(), "", "1.5,1A\x00,3,11", string(Garbage)},
		{"comment", with(plainColumns(), func(c *Columns) { c.Comment = "//" }), "", "// 1.5,1A0,3,11 22 33", string(Comment)},
		{"no number for a time", plainColumns(), "", "1.5s,1A0,0,", string(Malformed)},
		{"before the start", plainColumns(), "", "-1.5,1A0,0,", string(Malformed)},
		{"before the start, shifted", with(plainColumns(), func(c *Columns) { c.Time.Add = 2e9 }), "", "-1.5,1A0,0,", "500000000 1A0 0:"},
		{"exponent", plainColumns(), "", "1.5e-3,1A0,0,", "1500000 1A0 0:"},
		{"two points", plainColumns(), "", "1.5.3,1A0,0,", string(Malformed)},
		{"past the year 2262", plainColumns(), "", "1e10,1A0,0,", string(Malformed)},
		{"id too large", plainColumns(), "", "1.5,20000000,0,", string(Malformed)},
		{"29 bits by size", plainColumns(), "", "1.5,18FEEE00,0,", "1500000000 18FEEE00 x 0:"},
		{"29 bits by width", with(plainColumns(), func(c *Columns) { c.ID.Extended = ExtendedWidth }), "", "1.5,000001A0,0,", "1500000000 1A0 x 0:"},
		{"29 bits by a suffix", with(plainColumns(), func(c *Columns) { c.ID.Extended, c.ID.Suffix = ExtendedSuffix, "x" }), "", "1.5,1A0X,0,", "1500000000 1A0 x 0:"},
		{"11 bits without it", with(plainColumns(), func(c *Columns) { c.ID.Extended, c.ID.Suffix = ExtendedSuffix, "x" }), "", "1.5,800,0,", string(Malformed)},
		{"29 bits by bit 31", with(plainColumns(), func(c *Columns) { c.ID.Extended, c.ID.Base = ExtendedBit31, Decimal }), "1,5,0,", "1.5,2147484064,0,", "1500000000 1A0 x 0:"},
		{"29 bits always", with(plainColumns(), func(c *Columns) { c.ID.Extended = ExtendedAlways }), "", "1.5,1A0,0,", "1500000000 1A0 x 0:"},
		{"29 bits never", with(plainColumns(), func(c *Columns) { c.ID.Extended = ExtendedNever }), "", "1.5,800,0,", string(Malformed)},
		{"29 bits by a flag", with(plainColumns(), func(c *Columns) {
			c.Flags = []FlagColumn{{Flag: can.Extended, Column: number(5), Words: []string{"ext", "1"}}}
		}), "", "1.5,1A0,0,,EXT", "1500000000 1A0 x 0:"},
		{"decimal id", with(plainColumns(), func(c *Columns) { c.ID.Base = Decimal }), "", "1.5,416,0,", "1500000000 1A0 0:"},
		{"letters in a decimal id", with(plainColumns(), func(c *Columns) { c.ID.Base = Decimal }), "", "1.5,1A0,0,", string(Malformed)},
		{"prefixed id", with(plainColumns(), hexPrefixed), "", "1.5,0x1A0,0,", "1500000000 1A0 0:"},
		{"id without the prefix", with(plainColumns(), hexPrefixed), "", "1.5,416,0,", "1500000000 1A0 0:"},
		{"length 9 of a classic frame", plainColumns(), "", "1.5,1A0,9,112233445566778899", string(Malformed)},
		{"FD by its length", plainColumns(), "", "1.5,1A0,12,112233445566778899AABBCC", "1500000000 1A0 F 9:112233445566778899AABBCC"},
		{"code 9 of a classic frame", with(plainColumns(), func(c *Columns) { c.Length.Code = true }), "", "1.5,1A0,9,1122334455667788", "1500000000 1A0 9:1122334455667788"},
		{"code in hexadecimal", with(plainColumns(), func(c *Columns) { c.Length.Code, c.Length.Base = true, Hex }), "", "1.5,1A0,F,1122334455667788", "1500000000 1A0 15:1122334455667788"},
		{"code 16", with(plainColumns(), func(c *Columns) { c.Length.Code = true }), "", "1.5,1A0,16,11", string(Malformed)},
		{"no length", with(plainColumns(), noLength), "1.5,1A0,", "1.5,1A0,11 22", "1500000000 1A0 2:1122"},
		{"nine bytes, no length", with(plainColumns(), noLength), "1.5,1A0,", "1.5,1A0,112233445566778899", string(Malformed)},
		{"65 bytes, no length", with(plainColumns(), noLength), "1.5,1A0,", "1.5,1A0," + strings.Repeat("11", 65), string(Malformed)},
		{"decimal bytes", with(plainColumns(), func(c *Columns) { c.Data.Base = Decimal }), "", "1.5,1A0,3,1 20 255", "1500000000 1A0 3:0114FF"},
		{"a decimal byte too large", with(plainColumns(), func(c *Columns) { c.Data.Base = Decimal }), "", "1.5,1A0,3,1 20 256", string(Malformed)},
		{"separator", with(plainColumns(), func(c *Columns) { c.Data.Separator = '-' }), "", "1.5,1A0,3,11-22-33", "1500000000 1A0 3:112233"},
	} {
		t.Run(row.name, func(t *testing.T) {
			before := row.good
			if before == "" {
				before = "1,0,0,"
			}
			frames, rep, _ := readDelimited(t, row.columns, before+"\n"+row.line+"\n"+before+"\n", 7)
			got := ""
			switch {
			case len(frames) == 3:
				got = short(&frames[1])
			case len(frames) == 2:
				for kind := range rep.SetAside {
					got = string(kind)
				}
			}
			if got != row.want {
				t.Errorf("got %q, want %q; %+v", got, row.want, rep)
			}
			if last := frames[len(frames)-1]; last.Record != 3 || last.Offset != int64(len(before)+len(row.line)+2) {
				t.Errorf("the line after it: %+v", last)
			}
		})
	}
}

// wideColumns have a header, a bus, every flag, and a column for each byte.
func wideColumns() *Columns {
	name := func(s string) Column { return Column{Name: s} }
	flag := func(f can.Flags, column string, words ...string) FlagColumn {
		return FlagColumn{Flag: f, Column: name(column), Words: words}
	}
	return &Columns{
		Delimiter: ';', Skip: 2, Header: true, DecimalComma: true,
		Time: TimeColumn{Column: name("Time [ms]"), Unit: 1e6},
		ID:   IDColumn{Column: name("ID"), Base: Hex},
		Bus:  BusColumn{Column: name("Ch"), Names: map[string]string{"1": "drive"}},
		Flags: []FlagColumn{
			flag(can.Extended, "Kind", "ext"), flag(can.Remote, "Kind", "rtr"), flag(can.Error, "Kind", "err"),
			flag(can.FD, "Kind", "fd"), flag(can.BRS, "Kind", "brs"), flag(can.ESI, "Kind", "esi"),
			flag(can.Tx, "Dir", "out"), flag(can.Rx, "Dir", "in"),
		},
		Only:   &FlagColumn{Column: name("Event"), Words: []string{"frame"}},
		Length: LengthColumn{Column: name("Len"), Base: Decimal},
		Data:   DataColumns{From: name("B0"), To: name("B7")},
	}
}

const wideText = "\xEF\xBB\xBFexported\r\n\"two; lines\"\r\n" +
	"Event;Time [ms];Ch;Kind;ID;Dir;Len;B0;B1;B2;B3;B4;B5;B6;B7;Note\r\n" +
	"frame;0,5;1;std;1A0;in;2;11;22;;;;;;;\"a \"\"note\"\"\"\r\n" +
	"frame;1,25;body;ext|fd,brs;1A0;out;8;1;2;3;4;5;6;7;8\r\n" +
	"frame;2;1;rtr;1A1;in;4\r\n" +
	"frame;2,5;1;err;;in;0\r\n" +
	"start;2,6;1;;;;\r\n" +
	"frame;3;1;std;7FF;in;0;;;;;;;;\r\n" +
	"Event;Time [ms];Ch;Kind;ID;Dir;Len;B0;B1;B2;B3;B4;B5;B6;B7;Note\r\n" +
	"frame;4;1;rtr,fd;7FF;in;0;;;;;;;;\r\n" +
	"frame;5;1;std;7FF;in;8;1;2;3;4;5;6;7;;\r\n" +
	"frame;6;1;std;12;in;1;AB;cd"

func TestDelimitedWide(t *testing.T) {
	frames, rep, buses := readDelimited(t, wideColumns(), wideText, 3)
	var got []string
	for i := range frames {
		got = append(got, fmt.Sprintf("%d %s %s", frames[i].Record, buses[frames[i].Bus].Name, short(&frames[i])))
	}
	want := []string{
		"4 drive 500000 1A0 < 2:1122",
		"5 body 1250000 1A0 xFb> 8:0102030405060708",
		"6 drive 2000000 1A1 r< 4:00000000",
		"7 drive 2500000 0 e< 8:0000000000000000",
		"9 drive 3000000 7FF < 0:",
		"13 drive 6000000 12 < 1:AB",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("frames (-want +got):\n%s", d)
	}
	aside := map[Kind][]uint32{}
	for kind, tally := range rep.SetAside {
		for _, p := range tally.First {
			aside[kind] = append(aside[kind], p.Record)
		}
	}
	wantAside := map[Kind][]uint32{Comment: {1, 2, 3}, OtherLink: {8}, Malformed: {11}, Cut: {12}}
	if d := cmp.Diff(wantAside, aside); d != "" || rep.SetAside[Comment].Count != 4 {
		t.Errorf("set aside (-want +got):\n%s%+v", d, rep.SetAside[Comment])
	}
	if rep.Format != FormatDelimited || rep.Clock != ClockRelative {
		t.Errorf("%s, clock %s", rep.Format, rep.Clock)
	}
	wantNotes := []string{"in malformed records, " + faultWords[faultKindOf], noteUnended}
	if d := cmp.Diff(wantNotes, rep.Notes); d != "" {
		t.Errorf("notes (-want +got):\n%s", d)
	}
}

// Stamps of every kind, and clocks that begin anew.
func TestDelimitedClocks(t *testing.T) {
	layout := func(text string) func(*Columns) {
		return func(c *Columns) { c.Time.Unit, c.Time.Layout = 0, text }
	}
	unit := func(ns int64) func(*Columns) { return func(c *Columns) { c.Time.Unit = ns } }
	const day = int64(1_700_006_400e9) // 2023-11-15, date -u -d @1700006400
	for _, row := range []struct {
		name   string
		change []func(*Columns)
		stamps []string
		want   []int64
		clock  Clock
	}{
		{"seconds", nil, []string{"0", "0.000000001", "12.3456789015"}, []int64{0, 1, 12345678902}, ClockRelative},
		{"epoch", []func(*Columns){func(c *Columns) { c.Time.From = FromEpoch }}, []string{"1700006400.25"}, []int64{day + 250e6}, ClockAbsolute},
		{"milliseconds", []func(*Columns){unit(1e6)}, []string{"0.5", "7"}, []int64{5e5, 7e6}, ClockRelative},
		{"ticks of 10 us", []func(*Columns){unit(1e4)}, []string{"1", "65535"}, []int64{1e4, 655350000}, ClockRelative},
		{"gaps", []func(*Columns){func(c *Columns) { c.Time.From = FromRecord }}, []string{"0.5", "0.25", "0"}, []int64{5e8, 75e7, 75e7}, ClockRelative},
		{
			"seconds of a day",
			[]func(*Columns){func(c *Columns) { c.Time.Day = day; c.Time.Wraps = 86400e9 }},
			[]string{"86399.5", "0.5", "86399.75", "1"},
			[]int64{day + 86399_500e6, day + 86400_500e6, day + 86399_750e6, day + 86401e9},
			ClockAbsolute,
		},
		{
			"counter of 16 bits",
			[]func(*Columns){unit(1e6), func(c *Columns) { c.Time.Wraps = 65536e6 }},
			[]string{"65535", "0", "40000", "65000", "2"},
			[]int64{65535e6, 65536e6, 105536e6, 130536e6, 131074e6},
			ClockRelative,
		},
		{"a small step back is no wrap", []func(*Columns){func(c *Columns) { c.Time.Wraps = 100e9 }}, []string{"60", "50", "20"}, []int64{60e9, 50e9, 120e9}, ClockRelative},
		{"time of day", []func(*Columns){layout("hh:mm:ss")}, []string{"00:00:01.5", "1:2:3", "23:59:59,25"}, []int64{15e8, 3723e9}, ClockRelative},
		{
			"time of day over midnight",
			[]func(*Columns){layout("hh:mm:ss"), func(c *Columns) { c.Time.Wraps = 86400e9; c.DecimalComma = true }},
			[]string{"23:59:59,25", "0:00:00.5"},
			[]int64{86399_250e6, 86400_500e6},
			ClockRelative,
		},
		{
			"time of a known day, two hours ahead",
			[]func(*Columns){layout("hh:mm:ss"), func(c *Columns) { c.Time.Day = day; c.Time.East = 7200e9 }},
			[]string{"02:00:01"},
			[]int64{day + 1e9},
			ClockAbsolute,
		},
		{"date", []func(*Columns){layout("YYYY-MM-DD hh:mm:ss")}, []string{"2023-11-15  00:00:01.000000001", "2023-02-29 00:00:00", "2023-11-15 24:00:00"}, []int64{day + 1e9 + 1}, ClockAbsolute},
		{
			"date with a zone",
			[]func(*Columns){layout("YYYY-MM-DDThh:mm:ss")},
			[]string{"2023-11-15T00:00:01Z", "2023-11-15T02:00:01+02:00", "2023-11-15T02:00:01 +0200", "2023-11-14T19:00:01-05", "2023-11-14T19:00:01-5"},
			[]int64{day + 1e9, day + 1e9, day + 1e9, day + 1e9},
			ClockAbsolute,
		},
		{
			"day first, half days",
			[]func(*Columns){layout("DD.MM.YY hh:mm:ss AP")},
			[]string{"15.11.23 12:00:01 am", "15.11.23 12:00:01 PM", "15.11.23 1:00:00 pm", "15.11.23 13:00:00 pm"},
			[]int64{day + 1e9, day + 43201e9, day + 46800e9},
			ClockAbsolute,
		},
		{"outside a counter", []func(*Columns){func(c *Columns) { c.Time.Wraps = 100e9 }}, []string{"99", "100"}, []int64{99e9}, ClockRelative},
	} {
		t.Run(row.name, func(t *testing.T) {
			c := with(plainColumns(), row.change...)
			c.Delimiter = ';'
			text := ""
			for _, s := range row.stamps {
				text += s + ";1A0;0;\n"
			}
			frames, rep, _ := readDelimited(t, c, text, 2)
			var got []int64
			for i := range frames {
				got = append(got, frames[i].Time)
			}
			if d := cmp.Diff(row.want, got); d != "" || rep.Clock != row.clock {
				t.Errorf("(-want +got):\n%sclock %s", d, rep.Clock)
			}
		})
	}
}

// A gap counts whatever else is wrong with its record; one that is hidden is said.
func TestDelimitedGaps(t *testing.T) {
	c := with(plainColumns(), func(c *Columns) { c.Time.From = FromRecord })
	frames, rep, _ := readDelimited(t, c, "1,1A0,0,\n1,XYZ,0,\n1,1A0,0,\n?,1A0,0,\n1,1A0,0,\n", 9)
	if len(frames) != 3 || frames[1].Time != 3e9 || frames[2].Time != 4e9 {
		t.Errorf("%+v", frames)
	}
	if want := "1 damaged lines hid their gap, so the times after them are early"; rep.Notes[len(rep.Notes)-1] != want {
		t.Errorf("notes %q", rep.Notes)
	}
}

// What is no capture by its columns says which line, which column, and why.
func TestDelimitedRefused(t *testing.T) {
	named := with(plainColumns(), func(c *Columns) { c.Header = true; c.ID.Column = Column{Name: "ID"} })
	for _, row := range []struct {
		name, text, want string
		columns          *Columns
	}{
		{"other columns", "time,id\n0.5,XYZ,0,\n", `line 1: it has too few columns`, plainColumns()},
		{"a field", "0.5,XYZ,0,\n", `line 1, column 2, "XYZ": the identifier is no number as its column says`, plainColumns()},
		{"no such name", "time,ident\n0.5,1A0,0,\n", `the header in line 1 has no column "ID", but "time", "ident"`, named},
		{"no header", "time,ident", "it ends before the header", named},
		{"UTF-16", "\xFF\xFE0\x00,\x001\x00", "UTF-16", plainColumns()},
		{"UTF-16 without its mark", "0\x00,\x001\x00,\x000\x00\n\x00", "UTF-16", plainColumns()},
		{"blank lines", "\n\n", "no line of its first 64 kB is a record", plainColumns()},
		{"zeros", "\x00\x00\x00\x00\x00", "unreadable bytes", plainColumns()},
		{"empty", "", "it is empty", plainColumns()},
	} {
		_, err := Open([]string{"-"}, Options{Stdin: strings.NewReader(row.text), Columns: row.columns})
		if !errors.Is(err, ErrNotCapture) || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: %v, want %q", row.name, err, row.want)
		}
	}
}

// Columns do not stand in the way of captures with a format of their own.
func TestColumnsLeaveOthers(t *testing.T) {
	for _, text := range []string{"(1700000000.000000) can0 123#11\n", "  can0  123   [1]  11\n"} {
		frames, rep, _ := readDelimited(t, plainColumns(), text, 4)
		if len(frames) != 1 || !strings.HasPrefix(rep.Format, "candump") {
			t.Errorf("%q: %s", text, rep.Format)
		}
	}
}

func TestColumnsCheck(t *testing.T) {
	for _, row := range []struct {
		key    string
		change func(*Columns)
	}{
		{"delimiter", func(c *Columns) { c.Delimiter = 0 }},
		{"delimiter", func(c *Columns) { c.Delimiter = '"' }},
		{"skip", func(c *Columns) { c.Skip = -1 }},
		{"comment", func(c *Columns) { c.Comment = "0" }},
		{"bus.name", func(c *Columns) { c.Bus.Name = "a#b" }},
		{"bus.name", func(c *Columns) { c.Bus.Name, c.Bus.Column = "a", number(5) }},
		{"bus.names", func(c *Columns) { c.Bus.Names = map[string]string{"1": "drive"} }},
		{"time.column", func(c *Columns) { c.Time.Column = Column{} }},
		{"time.column", func(c *Columns) { c.Time.Column = Column{Name: "Time"} }},
		{"time.column", func(c *Columns) { c.Time.Column = number(513) }},
		{"time", func(c *Columns) { c.Time.Unit = 0 }},
		{"time", func(c *Columns) { c.Time.Layout = "hh:mm:ss" }},
		{"time.unit", func(c *Columns) { c.Time.Unit = -1 }},
		{"time.zone", func(c *Columns) { c.Time.East = 1 }},
		{"time.from", func(c *Columns) { c.Time.Unit, c.Time.Layout, c.Time.From = 0, "hh:mm:ss", FromEpoch }},
		{"time.wraps", func(c *Columns) { c.Time.From, c.Time.Wraps = FromRecord, 1e9 }},
		{"time.day", func(c *Columns) { c.Time.From, c.Time.Day = FromEpoch, 1e9 }},
		{"time.layout", func(c *Columns) { c.Time.Unit, c.Time.Layout = 0, "hh:mm" }},
		{"time.layout", func(c *Columns) { c.Time.Unit, c.Time.Layout = 0, "hh:mm:ss hh" }},
		{"time.layout", func(c *Columns) { c.Time.Unit, c.Time.Layout = 0, "DD hh:mm:ss" }},
		{"time.layout", func(c *Columns) { c.Time.Unit, c.Time.Layout = 0, "hh:mm:ss.fff" }},
		{"time.layout", func(c *Columns) { c.Time.Unit, c.Time.Layout, c.Time.Wraps = 0, "YYYYMMDD hhmmss", 1 }},
		{"id.column", func(c *Columns) { c.ID.Column = Column{} }},
		{"id.suffix", func(c *Columns) { c.ID.Extended = ExtendedSuffix }},
		{"id.extended", func(c *Columns) { c.ID.Extended, c.ID.Base = ExtendedWidth, Decimal }},
		{"id.extended", func(c *Columns) {
			c.ID.Extended, c.Flags = ExtendedAlways, []FlagColumn{{Flag: can.Extended, Column: number(5), Mask: 1}}
		}},
		{"data", func(c *Columns) { c.Data.Column = Column{} }},
		{"data.from", func(c *Columns) { c.Data.From = number(5) }},
		{"data.to", func(c *Columns) { c.Data.To = number(5) }},
		{"data.base", func(c *Columns) { c.Data.Base = Prefixed }},
		{"data.separator", func(c *Columns) { c.Data.Separator = 'A' }},
		{"fd.words", func(c *Columns) { c.Flags = []FlagColumn{{Flag: can.FD, Column: number(5)}} }},
		{"fd.column", func(c *Columns) { c.Flags = []FlagColumn{{Flag: can.FD, Mask: 1}} }},
		{"only.words", func(c *Columns) { c.Only = &FlagColumn{Column: number(5)} }},
	} {
		err := with(plainColumns(), row.change).Check()
		var f *ColumnsFault
		if !errors.As(err, &f) || f.Key != row.key {
			t.Errorf("%v, want a fault of %s", err, row.key)
		}
	}
	if err := errors.Join(plainColumns().Check(), wideColumns().Check()); err != nil {
		t.Error(err)
	}
}

// delimitedText is about size bytes of text for wideColumns, with damage of every
// kind in it.
func delimitedText(seed uint64, size int, damage bool) []byte {
	rng := rand.New(rand.NewPCG(seed, 5))
	var out bytes.Buffer
	out.WriteString("exported\ntwo\nEvent;Time [ms];Ch;Kind;ID;Dir;Len;B0;B1;B2;B3;B4;B5;B6;B7;Note\n")
	us := int64(0)
	for out.Len() < size {
		us += rng.Int64N(1000)
		n := rng.IntN(9)
		line := fmt.Sprintf("frame;%d,%03d;%d;%s;%X;%s;%d", us/1000, us%1000, 1+rng.IntN(3),
			[]string{"std", "ext", "fd brs", "rtr"}[rng.IntN(4)], rng.IntN(0x800), []string{"in", "out"}[rng.IntN(2)], n)
		for range n {
			line += fmt.Sprintf(";%02X", rng.IntN(256))
		}
		if damage {
			switch rng.IntN(40) {
			case 0:
				line = line[:rng.IntN(len(line))]
			case 1:
				line = line[rng.IntN(len(line)):]
			case 2:
				line += line
			case 3:
				line = []string{"", "end of it", "\x00\x00", ";;;;", `frame;"1`}[rng.IntN(5)]
			case 4:
				at := rng.IntN(len(line))
				line = line[:at] + string(rune(rng.IntN(128))) + line[at+1:]
			}
			if rng.IntN(5000) == 0 {
				line = strings.Repeat("A", rng.IntN(4*maxLine))
			}
		}
		out.WriteString(line + []string{"\n", "\r\n"}[rng.IntN(2)])
	}
	return out.Bytes()
}

// The chunks hold what reading in one stretch gives, for any number of workers.
func TestDelimitedFold(t *testing.T) {
	for seed := range uint64(3) {
		text := delimitedText(seed, 1_000_000, true)
		want, rep, _ := readDelimited(t, wideColumns(), string(text), 512)
		if rep.Frames < 2000 || len(rep.SetAside) < 7 {
			t.Fatalf("the text does not hold what it should: %+v", rep)
		}
		checkAccount(t, rep)
		for _, workers := range []int{1, 2, 7} {
			r := open(t, string(text), Options{Columns: wideColumns(), Workers: workers})
			r.chunkSize = maxLine + 1
			got, err := Fold(context.Background(), r, func() *keep { return &keep{} })
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(rep, r.Reports()[0]); d != "" {
				t.Errorf("%d workers: another report (-want +got):\n%s", workers, d)
			}
			if len(got.frames) != len(want) {
				t.Fatalf("%d frames, want %d", len(got.frames), len(want))
			}
			for i := range want {
				if got.frames[i] != want[i] {
					t.Fatalf("frame %d: %+v, want %+v", i, got.frames[i], want[i])
				}
			}
			r.Close()
		}
	}
}

func TestDelimitedDoesNotAllocate(t *testing.T) {
	dated := with(plainColumns(), func(c *Columns) { c.Time.Unit, c.Time.Layout = 0, "YYYY-MM-DD hh:mm:ss" })
	for name, run := range map[string]struct {
		columns *Columns
		text    string
	}{
		"wide":   {wideColumns(), string(delimitedText(1, 4_000_000, false))},
		"quoted": {plainColumns(), strings.Repeat(`"1.5","1A0","2","11 22","a ""remark"""`+"\n", 80_000)},
		"dated":  {dated, strings.Repeat("2023-11-15 10:00:00.123456+02:00,1A0,2,1122\n", 80_000)},
		"gaps":   {with(plainColumns(), func(c *Columns) { c.Time.From = FromRecord }), strings.Repeat("0.001,1A0,2,1122\n", 80_000)},
		"bad":    {plainColumns(), "1,1A0,0,\n" + strings.Repeat("1,XYZ,0,\n1,1A0,0,\n,,,\n", 40_000)},
	} {
		r := open(t, run.text, Options{Columns: run.columns})
		dst := make([]can.Frame, 512)
		for range 20 { // places and notes of every kind
			if _, err := r.Read(t.Context(), dst); err != nil {
				t.Fatal(err)
			}
		}
		got := testing.AllocsPerRun(50, func() {
			if n, err := r.Read(t.Context(), dst); n == 0 || err != nil {
				t.Fatalf("%s: %d frames, %v", name, n, err)
			}
		})
		r.Close()
		if got > 0 {
			t.Errorf("%s: %v allocations per batch", name, got)
		}
	}
}

// A line of 1 GB is one record set aside.
func TestDelimitedOversizedLine(t *testing.T) {
	const size = 200 << 20
	text := io.MultiReader(strings.NewReader("1,1A0,0,\n"), io.LimitReader(letters{}, size), strings.NewReader("\n2,1A0,0,\n"))
	r, err := Open([]string{"-"}, Options{Stdin: text, Columns: plainColumns()})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	c, err := Fold(t.Context(), r, func() *keep { return &keep{} })
	if err != nil || len(c.frames) != 2 || c.frames[1].Record != 3 || r.Reports()[0].SetAside[Oversize].Count != 1 {
		t.Errorf("%v, %+v, %+v", err, c.frames, r.Reports())
	}
}

// FuzzDelimited reads any text by any columns, which are given as JSON.
func FuzzDelimited(f *testing.F) {
	add := func(name string, c *Columns, text string) {
		columns, err := json.Marshal(c)
		if err != nil {
			f.Fatal(err)
		}
		seedTwo(f, name, columns, []byte(text))
	}
	add("plain", plainColumns(), "1.5,1A0,3,11 22 33\n1.6,1A0,12,112233445566778899AABBCC\n1.7,XYZ,0,\n")
	add("wide", wideColumns(), wideText)
	add("dated", with(plainColumns(), func(c *Columns) { c.Time.Unit, c.Time.Layout = 0, "YYYY-MM-DD hh:mm:ss" }), "2023-11-15 10:00:00.5+02:00,1A0,0,\n")
	add("gaps", with(plainColumns(), func(c *Columns) { c.Time.From, c.Delimiter = FromRecord, Blanks }), "0.5 1A0 2 1122\n0.5 18FEEE00 0\n")
	add("counter", with(plainColumns(), func(c *Columns) { c.Time.Wraps, c.Time.Add = 100e9, 5 }), "99,1A0,0,\n1e0,1A0,1,\"1\"\"1\"\n")
	f.Fuzz(func(t *testing.T, columns, text []byte) {
		c := &Columns{}
		if json.Unmarshal(columns, c) != nil || c.Check() != nil || len(text) > 1<<20 || sniffDelimited(c, text[:min(len(text), lookAhead)]) != nil {
			return
		}
		checkDecoder(t, text, func(in *input) (decoder, error) {
			in.r.Peek(lookAhead)
			return openDelimited(c, in)
		})
	})
}

func BenchmarkDelimited(b *testing.B) {
	var one, many strings.Builder
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range 100_000 {
		us := int64(i) * 230
		fmt.Fprintf(&one, "%d.%06d,%03X,8,%016X\n", us/1e6, us%1e6, rng.IntN(0x800), rng.Uint64())
		fmt.Fprintf(&many, "%d.%06d,drive,Rx,%03X,8", us/1e6, us%1e6, rng.IntN(0x800))
		for range 8 {
			fmt.Fprintf(&many, ",%02X", rng.IntN(256))
		}
		many.WriteByte('\n')
	}
	wide := &Columns{
		Delimiter: ',', Time: TimeColumn{Column: number(1), Unit: 1e9}, Bus: BusColumn{Column: number(2)},
		Flags: []FlagColumn{{Flag: can.Rx, Column: number(3), Words: []string{"Rx"}}, {Flag: can.Tx, Column: number(3), Words: []string{"Tx"}}},
		ID:    IDColumn{Column: number(4)}, Length: LengthColumn{Column: number(5), Base: Decimal}, Data: DataColumns{From: number(6)},
	}
	dated := with(plainColumns(), func(c *Columns) { c.Time.Unit, c.Time.Layout = 0, "hh:mm:ss" })
	day := strings.Repeat("10:11:12.123456,1A0,8,1122334455667788\n", 100_000)
	for _, run := range []struct {
		name    string
		columns *Columns
		text    string
	}{{"data in one column", plainColumns(), one.String()}, {"a byte in each", wide, many.String()}, {"time of day", dated, day}} {
		b.Run(run.name, func(b *testing.B) {
			b.SetBytes(int64(len(run.text)))
			b.ReportAllocs()
			for b.Loop() {
				r := open(b, run.text, Options{Columns: run.columns})
				if n := drainFrames(b, r); n != 100_000 {
					b.Fatalf("%d frames", n)
				}
				r.Close()
			}
			b.ReportMetric(100_000*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mframes/s")
		})
	}
}
