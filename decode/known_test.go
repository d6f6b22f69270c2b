package decode

import (
	"encoding/hex"
	"fmt"
	"math"
	"strings"
	"testing"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// frameHex makes a frame from bytes in hex, blanks between them allowed.
func frameHex(t testing.TB, s string) *can.Frame {
	t.Helper()
	p, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return payload(p...)
}

// places makes signals of a list like "0|12@0- 6|6@0+".
func places(t testing.TB, list string) []*dbc.Signal {
	t.Helper()
	var signals []*dbc.Signal
	for i, place := range strings.Fields(list) {
		signals = append(signals, sig(t, fmt.Sprintf("S%d", i), place))
	}
	return signals
}

// TestKnownRaw holds layouts and raw values that others have published.
// cantools: tests/test_database.py of github cantools/cantools at c1dcd396.
// scapy: test/scapy/layers/can.uts of github secdev/scapy at 07b8af85.
// Each frame is also built again from the values.
func TestKnownRaw(t *testing.T) {
	tests := []struct {
		name   string
		places string
		data   string
		want   []int64
	}{
		{"cantools, signed Motorola", "0|12@0- 6|6@0+ 7|1@0+", "C0 06 E0 00 00 00 00 00", []int64{55, 32, 1}},
		{"cantools, signed Motorola, negative", "0|12@0-", "01 00 20 00 00 00 00 00", []int64{-2047}},
		{"cantools, Motorola halves", "6|15@0+ 7|1@0+ 38|15@0+ 39|1@0+", "82 C9 00 00 02 C9 00 00", []int64{0x2C9, 1, 0x2C9, 0}},
		{"cantools, Intel halves", "0|1@1+ 1|15@1+ 32|1@1+ 33|15@1+", "93 05 00 00 92 05 00 00", []int64{1, 0x2C9, 0, 0x2C9}},
		{"cantools, nibbles", "0|4@1+ 4|4@1+ 8|4@1+", "21 03 00 00 00 00 00 00", []int64{1, 2, 3}},
		{"cantools, 64 bits Motorola", "7|64@0+", "01 23 45 67 89 AB CD EF", []int64{0x0123456789ABCDEF}},
		{"cantools, 64 bits Intel", "0|64@1+", "EF CD AB 89 67 45 23 01", []int64{0x0123456789ABCDEF}},
		{
			"cantools, eight signed", "39|3@0- 34|3@1- 40|10@0- 0|8@0- 62|7@0- 17|9@1- 26|8@1- 1|7@1-",
			"B0 B4 4A 55 87 01 81 F7",
			[]int64{-4, 1, -253, 0x5A, -9, 0xA5, -43, -40},
		},
		{"cantools, 33 bits Motorola", "7|33@0-", "FF FF FF FD 80 00 00 00", []int64{-5}},
		{"cantools, 33 bits Intel", "0|33@1-", "FB FF FF FF 01 00 00 00", []int64{-5}},
		{"cantools, 5 bytes", "0|12@1- 12|12@1-", "09 50 00 00 00", []int64{9, 5}},
		{
			"scapy, eleven Motorola", "1|2@0+ 7|6@0+ 15|11@0+ 20|12@0+ 24|9@0+ 47|10@0+ 50|3@0+ 53|3@0+ 58|3@0+ 61|3@0+ 63|2@0+",
			"55 01 E0 FE 01 80 D5 95",
			[]int64{1, 21, 15, 0x7F, 1, 0x203, 5, 2, 5, 2, 2},
		},
		{
			"scapy, twelve Intel", "0|8@1+ 8|12@1+ 20|4@1+ 24|10@1+ 34|3@1+ 37|3@1+ 52|3@1+ 55|1@1+ 56|3@1+ 59|1@1+ 60|2@1+ 62|2@1+",
			"A5 01 E0 FE 01 00 D0 95",
			[]int64{0xA5, 1, 0xE, 0x1FE, 0, 0, 5, 1, 5, 0, 1, 2},
		},
		{"scapy, both orders", "53|3@1+ 22|7@1+ 32|9@1+ 3|3@1+ 41|7@1+ 2|8@0+", "1D 28 80 1C 0F 23 E0", []int64{7, 0x72, 0x10F, 3, 17, 0xA5}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := frameHex(t, tt.data)
			m := message(t, int(f.Len), places(t, tt.places)...)
			values := decodeTwice(t, m, f)
			if len(values) != len(tt.want) {
				t.Fatalf("got %d values, want %d", len(values), len(tt.want))
			}
			for i, v := range values {
				if int64(v.Raw) != tt.want[i] {
					t.Errorf("%s: got raw %#x, want %#x", strings.Fields(tt.places)[i], int64(v.Raw), tt.want[i])
				}
			}
			checkFill(t, m, f, values)
		})
	}
}

