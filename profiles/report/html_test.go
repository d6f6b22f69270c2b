package report_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"html"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"plugproof/decode/capture"
	"plugproof/decode/witness"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
	"plugproof/profiles/report"
	"plugproof/profiles/rules"
)

// evil is what a definition must not get past the page.
const evil = `</script><script>window.pwned=1</script><img src=x onerror=window.pwned=1>`

// run checks a capture against a setting of a library.
func run(t *testing.T, lib *profiles.Library, setting, path string) *check.Output {
	t.Helper()
	s, err := lib.Load(setting)
	if err != nil {
		t.Fatal(err)
	}
	r, err := capture.Open([]string{path}, capture.Options{Hash: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	interfaces, err := check.MatchBuses(context.Background(), []string{path}, nil, s, nil)
	if err != nil {
		t.Fatal(err)
	}
	out, err := check.Run(context.Background(), &check.Input{
		Setting: s, Library: lib, Scope: rules.Car, Capture: check.Recording{Reader: r, Interfaces: interfaces}, Series: true,
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// hostileOutcome is a check whose profile, definitions and capture carry script.
func hostileOutcome(t *testing.T) *check.Output {
	t.Helper()
	lib := profiles.NewLibrary(profiles.Folder{FS: fstest.MapFS{
		"car.dbc": {Data: []byte(`VERSION ""
BU_: Engine Cluster
BO_ 513 Speed: 8 Engine
 SG_ Rpm : 0|16@1+ (0.25,0) [0|8000] "` + evil + `" Cluster
 SG_ Count : 48|4@1+ (1,0) [0|15] "" Cluster
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;
BA_ "GenMsgCycleTime" BO_ 513 10;
`)},
		"car.yaml": {Data: []byte(`format: 1
name: car
title: '` + evil + `'
buses: {drive: {bitrate: 500kbit/s, dbc: car.dbc}}
nodes: {Engine: {title: '` + evil + `'}, Cluster: {buses: [drive]}}
replaced: Engine
messages: {Speed: {counter: {signal: Count}, listeners: {Cluster: {timeout: 50ms, substitute: '` + evil + `'}}}}
functions: {tachometer: {title: '` + evil + `', chain: [Speed.Rpm], ends: Cluster}}
`)},
	}})
	var log strings.Builder
	for i := range 2000 { // the counter stands still for a while, and frames are missing
		count := i & 15
		if i > 800 && i < 900 {
			count = 3
		}
		if i < 1200 || i > 1300 {
			fmt.Fprintf(&log, "(%d.%06d) drive 201#%04X00000000%02X00\n", 1700000000+i/100, i%100*10000, i*7&0xFFFF, count)
		}
	}
	path := filepath.Join(t.TempDir(), "<script>window.pwned=1<.log")
	if err := os.WriteFile(path, []byte(log.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	return run(t, lib, "car", path)
}

// largeOutcome is a check of a million frames.
func largeOutcome(t *testing.T) *check.Output {
	t.Helper()
	written, err := demo.Write(context.Background(), t.TempDir(), demo.WriteOptions{Scale: 1.15})
	if err != nil {
		t.Fatal(err)
	}
	if written[0].Frames < 1_000_000 {
		t.Fatalf("only %d frames", written[0].Frames)
	}
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()})
	return run(t, lib, "lowan-2-20t-a5", written[0].Path)
}

func page(t *testing.T, out *check.Output, opts report.HTMLOptions) string {
	t.Helper()
	var b bytes.Buffer
	if err := report.HTML(&b, out, opts); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// between returns what stands between two texts.
func between(t *testing.T, src, from, to string) string {
	t.Helper()
	_, rest, ok := strings.Cut(src, from)
	inner, _, ok2 := strings.Cut(rest, to)
	if !ok || !ok2 {
		t.Fatalf("no %q before %q", from, to)
	}
	return inner
}

// TestPageLoadsNothing: the policy forbids all but the style and the script that
// stand in the page, by their hashes (W3C, Content Security Policy level 3), and
// nothing in it asks for more.
func TestPageLoadsNothing(t *testing.T) {
	src := page(t, outcome(t, "lowan-dead-tachometer.log"), report.HTMLOptions{Version: "test"})
	policy := html.UnescapeString(between(t, src, `<meta http-equiv="Content-Security-Policy" content="`, `"`))
	hash := func(content string) string {
		sum := sha256.Sum256([]byte(content))
		return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
	}
	want := "default-src 'none'; style-src " + hash(between(t, src, "<style>", "</style>")) +
		"; script-src " + hash(between(t, src, "<script>", "</script>")) + "; base-uri 'none'; form-action 'none'"
	if policy != want {
		t.Errorf("the policy is %q\nwant %q", policy, want)
	}
	if !strings.Contains(src, "Permission is hereby granted, free of charge") {
		t.Error("the licence of uPlot does not go with it")
	}
	markup := regexp.MustCompile(`(?s)<(style|script)[^>]*>.*?</(style|script)>`).ReplaceAllString(src, "")
	if bad := regexp.MustCompile(`(?i)<(link|img|iframe|object|embed|base|form)\b| (src|style|on[a-z]+)=|https?:`).FindString(markup); bad != "" {
		t.Errorf("the markup holds %q", bad)
	}
	if bad := regexp.MustCompile(`@import|url\(`).FindString(between(t, src, "<style>", "</style>")); bad != "" {
		t.Errorf("the style holds %q", bad)
	}
}

// TestPageEscapes: text of definitions, profiles and file names stays text.
func TestPageEscapes(t *testing.T) {
	out := hostileOutcome(t)
	out.Seen.Before = rules.Earlier{Codes: []rules.Code{{Module: evil, Code: "U0100", Text: evil}}, Lamps: []string{evil}}
	src := page(t, out, report.HTMLOptions{Version: evil, Files: []check.File{{File: evil, SHA256: evil}}})
	if n := strings.Count(src, "<script"); n != 2 {
		t.Errorf("%d script elements, want that of the figures and that of the page", n)
	}
	if strings.Contains(src, "<img") || strings.Contains(src, "<script>window.pwned") {
		t.Error("markup of a definition came through")
	}
	if !strings.Contains(src, html.EscapeString(evil)) {
		t.Error("the text is not there at all")
	}
}

// TestPageTimes: a finding without a time, as of a message that never came, names none.
func TestPageTimes(t *testing.T) {
	out := outcome(t, "lowan-dead-tachometer.log")
	timed := 0
	for i := range out.Findings {
		if out.Findings[i].HasTime {
			timed++
		}
	}
	if timed == len(out.Findings) {
		t.Fatal("every finding has a time")
	}
	src := page(t, out, report.HTMLOptions{Version: "test"})
	if n := strings.Count(src, "<dt>First</dt>"); n != timed {
		t.Errorf("%d times on the page, %d findings have one", n, timed)
	}
	if strings.Contains(src, "stamp 0.000000") {
		t.Error("the page names a stamp that nothing has")
	}
}

// TestPageIsOrdered: headings go down one level at a time, header cells say what
// they head, tables have captions, links lead somewhere, names are used once.
func TestPageIsOrdered(t *testing.T) {
	src := page(t, outcome(t, "lowan-dead-tachometer.log"), report.HTMLOptions{Version: "test"})
	src = regexp.MustCompile(`(?s)<(style|script)[^>]*>.*?</(style|script)>`).ReplaceAllString(src, "")
	if !strings.Contains(src, `<html lang="en">`) {
		t.Error("the page does not say its language")
	}
	level := 0
	for _, m := range regexp.MustCompile(`<h([1-6])`).FindAllStringSubmatch(src, -1) {
		n, _ := strconv.Atoi(m[1])
		if n > level+1 {
			t.Errorf("h%d after h%d", n, level)
		}
		level = n
	}
	if n := strings.Count(src, "<h1"); n != 1 {
		t.Errorf("%d main headings", n)
	}
	if th, scoped := strings.Count(src, "<th"), strings.Count(src, "<th scope=")+strings.Count(src, "<thead"); th != scoped {
		t.Errorf("%d header cells, %d with scope", th, scoped)
	}
	if tables, captions := strings.Count(src, "<table"), strings.Count(src, "<caption"); tables != captions || tables == 0 {
		t.Errorf("%d tables, %d captions", tables, captions)
	}
	ids := map[string]int{}
	for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(src, -1) {
		if ids[m[1]]++; ids[m[1]] > 1 {
			t.Errorf("the name %q stands twice", m[1])
		}
	}
	for _, m := range regexp.MustCompile(` (?:href="#|aria-labelledby=")([^"]*)"`).FindAllStringSubmatch(src, -1) {
		if ids[m[1]] == 0 {
			t.Errorf("nothing has the name %q", m[1])
		}
	}
}

// TestFiguresAsText: what is drawn also stands in a table.
func TestFiguresAsText(t *testing.T) {
	src := page(t, outcome(t, "lowan-dead-tachometer.log"), report.HTMLOptions{Version: "test"})
	plots, tables := strings.Count(src, `class="plot"`), 0
	for part := range strings.SplitSeq(src, "<figure") {
		if strings.Contains(part, `class="plot"`) && strings.Contains(part, "<tbody") {
			tables++
		}
	}
	if plots < 20 || tables != plots {
		t.Errorf("%d plots, %d with a table", plots, tables)
	}
}

// TestHandover: the page holds what goes with the car.
func TestHandover(t *testing.T) {
	out := outcome(t, "lowan-dead-tachometer.log")
	out.Seen.Codes = []rules.Code{{Module: "TCM", Code: "U0100", Text: "lost engine"}, {Module: "IPC", Code: "U0401"}}
	out.Seen.Before.Codes = []rules.Code{{Module: "TCM", Code: "U0100", Text: "lost engine"}, {Module: "ECM", Code: "P0335"}}
	src := page(t, out, report.HTMLOptions{
		Version: "9.8.7", Files: []check.File{check.NewFile("lowan-2.yaml", []byte("x"))},
	})
	content, err := os.ReadFile(filepath.Join(witness.Root(t), "testdata", "captures", "lowan-dead-tachometer.log"))
	if err != nil {
		t.Fatal(err)
	}
	part := between(t, src, `<section id="handover"`, "</section>")
	for _, want := range []string{
		fmt.Sprintf("%x", sha256.Sum256(content)), fmt.Sprintf("%x", sha256.Sum256([]byte("x"))),
		"Network setting</dt><dd>" + out.Setting.Settings.Network + "</dd>",
		"Loom setting</dt><dd>" + out.Setting.Settings.Loom + "</dd>",
		"plugproof 9.8.7", "Local rules and licensed persons decide", "Technician, name and signature", "Customer, name and signature",
		codeRow("P0335", "ECM", "", "stored", "-"), codeRow("U0100", "TCM", "lost engine", "stored", "stored"), codeRow("U0401", "IPC", "", "-", "stored"),
		"Stages that were not recorded: ",
	} {
		if !strings.Contains(part, want) {
			t.Errorf("the handover does not hold %q", want)
		}
	}
}

// codeRow is a row of the table of trouble codes. Each cell has its head with it, for phones.
func codeRow(code, module, text, before, after string) string {
	return fmt.Sprintf(`<th scope="row">%s</th><td data-head="Module">%s</td><td data-head="Text">%s</td><td data-head="Before">%s</td><td data-head="After">%s</td>`,
		code, module, text, before, after)
}

// TestContrast: text stands out from what it is written on by 4.5:1 at least, in
// light and in dark (W3C, Web Content Accessibility Guidelines 2.2, 1.4.3; the
// formula is that of its "relative luminance").
func TestContrast(t *testing.T) {
	src, err := os.ReadFile(filepath.Join(witness.Root(t), "profiles", "report", "assets", "page.css"))
	if err != nil {
		t.Fatal(err)
	}
	blocks := regexp.MustCompile(`(?s):root(?::not\(\.paper\))? \{(.*?)\}`).FindAllStringSubmatch(string(src), -1)
	if len(blocks) != 3 {
		t.Fatalf("%d sets of colours, want light, dark and paper", len(blocks))
	}
	light := colours(blocks[0][1])
	for _, set := range []struct {
		name string
		own  map[string]string
	}{{"light", nil}, {"dark", colours(blocks[1][1])}, {"paper", colours(blocks[2][1])}} {
		colour := func(name string) string {
			if c := set.own[name]; c != "" {
				return c
			}
			return light[name]
		}
		for _, pair := range []struct{ text, grounds string }{
			{"ink", "paper leaf fail-tint review-tint pass-tint untested-tint stage"},
			{"quiet", "paper leaf stage"},
			{"link", "paper leaf fail-tint review-tint pass-tint untested-tint"},
			{"fail", "paper leaf fail-tint"},
			{"review", "paper leaf review-tint"},
			{"pass", "paper leaf pass-tint"},
			{"untested", "paper leaf untested-tint"},
			{"on-mark", "fail review pass"},
		} {
			for ground := range strings.FieldsSeq(pair.grounds) {
				if c := contrast(t, colour(pair.text), colour(ground)); c < 4.5 {
					t.Errorf("%s: %s on %s has a contrast of %.2f", set.name, pair.text, ground, c)
				}
			}
		}
	}
}

func colours(block string) map[string]string {
	set := map[string]string{}
	for _, m := range regexp.MustCompile(`--([a-z0-9-]+): (#[0-9a-f]+);`).FindAllStringSubmatch(block, -1) {
		set[m[1]] = m[2]
	}
	return set
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	digits := strings.TrimPrefix(colour, "#")
	if len(digits) == 3 {
		digits = string([]byte{digits[0], digits[0], digits[1], digits[1], digits[2], digits[2]})
	}
	rgb, err := strconv.ParseUint(digits, 16, 32)
	if err != nil || len(digits) != 6 {
		t.Fatalf("no colour: %q", colour)
	}
	linear := func(c uint64) float64 {
		v := float64(c&255) / 255
		if v <= 0.04045 {
			return v / 12.92
		}
		return math.Pow((v+0.055)/1.055, 2.4)
	}
	return 0.2126*linear(rgb>>16) + 0.7152*linear(rgb>>8) + 0.0722*linear(rgb)
}

// TestOddCaptures: whatever a capture holds, its page is whole and says no figure
// that is none.
func TestOddCaptures(t *testing.T) {
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()})
	paths, err := filepath.Glob(filepath.Join(witness.Root(t), "testdata", "captures", "odd-*"))
	if err != nil || len(paths) < 5 {
		t.Fatalf("%d captures, %v", len(paths), err)
	}
	for _, path := range paths {
		src := page(t, run(t, lib, "lowan-2-20t-a5", path), report.HTMLOptions{Version: "test"})
		src = regexp.MustCompile(`(?s)<(style|script)>.*?</(style|script)>`).ReplaceAllString(src, "")
		if !strings.HasSuffix(src, "</html>\n") {
			t.Errorf("%s: the page is cut", filepath.Base(path))
		}
		if bad := regexp.MustCompile(`\b(NaN|[+-]Inf|%!)`).FindString(src); bad != "" {
			t.Errorf("%s: the page says %q", filepath.Base(path), bad)
		}
	}
}

// TestPageIsBounded: a capture with faults without end gives a page that says
// how many it leaves out.
func TestPageIsBounded(t *testing.T) {
	out := outcome(t, "lowan-dead-tachometer.log")
	f := out.Findings[0]
	for len(out.Findings) < 1150 {
		out.Findings = append(out.Findings, f)
	}
	src := page(t, out, report.HTMLOptions{Version: "test"})
	if n := strings.Count(src, `<article class="finding`); n != 150 {
		t.Errorf("%d findings have a card", n)
	}
	if !strings.Contains(src, "1000 more findings, no more serious than these") {
		t.Error("the page does not say what it leaves out")
	}
	if len(src) >= 3_000_000 {
		t.Errorf("%d bytes", len(src))
	}
}
