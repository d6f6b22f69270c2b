package report_test

import (
	"io"
	"testing"

	"plugproof/profiles"
	"plugproof/profiles/job"
	"plugproof/profiles/library"
	"plugproof/profiles/report"
	"plugproof/profiles/rules"
)

// TestJobVerdict: what a person reads and sees outranks a check that passes.
func TestJobVerdict(t *testing.T) {
	s, err := profiles.NewLibrary(profiles.Folder{FS: library.FS()}).Load("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	code := func(text string) []rules.Code { return []rules.Code{{Module: "TCM", Code: "U0401", Text: text}} }
	passes := `{"verdict":"pass"}`
	for name, row := range map[string]struct {
		check         string // "": none was filed
		before, after job.State
		was, is       []rules.Code
		want          rules.Verdict
	}{
		"all is well":            {check: passes, want: rules.Pass},
		"nothing was judged":     {want: rules.NotTestable},
		"a check that fails":     {check: `{"verdict":"fail"}`, want: rules.Fail},
		"a new code":             {check: passes, is: code(""), want: rules.Fail},
		"a new code, stored":     {check: passes, is: code("stored"), want: rules.Review},
		"the same code":          {check: passes, was: code(""), is: code("stored"), want: rules.Pass},
		"of the unplugged time":  {check: passes, is: []rules.Code{{Module: "ABS", Code: "U0100"}}, want: rules.Review},
		"the same lamp":          {check: passes, before: job.State{Lamps: []string{"MIL"}}, after: job.State{Lamps: []string{"engine"}}, want: rules.Pass},
		"another lamp":           {check: passes, before: job.State{Lamps: []string{"MIL"}}, after: job.State{Lamps: []string{"oil"}}, want: rules.Fail},
		"a lamp went out":        {check: passes, before: job.State{Lamps: []string{"MIL"}}, after: job.State{Lamps: []string{}}, want: rules.Pass},
		"a function died":        {check: passes, before: job.State{Dead: []string{"clock"}}, after: job.State{Dead: []string{"tachometer"}}, want: rules.Fail},
		"a function was dead":    {check: passes, before: job.State{Dead: []string{"clock"}}, after: job.State{Dead: []string{"Clock"}}, want: rules.Pass},
		"another symptom":        {check: passes, before: job.State{Symptoms: []string{"harsh shifts"}}, after: job.State{Symptoms: []string{"stuck in one gear"}}, want: rules.Fail},
		"a code, and a bad file": {check: passes, is: code(""), want: rules.NotTestable},
	} {
		t.Run(name, func(t *testing.T) {
			h := &report.JobHistory{
				Job: &job.Job{Card: &job.Card{Before: row.before, After: row.after}}, Setting: s, CodesBefore: row.was, CodesAfter: row.is,
			}
			if row.check != "" {
				h.Checks = [][]byte{[]byte(row.check)}
			}
			if row.want == rules.NotTestable && row.check != "" {
				h.Damage = []job.Damage{{File: "captures/after.log", What: "changed"}}
			}
			if got, err := report.JobHTML(io.Discard, h, report.HTMLOptions{}); err != nil || got != row.want {
				t.Errorf("%v (%v), want %v", got, err, row.want)
			}
		})
	}
}
