package columns

import (
	"errors"
	"io"
	"strings"
	"testing"

	"plugproof/decode/can"
	"plugproof/decode/capture"
)

// Made-up layouts, no program's: what is proposed reads them, and what could not
// be told is said.
func TestPropose(t *testing.T) {
	for _, row := range []struct {
		name, text string
		frames     int
		want       []string // lines of the file
		unsure     []string // keys
	}{
		{
			"named", "Time [s];Bus;ID;Dir;DLC;D0;D1;D2\n0,010;drive;0D6;Rx;3;0A;01;02\n0,020;body;0D6;Tx;3;00;01;03\n0,030;drive;1F0;Rx;0\n", 3,
			[]string{
				`delimiter: ";"`, "header: true", "decimal: comma", `time: {column: "Time [s]", unit: s}`,
				`id: {column: "ID", base: hex, extended: large}`, `bus: {column: "Bus"}`, `length: {column: "DLC"}`,
				`data: {from: "D0", to: "D2", base: hex}`, `rx: {column: "Dir", words: ["Rx"]}`, `tx: {column: "Dir", words: ["Tx"]}`,
			},
			nil,
		},
		{
			"numbers only", "0.010,3A0,8,11 22 33 44 55 66 77 88\n0.020,3A1,2,11 22\n0.031,3A0,8,11 22 33 44 55 66 77 89\n", 3,
			[]string{`delimiter: ","`, "time: {column: 1, unit: s}  # not sure of time.unit", "id: {column: 2, base: hex, extended: large}", "length: {column: 3}", "data: {column: 4, base: hex}"},
			[]string{"time.unit"},
		},
		{
			"decimal identifiers", "when_ms\tid\tdata\n10\t416\t1122\n20\t417\t1122\n35\t416\t1123\n", 3,
			[]string{"delimiter: \"tab\"", `time: {column: "when_ms", unit: ms}`, "id: {column: \"id\", base: decimal, extended: large}  # not sure of id.base"},
			[]string{"id.base"},
		},
		{
			"epoch in microseconds", "no,stamp,id,data\n1,1700000000010000,0x3A0,11-22\n2,1700000000020000,0x18FEEE00,11-22\n3,1700000000030000,0x3A0,11-23\n", 3,
			[]string{`time: {column: "stamp", unit: us, from: epoch}`, `data: {column: "data", separator: "-", base: hex}`},
			nil,
		},
		{
			"dates", "# a note\nDate,Identifier,Ext,Payload\n2026-05-01 10:00:00.5,3A0,0,1122\n2026-05-01 10:00:00.6,3A1,1,1123\n2026-05-01 10:00:00.7,3A0,0,1122\n", 3,
			[]string{`time: {column: "Date", layout: "YYYY-MM-DD hh:mm:ss"}`, `extended: {column: "Ext", words: ["1"]}`, `comment: "#"`},
			nil,
		},
		{
			"day or month", "Date;Identifier;Payload\n02/03/26 10:00:00;3A0;1122\n02/03/26 10:00:01;3A1;1123\n", 2,
			[]string{`layout: "DD/MM/YY hh:mm:ss"}  # not sure of time.layout`},
			[]string{"time.layout"},
		},
		{"half days", "t,id,data\n1:02:03.5 PM,3A0,1122\n1:02:04.5 PM,3A1,1122\n", 2, []string{`layout: "hh:mm:ss AP"`}, []string{"time.layout"}},
		{
			"blanks", "0.5 can1 18FEEE00x 2 11 22\n0.6 can1 1A0 3 11 22 33\n0.7 can1 1A0 3 11 22 33\n0.8 can1 1A0 8 1 2 3 4 5 6 7 8\n", 4,
			[]string{`delimiter: "blanks"`, `extended: suffix, suffix: x`},
			[]string{"time.unit"},
		},
	} {
		t.Run(row.name, func(t *testing.T) {
			p, err := Propose([]byte(row.text))
			if err != nil {
				t.Fatal(err)
			}
			file := string(p.Format())
			for _, want := range row.want {
				if !strings.Contains(file, want) {
					t.Errorf("no %q in\n%s", want, file)
				}
			}
			unsure := p.Unsure()
			for _, key := range row.unsure {
				if p.Doubts[key] == "" {
					t.Errorf("no doubt about %s: %q", key, unsure)
				}
			}
			if len(row.unsure) == 0 && len(unsure) > 0 {
				t.Errorf("doubts: %q", unsure)
			}
			c, err := Read("x.yaml", []byte(file))
			if err != nil {
				t.Fatalf("%v\n%s", err, file)
			}
			if got := countFrames(t, c, row.text); got != row.frames {
				t.Errorf("%d frames, want %d, by\n%s", got, row.frames, file)
			}
		})
	}
}

func countFrames(t *testing.T, c *capture.Columns, text string) (n int) {
	t.Helper()
	r, err := capture.Open([]string{"-"}, capture.Options{Stdin: strings.NewReader(text), Columns: c})
	if err != nil {
		t.Error(err)
		return 0
	}
	defer r.Close()
	for dst := make([]can.Frame, 16); ; {
		m, err := r.Read(t.Context(), dst)
		n += m
		if errors.Is(err, io.EOF) {
			return n
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// A length is found also where no bytes are.
func TestProposeLengthWithoutData(t *testing.T) {
	p, err := Propose([]byte("Time [s];ID;DLC;Text\n0.010;1A0;2;a remark\n0.020;1A1;3;a remark\n"))
	if err != nil {
		t.Fatal(err)
	}
	if file := string(p.Format()); !strings.Contains(file, `length: {column: "DLC"}`) || p.Doubts["data"] == "" {
		t.Error(file)
	}
}

func TestProposeRefuses(t *testing.T) {
	for name, text := range map[string]string{"prose": "nothing to see\nhere at all\n", "empty": "", "UTF-16": "\xFF\xFE1\x00,\x00"} {
		if p, err := Propose([]byte(text)); err == nil {
			t.Errorf("%s: %s", name, p.Format())
		}
	}
}

// Whatever the text, a proposal ends, and what it writes is read, unless it says that
// it found no stamps, identifiers or bytes.
func FuzzPropose(f *testing.F) {
	f.Add([]byte("Time [s];Bus;ID;Dir;DLC;D0;D1\n0,010;drive;0D6;Rx;2;00;01\n0,020;body;0D6;Tx;2;00;01\n"))
	f.Add([]byte("Date;Ident\"ifier;Payload\n2/3/26 1:00:00 PM;3A0;11-22\n2/3/26 2:00:00 PM;3A0;11-22\n"))
	f.Add([]byte("0.5 can1 18FEEE00x 2 11 22\n0.6 can1 1A0 3 11 22 33\n"))
	f.Add([]byte("2026-05-01 at 10:00:00,3A0,11 22 33\n2026-05-01 at 10:00:01,3A0,11 22 34\n"))
	f.Add([]byte("\x00"))
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := Propose(text)
		if err != nil {
			return
		}
		said := p.Time < 0 && p.Doubts["time"] != "" || p.ID < 0 && p.Doubts["id"] != "" ||
			p.Data < 0 && p.DataFrom < 0 && p.Doubts["data"] != ""
		if _, err := Read("x.yaml", p.Format()); err != nil && !said {
			t.Fatalf("%v\n%s", err, p.Format())
		}
	})
}
