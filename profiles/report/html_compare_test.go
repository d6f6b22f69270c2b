package report_test

import (
	"bytes"
	"context"
	"html"
	"path/filepath"
	"strings"
	"testing"

	"plugproof/decode/capture"
	"plugproof/decode/witness"
	"plugproof/profiles"
	"plugproof/profiles/compare"
	"plugproof/profiles/library"
	"plugproof/profiles/report"
	"plugproof/profiles/rules"
)

// comparison compares two committed captures of the demo car.
func comparison(t *testing.T, before, after string, setting *profiles.Setting) *compare.Result {
	t.Helper()
	open := func(name string) *capture.Reader {
		r, err := capture.Open([]string{filepath.Join(witness.Root(t), "testdata", "captures", name)}, capture.Options{Hash: true})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	in := &compare.Input{Before: open(before), After: open(after), Setting: setting}
	defer in.Before.Close()
	defer in.After.Close()
	res, err := compare.Run(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func lowan(t *testing.T) *profiles.Setting {
	t.Helper()
	s, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}).Load("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func comparePage(t *testing.T, res *compare.Result, setting *profiles.Setting) string {
	t.Helper()
	var b bytes.Buffer
	if err := report.ComparisonHTML(&b, res, setting, report.HTMLOptions{Version: "test"}); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestComparePage: what is said, with a profile and without one.
func TestComparePage(t *testing.T) {
	setting := lowan(t)
	src := comparePage(t, comparison(t, "lowan-key-on-idle.log", "lowan-dead-tachometer.log", setting), setting)
	for _, want := range []string{
		`class="verdict fail"`, "that did not before</h1>", "engine messages are missing", "EngineSpeed (0x0D6) is gone",
		"Network setting</dt><dd>" + setting.Settings.Network, "States of the car, and the frames in them", ">before</li><li>after</li>",
	} {
		if !strings.Contains(src, want) {
			t.Errorf("the page does not hold %q", want)
		}
	}
	src = comparePage(t, comparison(t, "lowan-key-on-idle.log", "lowan-key-on-idle.log", nil), nil)
	for _, want := range []string{
		"bits alone", "Not known: no definition names their fault and lamp bits.", "not known: compared without a profile",
	} {
		if !strings.Contains(src, want) {
			t.Errorf("the page of bits does not hold %q", want)
		}
	}
}

// TestComparePageEscapes: text of definitions and file names stays text.
func TestComparePageEscapes(t *testing.T) {
	res := comparison(t, "lowan-key-on-idle.log", "lowan-dead-tachometer.log", nil)
	res.Before.Captures[0].Path = evil
	res.Notes = []string{evil}
	res.Messages[0].Name = evil
	res.Complaints = append(res.Complaints, compare.Row{
		Verdict: rules.Fail, Text: evil, Sender: evil, NextStep: evil, State: -1, Example: &rules.Example{File: evil, Raw: evil},
	})
	for i := range res.Series {
		res.Series[i].Unit = evil
	}
	src := comparePage(t, res, nil)
	if strings.Count(src, "<script") != 2 || strings.Contains(src, "<img") {
		t.Error("markup of a text came through")
	}
	if !strings.Contains(src, html.EscapeString(evil)) {
		t.Error("the text is not there at all")
	}
}
