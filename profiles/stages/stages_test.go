package stages

import (
	"errors"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

func TestParse(t *testing.T) {
	got, err := Parse("x.stages.yaml", []byte(`# where the stages are
format: 1
stages:
  - {name: idle, start: 12.5, end: 20.000001}
  - {name: key-on, start: 0.000000, end: 12}
`))
	if err != nil {
		t.Fatal(err)
	}
	want := Spans{
		{Stage: "key-on", Start: 0, End: 12e9, Source: Marked},
		{Stage: "idle", Start: 12.5e9, End: 20_000_001_000, Source: Marked},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	for _, bad := range []string{
		"", "format: 2\n", "format: 1\nstages: [{name: idel, start: 1, end: 2}]\n",
		"format: 1\nstages: [{name: idle, start: 2, end: 2}]\n",
		"format: 1\nstages: [{name: idle, start: 1s, end: 2}]\n",
		"format: 1\nstages: [{name: idle, begin: 1, end: 2}]\n",
	} {
		spans, err := Parse("x", []byte(bad))
		if spans != nil || !errors.As(err, new(profiles.Problems)) {
			t.Errorf("%q gives %v, %v", bad, spans, err)
		}
	}
}

// gather makes the evidence of frames of two messages: 0x100 of another unit
// (byte 0 a switch, byte 1 a level), 0x200 of the replaced one.
func gather(t *testing.T, frames []can.Frame) *evidence.Evidence {
	t.Helper()
	lib := profiles.NewLibrary(profiles.Folder{FS: fstest.MapFS{
		"car.dbc": {Data: []byte(`BU_: Body Engine
BO_ 256 Other: 2 Body
 SG_ Switch : 0|8@1+ (1,0) [0|0] "" Engine
 SG_ Level : 8|8@1+ (1,0) [0|0] "" Engine
BO_ 512 Own: 1 Engine
 SG_ Runs : 0|1@1+ (1,0) [0|0] "" Body
`)},
		"car.yaml": {Data: []byte(`format: 1
buses: {can0: {dbc: car.dbc}}
nodes: {Body: {}, Engine: {}}
replaced: Engine
stages:
  key-on: {when: [{signal: Other.Switch, is: [2]}]}
  pedal: {when: [{signal: Other.Switch, is: [2]}, {signal: Other.Level, moves: true}]}
  brake: {when: [{signal: Other.Level, moves: true, within: 9s}]}
  rev: {when: [{signal: Other.Level, above: 50}], lasting: 3s}
  warm-up: {when: [{signal: Other.Level, above: 50}], lasting: 3s, bridge: 3s}
  idle: {when: [], otherwise: [{signal: Own.Runs, is: [1]}]}
`)},
	}})
	setting, err := lib.Load("car")
	if err != nil {
		t.Fatal(err)
	}
	var buses can.Buses
	buses.Intern([]byte("can0"))
	plan, err := evidence.NewPlan(evidence.Options{Setting: setting, Buses: &buses})
	if err != nil {
		t.Fatal(err)
	}
	c := plan.New()
	c.Add(frames)
	return c.Evidence()
}

func TestRecognise(t *testing.T) {
	var frames []can.Frame
	add := func(at int64, id uint32, data ...byte) {
		f := can.Frame{Time: at, ID: id}
		f.SetPayload(data)
		frames = append(frames, f)
	}
	const s = int64(1e9)
	for i := range int64(300) { // 30 s, ten frames a second
		at := i * s / 10
		key, level := byte(0), byte(10)
		if at >= 5*s {
			key = 2
		}
		switch {
		case at >= 10*s && at < 12*s: // the pedal moves
			level = byte(10 + 4*(i%10))
		case at >= 20*s && at < 25*s:
			level = 60
		case at >= 27*s && at < 29*s: // too short for rev
			level = 60
		}
		add(at, 0x100, key, level)
		add(at+1, 0x200, byte(min(1, i/250)))
	}
	got := Recognise(gather(t, frames))
	near := func(a, b int64) bool { return max(a-b, b-a) < 6*s/10 }
	for _, want := range []Span{
		{Stage: "key-on", Start: 5 * s, End: 30 * s},
		{Stage: "pedal", Start: 10 * s, End: 12 * s},
		{Stage: "brake", Start: 10 * s, End: 29 * s},
		{Stage: "rev", Start: 20 * s, End: 25 * s},
		{Stage: "warm-up", Start: 20 * s, End: 29 * s}, // the short one is a repeat
		{Stage: "idle", Start: 25 * s, End: 30 * s},
	} {
		found := 0
		for _, span := range got {
			if span.Stage == want.Stage && near(span.Start, want.Start) && near(span.End, want.End) {
				found++
			}
		}
		if found != 1 {
			t.Errorf("%s from %d to %d found %d times in %v", want.Stage, want.Start, want.End, found, got)
		}
	}
	if n := len(got.Of("", "rev")); n != 1 {
		t.Errorf("rev found %d times: the short one does not count", n)
	}
	if len(got.Of("Own", "idle")) != 0 || len(got.Of("Other", "idle")) != 1 {
		t.Error("a stage that rests on a message must not be used to judge that message")
	}
}
