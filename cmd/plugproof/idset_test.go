package main

import (
	"testing"

	"plugproof/decode/can"
)

func TestParseIDs(t *testing.T) {
	tests := []struct {
		text string
		want idRange
		bad  bool
	}{
		{text: "0x201", want: idRange{0x201, 0x201, false}},
		{text: "0X7ff", want: idRange{0x7FF, 0x7FF, false}},
		{text: "0x0", want: idRange{0, 0, false}},
		{text: "0x00000201", want: idRange{0x201, 0x201, true}},
		{text: "0x18FEF1FE", want: idRange{0x18FEF1FE, 0x18FEF1FE, true}},
		{text: "0x400-0x4FF", want: idRange{0x400, 0x4FF, false}},
		{text: "0x0000-0x1FFFFFFF", want: idRange{0, 0x1FFFFFFF, true}},
		{text: "201", bad: true},
		{text: "", bad: true},
		{text: "0x", bad: true},
		{text: "0x800", bad: true},
		{text: "0x20000000", bad: true},
		{text: "0x000000201", bad: true},
		{text: "0x2_1", bad: true},
		{text: "0xGG", bad: true},
		{text: "0x400-0x3FF", bad: true},
		{text: "0x400-0x00000500", bad: true},
		{text: "0x1-0x2-0x3", bad: true},
		{text: "-0x3", bad: true},
	}
	for _, tt := range tests {
		got, err := parseIDs([]string{tt.text})
		switch {
		case tt.bad && err == nil:
			t.Errorf("%q: accepted as %v", tt.text, got)
		case !tt.bad && (err != nil || got[0] != tt.want):
			t.Errorf("%q: got %v, %v, want %v", tt.text, got, err, tt.want)
		}
	}
}

func TestIDRangeHolds(t *testing.T) {
	standard := idRange{0x200, 0x2FF, false}
	tests := []struct {
		name string
		f    can.Frame
		want bool
	}{
		{"lower end", can.Frame{ID: 0x200}, true},
		{"upper end", can.Frame{ID: 0x2FF}, true},
		{"below", can.Frame{ID: 0x1FF}, false},
		{"above", can.Frame{ID: 0x300}, false},
		{"remote", can.Frame{ID: 0x200, Flags: can.Remote}, true},
		{"29 bits of the same value", can.Frame{ID: 0x200, Flags: can.Extended}, false},
		{"error frame of that class", can.Frame{ID: 0x200, Flags: can.Error}, false},
	}
	for _, tt := range tests {
		if got := standard.holds(&tt.f); got != tt.want {
			t.Errorf("%s: %v", tt.name, got)
		}
	}
}
