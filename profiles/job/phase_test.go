package job

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// open lists the phases that are open.
func open(j *Job) []Phase {
	var names []Phase
	for _, s := range j.Status() {
		if s.Open() {
			names = append(names, s.Phase)
		}
	}
	return names
}

// TestJobPhases walks a whole job: each thing filed closes the phases it should.
func TestJobPhases(t *testing.T) {
	j := create(t, &Card{})
	want := Phases()
	closes := func(names ...Phase) {
		t.Helper()
		var left []Phase
		for _, p := range want {
			if !strings.Contains(" "+join(names)+",", " "+string(p)+",") {
				left = append(left, p)
			}
		}
		want = left
		if d := cmp.Diff(want, open(j)); d != "" {
			t.Fatal(d)
		}
	}
	file := func(e Entry) Entry {
		t.Helper()
		if e.Kind == Capture {
			e.File = "captures/" + string(e.Moment) + ".log"
		} else {
			e.File = "results/" + string(e.Kind) + e.Command + string(e.Moment) + ".json"
		}
		write(t, j.Path(e.File), "x")
		e, err := j.Note(e)
		if err != nil {
			t.Fatal(err)
		}
		return e
	}
	closes()
	j.Card = whole(t)
	closes(Intake, Electrical)
	if ok, open := MayUnplug(j.Status()); ok || len(open) != 2 {
		t.Errorf("may unplug before the baseline: %v %v", ok, open)
	}
	two := 2
	file(Entry{Kind: CodeList, Moment: Baseline, Codes: &two})
	closes(CodesBefore)

	// A baseline in which a stage is missing does not do.
	file(Entry{Kind: Capture, Moment: Baseline, Verdict: "not testable", Repeat: []string{"the lever, R not seen"}})
	closes()
	if s := Next(j.Status()); s.Phase != BaselineTake || s.Missing[0] != "repeat: the lever, R not seen" {
		t.Errorf("next is %+v", s)
	}
	// One that was not judged does not do either; judged later, it does.
	before := file(Entry{Kind: Capture, Moment: Baseline})
	closes()
	if s := Next(j.Status()); s.Do[0].String() != "plugproof check --job "+j.Dir+" --moment baseline" {
		t.Errorf("next is %+v", s)
	}
	file(Entry{Kind: Result, Command: "check", Moment: Baseline, Of: []string{before.File}, Verdict: "pass", Setting: "lowan-2-20t-a5"})
	closes(BaselineTake)
	if ok, open := MayUnplug(j.Status()); !ok {
		t.Errorf("may not unplug: %v", open)
	}
	file(Entry{Kind: Capture, Moment: Unplugged})
	closes(UnpluggedTake)

	// The car says otherwise than the ECU was told.
	file(Entry{Kind: Result, Command: "identify", Verdict: "identified", Setting: "lowan-1-20-m5"})
	closes()
	if s := Next(j.Status()); s.Missing[0] != "the ECU was told lowan-2-20t-a5, the car says lowan-1-20-m5" {
		t.Errorf("next is %+v", s)
	}
	file(Entry{Kind: Result, Command: "identify", Verdict: "tie", Setting: "lowan-2-20t-a5 lowan-2-20t-a8"})
	closes(Identify)

	bench := file(Entry{Kind: Capture, Moment: Bench})
	closes()
	file(Entry{Kind: Result, Command: "check", Of: []string{bench.File}, Verdict: "fail", Moment: Bench})
	closes()
	file(Entry{Kind: Result, Command: "check", Of: []string{bench.File}, Verdict: "pass", Moment: Bench})
	closes(BenchCheck)

	after := file(Entry{Kind: Capture, Moment: After})
	closes(AfterTake)
	file(Entry{Kind: Result, Command: "check", Of: []string{after.File}, Verdict: "review", Moment: After})
	closes(AfterCheck)

	// Another setting makes what was judged by the one before old.
	j.Card.Settings.Network = "lowan-2-20t-a8"
	if s := Next(j.Status()); s.Phase != BaselineTake || !strings.Contains(s.Missing[0], "judged by lowan-2-20t-a5") {
		t.Errorf("next is %+v", s)
	}
	j.Card.Settings.Network = "lowan-2-20t-a5"
	file(Entry{Kind: Result, Command: "compare", Of: []string{before.File, after.File}, Verdict: "pass"})
	closes(Compare)
	file(Entry{Kind: CodeList, Moment: After})
	closes()
	j.Card.After = State{Lamps: []string{}, Dead: []string{}}
	closes(CodesAfter)
	file(Entry{Kind: ReportDoc})
	closes(Handover)
	if s := Next(j.Status()); s != nil {
		t.Errorf("next is %+v", s)
	}

	// Anything filed later makes the report old.
	file(Entry{Kind: CodeList, Moment: After})
	if s := Next(j.Status()); s == nil || s.Phase != Handover || !strings.Contains(s.Missing[0], "is older than") {
		t.Errorf("next is %+v", s)
	}
}

