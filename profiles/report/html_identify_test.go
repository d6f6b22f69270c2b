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
	"plugproof/profiles/identify"
	"plugproof/profiles/library"
	"plugproof/profiles/report"
)

// identification identifies a committed capture of the demo car.
func identification(t *testing.T, name string) *report.Identification {
	t.Helper()
	plan, err := identify.Load(profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}))
	if err != nil {
		t.Fatal(err)
	}
	r, err := capture.Open([]string{filepath.Join(witness.Root(t), "testdata", "captures", name)}, capture.Options{Hash: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	c, err := capture.Fold(context.Background(), r, func() *identify.Collector { return plan.New(r.Buses()) })
	if err != nil {
		t.Fatal(err)
	}
	res, err := plan.Judge(c, identify.Input{ECU: identify.Factory})
	if err != nil {
		t.Fatal(err)
	}
	return &report.Identification{Result: res, Captures: r.Reports(), Known: len(plan.Names()), Title: plan.Title}
}

func identifyPage(t *testing.T, res *report.Identification) string {
	t.Helper()
	var b bytes.Buffer
	if err := report.IdentifyHTML(&b, res, report.HTMLOptions{Version: "test"}); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestIdentifyPage: what stands at its top, for each verdict.
func TestIdentifyPage(t *testing.T) {
	good := identification(t, "lowan-key-on-idle.log")
	for _, row := range []struct {
		name   string
		change func(r *report.Identification)
		want   []string
	}{
		{"identified", func(*report.Identification) {}, []string{
			`<h1 id="verdict">Lowan series 2, 2.0 turbo, 5-speed automatic</h1>`,
			"Network lowan-2-20t-a5; loom lowan-2-20t, if engine and harness are the car&#39;s own.",
			"over 1,000,000:1 to the next", "<summary>Seen: 35</summary>",
		}},
		{"disagreement", func(r *report.Identification) { r.Disagree = true }, []string{
			`<h2 id="alarm">The engine computer and the car disagree</h2>`, "<dt>the factory engine computer says</dt>",
		}},
		{"tie", func(r *report.Identification) {
			r.Verdict, r.Settings = identify.Tie, []string{"a", "b"}
			r.ReadOff = []string{"the build plate"}
		}, []string{"2 settings fit alike", `<p class="label">Read off the car</p><p>The build plate.`, `class="verdict review"`}},
		{"next step", func(r *report.Identification) {
			r.Step = &identify.Step{Text: "record the body bus as well", Why: "it can show more"}
		}, []string{"Record the body bus as well. It can show more."}},
		{"none", func(r *report.Identification) { r.Verdict = identify.NoneFits }, []string{
			"No setting on file fits this car", `class="verdict fail"`,
		}},
		{"conversion", func(r *report.Identification) { r.Conversion, r.Unserved = true, []string{"Stability"} }, []string{
			"as Cluster asks; no one setting satisfies Stability as well", "read its plug", "<span>not satisfied</span>",
		}},
		{"hostile", func(r *report.Identification) { r.Notes = []string{evil} }, []string{html.EscapeString(evil)}},
	} {
		t.Run(row.name, func(t *testing.T) {
			result := *good.Result
			res := *good
			res.Result = &result
			row.change(&res)
			src := identifyPage(t, &res)
			for _, want := range row.want {
				if !strings.Contains(src, want) {
					t.Errorf("the page does not hold %q", want)
				}
			}
			if strings.Count(src, "<script") != 2 {
				t.Error("markup of a text came through")
			}
		})
	}
}
