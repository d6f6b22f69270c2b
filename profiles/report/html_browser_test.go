package report_test

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"plugproof/decode/witness"
	"plugproof/profiles/check"
	"plugproof/profiles/report"
	"plugproof/profiles/rules"
)

// seen is what testdata/browser.mjs tells of a page.
type seen struct {
	Requests []string `json:"requests"`
	Errors   []string `json:"errors"` // of the console
	OpenMS   float64  `json:"openMS"`
	Text     string   `json:"text"`
	Pwned    bool     `json:"pwned"`
	Overflow []string `json:"overflow"`
	Plots    struct {
		Places  int `json:"places"`
		Painted int `json:"painted"`
	} `json:"plots"`
	Keyboard  bool   `json:"keyboard"`
	FocusSeen bool   `json:"focusSeen"`
	PDF       string `json:"pdf"`
	PDFBytes  int    `json:"pdfBytes"`
}

// browse opens pages in a browser.
func browse(t *testing.T, pages ...string) []seen {
	t.Helper()
	if testing.Short() {
		t.Skip("a browser takes its time: not in short mode")
	}
	all := make([]seen, len(pages))
	for i, told := range witness.Browse(t, pages...) {
		if err := json.Unmarshal(told, &all[i]); err != nil {
			t.Fatal(err)
		}
	}
	return all
}

// good holds of every page: it is complete in itself, has no error, fits on a
// phone, draws its plots, can be used by keyboard, and prints.
func (s *seen) good(t *testing.T, path string) {
	t.Helper()
	if len(s.Requests) != 1 || !strings.HasPrefix(s.Requests[0], "file://") || !strings.HasSuffix(s.Requests[0], filepath.Base(path)) {
		t.Errorf("the page made %d requests, want only itself: %q", len(s.Requests), s.Requests)
	}
	if len(s.Errors) > 0 {
		t.Errorf("errors in the console: %q", s.Errors)
	}
	if len(s.Overflow) > 0 {
		t.Errorf("wider than the window: %q", s.Overflow)
	}
	if s.Plots.Painted != s.Plots.Places {
		t.Errorf("%d of %d plots are painted", s.Plots.Painted, s.Plots.Places)
	}
	if !s.Keyboard || !s.FocusSeen {
		t.Errorf("the keyboard opens what is folded: %v; the focus is seen: %v", s.Keyboard, s.FocusSeen)
	}
	if s.PDF != "%PDF-" || s.PDFBytes < 10_000 {
		t.Errorf("printed: %q, %d bytes", s.PDF, s.PDFBytes)
	}
}

// written writes the page of a check.
func written(t *testing.T, name string, write func(*bytes.Buffer) error) string {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestCheckPageInBrowser(t *testing.T) {
	out := outcome(t, "lowan-dead-tachometer.log")
	dead := written(t, "dead.html", func(b *bytes.Buffer) error { return report.HTML(b, out, report.HTMLOptions{Version: "test"}) })
	bad := written(t, "bad.html", func(b *bytes.Buffer) error {
		return report.HTML(b, hostileOutcome(t), report.HTMLOptions{Version: "test"})
	})
	all := browse(t, dead, bad)
	all[0].good(t, dead)
	all[1].good(t, bad)
	if all[0].Plots.Places < 40 || all[1].Plots.Places < 3 {
		t.Errorf("only %d and %d plots", all[0].Plots.Places, all[1].Plots.Places)
	}
	for _, want := range []string{
		"5 functions fail", "Tachometer", "EngineSpeed (0x0D6 on drive) is missing, while 11 other messages of Engine come.",
		tallied(out, rules.Pass) + " pass", tallied(out, rules.NotTestable) + " not testable", "Local rules and licensed persons decide",
	} {
		if !strings.Contains(strings.ToLower(strings.Join(strings.Fields(all[0].Text), " ")), strings.ToLower(want)) {
			t.Errorf("the page does not say %q", want)
		}
	}
	if all[1].Pwned {
		t.Error("a script out of a definition ran")
	}
	if !strings.Contains(all[1].Text, evil) {
		t.Error("the hostile text is not shown as text")
	}
}

// tallied counts the functions of a verdict.
func tallied(out *check.Output, v rules.Verdict) string {
	n := 0
	for i := range out.Functions {
		if out.Functions[i].Verdict == v {
			n++
		}
	}
	return strconv.Itoa(n)
}

func TestIdentifyPageInBrowser(t *testing.T) {
	path := written(t, "identify.html", func(b *bytes.Buffer) error {
		return report.IdentifyHTML(b, identification(t, "lowan-key-on-idle.log"), report.HTMLOptions{Version: "test"})
	})
	s := browse(t, path)[0]
	s.good(t, path)
	for _, want := range []string{"Identified", "Lowan series 2, 2.0 turbo, 5-speed automatic", "Cluster", "999:1"} {
		if !strings.Contains(s.Text, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

func TestComparePageInBrowser(t *testing.T) {
	setting := lowan(t)
	path := written(t, "compare.html", func(b *bytes.Buffer) error {
		res := comparison(t, "lowan-key-on-idle.log", "lowan-dead-tachometer.log", setting)
		return report.ComparisonHTML(b, res, setting, report.HTMLOptions{Version: "test"})
	})
	s := browse(t, path)[0]
	s.good(t, path)
	if s.Plots.Places < 20 {
		t.Errorf("only %d plots", s.Plots.Places)
	}
	for _, want := range []string{"that did not before", "EngineSpeed (0x0D6) is gone", "says: engine messages are missing"} {
		if !strings.Contains(strings.Join(strings.Fields(s.Text), " "), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

// TestLargePage: a capture of a million frames gives a page of less than 3 MB,
// which opens at once. How long that took is told, not judged.
func TestLargePage(t *testing.T) {
	if testing.Short() {
		t.Skip("makes a capture of a million frames: not in short mode")
	}
	path := written(t, "large.html", func(b *bytes.Buffer) error {
		return report.HTML(b, largeOutcome(t), report.HTMLOptions{Version: "test"})
	})
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if info.Size() >= 3_000_000 {
		t.Errorf("the page has %d bytes, want less than 3 MB", info.Size())
	}
	s := browse(t, path)[0]
	s.good(t, path)
	t.Logf("%d bytes, opened in %.0f ms, %d plots", info.Size(), s.OpenMS, s.Plots.Places)
}