// decodeTwice decodes into the same slice twice, and into one that holds
// something else, so that stale state shows.
func decodeTwice(t testing.TB, m *Message, f *can.Frame) []Value {
	t.Helper()
	first, complete := m.Decode(f, nil)
	if missing := m.Missing(f, nil); complete != (len(missing) == 0) {
		t.Errorf("complete is %v with %d signals missing", complete, len(missing))
	}
	before := len(first)
	again, _ := m.Decode(f, first)
	if len(again) != 2*before {
		t.Fatalf("got %d values, then %d more", before, len(again)-before)
	}
	for i := range before {
		if a, b := again[i], again[before+i]; a.Signal != b.Signal || a.Raw != b.Raw || math.Float64bits(a.Phys) != math.Float64bits(b.Phys) {
			t.Errorf("decoded again: %v, before %v", b, a)
		}
	}
	return again[before:]
}

// checkFill encodes the values and compares with the bits of f that belong to them.
func checkFill(t testing.TB, m *Message, f *can.Frame, values []Value) {
	t.Helper()
	var got can.Frame
	if err := m.Fill(&got, values); err != nil {
		t.Fatalf("fill: %v", err)
	}
	want := make([]byte, f.Len)
	for _, v := range values {
		if v.Signal.Wide() {
			continue
		}
		slowPut(v.Signal.Def, want, v.Raw)
	}
	if string(got.Payload()) != string(want) {
		t.Errorf("encoded % X, want % X", got.Payload(), want)
	}
}

