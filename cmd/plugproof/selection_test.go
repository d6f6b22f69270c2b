package main

import (
	"strings"
	"testing"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

const selectionDBC = `VERSION ""
BU_: ENGINE GEARBOX
BO_ 512 Engine_Speed: 8 ENGINE
 SG_ Speed : 0|16@1+ (1,0) [0|0] "" GEARBOX
 SG_ Torque : 16|16@1+ (1,0) [0|0] "" GEARBOX
BO_ 768 Gear: 8 GEARBOX
 SG_ Target : 0|8@1+ (1,0) [0|0] "" ENGINE
 SG_ Actual : 8|8@1+ (1,0) [0|0] "" ENGINE
`

// selected lists what a selection keeps of one frame of each message.
func selected(t *testing.T, only ...string) (string, error) {
	t.Helper()
	dec, _ := decode.NewDecoder([]decode.Mapping{{Database: dbc.Parse("test.dbc", []byte(selectionDBC))}})
	s, err := newSelection(only, dec.Tables())
	if err != nil {
		return "", err
	}
	var got []string
	for _, id := range []uint32{512, 768, 0x400} {
		f := can.Frame{ID: id}
		f.SetPayload(make([]byte, 8))
		m := dec.Bus("").Lookup(&f)
		switch {
		case !s.holds(&f, m):
		case m == nil:
			got = append(got, "raw")
		default:
			values, _ := m.Decode(&f, nil)
			for _, v := range s.values(&f, m, values) {
				got = append(got, v.Signal.Def.Name)
			}
		}
	}
	return strings.Join(got, " "), nil
}

func TestSelection(t *testing.T) {
	tests := []struct {
		only string // separated by blanks
		want string
	}{
		{"", "Speed Torque Target Actual raw"},
		{"Engine_Speed", "Speed Torque"},
		{"Speed", "Speed"},
		{"Actual Torque", "Torque Actual"},
		{"GEARBOX", "Target Actual"},
		{"*eed", "Speed Torque"}, // the message as well
		{"T*", "Torque Target"},
		{"Speed ENGINE", "Speed Torque"},
		{"0x300", "Target Actual"},
		{"0x200-0x2FF Target", "Speed Torque Target"},
		{"0x400", "raw"},
		{"0x00000200", ""}, // 29 bits
	}
	for _, tt := range tests {
		got, err := selected(t, strings.Fields(tt.only)...)
		if err != nil || got != tt.want {
			t.Errorf("--only %q keeps %q, %v; want %q", tt.only, got, err, tt.want)
		}
	}
}

func TestSelectionRefuses(t *testing.T) {
	tests := []struct{ only, hint string }{
		{"speed", "perhaps Engine_Speed, Speed"},
		{"Nothing", "names are written as in the DBC file, identifiers as 0x201"},
		{"[", "only * stands for any letters"},
		{"0x999", "11 bits end at 0x7FF, 29 bits at 0x1FFFFFFF"},
		{"", "names are written as in the DBC file"},
	}
	for _, tt := range tests {
		got, err := selected(t, tt.only)
		if err == nil || !strings.Contains(hintFor(err), tt.hint) {
			t.Errorf("--only %q keeps %q, %v; want an error with the hint %q, got %q", tt.only, got, err, tt.hint, hintFor(err))
		}
	}
}
