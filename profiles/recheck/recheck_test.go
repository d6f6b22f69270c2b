package recheck

import (
	"bytes"
	"context"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/parquet-go/parquet-go"
	"pgregory.net/rapid"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/witness"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
)

const (
	good  = "lowan-2-20t-a5/good.log"
	dead  = "lowan-2-20t-a5/dead.log"
	other = "lowan-3-20-m5/other.log.zst"
	bad   = "lowan-3-20-m5/bad.pcap"
)

// lib returns the demo car's library and more folders.
func lib(more ...profiles.Folder) *profiles.Library {
	return profiles.NewLibrary(append([]profiles.Folder{{Name: "library", FS: library.FS()}}, more...)...)
}

func put(t testing.TB, dir, name string, content []byte) {
	t.Helper()
	path := filepath.Join(dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, content, 0o644); err != nil {
		t.Fatal(err)
	}
}

// corpus makes a folder of four captures: a good one, one with a dead tachometer,
// one of another setting, and one that is none.
func corpus(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	for name, from := range map[string]string{good: "lowan-key-on-idle.log", dead: "lowan-dead-tachometer.log"} {
		for to, from := range map[string]string{name: from, name + ".stages.yaml": from + ".stages.yaml"} {
			src, err := os.ReadFile(filepath.Join(witness.Root(t), "testdata", "captures", from))
			if err != nil {
				t.Fatal(err)
			}
			put(t, dir, to, src)
		}
	}
	car, err := demo.ParseSetting("lowan-3-20-m5")
	if err != nil {
		t.Fatal(err)
	}
	put(t, dir, other, record(t, car, keyOn, 1))
	put(t, dir, bad, []byte("no capture\n"))
	return dir
}

// keyOn is a script of a few seconds.
var keyOn = []demo.Stage{{Name: "key-on", Length: 8 * time.Second}}