// TestKnownPhysical: as TestKnownRaw, with factors and IEEE numbers. The
// physical values that the sources print are rounded: 1e-9 relative.
func TestKnownPhysical(t *testing.T) {
	tests := []struct {
		name           string
		place          string
		kind           dbc.ValueType
		factor, offset float64
		data           string
		want           float64
	}{
		{"cantools temperature", "0|12@0-", dbc.Signed, 0.01, 250, "C0 06 E0 00 00 00 00 00", 250.55},
		{"cantools temperature, negative raw", "0|12@0-", dbc.Signed, 0.01, 250, "01 00 20 00 00 00 00 00", 229.53},
		{"cantools radius", "6|6@0+", dbc.Unsigned, 0.1, 0, "C0 06 E0 00 00 00 00 00", 3.2},
		{"cantools double", "0|64@1-", dbc.Float64, 1, 0, "75 93 18 04 56 2E 60 C0", -129.448},
		{"cantools float", "0|32@1-", dbc.Float32, 1, 0, "00 80 01 43 24 B2 96 49", 129.5},
		{"cantools float, second", "32|32@1-", dbc.Float32, 1, 0, "00 80 01 43 24 B2 96 49", 1234500.5},
		{"scapy, signed x 0.01", "22|7@1-", dbc.Signed, 0.01, 0, "1D 28 80 1C 0F 23 E0", -0.14},
		{"scapy, signed x 0.5", "2|8@0-", dbc.Signed, 0.5, 0, "1D 28 80 1C 0F 23 E0", -45.5},
		// Engine speed of J1939 EEC1 as the Thomson MEC 310 manual p. 9 prints it.
		{"generating set manual, 700 rpm", "24|16@1+", dbc.Unsigned, 0.125, 0, "FF 7D 7D E0 15 FF F0 FF", 700},
		{"generating set manual, demand 0 %", "8|8@1+", dbc.Unsigned, 1, -125, "FF 7D 7D E0 15 FF F0 FF", 0},
		// Scania CAN interface for bodywork 11:90-01: SPN 190 reaches 8031.875 rpm, speed 250.996 km/h, torque -125..125 %.
		{"bodywork manual, highest engine speed", "24|16@1+", dbc.Unsigned, 0.125, 0, "00 00 00 FF FA 00 00 00", 8031.875},
		{"bodywork manual, highest speed", "8|16@1+", dbc.Unsigned, 1.0 / 256, 0, "00 FF FA 00 00 00 00 00", 250.99609375},
		{"bodywork manual, highest torque", "0|8@1+", dbc.Unsigned, 1, -125, "FA 00 00 00 00 00 00 00", 125},
		{"bodywork manual, lowest torque", "0|8@1+", dbc.Unsigned, 1, -125, "00 00 00 00 00 00 00 00", -125},
		// MAN i-SEA manual p. 140 and 143.
		{"crane manual, throttle 100 %", "8|8@1+", dbc.Unsigned, 0.4, 0, "00 FA 00 00 00 00 00 00", 100},
		{"crane manual, highest SPN 105", "0|8@1+", dbc.Unsigned, 1, -40, "FA 00 00 00 00 00 00 00", 210},
		{"crane manual, lowest SPN 105", "0|8@1+", dbc.Unsigned, 1, -40, "00 00 00 00 00 00 00 00", -40},
		{"crane manual, highest exhaust temperature", "0|16@1+", dbc.Unsigned, 0.03125, -273, "00 FB 00 00 00 00 00 00", 1735},
		{"crane manual, lowest exhaust temperature", "0|16@1+", dbc.Unsigned, 0.03125, -273, "00 00 00 00 00 00 00 00", -273},
		// From memory: SPN 110 has the scaling of SPN 105.
		{"coolant 90 degC", "0|8@1+", dbc.Unsigned, 1, -40, "82 00 00 00 00 00 00 00", 90},
		// SAE J1979 service 01, data bytes alone. Formulas: liquisearch.com/obd-ii_pids;
		// answers: tests/test_decoders.py of github brendan-w/python-OBD at a378bdd8, the
		// data sheet example 1A F8 = 1726 rpm and 32h = 50 km/h of a public interpreter chip.
		{"service 01, load 0", "7|8@0+", dbc.Unsigned, 100.0 / 255, 0, "00", 0},
		{"service 01, load 100", "7|8@0+", dbc.Unsigned, 100.0 / 255, 0, "FF", 100},
		{"service 01, coolant lowest", "7|8@0+", dbc.Unsigned, 1, -40, "00", -40},
		{"service 01, coolant highest", "7|8@0+", dbc.Unsigned, 1, -40, "FF", 215},
		{"service 01, trim 0", "7|8@0+", dbc.Unsigned, 100.0 / 128, -100, "80", 0},
		{"service 01, trim highest", "7|8@0+", dbc.Unsigned, 100.0 / 128, -100, "FF", 99.21875},
		{"service 01, fuel pressure 384", "7|8@0+", dbc.Unsigned, 3, 0, "80", 384},
		{"service 01, fuel pressure 765", "7|8@0+", dbc.Unsigned, 3, 0, "FF", 765},
		{"service 01, 1726 rpm", "7|16@0+", dbc.Unsigned, 0.25, 0, "1A F8", 1726},
		{"service 01, highest rpm", "7|16@0+", dbc.Unsigned, 0.25, 0, "FF FF", 16383.75},
		{"service 01, 50 km/h", "7|8@0+", dbc.Unsigned, 1, 0, "32", 50},
		{"service 01, timing lowest", "7|8@0+", dbc.Unsigned, 0.5, -64, "00", -64},
		{"service 01, timing highest", "7|8@0+", dbc.Unsigned, 0.5, -64, "FF", 63.5},
		{"service 01, air flow highest", "7|16@0+", dbc.Unsigned, 0.01, 0, "FF FF", 655.35},
		{"service 01, throttle 100", "7|8@0+", dbc.Unsigned, 100.0 / 255, 0, "FF", 100},
		{"service 01 status, lamp on", "7|1@0+", dbc.Unsigned, 1, 0, "83 07 FF 00", 1},
		{"service 01 status, 3 codes", "6|7@0+", dbc.Unsigned, 1, 0, "83 07 FF 00", 3},
		{"service 01 status, 2 codes (Stack Overflow 75415507)", "6|7@0+", dbc.Unsigned, 1, 0, "82 07 61 01", 2},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := sig(t, "S", tt.place)
			s.Type, s.Factor, s.Offset = tt.kind, tt.factor, tt.offset
			f := frameHex(t, tt.data)
			m := message(t, int(f.Len), s)
			values := decodeTwice(t, m, f)
			if len(values) != 1 || !near(values[0].Phys, tt.want) {
				t.Fatalf("got %v, want %v", values, tt.want)
			}
			checkFill(t, m, f, values)
			var g can.Frame
			if err := m.Encode(&g, map[string]float64{"S": tt.want}); err != nil {
				t.Fatal(err)
			}
			if back, _ := m.Decode(&g, nil); back[0].Raw != values[0].Raw {
				t.Errorf("%v encodes as raw %#x, want %#x", tt.want, back[0].Raw, values[0].Raw)
			}
		})
	}
}

// near compares to 1e-9 relative.
func near(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Abs(b) }
