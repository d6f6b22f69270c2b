package rules

import (
	"testing"

	"plugproof/profiles"
	"plugproof/profiles/library"
)

func lowan(t *testing.T) *profiles.Setting {
	t.Helper()
	s, err := profiles.NewLibrary(profiles.Folder{FS: library.FS()}).Load("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Every rule that the index names is judged.
func TestSymptomRules(t *testing.T) {
	known := map[string]bool{}
	for _, rule := range All() {
		known[rule.Name] = true
	}
	for _, sy := range Symptoms() {
		for _, step := range sy.Steps {
			for _, rule := range step.Rules {
				if !known[rule] {
					t.Errorf("%s: there is no rule %s", sy.Name, rule)
				}
			}
		}
	}
}

func TestFindSymptom(t *testing.T) {
	s := lowan(t)
	all := Symptoms()
	for _, sy := range all[:len(all)-2] {
		if got, _, err := FindSymptom(sy.Name, s); err != nil || got.Name != sy.Name {
			t.Errorf("%q finds %v, %v", sy.Name, got, err)
		}
	}
	for text, want := range map[string]string{
		"Tachometer dead": "tachometer", "MIL lamp on": "malfunction-lamp", "oil lamp lamp on": "oil-lamp",
	} {
		if _, functions, err := FindSymptom(text, s); err != nil || len(functions) == 0 || functions[0] != want {
			t.Errorf("%q is about %v, %v; want %s", text, functions, err, want)
		}
	}
	if sy, _, err := FindSymptom("ashtray full", s); err == nil {
		t.Errorf("nonsense finds %s", sy.Name)
	}
}

func TestDiagnose(t *testing.T) {
	s := lowan(t)
	absent := Finding{Rule: "message/absent", Verdict: Fail, Message: "EngineSpeed", Sender: "Engine"}
	foreign := Finding{Rule: "message/absent", Verdict: Fail, Message: "ClimateRequest", Sender: "Climate"}
	untold := Finding{Rule: "message/absent", Verdict: NotTestable, Message: "EngineSpeed", Sender: "Engine"}
	other := Finding{Rule: "message/other-id", Verdict: Fail, Message: "EngineSpeed", Sender: "Engine"}
	silent := Finding{Rule: "wiring/no-frames", Verdict: Fail}
	for _, row := range []struct {
		name     string
		findings []Finding
		states   []State // of the seven steps of a dead tachometer
	}{
		{"fires at once", []Finding{foreign, absent}, []State{Fired, NotAsked, NotAsked, NotAsked, NotAsked, NotAsked, NotAsked}},
		{"another message", []Finding{foreign}, []State{Clear, Clear, Clear, Clear, Clear, Clear, Clear}},
		{"goes past what cannot be told", []Finding{untold, other}, []State{Untold, Clear, Clear, Clear, Clear, Fired, NotAsked}},
		{"nothing on the bus", []Finding{silent}, []State{Untold, Untold, Untold, Untold, Untold, Untold, Untold}},
	} {
		d, err := Diagnose("tachometer dead", &Found{Setting: s, Findings: row.findings})
		if err != nil || len(d.Steps) != len(row.states) {
			t.Fatalf("%s: %d steps, %v", row.name, len(d.Steps), err)
		}
		for i, step := range d.Steps {
			if step.State != row.states[i] {
				t.Errorf("%s: step %d (%s) is %s, want %s", row.name, i+1, step.Question, step.State, row.states[i])
			}
		}
	}
}