// record makes a compressed capture.
func record(t testing.TB, s demo.Setting, script []demo.Stage, seed uint64) []byte {
	t.Helper()
	d, err := demo.New(s, demo.Options{Seed: seed, Script: script})
	if err != nil {
		t.Fatal(err)
	}
	opts, err := capture.FormatFor("x.log.zst")
	if err != nil {
		t.Fatal(err)
	}
	var buf bytes.Buffer
	w, err := capture.NewWriter(&buf, d.Buses(), opts)
	if err != nil {
		t.Fatal(err)
	}
	batch := make([]can.Frame, 512)
	for {
		n, err := d.Read(context.Background(), batch)
		if werr := w.Write(batch[:n]); werr != nil {
			t.Fatal(werr)
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// run judges a folder.
func run(t testing.TB, dir string, lib *profiles.Library, workers int) *Result {
	t.Helper()
	entries, err := List(dir, lib)
	if err != nil {
		t.Fatal(err)
	}
	res, err := Run(t.Context(), Options{Dir: dir, Entries: entries, Library: lib, Workers: workers, Hash: true})
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// accept puts every verdict on file.
func accept(t testing.TB, res *Result) {
	t.Helper()
	for i := range res.Rows {
		if err := res.Rows[i].Accept(res.Dir); err != nil {
			t.Fatal(err)
		}
	}
}

// states lists name, state and verdict of the rows.
func states(res *Result) (list []string) {
	for i := range res.Rows {
		r := &res.Rows[i]
		verdict := "-"
		if r.Now != nil {
			verdict = r.Now.Verdict
		}
		list = append(list, r.Name+" "+string(r.State)+" "+verdict)
	}
	return list
}

// TestOnFile: a first run has nothing to compare with, a second finds what the
// first put on file, and a changed capture is told with what changed.
func TestOnFile(t *testing.T) {
	dir := corpus(t)
	res := run(t, dir, lib(), 0)
	if diff := cmp.Diff([]string{dead + " new fail", good + " new pass", bad + " new unreadable", other + " new pass"}, states(res)); diff != "" {
		t.Fatalf("(-want +got):\n%s", diff)
	}
	accept(t, res)
	again := run(t, dir, lib(), 0)
	if got := again.Tally(); got != (Tally{Recordings: 4, Same: 4, Unreadable: 1}) {
		t.Errorf("judged again: %+v, %v", got, states(again))
	}
	deadText, err := os.ReadFile(filepath.Join(dir, dead))
	if err != nil {
		t.Fatal(err)
	}
	put(t, dir, good, deadText)
	if err := os.Remove(filepath.Join(dir, dead)); err != nil {
		t.Fatal(err)
	}
	res = run(t, dir, lib(), 0)
	if diff := cmp.Diff([]string{dead + " gone -", good + " changed fail", bad + " same unreadable", other + " same pass"}, states(res)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	for _, line := range []string{"verdict: pass -> fail", "tachometer: pass -> fail", "+ fail message/absent EngineSpeed"} {
		if !slices.Contains(res.Rows[1].Changes, line) {
			t.Errorf("the changes lack %q: %q", line, res.Rows[1].Changes)
		}
	}
}

// written is a result in every form.
func written(t testing.TB, res *Result) map[string][]byte {
	t.Helper()
	forms := map[string][]byte{}
	for name, write := range map[string]func(io.Writer) error{
		"text":    func(w io.Writer) error { return Text(w, res, func(s string) string { return s }) },
		"json":    func(w io.Writer) error { return JSON(w, res, "test", nil) },
		"junit":   func(w io.Writer) error { return JUnit(w, res) },
		"parquet": func(w io.Writer) error { return Parquet(w, res) },
	} {
		var buf bytes.Buffer
		if err := write(&buf); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		forms[name] = buf.Bytes()
	}
	return forms
}

// TestOrderAndWorkers: the result is the same whatever the order in which captures
// are listed and the number of those who judge.
func TestOrderAndWorkers(t *testing.T) {
	dir := corpus(t)
	entries, err := List(dir, lib())
	if err != nil {
		t.Fatal(err)
	}
	var want map[string][]byte
	for _, workers := range []int{1, 2, 7} {
		slices.Reverse(entries)
		res, err := Run(t.Context(), Options{Dir: dir, Entries: entries, Library: lib(), Workers: workers, Hash: true})
		if err != nil {
			t.Fatal(err)
		}
		got := written(t, res)
		if want == nil {
			want = got
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%d workers (-first +now):\n%s", workers, diff)
		}
	}
}

// TestFolderElsewhere: a folder that was moved has the same verdicts, those on bad
// captures too.
func TestFolderElsewhere(t *testing.T) {
	dir := corpus(t)
	accept(t, run(t, dir, lib(), 0))
	moved := filepath.Join(t.TempDir(), "elsewhere")
	if err := os.Rename(dir, moved); err != nil {
		t.Fatal(err)
	}
	if got := run(t, moved, lib(), 0).Tally(); got.Same != 4 {
		t.Errorf("%+v", got)
	}
}

// TestChangedProfile: a change in one profile changes the verdict on its captures
// and on no other.
func TestChangedProfile(t *testing.T) {
	dir := corpus(t)
	accept(t, run(t, dir, lib(), 0))
	text, err := library.FS().Open("lowan-3-20-m5.yaml")
	if err != nil {
		t.Fatal(err)
	}
	src, err := io.ReadAll(text)
	if err != nil {
		t.Fatal(err)
	}
	const change = "  VehicleSpeed: {cycle: 40ms}\n"
	changed := strings.Replace(string(src), "messages:\n", "messages:\n"+change, 1)
	if changed == string(src) {
		changed += "messages:\n" + change
	}
	res := run(t, dir, lib(profiles.Folder{Name: "mine", FS: fstest.MapFS{"lowan-3-20-m5.yaml": {Data: []byte(changed)}}}), 0)
	var hit []string
	for i := range res.Rows {
		if res.Rows[i].State != Same {
			hit = append(hit, res.Rows[i].Name)
		}
	}
	if diff := cmp.Diff([]string{other}, hit); diff != "" {
		t.Fatalf("captures with another verdict (-want +got):\n%s", diff)
	}
	i := slices.IndexFunc(res.Rows, func(r Row) bool { return r.Name == other })
	if !slices.ContainsFunc(res.Rows[i].Changes, func(line string) bool { return strings.Contains(line, "VehicleSpeed") }) {
		t.Errorf("the change does not name the message: %q", res.Rows[i].Changes)
	}
}

// TestBadCaptures: what is wrong with a recording is its verdict, and the others
// are judged.
func TestBadCaptures(t *testing.T) {
	dir := corpus(t)
	put(t, dir, ManifestName, []byte(`format: 1
profile: lowan-2-20t-a5
captures:
  - {capture: `+good+`}
  - {capture: nothere.log}
  - {capture: `+bad+`}
  - {capture: empty.log}
  - {capture: copy.log, profile: nothere}
  - {capture: part.log, profile: parts/base}
  - {capture: [bus.log], buses: {can0: chassis}}
  - {capture: fn.log, functions: [teleport]}
  - {capture: base.log, baseline: nothere.log}
`))
	src, err := os.ReadFile(filepath.Join(dir, good))
	if err != nil {
		t.Fatal(err)
	}
	put(t, dir, "empty.log", nil)
	for _, name := range []string{"copy.log", "part.log", "bus.log", "fn.log", "base.log"} {
		put(t, dir, name, src)
	}
	res := run(t, dir, lib(), 2)
	for i := range res.Rows {
		r := &res.Rows[i]
		if r.Name == good {
			if r.Now.Verdict != "pass" {
				t.Errorf("the good capture: %+v", r.Now)
			}
			continue
		}
		if r.Name == "empty.log" && r.Now.Verdict != "pass" {
			continue // no frames are no pass; the rules say the rest
		}
		if r.Now.Verdict != Unreadable || r.Now.Reason == "" || strings.Contains(r.Now.Reason, dir) || strings.Contains(r.Now.Reason, "\n") {
			t.Errorf("%s: %s, %q", r.Name, r.Now.Verdict, r.Now.Reason)
		}
	}
	if len(res.Rows) != 9 {
		t.Errorf("%d rows", len(res.Rows))
	}
}

func TestInterrupted(t *testing.T) {
	dir := corpus(t)
	entries, err := List(dir, lib())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Run(ctx, Options{Dir: dir, Entries: entries, Library: lib()}); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
}

// TestVerdictRoundTrip: whatever functions and findings are called, what is on file
// is what was put there.
func TestVerdictRoundTrip(t *testing.T) {
	words := rapid.StringMatching(`[ -~]{0,3}[a-zäß:#'"{}\[\],&*!|>%@0-9.-]{1,12}[!-~]{0,3}`)
	rapid.Check(t, func(rt *rapid.T) {
		now := unreadable("p", words.Draw(rt, "reason"))
		now.Functions = rapid.MapOfN(words, rapid.SampledFrom([]string{"pass", "fail", "not testable"}), 1, 4).Draw(rt, "functions")
		now.Findings = rapid.SliceOfN(words, 1, 3).Draw(rt, "findings")
		back, err := parseVerdict("x", now.text())
		if err != nil {
			rt.Fatal(err)
		}
		if diff := cmp.Diff(now, back); diff != "" {
			rt.Fatalf("(-written +read):\n%s", diff)
		}
	})
}

// TestBadVerdict: a verdict on file that somebody broke is an error with its place.
func TestBadVerdict(t *testing.T) {
	dir := corpus(t)
	put(t, dir, good+Ending, []byte("format: 1\nprofile: x\ncolour: red\n"))
	entries, err := List(dir, lib())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Run(t.Context(), Options{Dir: dir, Entries: entries, Library: lib()}); err == nil || !strings.Contains(err.Error(), "good.log.verdict.yaml:3:1") {
		t.Errorf("%v", err)
	}
}

// TestJUnit: the document has the elements and attributes that readers of JUnit XML
// know, counts that add up, and the failures.
func TestJUnit(t *testing.T) {
	dir := corpus(t)
	accept(t, run(t, dir, lib(), 0))
	put(t, dir, good+Ending, []byte("format: 1\nprofile: lowan-2-20t-a5\nverdict: fail\n")) // changed
	if err := os.Remove(filepath.Join(dir, filepath.FromSlash(dead+Ending))); err != nil {  // new
		t.Fatal(err)
	}
	put(t, dir, "lowan-3-20-m5/<&\"odd>.log"+Ending, []byte("format: 1\nprofile: lowan-3-20-m5\nverdict: pass\n")) // gone
	doc := written(t, run(t, dir, lib(), 0))["junit"]
	allowed := map[string][]string{
		"testsuites": {"name", "tests", "failures", "errors", "skipped"},
		"testsuite":  {"name", "tests", "failures", "errors", "skipped"},
		"testcase":   {"classname", "name"}, "failure": {"message", "type"}, "skipped": {"message"},
	}
	parents := map[string]string{"testsuites": "", "testsuite": "testsuites", "testcase": "testsuite", "failure": "testcase", "skipped": "testcase"}
	count := map[string]int{}
	stack := []string{""}
	dec := xml.NewDecoder(bytes.NewReader(doc))
	for {
		token, err := dec.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch e := token.(type) {
		case xml.StartElement:
			name := e.Name.Local
			count[name]++
			if want, ok := parents[name]; !ok || want != stack[len(stack)-1] {
				t.Errorf("<%s> in <%s>", name, stack[len(stack)-1])
			}
			for _, a := range e.Attr {
				if !slices.Contains(allowed[name], a.Name.Local) {
					t.Errorf("<%s> has %s", name, a.Name.Local)
				}
			}
			stack = append(stack, name)
		case xml.EndElement:
			stack = stack[:len(stack)-1]
		}
	}
	want := map[string]int{"testsuites": 1, "testsuite": 2, "testcase": 5, "failure": 2, "skipped": 1}
	if diff := cmp.Diff(want, count); diff != "" {
		t.Errorf("elements (-want +got):\n%s\n%s", diff, doc)
	}
	var top struct {
		Tests, Failures, Errors, Skipped int
	}
	var suites struct {
		Tests    int `xml:"tests,attr"`
		Failures int `xml:"failures,attr"`
		Skipped  int `xml:"skipped,attr"`
		Suites   []struct {
			Tests    int `xml:"tests,attr"`
			Failures int `xml:"failures,attr"`
			Skipped  int `xml:"skipped,attr"`
			Cases    []struct {
				Name    string `xml:"name,attr"`
				Failure *struct {
					Text string `xml:",chardata"`
				} `xml:"failure"`
			} `xml:"testcase"`
		} `xml:"testsuite"`
	}
	if err := xml.Unmarshal(doc, &suites); err != nil {
		t.Fatal(err)
	}
	for _, s := range suites.Suites {
		top.Tests += s.Tests
		top.Failures += s.Failures
		top.Skipped += s.Skipped
	}
	if suites.Tests != 5 || top.Tests != 5 || suites.Failures != 2 || top.Failures != 2 || suites.Skipped != 1 || top.Skipped != 1 {
		t.Errorf("counts %+v, of the suites %+v", suites, top)
	}
	if !strings.Contains(string(doc), "verdict: fail -&gt; pass") {
		t.Errorf("the change is not in it:\n%s", doc)
	}
}

// TestParquetIsJSON: the table has the verdicts of the JSON document.
func TestParquetIsJSON(t *testing.T) {
	dir := corpus(t)
	accept(t, run(t, dir, lib(), 0))
	put(t, dir, good+Ending, []byte("format: 1\nprofile: lowan-2-20t-a5\nverdict: fail\nfunctions: {tachometer: fail}\n"))
	forms := written(t, run(t, dir, lib(), 0))
	var doc struct {
		Captures []struct {
			Capture, Verdict string
			OnFile           string `json:"verdict_on_file"`
			Functions        map[string]string
		}
	}
	if err := json.Unmarshal(forms["json"], &doc); err != nil {
		t.Fatal(err)
	}
	rows, err := parquet.Read[ParquetRow](bytes.NewReader(forms["parquet"]), int64(len(forms["parquet"])))
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	changed := 0
	for _, r := range rows {
		got[r.Capture+" "+r.Function] = *r.Verdict
		if r.Changed {
			changed++
		}
	}
	want := map[string]string{}
	for _, c := range doc.Captures {
		want[c.Capture+" "] = c.Verdict
		for name, verdict := range c.Functions {
			want[c.Capture+" "+name] = verdict
		}
	}
	if diff := cmp.Diff(want, got); diff != "" || len(want) < 100 {
		t.Errorf("%d verdicts, JSON (-), Parquet (+):\n%s", len(want), diff)
	}
	if changed != 2 {
		t.Errorf("%d rows are changed, want the capture and its tachometer: %v", changed, slices.Collect(maps.Keys(got)))
	}
}
