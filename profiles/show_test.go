package profiles

import (
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
)

const car = `format: 1
name: car
title: "the car: one"
builds_on: [base]
messages:
  Speed: {cycle: 20ms, constants: {Axle: {value: 3}}}
never_sent: [0x7DF, 0x7E0-0x7EF]
`

func TestLinesSayWhereTheyCameFrom(t *testing.T) {
	c, err := lib("base.yaml", base, "car.yaml", car).Compose("car")
	if err != nil {
		t.Fatal(err)
	}
	from := map[string]string{}
	for _, line := range c.Lines() {
		from[strings.TrimSpace(line.Text)] = line.From
	}
	for text, want := range map[string]string{
		"cycle: 20ms":                      "car.yaml:6:11",
		"length: 8":                        "base.yaml:17:5",
		"bitrate: 500kbit/s":               "base.yaml:5:11",
		"timeout: 500ms":                   "base.yaml:20:17",
		"never_sent: [0x7DF, 0x7E0-0x7EF]": "car.yaml:7:1",
	} {
		if got, ok := from[text]; !ok || got != want {
			t.Errorf("line %q from %q, want %q", text, got, want)
		}
	}
}

// TestLinesReadBack reads what Lines writes and wants the same profile.
func TestLinesReadBack(t *testing.T) {
	c, err := lib("base.yaml", base, "car.yaml", car).Compose("car")
	if err != nil {
		t.Fatal(err)
	}
	var text strings.Builder
	for _, line := range c.Lines() {
		text.WriteString(line.Text + "\n")
	}
	again, err := lib("base.yaml", base, "car.yaml", text.String()).Compose("car")
	if err != nil {
		t.Fatalf("%v in\n%s", err, text.String())
	}
	if diff := cmp.Diff(c.Profile, again.Profile); diff != "" {
		t.Errorf("(-composed +read back):\n%s\n%s", diff, text.String())
	}
}

func TestDiffer(t *testing.T) {
	load := func(text string) *Setting {
		t.Helper()
		s, err := NewLibrary(Folder{FS: fstest.MapFS{
			"base.yaml": {Data: []byte(base)}, "car.yaml": {Data: []byte(text)},
		}}).Load("car")
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	a := load(car)
	if got := Differ(a, load(car)); len(got) != 0 {
		t.Errorf("a setting differs from itself: %v", got)
	}
	b := load(`format: 1
builds_on: [base]
buses: {drive: {bitrate: 250kbit/s}}
messages:
  Speed: {constants: {Axle: {value: 4, means: short}}}
  Heat: {id: 0x421}
  Extra: {bus: body, id: 0x300, sender: Climate, option: true}
`)
	id := func(v uint32) ID { return ID{Value: v} }
	want := []Difference{
		{Bus: "drive", What: "bit rate", A: "500kbit/s", B: "250kbit/s", Stage: "key-on"},
		{Bus: "drive", ID: id(0x201), HasID: true, Message: "Speed", Sender: "Engine", What: "cycle", A: "20ms", B: "10ms", Stage: "key-on", Echo: true},
		{Bus: "drive", ID: id(0x201), HasID: true, Message: "Speed", Sender: "Engine", What: "constant Axle", A: "3", B: "4 (short)", Stage: "key-on", Echo: true},
		{Bus: "drive", ID: id(0x420), HasID: true, Message: "Heat", Sender: "Engine", What: "sent", A: "sent", B: "not sent", Stage: "key-on", Echo: true},
		{Bus: "drive", ID: id(0x421), HasID: true, Message: "Heat", Sender: "Engine", What: "sent", A: "not sent", B: "sent", Stage: "key-on", Echo: true},
	}
	if diff := cmp.Diff(want, Differ(a, b)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
