package moved

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"plugproof/decode/dbc"
	"plugproof/profiles"
	"plugproof/profiles/library"
)

func proposal(id uint32, f Field) Named {
	return Named{Proposal{
		ID: profiles.ID{Value: id, Extended: id > 0x7FF}, Bytes: 8, Field: f,
		Scale: Scale{Factor: 0.4, Offset: -40, Unit: "°C"},
	}, "Pedal"}
}

// What is written is read again as it was meant, and lint has nothing against it.
func TestWriteDBC(t *testing.T) {
	for _, want := range []Named{
		proposal(0x117, Field{0, 8, dbc.Intel, false}),
		proposal(0x117, Field{7, 16, dbc.Motorola, true}),
		proposal(0x18FEF1FE, Field{60, 4, dbc.Intel, false}),
	} {
		src := WriteDBC([]Named{want})
		db := dbc.Parse("x.dbc", src)
		if found := dbc.Lint(db); len(found) > 0 {
			t.Errorf("%v: %v\n%s", want.Field, found, src)
		}
		m := db.Messages[0]
		s := m.Signals[0]
		got := Field{s.Start, s.Length, s.Order, s.Type == dbc.Signed}
		if m.ID != want.ID.Value || m.Extended != want.ID.Extended || m.Length != 8 || got != want.Field ||
			s.Factor != 0.4 || s.Offset != -40 || s.Unit != "°C" {
			t.Errorf("%v became %+v", want, s)
		}
	}
}

// A line goes into a DBC file, and nothing else of the file changes.
func TestMergeDBC(t *testing.T) {
	demo, err := library.DBC("lowan-drive.dbc")
	if err != nil {
		t.Fatal(err)
	}
	windows := []byte("VERSION \"\"\r\n\r\nBU_: A\r\n\r\nBO_ 5 M: 8 A\r\n SG_ T : 0|8@1+ (1,0) [0|255] \"\xb0C\" A\r\n\r\nCM_ \"end\";\r\n")
	tests := []struct {
		name string
		src  []byte
		add  Named
		want string // in the error; "": none
	}{
		{"new message", demo, proposal(0x700, Field{0, 8, dbc.Intel, false}), ""},
		{"free bits", demo, proposal(0x15D+1, Field{0, 8, dbc.Intel, false}), ""},
		{"known message", windows, proposal(5, Field{8, 8, dbc.Intel, false}), ""},
		{"cp1252, new message", windows, proposal(6, Field{8, 8, dbc.Intel, false}), ""},
		{"no line end", []byte("BU_:"), proposal(6, Field{8, 8, dbc.Intel, false}), ""},
		{"empty", nil, proposal(6, Field{8, 8, dbc.Intel, false}), ""},
		{"taken bits", demo, proposal(0x117, Field{4, 8, dbc.Intel, false}), "belong to PedalPercent"},
		{"too long", []byte("BO_ 5 M: 2 A\n"), proposal(5, Field{16, 8, dbc.Intel, false}), "too few"},
		{"taken name", []byte("BO_ 5 M: 8 A\n SG_ Pedal : 0|8@1+ (1,0) [0|1] \"\" A\n"), proposal(5, Field{16, 8, dbc.Intel, false}), "has a signal Pedal"},
		{"UTF-16", []byte{0xFF, 0xFE, 'V', 0}, proposal(5, Field{16, 8, dbc.Intel, false}), "UTF-16"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := MergeDBC("x.dbc", tt.src, []Named{tt.add})
			if tt.want != "" {
				if !errors.Is(err, ErrNotMerged) || !strings.Contains(err.Error(), tt.want) {
					t.Fatalf("error %v, want %q", err, tt.want)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			rest := got
			for line := range bytes.Lines(tt.src) { // all lines are there, in their order
				at := bytes.Index(rest, bytes.TrimSuffix(line, []byte("\n")))
				if at < 0 {
					t.Fatalf("lost %q", line)
				}
				rest = rest[at+len(line)-bytes.Count(line, []byte("\n")):]
			}
			before, after := dbc.Parse("x.dbc", tt.src), dbc.Parse("x.dbc", got)
			if n, m := len(before.Diagnostics), len(after.Diagnostics); m > n {
				t.Errorf("%d diagnostics became %d: %v", n, m, after.Diagnostics)
			}
			for _, m := range after.Messages {
				if m.ID == tt.add.ID.Value {
					for _, s := range m.Signals {
						if s.Name == "Pedal" && s.Start == tt.add.Field.Start && s.Unit == "°C" {
							return
						}
					}
				}
			}
			t.Errorf("the signal is not there:\n%s", got)
		})
	}
}
