package carnumber

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plugproof/decode/can"
)

// number is invented; it keeps to ISO 3779 but stands for no maker.
const number = "0AW77Z1R3B4567890"

// frame makes a frame of "7E8#10 14 ...": identifiers of more than three digits
// have 29 bits, more than 8 bytes make it FD. A text in quotes is its bytes.
func frame(t *testing.T, s string) can.Frame {
	t.Helper()
	id, data, _ := strings.Cut(s, "#")
	f := can.Frame{}
	if _, err := fmt.Sscanf(id, "%X", &f.ID); err != nil {
		t.Fatal(err)
	}
	if len(id) > 3 {
		f.Flags |= can.Extended
	}
	var payload []byte
	for word := range strings.FieldsSeq(data) {
		if text, ok := strings.CutPrefix(word, "'"); ok {
			payload = append(payload, text...)
			continue
		}
		var b byte
		if _, err := fmt.Sscanf(word, "%X", &b); err != nil {
			t.Fatal(err)
		}
		payload = append(payload, b)
	}
	if len(payload) > can.MaxClassicLen {
		f.Flags |= can.FD
	}
	f.SetPayload(payload)
	return f
}

func frames(t *testing.T, lines ...string) (list []can.Frame) {
	for _, l := range lines {
		list = append(list, frame(t, l))
	}
	return list
}

// hidden gives the reason for each frame, as two readings find it.
func hidden(f *Finder, list []can.Frame) (why []Why) {
	for i := range list {
		f.Look(&list[i])
	}
	m := f.Mask()
	for i := range list {
		why = append(why, m.Hides(&list[i]))
	}
	return why
}

// TestHides: the layouts are those of ISO 15765-2, the services those of the
// standards that the package names. The frames are written by hand.
func TestHides(t *testing.T) {
	const none = Why("")
	tests := []struct {
		name   string
		known  string
		frames []string
		want   []Why
	}{
		{
			"service 09 02, with another frame between", "",
			[]string{"7DF#02 09 02", "7E8#10 14 49 02 01 '0AW", "7E8#30 00 00", "7E8#21 '77Z1R3B", "123#21 01 02", "7E8#22 '4567890", "7E8#03 41 0C 1A"},
			[]Why{none, Answered, none, Answered, none, Answered, none},
		},
		{
			"data F190 on 29 bits, padded", "",
			[]string{"18DAF110#10 14 62 F1 90 '0AW", "18DAF110#21 '77Z1R3B", "18DAF110#22 '4567890", "18DAF110#02 7E 00 AA AA AA AA AA"},
			[]Why{Answered, Answered, Answered, none},
		},
		{
			"behind an address byte", "",
			[]string{"612#F1 10 14 62 F1 90 '0A", "612#F1 21 'W77Z1R", "612#F1 22 '3B4567", "612#F1 23 '890", "612#F1 24 01 02 03 04 05 06"},
			[]Why{Answered, Answered, Answered, Answered, none},
		},
		{
			"one frame of CAN FD", "",
			[]string{"7E8#00 14 62 F1 90 '0AW77Z1R3B4567890 00 00"},
			[]Why{Answered},
		},
		{
			"not the first of several data", "",
			[]string{"7E8#10 1A 62 F1 8C 01 02 03", "7E8#21 04 F1 90 '0AW7", "7E8#22 '7Z1R3B4", "7E8#23 '567890"},
			[]Why{none, Answered, Answered, Answered},
		},
		{
			"written by a tester", "",
			[]string{"7E0#10 14 2E F1 90 '0AW", "7E0#21 '77Z1R3B", "7E0#22 '4567890"},
			[]Why{Answered, Answered, Answered},
		},
		{
			"the first frame was not recorded", "",
			[]string{"7E8#21 '77Z1R3B", "7E8#22 '4567890", "321#21 '77Z1R3B", "321#21 01"},
			[]Why{Answered, Answered, none, none},
		},
		{
			"a frame was lost", "",
			[]string{"7E8#10 14 62 F1 90 '0AW", "7E8#22 '4567890"},
			[]Why{Answered, Answered},
		},
		{
			"seed and key", "",
			[]string{"7E0#02 27 01", "7E8#06 67 01 11 22 33 44", "7E0#06 27 02 55 66 77 88", "7E8#10 0A 67 01 01 02 03 04", "7E8#21 05 06 07 08", "120#06 67 01 11 22 33 44"},
			[]Why{none, Unlocked, Unlocked, Unlocked, Unlocked, none},
		},
		{
			"a number that is known, in any place", number,
			[]string{"5F1#00 00 'W77Z 00", "5F2#00 '0AW77", "5F3#'3B45678", "5F4#30 30 30 30 30", "5F5#00 'Z1R"},
			[]Why{Piece, Piece, Piece, none, none}, // three characters tell nothing
		},
		{
			"pages of text, the last with one character", "",
			[]string{"5F0#00 '0AW77Z1", "5F0#01 'R3B4567", "5F0#02 '890 00 00", "5F0#03 01 02 03 04 05 06", "5F0#00 '0AW77Z1"},
			[]Why{Piece, Piece, Text, none, Piece},
		},
		{
			"text that changes", "",
			[]string{"5F0#00 'AAAAAAA", "5F0#00 'AAAAAAB"},
			[]Why{none, none},
		},
		{
			"text that stands", "",
			[]string{"5F0#00 'AB1234C", "5F0#00 'AB1234C"},
			[]Why{Text, Text},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if d := cmp.Diff(tt.want, hidden(NewFinder(tt.known), frames(t, tt.frames...))); d != "" {
				t.Error(d)
			}
		})
	}
}

