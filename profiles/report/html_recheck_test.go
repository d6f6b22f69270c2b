package report_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"plugproof/profiles/check"
	"plugproof/profiles/recheck"
	"plugproof/profiles/report"
)

// rechecked is a result with a row in every state.
func rechecked() *recheck.Result {
	verdict := func(word string) *recheck.Verdict { return &recheck.Verdict{Profile: "lowan-2-20t-a5", Verdict: word} }
	return &recheck.Result{Dir: "captures", Rows: []recheck.Row{
		{Name: "a.log", State: recheck.Changed, Now: verdict("fail"), Was: verdict("pass"), Changes: []string{"verdict: pass -> fail", evil}},
		{Name: "b.log", State: recheck.Gone, Was: verdict("pass")},
		{Name: "c.log", State: recheck.New, Now: &recheck.Verdict{Verdict: recheck.Unreadable, Reason: "no capture"}},
		{Name: "d.log", State: recheck.Same, Now: verdict("pass"), Was: verdict("pass")},
	}}
}

func recheckPage(t *testing.T, res *recheck.Result) string {
	t.Helper()
	var b bytes.Buffer
	opts := report.HTMLOptions{Version: "test", Files: []check.File{{File: "base.yaml", Size: 12, SHA256: "abc"}}}
	if err := report.RecheckHTML(&b, res, opts); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestRecheckPage: what changed stands at its top, all captures below, and nothing
// of a handover.
func TestRecheckPage(t *testing.T) {
	page := recheckPage(t, rechecked())
	for _, want := range []string{
		`<h1 id="verdict">2 of 4 captures not as on file</h1>`, "<h3>a.log</h3>", "verdict: pass -&gt; fail", "its capture is gone",
		"<li>no capture</li>", "lowan-2-20t-a5: 3 captures", "no profile: 1 capture", `<th scope="row">d.log</th><td data-head="Verdict">pass</td><td data-head="On file">pass</td><td data-head="State">same</td>`,
		`<th scope="row">base.yaml</th><td data-head="Size">12 bytes</td><td data-head="SHA-256">abc</td>`,
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not have %s", want)
		}
	}
	for _, never := range []string{evil, "<h3>d.log</h3>", "Signatures"} {
		if strings.Contains(page, never) {
			t.Errorf("the page has %s", never)
		}
	}
	for states, want := range map[string]string{"same": "Every verdict is as on file", "new": "1 capture without a verdict on file"} {
		res := rechecked()
		res.Rows = res.Rows[3:]
		if states == "new" {
			res.Rows[0].State = recheck.New
		}
		if page := recheckPage(t, res); !strings.Contains(page, want) {
			t.Errorf("%s: the page does not say %q", states, want)
		}
	}
}

// TestRecheckPageOfMany: no more than two hundred are shown one by one, and the
// tables have all.
func TestRecheckPageOfMany(t *testing.T) {
	res := rechecked()
	changed := res.Rows[0]
	res.Rows = nil
	for i := range 1000 {
		changed.Name = fmt.Sprintf("%04d.log", i)
		res.Rows = append(res.Rows, changed)
	}
	page := recheckPage(t, res)
	if n := strings.Count(page, `<article class="finding`); n != 200 || !strings.Contains(page, "800 more are in the tables below.") {
		t.Errorf("%d are shown one by one", n)
	}
	if n := strings.Count(page, `<th scope="row">0`); n != 1000 {
		t.Errorf("the tables have %d", n)
	}
}

func TestRecheckPageInBrowser(t *testing.T) {
	path := written(t, "recheck.html", func(b *bytes.Buffer) error {
		b.WriteString(recheckPage(t, rechecked()))
		return nil
	})
	s := browse(t, path)[0]
	s.good(t, path)
	if s.Pwned || !strings.Contains(s.Text, evil) {
		t.Error("the hostile text is not shown as text")
	}
}
