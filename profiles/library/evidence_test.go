package library_test

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"testing"

	"plugproof/decode/survey"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/evidence"
	"plugproof/profiles/stages"
)

// TestCars holds each profile to a good drive of its car.
func TestCars(t *testing.T) {
	for _, role := range profiles.Roles() {
		if _, ok := needed[role]; !ok {
			t.Errorf("no car has the role %s", role)
		}
	}
	references := map[string]int{}
	for i, car := range demo.Settings() {
		t.Run(car.String(), func(t *testing.T) {
			ev, marked := drive(t, car, uint64(20+i), 0)
			messagesHold(t, ev, marked)
			rolesMove(t, car, ev, marked)
			referencesHold(t, ev, references)
			compareStages(t, car, ev, marked, false)
		})
	}
	t.Log(references)
	if len(references) != 3 {
		t.Errorf("%d references, want those of supply, torque and speed", len(references))
	}
}

// span returns the marked span of a stage.
func span(t *testing.T, marked stages.Spans, stage string) stages.Span {
	t.Helper()
	for _, s := range marked {
		if s.Stage == stage {
			return s
		}
	}
	t.Fatalf("no stage %s in the script", stage)
	return stages.Span{}
}

// messagesHold compares the messages that a profile expects with what its car
// sends: each that it expects and none that it does not, in time, guarded and in
// its length.
func messagesHold(t *testing.T, ev *evidence.Evidence, marked stages.Spans) {
	t.Helper()
	// The key turns 0.35 s after the stage begins, the slowest unit takes 0.15 s to boot.
	awake := period{span(t, marked, "key-on").Start + 500e6, span(t, marked, "key-off").Start}
	if len(ev.Others) != 0 {
		t.Errorf("%d identifiers that the profile does not have, the first is %v", len(ev.Others), ev.Others[0].ID)
	}
	expected := 0
	for _, m := range ev.Setting.Messages {
		got := ev.Messages[m.Name]
		if m.Expected {
			expected++
			messageHolds(t, got, awake)
		} else if got.Seen() != 0 {
			t.Errorf("%s is not expected, and came %d times", m.Name, got.Seen())
		}
	}
	if expected < 30 {
		t.Errorf("%d messages expected", expected)
	}
}

// period is a stretch of time, ns.
type period struct{ from, to int64 }

func messageHolds(t *testing.T, got *evidence.Message, awake period) {
	t.Helper()
	m := got.Facts
	if got.Seen() == 0 {
		t.Errorf("%s never came", m.Name)
		return
	}
	if m.Kind == profiles.Cyclic || m.Kind == profiles.Mixed {
		least, most := 0.97, 1.03
		if m.Kind == profiles.Mixed {
			most = 1.2
		}
		if c := got.Stream.Coverage(awake.from, awake.to, int64(m.Cycle.Value)); c < least || c > most {
			t.Errorf("%s: %.3f times the frames that a cycle of %v gives", m.Name, c, m.Cycle.Value)
		}
	}
	if got.Stream.Misfits.Count != 0 || len(got.Elsewhere) != 0 || got.Incomplete != 0 {
		t.Errorf("%s: %d frames of another length, %d incomplete, on %d other buses",
			m.Name, got.Stream.Misfits.Count, got.Incomplete, len(got.Elsewhere))
	}
	if len(got.Faults) != 0 {
		t.Errorf("%s: protection fails: %v", m.Name, got.Faults)
	}
	guarded := m.Own.Counter != nil || m.Own.Checksum != nil || m.Own.Toggle != nil
	if guarded && got.Judged < 64 {
		t.Errorf("%s: %d frames only had their protection judged", m.Name, got.Judged)
	}
	if p := m.Own.Pages; p != nil {
		if pages := slices.Sorted(maps.Keys(got.Pages)); !slices.Equal(pages, p.Values) {
			t.Errorf("%s: pages %v, the profile has %v", m.Name, pages, p.Values)
		}
	} else if len(got.Pages) > 0 {
		t.Errorf("%s has pages %v, the profile does not say so", m.Name, got.Pages)
	}
	for _, name := range slices.Sorted(maps.Keys(got.Signals)) {
		signalHolds(t, m, got.Signals[name])
	}
}

// signalHolds checks constants, bands, speeds and counts.
func signalHolds(t *testing.T, m *profiles.MessageFacts, s *evidence.Signal) {
	t.Helper()
	ref := m.Name + "." + s.Def.Name
	if want := m.Own.Constants[s.Def.Name]; want != nil {
		if s.MoreValues || s.Values[uint64(want.Value)] != s.Available || s.Available < 3 {
			t.Errorf("%s: values %v, the profile says %d always", ref, s.Values, want.Value)
		}
	}
	if s.TooFast.Count+s.OutOfBand.Count != 0 {
		t.Errorf("%s: %d steps too fast, %d values outside of the band", ref, s.TooFast.Count, s.OutOfBand.Count)
	}
	if s.Own.Counts && (s.Falls != 0 || s.Rises == 0 && s.Span() != 0) {
		t.Errorf("%s counts up by %g, and back %d times", ref, s.Rises, s.Falls)
	}
}

