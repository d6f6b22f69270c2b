package rules

import (
	"strings"
	"testing"
	"testing/fstest"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// judgeFrames judges one message, sent every 100 ms with the given payloads in
// turn, by a profile of it.
func judgeFrames(t *testing.T, profile string, payloads ...[]byte) *Result {
	t.Helper()
	var frames []can.Frame
	for i := range 50 {
		f := can.Frame{ID: 0x201, Time: int64(i) * 100e6}
		f.SetPayload(payloads[i%len(payloads)])
		frames = append(frames, f)
	}
	return judgeAll(t, profile, frames)
}

// judgeAll judges frames of the bus drive by a profile.
func judgeAll(t *testing.T, profile string, frames []can.Frame) *Result {
	t.Helper()
	setting, err := profiles.NewLibrary(profiles.Folder{FS: fstest.MapFS{"car.yaml": {Data: []byte(profile)}, "car.dbc": {Data: []byte(
		"BO_ 513 Speed: 8 XXX\n SG_ Door : 8|1@1+ (1,0) [0|1] \"\" XXX\n")}}}).Load("car")
	if err != nil {
		t.Fatal(err)
	}
	var buses can.Buses
	buses.Intern([]byte("drive"))
	plan, err := evidence.NewPlan(evidence.Options{Setting: setting, Buses: &buses})
	if err != nil {
		t.Fatal(err)
	}
	c := plan.New()
	c.Add(frames)
	return Judge(&Case{Setting: setting, Evidence: c.Evidence(), Scope: Car, ErrorsRecorded: true}, nil)
}

func TestStillBits(t *testing.T) {
	const profile = `format: 1
buses: {drive: {dbc: car.dbc}}
messages:
  Speed: {cycle: 100ms, still: "0000~~~~ 00000001 ~~~~~~~~"}
`
	for _, row := range []struct {
		name     string
		payloads [][]byte
		want     string // what the finding names; "" for none
	}{
		{"as before", [][]byte{{0x0F, 1, 9, 0, 0, 0, 0, 0}}, ""},
		{"a bit stands otherwise", [][]byte{{0x1F, 1, 9, 0, 0, 0, 0, 0}}, "learned from: bit 4 of byte 0"},
		{"a signal stands otherwise", [][]byte{{0x0F, 0, 9, 0, 0, 0, 0, 0}}, "learned from: Door"},
		{"a bit moves now", [][]byte{{0x1F, 1, 9, 0, 0, 0, 0, 0}, {0x0F, 1, 9, 0, 0, 0, 0, 0}}, ""},
		{"many", [][]byte{{0xF0, 0xF1, 0, 0, 0, 0, 0, 0}}, "byte 0, 4 more"},
		{"bytes that nobody spoke of", [][]byte{{0, 1, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}}, ""},
	} {
		var got string
		for _, f := range judgeFrames(t, profile, row.payloads...).Findings {
			got += f.Rule + " " + f.Verdict.String() + " " + f.Text
		}
		if row.want == "" && got != "" || !strings.Contains(got, row.want) || got != "" && !strings.HasPrefix(got, "signal/still-bits review") {
			t.Errorf("%s: %q, want %q", row.name, got, row.want)
		}
	}
}
