package library_test

import (
	"slices"
	"testing"

	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/evidence"
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
	"rev":     {0.75, 0.45, nil},              // while the engine is fast, and between
	"in-gear": {0.65, 0.65, []string{"road"}}, // out of park
	"road":    {0.70, 0.75, nil},              // while the car moves
	"key-off": {0.90, 0.90, nil},
}

// TestStagesAtLength recognises the stages of captures as long as real ones.
func TestStagesAtLength(t *testing.T) {
	if testing.Short() {
		t.Skip("takes 20 minutes of driving, three times")
	}
	for i, car := range []demo.Setting{
		{Series: 1, Engine: demo.TwoLitre, Gearbox: demo.Auto5},
		{Series: 3, Engine: demo.TwoLitre, Gearbox: demo.Manual5},
		{Series: 3, Engine: demo.TwoLitreTurbo, Gearbox: demo.Auto8},
	} {
		ev, marked := drive(t, car, uint64(50+i), 1)
		compareStages(t, car, ev, marked, true)
	}
}

// compareStages compares what the rules recognise with the markers of the
// script, cut to what was captured: nobody sends while the car sleeps.
func compareStages(t *testing.T, car demo.Setting, ev *evidence.Evidence, marked stages.Spans, atLength bool) {
	t.Helper()
	recognised := stages.Recognise(ev)
	for _, name := range profiles.StageNames() {
		want := told[name].short
		if atLength {
			want = told[name].long
		}
		if name == "lever" && !car.Automatic() {
			want = 0 // a manual gearbox has no lever on the bus
		}
		own := of(recognised, name)
		for _, m := range marked {
			m.Start, m.End = max(m.Start, ev.Start), min(m.End, ev.End)
			shared := float64(overlap(own, m)) / 1e9
			if m.Stage == name {
				t.Logf("%s: %.0f %% of %s", car, 100*shared/(float64(m.End-m.Start)/1e9), name)
			}
			switch share := shared / (float64(m.End-m.Start) / 1e9); {
			case m.Stage == name && share < want:
				t.Errorf("%s: %.0f %% of %s recognised, want %.0f %%", car, 100*share, name, 100*want)
			case m.Stage != name && shared > 0.05 && !slices.Contains(told[name].into, m.Stage):
				t.Errorf("%s: %.2f s of %s taken for %s", car, shared, m.Stage, name)
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
