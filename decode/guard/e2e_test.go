package guard

import (
	"bytes"
	"strings"
	"testing"

	"plugproof/decode/can"
)

// dataIDs returns n, n+1, ... as data identifiers.
func dataIDs(first byte) []byte {
	ids := make([]byte, 16)
	for i := range ids {
		ids[i] = first + byte(i)
	}
	return ids
}

// Vectors from the tests of zariiii9003/autosar-e2e and handohun/autosar-e2e and
// from a public gtest for PRS R23-11 (its P05 row has the CRC bytes the other way
// round: the first two and cantools agree on this one). The payload is zero where
// the row gives none; want is what the frame starts with, from byte at on.
func TestEndToEndVectors(t *testing.T) {
	p1 := func(mode DataIDMode) EndToEnd { return EndToEnd{Profile: 1, DataID: 0x123, Mode: mode, Length: 8} }
	p11 := func(mode DataIDMode) EndToEnd { return EndToEnd{Profile: 11, DataID: 0x123, Mode: mode, Length: 8} }
	at8 := func(e EndToEnd, length int) EndToEnd {
		e.Offset, e.Length = 8, length
		return e
	}
	p22 := EndToEnd{Profile: 22, DataIDs: dataIDs(1), Length: 8}
	p4 := EndToEnd{Profile: 4, DataID: 0x0A0B0C0D, Length: 16}
	p5 := EndToEnd{Profile: 5, DataID: 0x1234, Length: 8}
	p6 := EndToEnd{Profile: 6, DataID: 0x1234, Length: 8}
	p7 := EndToEnd{Profile: 7, DataID: 0x0A0B0C0D, Length: 24}
	tests := []struct {
		name    string
		e       EndToEnd
		payload string // "": zeros
		nth     uint64
		at      int
		want    string
	}{
		{"P01 both", p1(BothBytes), "", 0, 0, "CC00"},
		{"P01 both", p1(BothBytes), "", 1, 0, "9101"},
		{"P11 both", p11(BothBytes), "", 0, 0, "CC00"},
		{"P11 both", p11(BothBytes), "", 1, 0, "9101"},
		{"P01 alternating", p1(Alternating), "", 0, 0, "CE00"},
		{"P01 alternating", p1(Alternating), "", 1, 0, "0201"},
		{"P01 low", p1(LowByte), "", 0, 0, "CE00"},
		{"P01 low", p1(LowByte), "", 1, 0, "9301"},
		{"P01 nibble", p1(LowNibble), "", 0, 0, "2A10"},
		{"P01 nibble", p1(LowNibble), "", 1, 0, "7711"},
		{"P11 nibble", p11(LowNibble), "", 0, 0, "2A10"},
		{"P11 nibble", p11(LowNibble), "", 1, 0, "7711"},
		{"P11 nibble at 8", at8(p11(LowNibble), 16), "", 0, 8, "7D10"},
		{"P02 list of zeros", EndToEnd{Profile: 2, DataIDs: make([]byte, 16)}, "0000000000000000", 1, 0, "4501"},
		{"P02 list 0 to 15", EndToEnd{Profile: 2, DataIDs: dataIDs(0)}, "0000020304050607", 2, 0, "BC02020304050607"},
		{"P02 list 0 to 15", EndToEnd{Profile: 2, DataIDs: dataIDs(0)}, "0000020304050607", 1, 0, "6101020304050607"},
		{"P22 at 8", at8(p22, 16), "", 1, 8, "1401"},
		{"P04", p4, "", 0, 0, "001000000A0B0C0D862B0556"},
		{"P04", p4, "", 1, 0, "001000010A0B0C0DA58E6807"},
		{"P04 at 8", at8(p4, 24), "", 0, 8, "001800000A0B0C0D69D7502E"},
		{"P04 at 8", at8(p4, 24), "", 1, 8, "001800010A0B0C0D4A723D7F"},
		{"P05", p5, "", 0, 0, "1CCA00"},
		{"P05", p5, "", 1, 0, "CF8D01"},
		{"P05 at 8", at8(p5, 16), "", 0, 8, "289100"},
		{"P05 at 8", at8(p5, 16), "", 1, 8, "FBD601"},
		{"P06", p6, "", 0, 0, "B155000800"},
		{"P06", p6, "", 1, 0, "F4F5000801"},
		{"P06 at 8", at8(p6, 16), "", 0, 8, "4EB7001000"},
		{"P06 at 8", at8(p6, 16), "", 1, 8, "0B17001001"},
		{"P07", p7, "", 0, 0, "1FB2E737FCEDBCD900000018000000000A0B0C0D"},
		{"P07", p7, "", 1, 0, "7BDE7268B8E9BC2700000018000000010A0B0C0D"},
		{"P07 at 8", at8(p7, 32), "", 0, 8, "17F7C817323865A8"},
		{"P07 at 8", at8(p7, 32), "", 1, 8, "739B5D48763C6556"},
		{"P08", EndToEnd{Profile: 8, DataID: 0x0A0B0C0D, Length: 20}, "", 0, 0, "41494E5200000014000000000A0B0C0D"},
		// The two below are from cantools tests/test_autosar.py. Its P02 row gives the
		// bytes behind the CRC and one identifier for the counter in them.
		{"P02 id 5", EndToEnd{Profile: 2, DataIDs: bytes.Repeat([]byte{5}, 16)}, "005122", 1, 0, "AD5122"},
		{"P02 id 1", EndToEnd{Profile: 2, DataIDs: bytes.Repeat([]byte{1}, 16)}, "005122", 1, 0, "115122"},
		{"P05 id 321", EndToEnd{Profile: 5, DataID: 321}, "00002233", 0x22, 0, "CFEC2233"},
	}
	for i, crc := range []string{"1B", "98", "31", "0D", "18", "9B", "65", "08", "1D", "9E", "37", "0B", "1E", "9D", "CD", "0E"} {
		tests = append(tests, struct {
			name    string
			e       EndToEnd
			payload string
			nth     uint64
			at      int
			want    string
		}{"P22 list 1 to 16", p22, "", uint64(i + 1), 0, crc})
	}
	for _, tt := range tests {
		p, err := tt.e.Protection()
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		g := compile(t, p)
		f := &can.Frame{Flags: can.FD}
		f.SetPayload(make([]byte, tt.e.Length))
		if tt.payload != "" {
			f.SetPayload(unhex(t, tt.payload))
		}
		if err := g.FillNth(tt.nth, f); err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		want := unhex(t, tt.want)
		if got := f.Data[tt.at : tt.at+len(want)]; !bytes.Equal(got, want) {
			t.Errorf("%s, counter %d: % X, want % X", tt.name, tt.nth, got, want)
		}
		if faults := g.Verify(nil, f, 1); faults != 0 {
			t.Errorf("%s, counter %d: %v", tt.name, tt.nth, faults)
		}
	}
}