func TestLeftOut(t *testing.T) {
	j := create(t, whole(t))
	j.Card.LeftOut = map[Phase]string{BaselineTake: "the factory ECU is dead"}
	for _, s := range j.Status() {
		if s.Phase == BaselineTake && (s.Open() || s.Done || s.LeftOut == "") {
			t.Errorf("%+v", s)
		}
	}
	if ok, open := MayUnplug(j.Status()); ok || len(open) != 1 {
		t.Errorf("%v %v", ok, open)
	}
}

func TestElectricalRemarks(t *testing.T) {
	j := create(t, whole(t))
	remarks := func() string {
		_, r := j.lookElectrical()
		return strings.Join(r, "; ")
	}
	if r := remarks(); !strings.Contains(r, "the factory ECU holds a terminator (60.2 ohm with it, 119 without)") {
		t.Error(r)
	}
	j.Card.Measurements = []Measurement{{OhmsFactory, "", 60, "m"}, {OhmsWithout, "", 62, ""}, {RestVolts, "", 12, "m"}}
	if r := remarks(); r != "without_ecu_ohm: no instrument is noted" {
		t.Error(r)
	}
}

func TestQuestions(t *testing.T) {
	c := &Card{}
	asked := Unanswered(c, Intake)
	if asked[0].optional || !asked[len(asked)-1].optional {
		t.Error("questions that need an answer do not come first")
	}
	q, _ := QuestionOf("battery_volt")
	if err := q.Set(c, "twelve"); err == nil || !strings.Contains(err.Error(), `"twelve" is no figure`) {
		t.Errorf("twelve volts: %v", err)
	}
	if err := q.Set(c, "  "); err != nil || c.Measurements != nil {
		t.Errorf("no answer: %v, %v", err, c.Measurements)
	}
	lamps, _ := QuestionOf("lamps_before")
	if err := lamps.Set(c, "MIL, oil ,"); err != nil || cmp.Diff([]string{"MIL", "oil"}, c.Before.Lamps) != "" {
		t.Errorf("lamps %q, %v", c.Before.Lamps, err)
	}
	if err := lamps.Set(c, "None"); err != nil || c.Before.Lamps == nil || len(c.Before.Lamps) != 0 {
		t.Errorf("no lamps %q, %v", c.Before.Lamps, err)
	}
	seen := map[string]bool{}
	for _, key := range Keys() {
		if seen[key] {
			t.Errorf("%s is asked twice", key)
		}
		seen[key] = true
	}
}

// What fails is not judged again and again: it is searched for and recorded anew.
func TestAfterFailure(t *testing.T) {
	j := create(t, whole(t))
	write(t, j.Path("captures/after.log"), "x")
	write(t, j.Path("results/check-after.json"), "x")
	for _, e := range []Entry{
		{Kind: Capture, Moment: After, File: "captures/after.log"},
		{Kind: Result, Command: "check", Moment: After, File: "results/check-after.json", Of: []string{"captures/after.log"}, Verdict: "fail", Next: "switch it on"},
	} {
		if _, err := j.Note(e); err != nil {
			t.Fatal(err)
		}
	}
	for _, s := range j.Status() {
		if s.Phase != AfterCheck {
			continue
		}
		if got := strings.Join(s.Remarks, "; "); !strings.Contains(got, "to do: switch it on") {
			t.Errorf("remarks %q", got)
		}
		if got := join(s.Do[0]); !strings.HasPrefix(got, "diagnose, --job") || s.Do[0].Whole() || len(s.Do) != 3 {
			t.Errorf("to do: %v", s.Do)
		}
		if got := Blanks(s.Do...); len(got) != 3 || !strings.HasPrefix(got[0], "INTERFACE: a CAN interface") {
			t.Errorf("to fill in: %q", got)
		}
	}
}

func TestQuote(t *testing.T) {
	for in, want := range map[string]string{"a/b-1.x": "a/b-1.x", "my car": "'my car'", "it's": `'it'\''s'`, "": "''"} {
		if got := quote(in); got != want {
			t.Errorf("quote(%q) = %s, want %s", in, got, want)
		}
	}
}
