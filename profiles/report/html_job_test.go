package report_test

import (
	"io"
	"strings"
	"testing"

	"plugproof/profiles"
	"plugproof/profiles/check"
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

// TestJobPage: what could not be tested stands with how it can be, a fail with what
// to do first, and titles begin alike.
func TestJobPage(t *testing.T) {
	src := `{"verdict":"fail","functions":[{"name":"air-con","title":"air-con","verdict":"fail"}],
		"findings":[{"rule":"message/absent","verdict":"fail","text":"EngineSpeed is missing","next_step":"compare with neighbouring settings"}],
		"not_testable":[{"text":"the stage pedal is not in the capture","next_step":"press the pedal to its stop"}]}`
	h := &report.JobHistory{Job: &job.Job{Card: &job.Card{}}, Checks: [][]byte{[]byte(`{"findings":[{"rule":"a"}]}`), []byte(src)}}
	var page strings.Builder
	opts := report.HTMLOptions{Files: []check.File{{File: "base.yaml", Size: 23626}}}
	if _, err := report.JobHTML(&page, h, opts); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"Compare with neighbouring settings. <a href=\"#result\">", "<th scope=\"row\">Air-con</th>",
		"<th scope=\"row\">The stage pedal is not in the capture</th><td data-head=\"How to test it\">Press the pedal to its stop</td>",
		"Since the check before: 1 finding gone, 1 new, 0 still there.", "Missing: ", "23,626 bytes",
	} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("the page has no %s", want)
		}
	}
}