// Where counters wrap: profile 1 after 14, 2 after 15, 4 after FFFF, 5 and 6 after
// FF (the same three libraries).
func TestEndToEndWrap(t *testing.T) {
	for _, tt := range []struct {
		e      EndToEnd
		period uint64
	}{
		{EndToEnd{Profile: 1, Length: 8}, 15},
		{EndToEnd{Profile: 11, Length: 8}, 15},
		{EndToEnd{Profile: 2, Length: 8, DataIDs: dataIDs(0)}, 16},
		{EndToEnd{Profile: 22, Length: 8, DataIDs: dataIDs(0)}, 16},
		{EndToEnd{Profile: 4, Length: 16}, 1 << 16},
		{EndToEnd{Profile: 5, Length: 8}, 1 << 8},
		{EndToEnd{Profile: 6, Length: 8}, 1 << 8},
		{EndToEnd{Profile: 7, Length: 24}, 1 << 32},
	} {
		p, err := tt.e.Protection()
		if err != nil {
			t.Fatal(err)
		}
		g := compile(t, p)
		var first, last, again can.Frame
		for n, f := range map[uint64]*can.Frame{0: &first, tt.period - 1: &last, tt.period: &again} {
			f.Flags = can.FD
			f.SetPayload(make([]byte, tt.e.Length))
			if err := g.FillNth(n, f); err != nil {
				t.Fatal(err)
			}
		}
		if first != again || first == last {
			t.Errorf("profile %d: does not wrap after %d frames", tt.e.Profile, tt.period)
		}
		if faults := g.Verify(&last, &again, 1); faults != 0 {
			t.Errorf("profile %d: at the wrap: %v", tt.e.Profile, faults)
		}
	}
}

// With one frame more allowed to be lost after an empty read: last 1 accepts 2
// and then 3, not 4 (blog.csdn.net 140208664).
func TestEndToEndDelta(t *testing.T) {
	c := compileCounter(t, Counter{Field: Nibble(1, 0), Modulo: 15})
	for _, tt := range []struct {
		now   uint64
		steps int
		want  Faults
	}{{2, 1, 0}, {3, 1, WrongStep}, {3, 2, 0}, {4, 2, WrongStep}} {
		if got := c.verify(1, tt.now, tt.steps); got != tt.want {
			t.Errorf("1 then %d after %d cycles: %v, want %v", tt.now, tt.steps, got, tt.want)
		}
	}
}

func TestEndToEndRefused(t *testing.T) {
	for _, tt := range []struct {
		e    EndToEnd
		says string
	}{
		{EndToEnd{}, "profile 0 is not known"},
		{EndToEnd{Profile: 3}, "profile 3 is not known"},
		{EndToEnd{Profile: 1, DataID: 0x10000}, "too wide"},
		{EndToEnd{Profile: 1, DataID: 0x1000, Mode: LowNibble}, "too wide"},
		{EndToEnd{Profile: 1, Mode: 4}, "mode 4"},
		{EndToEnd{Profile: 5, DataID: 0x10000}, "too wide"},
		{EndToEnd{Profile: 2, DataIDs: make([]byte, 15)}, "15 data identifiers"},
		{EndToEnd{Profile: 4, Offset: -1}, "negative"},
	} {
		if _, err := tt.e.Protection(); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%+v: %v, want %q", tt.e, err, tt.says)
		}
	}
	p, err := EndToEnd{Profile: 7, Offset: 60, Length: 64}.Protection()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.Compile(); err == nil {
		t.Error("a header behind the longest payload was accepted")
	}
}
