package rules

import (
	"slices"
	"strings"
	"testing"

	"plugproof/decode/can"
)

// every makes frames of an identifier every 100 ms, in the given seconds.
func every(id uint32, from, to int64) (frames []can.Frame) {
	for t := from * 1e9; t < to*1e9; t += 100e6 {
		f := can.Frame{ID: id, Time: t + int64(id%16)*1e6} // no two at the same instant
		f.SetPayload(make([]byte, 8))
		frames = append(frames, f)
	}
	return frames
}

// found sums up what was found, a line for each, in the order of the capture's frames.
func found(t *testing.T, profile string, parts ...[]can.Frame) string {
	t.Helper()
	frames := slices.Concat(parts...)
	slices.SortStableFunc(frames, func(a, b can.Frame) int { return int(a.Time - b.Time) })
	var out []string
	for _, f := range judgeAll(t, profile, frames).Findings {
		out = append(out, f.Verdict.String()+" "+f.Rule+": "+f.Text)
	}
	return strings.Join(out, "\n")
}

// A message that ends while its sender goes on is a gap without an end. Where the
// sender is not known, or stands for several units, nobody can tell.
func TestMessageStops(t *testing.T) {
	profile := func(node string) string {
		return `format: 1
buses: {drive: {}}
nodes: {Unit: ` + node + `}
messages:
  A: {bus: drive, id: 0x201, sender: Unit, cycle: 100ms}
  B: {bus: drive, id: 0x202, sender: Unit, cycle: 100ms}
`
	}
	for _, row := range []struct {
		name, node string
		parts      [][]can.Frame
		want       string
	}{
		{"both go on", "{}", [][]can.Frame{every(0x201, 0, 30), every(0x202, 0, 30)}, ""},
		{
			"one stops", "{}",
			[][]can.Frame{every(0x201, 0, 20), every(0x202, 0, 30)},
			"fail message/long-gap: A stopped, and stayed away for the 10s that were left, while Unit went on; a listener waits 500ms",
		},
		{"for less than any listener waits", "{}", [][]can.Frame{every(0x201, 0, 27), every(0x202, 0, 30)}, ""},
		{"the unit stops", "{}", [][]can.Frame{every(0x201, 0, 20), every(0x202, 0, 20), every(0x300, 0, 30)}, ""},
		{"one of several units", "{several: true}", [][]can.Frame{every(0x201, 0, 20), every(0x202, 0, 30)}, ""},
		{
			"one comes for a moment only", "{}",
			[][]can.Frame{every(0x201, 0, 1), every(0x202, 0, 30)},
			"fail message/absent: A (0x201 on drive) came 10 times within 900ms, and then no more, while 1 other messages of Unit come",
		},
	} {
		if got := found(t, profile(row.node), row.parts...); got != row.want {
			t.Errorf("%s: %q, want %q", row.name, got, row.want)
		}
	}
}

// A capture with little of the profile in it is of another car only where it holds
// other messages instead.
func TestNoMatch(t *testing.T) {
	var list strings.Builder
	for i := range 40 {
		list.WriteString("  M" + string(rune('a'+i/10)) + string(rune('0'+i%10)) + ": {bus: drive, id: " + "0x1" + string(rune('0'+i/10)) + string(rune('0'+i%10)) + ", cycle: 100ms}\n")
	}
	profile := "format: 1\nname: car\nbuses: {drive: {}}\nmessages:\n" + list.String()
	asleep := found(t, profile, every(0x100, 0, 10), every(0x101, 0, 10))
	if strings.Contains(asleep, "no-match") || strings.Count(asleep, "message/absent") != 38 {
		t.Errorf("a car of which little is awake: %s", asleep)
	}
	other := found(t, profile, every(0x100, 0, 10), every(0x201, 0, 10), every(0x202, 0, 10))
	if !strings.HasPrefix(other, "fail message/no-match") || strings.Contains(other, "\n") {
		t.Errorf("another car: %s", other)
	}
}