// needed says for each role where its signal must have moved in the script, and
// by how much, in its unit.
var needed = map[profiles.Role]struct {
	stage string
	by    float64
	only  demo.Gearbox // 0: any; Auto5 stands for both automatic ones
}{
	profiles.AirconAsked:   {"air-con", 1, 0},
	profiles.AirconGranted: {"air-con", 1, 0},
	profiles.Brake:         {"brake", 1, 0},
	profiles.Brake2:        {"brake", 1, 0},
	profiles.ChargeLamp:    {"idle", 1, 0},
	profiles.Clutch:        {"brake", 1, demo.Manual5},
	profiles.Coolant:       {"warm-up", 10, 0},
	profiles.CruiseState:   {"cruise", 1, 0},
	profiles.CruiseSwitch:  {"cruise", 3, 0},
	profiles.Distance:      {"road", 50, 0},
	profiles.EngineRuns:    {"idle", 1, 0},
	profiles.EngineSpeed:   {"rev", 2400, 0},
	profiles.FanAsked:      {"warm-up", 50, 0},
	profiles.FanRuns:       {"warm-up", 50, 0},
	profiles.FuelUsed:      {"idle", 0.5, 0},
	profiles.Gear:          {"road", 2, demo.Auto5},
	profiles.GeneratorTo:   {"idle", 1, 0},
	profiles.Ignition:      {"crank", 1, 0},
	profiles.InputSpeed:    {"rev", 2400, demo.Auto5},
	profiles.Lever:         {"lever", 4, demo.Auto5},
	profiles.MIL:           {"idle", 1, 0},
	profiles.OilLamp:       {"idle", 1, 0},
	profiles.Pedal:         {"pedal", 99, 0},
	profiles.Pedal2:        {"pedal", 99, 0},
	profiles.Supply:        {"crank", 1, 0},
	profiles.Throttle:      {"pedal", 90, 0},
	profiles.ThrottleAsked: {"pedal", 90, 0},
	profiles.Torque:        {"rev", 40, 0},
	profiles.TorqueAsked:   {"pedal", 150, 0},
	profiles.TorqueCut:     {"road", 20, demo.Auto5},
	profiles.TorqueCutDone: {"in-gear", 1, demo.Auto5},
	profiles.TorqueLoss:    {"rev", 1, 0},
	profiles.VehicleSpeed:  {"road", 20, 0},
	profiles.WheelSpeed:    {"road", 20, 0},
}

// rolesMove holds every role to a signal that does what the role means.
func rolesMove(t *testing.T, car demo.Setting, ev *evidence.Evidence, marked stages.Spans) {
	t.Helper()
	for _, role := range profiles.Roles() {
		n := needed[role]
		ref, has := ev.Setting.Roles[role]
		if applies := n.only == 0 || (n.only == demo.Auto5) == car.Automatic(); applies != has {
			t.Errorf("role %s is given: %v, want %v", role, has, applies)
		}
		if !has {
			continue
		}
		message, name := ref.Split()
		s := ev.Messages[message].Signals[name]
		at := span(t, marked, n.stage)
		if by := moved(s.Track, period{at.Start, at.End}); by < n.by {
			t.Errorf("%s (%s) moves by %g in %s, want %g %s", role, ref, by, n.stage, n.by, s.Def.Unit)
		}
	}
}

// moved returns by how much a signal moved within a period.
func moved(track *survey.Track, p period) float64 {
	var low, high float64
	n := 0
	for _, b := range track.Buckets() {
		if b.LastTime < p.from || b.FirstTime > p.to {
			continue
		}
		if n == 0 {
			low, high = b.Min, b.Max
		}
		low, high = min(low, b.Min), max(high, b.Max)
		n++
	}
	return high - low
}

// referencesHold: where a profile says that a value follows another unit's, it
// does, from one end of the script to the other. It counts the pairs in found.
func referencesHold(t *testing.T, ev *evidence.Evidence, found map[string]int) {
	t.Helper()
	for _, fit := range ev.Fits {
		f := ev.Setting.Functions[fit.Function]
		m, _ := ev.Setting.Signal(fit.Y)
		if fit.Link != 0 || m.Kind == profiles.OnChange {
			continue // a copy, or an answer to an event
		}
		a, b, r2, ok := fit.Line()
		ratio := cmp.Or(f.Against.Ratio, 1)
		worst := 0.0
		for _, x := range []float64{fit.MinX, fit.MaxX} {
			worst = max(worst, math.Abs(a*x+b-ratio*x-f.Against.Offset))
		}
		if !ok || r2 < 0.98 || worst > 0.02*ratio*(fit.MaxX-fit.MinX) {
			t.Errorf("%s against %s: up to %g off over a span of %g, R2 %.4f",
				fit.Y, fit.X, worst, ratio*(fit.MaxX-fit.MinX), r2)
		}
		found[fmt.Sprintf("%s by %s", fit.Y, fit.X)]++
	}
}
