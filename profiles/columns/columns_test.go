package columns

import (
	"errors"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
)

func TestRead(t *testing.T) {
	got, err := Open("testdata/wide.yaml")
	if err != nil {
		t.Fatal(err)
	}
	name := func(s string) capture.Column { return capture.Column{Name: s} }
	number := func(n int) capture.Column { return capture.Column{Number: n} }
	want := &capture.Columns{
		Delimiter: ';', Skip: 2, Header: true, DecimalComma: true, Comment: "#",
		Time:   capture.TimeColumn{Column: name("Time [ms]"), Unit: 1e6, Wraps: 4294967296e6, Add: 25e8},
		ID:     capture.IDColumn{Column: name("ID")},
		Bus:    capture.BusColumn{Column: name("Ch"), Names: map[string]string{"1": "drive", "2": "body"}},
		Length: capture.LengthColumn{Column: name("Len"), Base: capture.Decimal, Code: true},
		Data:   capture.DataColumns{From: name("B0"), To: name("B7")},
		Flags: []capture.FlagColumn{
			{Flag: can.Remote, Column: name("Kind"), Words: []string{"rtr"}},
			{Flag: can.Error, Column: name("Kind"), Words: []string{"err"}},
			{Flag: can.FD, Column: number(4), Mask: 4},
			{Flag: can.BRS, Column: number(4), Mask: 8},
			{Flag: can.ESI, Column: number(4), Mask: 16},
			{Flag: can.Rx, Column: name("Dir"), Words: []string{"in", "0", "true"}},
			{Flag: can.Tx, Column: name("Dir"), Words: []string{"out", "1"}},
		},
		Only: &capture.FlagColumn{Column: name("Event"), Words: []string{"frame"}},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

const least = "format: 1\ndelimiter: tab\ntime: {column: 1, unit: s}\nid: {column: 2}\ndata: {column: 3}\n"

func TestReadTimes(t *testing.T) {
	for text, want := range map[string]capture.TimeColumn{
		"unit: us, from: epoch": {Unit: 1e3, From: capture.FromEpoch},
		"unit: 10us":            {Unit: 1e4},
		"unit: s, from: record": {Unit: 1e9, From: capture.FromRecord},
		"layout: 'hh:mm:ss', wraps: midnight, day: 2023-11-15, zone: '+10:00'": {
			Layout: "hh:mm:ss", Wraps: 86400e9, Day: 1_700_006_400e9, East: 36000e9,
		},
	} {
		c, err := Read("x.yaml", []byte(strings.Replace(least, "unit: s", text, 1)))
		if err != nil {
			t.Errorf("%s: %v", text, err)
			continue
		}
		want.Column = capture.Column{Number: 1}
		if d := cmp.Diff(want, c.Time); d != "" || c.Delimiter != '\t' {
			t.Errorf("%s (-want +got):\n%s", text, d)
		}
	}
}

// Every fault says where it is.
func TestReadFaults(t *testing.T) {
	for _, row := range []struct{ old, new, want string }{
		{"format: 1", "format: 2", "x.yaml:1:1: error: format 2 is newer"},
		{"delimiter: tab", "delimiter: tabs", `x.yaml:2:1: error: "tabs" is not one character`},
		{"delimiter: tab", "delimiter: '.'", "x.yaml:2:1: error: '.' cannot stand between fields"},
		{"delimiter: tab", "delimeter: tab", "x.yaml:2:1: error: unknown field"},
		{"column: 1", "column: 0", `x.yaml:3:16: error: "0" is no column`},
		{"column: 1", "column: [1]", "is no column"},
		{"column: 1", "column: Time", `x.yaml:3:8: error: column "Time" is named, but there is no header`},
		{"column: 1, ", "", "x.yaml:3:1: error: the column of the stamps is not said"},
		{"unit: s", "unit: sec", `x.yaml:3:19: error: "sec" is no time with its unit`},
		{"unit: s", "layout: hh:mm", "x.yaml:3:19: error: a time of day has hours, minutes and seconds"},
		{"unit: s", "unit: s, layout: hh:mm:ss", "x.yaml:3:1: error: either a unit or a layout"},
		{"unit: s", "unit: s, from: boot", `x.yaml:3:28: error: "boot" is none of start, epoch, record`},
		{"unit: s", "unit: s, day: today", `x.yaml:3:28: error: "today" is no day`},
		{"unit: s", "layout: 'hh:mm:ss', zone: home", `x.yaml:3:39: error: "home" is no time zone`},
		{"unit: s", "unit: s, wraps: noon", `x.yaml:3:28: error: "noon" is no time`},
		{"{column: 2}", "{column: 2, base: octal}", `x.yaml:4:17: error: "octal" is none of hex, decimal, prefix`},
		{"{column: 2}", "{column: 2, extended: suffix}", "x.yaml:4:1: error: what follows identifiers"},
		{"data: {column: 3}", "length: {column: 3}", "x.yaml:1:1: error: where the data stands is not said"},
		{"data: {column: 3}", "data: {column: 3, base: prefix}", "x.yaml:5:19: error: bytes are hex or decimal"},
		{"data: {column: 3}", "data: {column: 3}\ntx: {column: 4}", "x.yaml:6:1: error: words or a mask"},
		{"data: {column: 3}", "data: {column: 3}\nbus: {column: 4, names: {'1': 'a#'}}", "x.yaml:6:18: error: \"a#\" cannot name a bus"},
	} {
		_, err := Read("x.yaml", []byte(strings.Replace(least, row.old, row.new, 1)))
		var p profiles.Problems
		if !errors.As(err, &p) || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%q: %v\nwant %s", row.new, err, row.want)
		}
	}
}

func TestOpenMissing(t *testing.T) {
	if _, err := Open("testdata/none.yaml"); !errors.Is(err, os.ErrNotExist) || err.Error() != "testdata/none.yaml: no such file or directory" {
		t.Error(err)
	}
}

// FuzzRead reads any file: columns that hold together, or a fault with its place.
func FuzzRead(f *testing.F) {
	wide, err := os.ReadFile("testdata/wide.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(wide)
	f.Add([]byte(least))
	f.Fuzz(func(t *testing.T, src []byte) {
		c, err := Read("x.yaml", src)
		var p profiles.Problems
		switch {
		case err == nil && c.Check() != nil:
			t.Fatal(c.Check())
		case err != nil && (!errors.As(err, &p) || len(p) == 0 || p[0].Pos.Line < 1):
			t.Fatalf("%v", err)
		}
	})
}
