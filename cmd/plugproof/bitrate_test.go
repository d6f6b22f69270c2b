package main

import (
	"testing"

	"plugproof/decode/can"
)

func TestParseBitrates(t *testing.T) {
	tests := []struct {
		text string
		want bitrate
		bad  bool
	}{
		{text: "drive=500k", want: bitrate{"drive", 500_000, 0}},
		{text: "can0=500k/2M", want: bitrate{"can0", 500_000, 2_000_000}},
		{text: "33.333k", want: bitrate{"", 33_333, 0}},
		{text: "125000", want: bitrate{"", 125_000, 0}},
		{text: "1M/5M", want: bitrate{"", 1_000_000, 5_000_000}},
		{text: "", bad: true},
		{text: "can0=", bad: true},
		{text: "=500k", bad: true},
		{text: "can0=500k/", bad: true},
		{text: "can0=fast", bad: true},
		{text: "can0=500", bad: true}, // 500 bit/s: the k is missing
		{text: "can0=500M", bad: true},
		{text: "can0=-500k", bad: true},
		{text: "can0=NaN", bad: true},
		{text: "can0=500kk", bad: true},
	}
	for _, tt := range tests {
		got, err := parseBitrates([]string{tt.text})
		switch {
		case tt.bad && err == nil:
			t.Errorf("%q: accepted as %v", tt.text, got)
		case !tt.bad && (err != nil || got[0] != tt.want):
			t.Errorf("%q: got %v, %v, want %v", tt.text, got, err, tt.want)
		}
	}
}

func TestSetBitrates(t *testing.T) {
	var buses can.Buses
	own, _ := buses.Intern([]byte("own"))
	buses.SetBitrates(own, 250_000, 0)
	buses.Intern([]byte("bare"))
	rates := []bitrate{{"", 500_000, 0}, {"named", 125_000, 0}, {"bare", 50_000, 0}}

	check := func(when string, want map[string]int64) {
		t.Helper()
		for _, b := range buses.All() {
			if b.Bitrate != want[b.Name] {
				t.Errorf("%s: bus %s has %d bit/s, want %d", when, b.Name, b.Bitrate, want[b.Name])
			}
		}
	}
	setMissing(&buses, rates)
	check("missing", map[string]int64{"own": 250_000, "bare": 500_000})
	setNamed(&buses, rates)
	check("named", map[string]int64{"own": 250_000, "bare": 50_000, "named": 125_000})
	setMissing(&buses, []bitrate{{"", 1_000_000, 0}})
	check("nothing missing", map[string]int64{"own": 250_000, "bare": 50_000, "named": 125_000})
}
