package library_test

import (
	"context"
	"errors"
	"io"
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

// drive gathers what a good drive through the whole short script shows.
func drive(t testing.TB, s demo.Setting, seed uint64) (*evidence.Evidence, stages.Spans) {
	t.Helper()
	d, err := demo.New(s, demo.Options{Seed: seed, Script: demo.Script(0, s)})
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
			ev, marked := drive(t, s, uint64(i+1))
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
