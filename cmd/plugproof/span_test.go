package main

import (
	"math"
	"testing"

	"plugproof/decode/can"
)

func TestMoment(t *testing.T) {
	tests := []struct {
		text     string
		ns       int64
		absolute bool
		bad      bool
	}{
		{text: "0", ns: 0},
		{text: "12.5", ns: 12_500_000_000},
		{text: "0.000000001", ns: 1},
		{text: "@1257894000.25", ns: 1257894000_250_000_000, absolute: true},
		{text: "2009-11-10T23:00:00Z", ns: 1257894000_000_000_000, absolute: true},
		{text: "2009-11-11T00:00:00.25+01:00", ns: 1257894000_250_000_000, absolute: true},
		{text: "", bad: true},
		{text: "@", bad: true},
		{text: "-1", bad: true},
		{text: "+1", bad: true},
		{text: ".5", bad: true},
		{text: "1e3", bad: true},
		{text: "1.0000000001", bad: true}, // finer than a nanosecond
		{text: "1.-5", bad: true},
		{text: "9223372036.9", bad: true}, // past the range of nanoseconds
		{text: "99999999999999999999", bad: true},
		{text: "@2009-11-10T23:00:00Z", bad: true},
		{text: "2009-11-10 23:00:00", bad: true}, // no zone
		{text: "1m30s", bad: true},
	}
	for _, tt := range tests {
		var m moment
		err := m.Set(tt.text)
		switch {
		case tt.bad && err == nil:
			t.Errorf("%q: accepted as %d", tt.text, m.ns)
		case !tt.bad && (err != nil || m.ns != tt.ns || m.absolute != tt.absolute):
			t.Errorf("%q: got %d absolute=%v, %v; want %d absolute=%v", tt.text, m.ns, m.absolute, err, tt.ns, tt.absolute)
		}
	}
}

func TestSpanHolds(t *testing.T) {
	tests := []struct {
		name     string
		from, to string
		want     string // y or n for each of the stamps 100, 101, 99, 102 s
	}{
		{"everything", "", "", "yyyy"},
		{"from is part of it", "1", "", "nyny"},
		{"to is not", "", "2", "yyyn"},
		{"both", "1", "2", "nynn"},
		{"absolute", "@100", "@101", "ynnn"},
		{"mixed", "@101", "2", "nynn"},
		{"past the end of time", "9223372035", "", "nnnn"},
	}
	for _, tt := range tests {
		var s span
		set(t, &s.from, tt.from)
		set(t, &s.to, tt.to)
		got := ""
		for _, sec := range []int64{100, 101, 99, 102} {
			f := can.Frame{Time: sec * 1e9}
			got += map[bool]string{true: "y", false: "n"}[s.holds(&f)]
		}
		if got != tt.want {
			t.Errorf("%s: got %s, want %s", tt.name, got, tt.want)
		}
	}
}

func set(t *testing.T, m *moment, text string) {
	t.Helper()
	if text == "" {
		return
	}
	if err := m.Set(text); err != nil {
		t.Fatal(err)
	}
}

func TestSpanCheck(t *testing.T) {
	tests := []struct {
		from, to string
		bad      bool
	}{
		{"", "", false},
		{"1", "", false},
		{"1", "2", false},
		{"@5", "2", false},
		{"2", "2", true},
		{"3", "2", true},
		{"@3", "@2", true},
	}
	for _, tt := range tests {
		var s span
		set(t, &s.from, tt.from)
		set(t, &s.to, tt.to)
		if err := s.check(); (err != nil) != tt.bad {
			t.Errorf("--from %q --to %q: %v", tt.from, tt.to, err)
		}
	}
}

func TestMomentDoesNotOverflow(t *testing.T) {
	m := moment{ns: math.MaxInt64, set: true}
	if got := m.at(1 << 40); got != math.MaxInt64 {
		t.Errorf("got %d", got)
	}
}
