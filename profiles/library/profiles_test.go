package library_test

import (
	"context"
	"errors"
	"io"
	"strconv"
	"testing"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/evidence"
	"plugproof/profiles/library"
	"plugproof/profiles/rules"
	"plugproof/profiles/stages"
)

func setting(t testing.TB, name string) *profiles.Setting {
	t.Helper()
	s, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}).Load(name)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return s
}

// TestFilesAreChecked: what commands take for checked is.
func TestFilesAreChecked(t *testing.T) {
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()})
	for _, name := range lib.Files() {
		src, place, err := lib.ReadFile(name + profiles.Extension)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := profiles.CheckFile(place, src); err != nil {
			t.Error(err)
		}
	}
	if n := len(lib.Files()); n < 12 {
		t.Errorf("%d files", n)
	}
}

// TestFiles: the library holds the twelve that were built, and no part that none
// of them builds on. Each says which car it is and what a new ECU is told.
func TestFiles(t *testing.T) {
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()})
	used := map[string]bool{}
	settings := 0
	for _, car := range demo.Settings() {
		s := setting(t, car.String())
		settings++
		for _, part := range s.Parts {
			used[part] = true
		}
		id := s.Identity
		if s.Part || s.Title == "" || id.Model != "Lowan" || id.Series != strconv.Itoa(car.Series) || id.Engine == "" || id.Gearbox == "" {
			t.Errorf("%s: title %q, %+v", car, s.Title, id)
		}
		if s.Name != car.String() || s.Settings.Network == "" || s.Settings.Loom == "" || s.Replaced != "Engine" {
			t.Errorf("%s: name %q, %+v, replaced %q", car, s.Name, s.Settings, s.Replaced)
		}
		if len(s.Functions) < 25 || len(s.NeverSent) == 0 || len(s.MaySend) == 0 {
			t.Errorf("%s: %d functions, %d never sent, %d to send", car, len(s.Functions), len(s.NeverSent), len(s.MaySend))
		}
		for name, f := range s.Functions {
			if f.Title == "" || len(f.Symptoms) == 0 {
				t.Errorf("%s: function %s has title %q and symptoms %v", car, name, f.Title, f.Symptoms)
			}
		}
	}
	for _, name := range lib.Files() {
		if !used[name] {
			t.Errorf("%s is in the library, and no setting is made of it", name)
		}
	}
	if settings != 12 {
		t.Errorf("%d settings, 12 were built", settings)
	}
}

// drive gathers what a good drive through the whole script shows; scale 0 is the
// short one, 1 takes as long as with a real car.
func drive(t testing.TB, s demo.Setting, seed uint64, scale float64) (*evidence.Evidence, stages.Spans) {
	t.Helper()
	d, err := demo.New(s, demo.Options{Seed: seed, Script: demo.Script(scale, s)})
	if err != nil {
		t.Fatal(err)
	}
	plan, err := evidence.NewPlan(evidence.Options{Setting: setting(t, s.String()), Buses: d.Buses()})
	if err != nil {
		t.Fatal(err)
	}
	c := plan.New()
	batch := make([]can.Frame, 512)
	for {
		n, err := d.Read(context.Background(), batch)
		c.Add(batch[:n])
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	var spans stages.Spans
	for _, m := range d.Markers() {
		spans = append(spans, stages.Span{Stage: m.Name, Start: m.Start, End: m.End, Source: stages.Marked})
	}
	return c.Evidence(), spans
}

// TestGoodDrives: a car as it left the works gives no finding, whichever of the
// twelve it is, with the stages marked and with the stages recognised.
func TestGoodDrives(t *testing.T) {
	for i, s := range demo.Settings() {
		t.Run(s.String(), func(t *testing.T) {
			ev, marked := drive(t, s, uint64(i+1), 0)
			for name, spans := range map[string]stages.Spans{"marked": marked, "recognised": stages.Recognise(ev)} {
				res := rules.Judge(&rules.Case{Setting: ev.Setting, Evidence: ev, Stages: spans, Scope: rules.Car, ErrorsRecorded: true}, nil)
				for _, f := range res.Findings {
					t.Errorf("%s: %v %s: %s", name, f.Verdict, f.Rule, f.Text)
				}
				for _, f := range res.Functions {
					if f.Verdict != rules.Pass {
						t.Errorf("%s: function %s: %v: %s", name, f.Name, f.Verdict, f.Why)
					}
				}
				if len(spans) == 0 {
					t.Errorf("%s: no stages", name)
				}
			}
		})
	}
}
