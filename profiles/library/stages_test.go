package library_test

import (
	"slices"
	"testing"

	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/stages"
)

// told says how well the profiles' rules tell a stage: the least share of its
// marked stretch that they recognise, in the short script and in the one of full
// length, and into which other stages what they recognise may reach. A stage
// with less than 0.8 is told by part of its stimulus only; why is said beside it.
var told = map[string]struct {
	short, long float64
	into        []string
}{
	"asleep":  {0.85, 0.95, []string{"key-on"}}, // up to the turn of the key
	"key-on":  {0.90, 0.95, []string{"pedal", "brake", "lever", "crank", "idle"}},
	"pedal":   {0.90, 0.90, []string{"key-on"}},
	"brake":   {0.90, 0.25, []string{"lever"}}, // the strokes of the brake; clutch and handbrake follow
	"lever":   {0.70, 0.70, nil},               // out of park
	"crank":   {0.60, 0.60, []string{"idle"}},  // while the starter is asked for; and for the start
	"idle":    {0.80, 0.95, []string{"warm-up", "air-con", "cruise", "rev", "in-gear", "road"}},
	"warm-up": {0.25, 0.15, []string{"air-con", "cruise", "rev", "in-gear", "road", "key-off"}}, // its end, when the fan runs
	"air-con": {0.80, 0.80, nil},
	"cruise":  {0.80, 0.85, nil},
	"rev":     {0.75, 0.30, nil},              // while the engine is fast
	"in-gear": {0.65, 0.65, []string{"road"}}, // out of park
	"road":    {0.70, 0.75, nil},              // while the car moves
	"key-off": {0.90, 0.90, nil},
}

// TestStagesRecognised compares what the rules recognise with the markers of the
// script, cut to what was captured: nobody sends while the car sleeps.
func TestStagesRecognised(t *testing.T) {
	atLength := []string{"lowan-1-20-a5", "lowan-3-20-m5", "lowan-3-20t-a8"}
	for i, car := range demo.Settings() {
		compareStages(t, car, uint64(50+i), 0)
		if !testing.Short() && slices.Contains(atLength, car.String()) {
			compareStages(t, car, uint64(50+i), 1)
		}
	}
}

func compareStages(t *testing.T, car demo.Setting, seed uint64, scale float64) {
	t.Helper()
	ev, marked := drive(t, car, seed, scale)
	recognised := stages.Recognise(ev)
	for _, name := range profiles.StageNames() {
		want := told[name].short
		if scale == 1 {
			want = told[name].long
		}
		if name == "lever" && !car.Automatic() {
			want = 0 // a manual gearbox has no lever on the bus
		}
		own := of(recognised, name)
		for _, m := range marked {
			m.Start, m.End = max(m.Start, ev.Start), min(m.End, ev.End)
			shared := float64(overlap(own, m)) / 1e9
			switch share := shared / (float64(m.End-m.Start) / 1e9); {
			case m.Stage == name && share < want:
				t.Errorf("%s, scale %v: %.0f %% of %s recognised, want %.0f %%", car, scale, 100*share, name, 100*want)
			case m.Stage != name && shared > 0.05 && !slices.Contains(told[name].into, m.Stage):
				t.Errorf("%s, scale %v: %.2f s of %s taken for %s", car, scale, shared, m.Stage, name)
			}
		}
	}
}

// of returns the spans of a stage.
func of(spans stages.Spans, stage string) (list stages.Spans) {
	for _, s := range spans {
		if s.Stage == stage {
			list = append(list, s)
		}
	}
	return list
}

// overlap returns the time that spans share with one other, ns.
func overlap(spans stages.Spans, with stages.Span) (ns int64) {
	for _, s := range spans {
		ns += max(0, min(s.End, with.End)-max(s.Start, with.Start))
	}
	return ns
}

// TestStagesByOthers: where other units can tell a stage, the replaced one is
// not asked.
func TestStagesByOthers(t *testing.T) {
	for _, car := range demo.Settings() {
		s := setting(t, car.String())
		var alone []string
		for _, name := range profiles.StageNames() {
			if stage := s.Stages[name]; stage != nil && len(stage.When) == 0 {
				alone = append(alone, name)
			}
		}
		want := []string{"pedal", "rev"}
		if car.Automatic() {
			want = want[:1] // the turbine of the converter tells the rest
		}
		if !slices.Equal(alone, want) {
			t.Errorf("%s: only the engine tells %v, want %v", car, alone, want)
		}
	}
}