// TestNumbers: what modules tell and what stands in pages is known afterwards.
func TestNumbers(t *testing.T) {
	told := []string{"7E8#10 14 49 02 01 '0AW", "7E8#21 '77Z1R3B", "7E8#22 '4567890"}
	paged := []string{"5F0#00 '0AW77Z1", "5F0#01 'R3B4567", "5F0#02 '890 00 00"}
	for name, list := range map[string][]string{"told": told, "paged": paged} {
		f := NewFinder(" 0aw77z1r3-b4567890 ", "12")
		if got := f.Numbers(); len(got) != 1 || got[0] != number {
			t.Errorf("given: %q", got)
		}
		f = NewFinder()
		hidden(f, frames(t, list...))
		if got := f.Numbers(); len(got) != 1 || got[0] != number {
			t.Errorf("%s: %q", name, got)
		}
	}
}

func TestNamed(t *testing.T) {
	for name, want := range map[string]bool{
		"VIN": true, "VIN_1": true, "EngineVIN": true, "VinDigit2": true, "Vin": true, "vin_part": true, "VehicleNumberTail": true,
		"EngineVehicleNumber": true, "Vehicle_Identification_Number": true, "VehicleIdent": true, "ChassisNo": true, "car_number": true,
		"Diving": false, "DrivingMode": false, "MovingAverage": false, "Divine": false, "VehicleSpeed": false, "PartNumber": false, "EngineSpeed": false, "Pavin": false,
		"VehicleNoise": false, "FrameNumber": false,
	} {
		if Named(name) != want {
			t.Errorf("%s: %v", name, !want)
		}
	}
}

// The quick look before the expressions leaves out no name that they find.
func TestNamedProperty(t *testing.T) {
	part := rapid.SampledFrom([]string{"vehicle", "Vehicle", "CAR", "chassis", "ident", "Identification", "number", "Num", "no", "ID", "vin", "VIN", "Vin", "_", "-", " ", "x", "E", "1"})
	rapid.Check(t, func(t *rapid.T) {
		name := strings.Join(rapid.SliceOfN(part, 0, 6).Draw(t, "parts"), "")
		want := names().MatchString(strings.ToLower(name)) || abbreviated().MatchString(name)
		if Named(name) != want {
			t.Errorf("%s: %v", name, !want)
		}
	})
}

func TestLooks(t *testing.T) {
	for line, want := range map[string]bool{
		"7E8#10 14 49 02 01 '0AW": true, "7E8#21 '77Z1R3B": true, "5F0#00 'AB1234C": true, "7E8#06 67 01 11 22 33 44": true,
		"7E8#03 41 0C 1A": false, "5F0#00 'AB12 00": false, "0D6#10 14 49 03 01 02 03": false,
	} {
		if f := frame(t, line); Looks(&f) != want {
			t.Errorf("%s: %v", line, !want)
		}
	}
}

// TestAllocations: reading again costs nothing for a frame that is none of these.
func TestAllocations(t *testing.T) {
	f := NewFinder(number)
	list := frames(t, "100#11 22 33 44 55 66 77 88", "200#21 30 31 32 33 34 FF 00", "300#00 10 20 30 40 50 60 70")
	hidden(f, list)
	m := f.Mask()
	n := testing.AllocsPerRun(100, func() {
		for i := range list {
			m.Hides(&list[i])
		}
	})
	if n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func FuzzMask(f *testing.F) {
	f.Add([]byte("\x7e\x88\x10\x14\x49\x02\x01abc\x7e\x88\x21ABCDEFG"))
	f.Add([]byte("\x7e\x8f\x00\x14\x62\xf1\x900AW77Z1R3B4567890"))
	f.Fuzz(func(t *testing.T, src []byte) {
		var list []can.Frame
		for len(src) > 2 {
			fr := can.Frame{ID: uint32(src[0])<<4 | uint32(src[1]>>4)&0x7FF}
			n := min(int(src[1]&0xF), len(src)-2, 8)
			if src[1]&0xF == 0xF {
				fr.Flags, n = can.FD, min(len(src)-2, can.MaxFDLen)
			}
			fr.SetPayload(src[2 : 2+n])
			list = append(list, fr)
			src = src[2+n:]
		}
		find := NewFinder(number)
		for i, why := range hidden(find, list) {
			if why == "" && strings.Contains(string(list[i].Payload()), number[3:9]) {
				t.Fatalf("frame %d shows a piece of the number", i)
			}
		}
		for _, n := range find.Numbers() {
			if len(n) < suspect {
				t.Fatalf("number %q", n)
			}
		}
	})
}
