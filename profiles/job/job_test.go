package job

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/profiles"
)

// whole is a card with all that intake must know.
func whole(t *testing.T) *Card {
	t.Helper()
	c := &Card{}
	for key, answer := range map[string]string{
		"series": "2", "built": "2021-05", "engine": "20t", "gearbox": "a5", "odometer": "84210 km",
		"network": "lowan-2-20t-a5", "loom": "20t", "factory_serial": "F1", "new_serial": "N1", "new_firmware": "1.2",
		"lamps_before": "none", "battery_volt": "12.6 meter", "factory_ecu_ohm": "60,2 meter", "without_ecu_ohm": "119 meter",
	} {
		q, ok := QuestionOf(key)
		if !ok {
			t.Fatalf("no question %s", key)
		}
		if err := q.Set(c, answer); err != nil {
			t.Fatal(err)
		}
	}
	return c
}

func create(t *testing.T, c *Card) *Job {
	t.Helper()
	j, err := Create(filepath.Join(t.TempDir(), "job"), c)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func write(t *testing.T, path, text string) string {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestCardRoundTrip(t *testing.T) {
	j := create(t, whole(t))
	again, err := Open(j.Dir)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(j.Card, again.Card); d != "" {
		t.Error(d)
	}
	if again.Card.Before.Lamps == nil || len(again.Card.Before.Lamps) != 0 {
		t.Errorf("no lamps came back as %v", again.Card.Before.Lamps)
	}
	if again.Card.After.Lamps != nil || again.Card.Car.Options != nil {
		t.Errorf("what is not known came back as %v, %v", again.Card.After.Lamps, again.Card.Car.Options)
	}
}

func TestSaveKeepsComments(t *testing.T) {
	j := create(t, whole(t))
	path := filepath.Join(j.Dir, CardName)
	src, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	write(t, path, strings.Replace(string(src), "car:\n", "# read off the plate on the door\ncar:\n", 1))
	if j, err = Open(j.Dir); err != nil {
		t.Fatal(err)
	}
	j.Card.Car.Series = "3"
	if err := j.Save(); err != nil {
		t.Fatal(err)
	}
	src, _ = os.ReadFile(path)
	if !bytes.Contains(src, []byte("# read off the plate on the door\ncar:")) || !bytes.Contains(src, []byte(`series: "3"`)) {
		t.Errorf("the file is now\n%s", src)
	}
}

func TestSaveRefusesWhatOthersChanged(t *testing.T) {
	j := create(t, whole(t))
	other, err := Open(j.Dir)
	if err != nil {
		t.Fatal(err)
	}
	other.Card.Car.Series = "3"
	if err := other.Save(); err != nil {
		t.Fatal(err)
	}
	j.Card.Car.Series = "1"
	if err := j.Save(); !errors.Is(err, ErrChanged) {
		t.Errorf("saving over another's change: %v", err)
	}
	if now, err := Open(j.Dir); err != nil || now.Card.Car.Series != "3" {
		t.Errorf("the other's change is gone: %+v, %v", now.Card.Car, err)
	}
}

func TestCreateRefuses(t *testing.T) {
	j := create(t, whole(t))
	if _, err := Create(j.Dir, whole(t)); err == nil || !strings.Contains(err.Error(), "holds a job already") {
		t.Errorf("a second job in one folder: %v", err)
	}
	if _, err := Open(t.TempDir()); !errors.Is(err, ErrNoJob) {
		t.Errorf("an empty folder: %v", err)
	}
}

func TestBadCards(t *testing.T) {
	tests := map[string]struct{ src, err string }{
		"newer":            {"format: 2\n", "job.yaml:1:1: error: format 2 is newer"},
		"no format":        {"car:\n  series: 2\n", "does not say its format"},
		"unknown key":      {"format: 1\ncar:\n  colour: red\n", "job.yaml:3:3"},
		"wrong kind":       {"format: 1\nbefore:\n  lamps: {a: b}\n", "job.yaml:3"},
		"no quantity":      {"format: 1\nmeasurements:\n  - {what: ohms, value: 60}\n", `job.yaml:3:6: error: "ohms" is nothing that is measured`},
		"no reading":       {"format: 1\nmeasurements:\n  - {what: battery_volt, value: -1}\n", "job.yaml:3:26: error: battery_volt: -1 is no reading"},
		"not a number":     {"format: 1\nmeasurements:\n  - {what: battery_volt, value: .nan}\n", "is no reading"},
		"no phase":         {"format: 1\nleft_out:\n  tea: \"yes\"\n", `job.yaml:3:3: error: "tea" is no phase`},
		"left out, no why": {"format: 1\nleft_out:\n  baseline: \" \"\n", "job.yaml:3:3: error: left_out: baseline: say why"},
		"aliases":          {"format: 1\nasked: &a x\ncustomer: *a\n", "anchors, aliases"},
		"empty":            {"", "start it with format: 1"},
		"binary":           {"\x00\x01\x02", "job.yaml:1"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			write(t, filepath.Join(dir, CardName), tt.src)
			if _, err := Open(dir); err == nil || !strings.Contains(err.Error(), tt.err) {
				t.Errorf("error %v, want %q", err, tt.err)
			}
		})
	}
}

func FuzzCard(f *testing.F) {
	f.Add([]byte("format: 1\ncar: {series: 2}\nmeasurements: [{what: battery_volt, value: 12}]\nleft_out: {baseline: dead}\n"))
	f.Add([]byte("format: 1\nbefore: {lamps: []}\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		card, err := parseCard(CardName, src)
		if err != nil {
			return
		}
		out, err := card.rewrite(src)
		if err != nil {
			t.Fatalf("cannot be written again: %v", err)
		}
		again, err := parseCard(CardName, out)
		if err != nil {
			t.Fatalf("written again as\n%s\n%v", out, err)
		}
		if d := cmp.Diff(card, again); d != "" {
			t.Fatal(d)
		}
	})
}

func TestFileCapture(t *testing.T) {
	j := create(t, whole(t))
	source := write(t, filepath.Join(t.TempDir(), "drive.log.gz"), "x")
	write(t, source+".stages.yaml", "format: 1\n")
	e, err := j.FileCapture(source, Entry{Moment: Baseline})
	if err != nil || e.File != "captures/baseline.log.gz" || e.Size != 1 {
		t.Fatalf("%+v, %v", e, err)
	}
	if e, err = j.FileCapture(source, Entry{Moment: Baseline}); err != nil || e.File != "captures/baseline-2.log.gz" {
		t.Errorf("the second: %+v, %v", e, err)
	}
	if _, err := os.Stat(j.Path(e.File) + ".stages.yaml"); err != nil {
		t.Error(err)
	}
	// One that is in the folder stays there.
	inside := write(t, filepath.Join(j.Dir, "captures", "mine.log"), "y")
	if e, err = j.FileCapture(inside, Entry{Moment: After}); err != nil || e.File != "captures/mine.log" {
		t.Errorf("the one inside: %+v, %v", e, err)
	}
	if again, err := Open(j.Dir); err != nil || len(again.Journal) != 3 || again.CaptureOf(Baseline).File != "captures/baseline-2.log.gz" {
		t.Errorf("read again: %+v, %v", again.Journal, err)
	}
	if _, err := j.FileCapture(filepath.Join(t.TempDir(), "none.log"), Entry{Moment: After}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a capture that is not there: %v", err)
	}
}

func TestVerify(t *testing.T) {
	j := create(t, whole(t))
	for _, name := range []string{"kept", "changed", "gone"} {
		if _, err := j.FileResult([]byte(name), ".json", Entry{Kind: Result, Command: name}); err != nil {
			t.Fatal(err)
		}
	}
	write(t, j.Path("results/changed.json"), "chanGed")
	if err := os.Remove(j.Path("results/gone.json")); err != nil {
		t.Fatal(err)
	}
	want := []Damage{
		{"results/changed.json", "is not what was filed: its content has changed"},
		{"results/gone.json", "is gone"},
	}
	if d := cmp.Diff(want, j.Verify()); d != "" {
		t.Error(d)
	}
}

// TestJournalSurvives: a machine that goes off may cut the last line short.
func TestJournalSurvives(t *testing.T) {
	j := create(t, whole(t))
	for range 3 {
		if _, err := j.FileResult([]byte("x"), ".json", Entry{Kind: Result, Command: "check"}); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(j.Dir, journalName)
	src, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.Count(src, []byte("\n"))
	for n := 0; n < len(src); n += 5 {
		write(t, path, string(src[:n]))
		j, err := Open(j.Dir)
		if err != nil {
			t.Fatalf("cut at %d: %v", n, err)
		}
		want := bytes.Count(src[:n], []byte("\n"))
		// A line without its end alone is whole.
		if got := len(j.Journal); got != want && got != want+1 || got+len(j.Aside) > want+1 {
			t.Fatalf("cut at %d: %d of %d entries, aside %v", n, got, lines, j.Aside)
		}
		if _, err := j.Note(Entry{Kind: Result, Command: "identify", File: "results/check.json"}); err != nil {
			t.Fatal(err)
		}
		if j, err = Open(j.Dir); err != nil || j.ResultOf("identify", "") == nil {
			t.Fatalf("cut at %d: what is added after is lost: %v", n, err)
		}
	}
}

func TestJournalStaysInside(t *testing.T) {
	j := create(t, whole(t))
	write(t, filepath.Join(j.Dir, journalName), `{"kind":"capture","file":"../../etc/passwd"}`+"\n"+`{"kind":"capture","file":"/etc/passwd"}`+"\n")
	j, err := Open(j.Dir)
	if err != nil || len(j.Journal) != 0 || len(j.Aside) != 2 {
		t.Errorf("%+v, %v, %v", j.Journal, j.Aside, err)
	}
}

// TestTwoFile: what two people file under one name at once is all there.
func TestTwoFile(t *testing.T) {
	j := create(t, whole(t))
	const each = 40
	var people sync.WaitGroup
	for who := range 3 {
		mine, err := Open(j.Dir)
		if err != nil {
			t.Fatal(err)
		}
		people.Go(func() {
			for i := range each {
				content := fmt.Appendf(nil, "%d of %d", i, who)
				if _, err := mine.FileResult(content, ".json", Entry{Kind: Result, Command: "check", Moment: After}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	people.Wait()
	j, err := Open(j.Dir)
	if err != nil {
		t.Fatal(err)
	}
	names, contents := map[string]bool{}, map[string]bool{}
	for _, e := range j.Journal {
		src, err := os.ReadFile(j.Path(e.File))
		if err != nil {
			t.Fatal(err)
		}
		names[e.File], contents[string(src)] = true, true
	}
	if len(names) != 3*each || len(contents) != 3*each || len(j.Verify()) != 0 {
		t.Errorf("%d names, %d contents, damage %v", len(names), len(contents), j.Verify())
	}
}

// TestTwoSave: of many who save at once each either saves or is told that somebody
// else did; no answer is lost without a word.
func TestTwoSave(t *testing.T) {
	j := create(t, whole(t))
	var people sync.WaitGroup
	var saved atomic.Int64
	for range 4 {
		people.Go(func() {
			for range 25 {
				mine, err := Open(j.Dir)
				if err != nil {
					t.Error(err)
					return
				}
				mine.Card.Before.Symptoms = append(mine.Card.Before.Symptoms, "one more")
				switch err := mine.Save(); {
				case err == nil:
					saved.Add(1)
				case !errors.Is(err, ErrChanged):
					t.Error(err)
				}
			}
		})
	}
	people.Wait()
	if j, err := Open(j.Dir); err != nil || len(j.Card.Before.Symptoms) != int(saved.Load()) {
		t.Errorf("%d of %d answers are there, %v", len(j.Card.Before.Symptoms), saved.Load(), err)
	}
}

func TestWithoutNumber(t *testing.T) {
	c := &Card{}
	const text = "the car 0aw77z1r3bhkz4xw9, 0AW77Z1R3BHKZ4XW9"
	if got := string(c.WithoutNumber([]byte(text))); got != text {
		t.Errorf("no number: %q", got)
	}
	c.Car.VIN = "0AW77Z1R3BHKZ4XW9"
	if got := string(c.WithoutNumber([]byte(text))); got != "the car *************4XW9, *************4XW9" {
		t.Errorf("%q", got)
	}
	c.Car.VIN = "car"
	if got := string(c.WithoutNumber([]byte(text))); got != text {
		t.Errorf("a word: %q", got)
	}
}

func TestNewerJournal(t *testing.T) {
	j := create(t, whole(t))
	if _, err := j.FileResult([]byte("x"), ".json", Entry{Kind: Result, Command: "check"}); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(j.Dir, journalName)
	src, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{
		`{"format":2,"kind":"hologram","file":"x"}`,
		`{"kind":{"is":"hologram"},"file":["x","y"],"codes":"many","format":2}`, // its fields are of other types
	} {
		changed := slices.Concat(src, []byte(line+"\n"))
		write(t, path, string(changed))
		_, err = Open(j.Dir)
		newer, ok := errors.AsType[*NewerError](err)
		if !ok || newer.Format != 2 || !strings.Contains(err.Error(), "journal.jsonl:2: format 2 is newer") {
			t.Errorf("%s: %v", line, err)
		}
		if now, _ := os.ReadFile(path); !bytes.Equal(now, changed) {
			t.Errorf("%s: the journal was changed", line)
		}
	}
}

// TestIntact: a capture that was changed is named, and is good again once it is
// filed as it is now.
func TestIntact(t *testing.T) {
	j := create(t, whole(t))
	e, err := j.FileCapture(write(t, filepath.Join(t.TempDir(), "a.log"), "x"), Entry{Moment: After})
	if err != nil {
		t.Fatal(err)
	}
	if err := j.Intact(&e); err != nil {
		t.Error(err)
	}
	write(t, j.Path(e.File), "y")
	if err := j.Intact(&e); err == nil || !strings.Contains(err.Error(), "after.log is not what was filed") {
		t.Errorf("changed: %v", err)
	}
	if _, err := j.FileCapture(j.Path(e.File), Entry{Moment: After}); err != nil {
		t.Fatal(err)
	}
	if d := j.Verify(); len(d) != 0 {
		t.Errorf("filed again: %v", d)
	}
	os.Remove(j.Path(e.File))
	if err := j.Intact(&e); err == nil || !strings.Contains(err.Error(), "after.log is gone") {
		t.Errorf("gone: %v", err)
	}
}

// TestTwoPeople: entries that two people add at once are all there.
func TestTwoPeople(t *testing.T) {
	j := create(t, whole(t))
	file := "results/x.json"
	write(t, j.Path(file), "x")
	var people sync.WaitGroup
	for range 2 {
		mine, err := Open(j.Dir)
		if err != nil {
			t.Fatal(err)
		}
		people.Go(func() {
			for range 100 {
				if _, err := mine.Note(Entry{Kind: Result, Command: "check", File: file}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	people.Wait()
	if j, err := Open(j.Dir); err != nil || len(j.Journal) != 200 || len(j.Aside) != 0 {
		t.Errorf("%d entries, aside %v, %v", len(j.Journal), j.Aside, err)
	}
}

func TestProblemsArePlaced(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, CardName), "format: 1\ncar:\n  colour: red\n")
	_, err := Open(dir)
	p, ok := errors.AsType[profiles.Problems](err)
	if !ok || p[0].Pos.Line != 3 || p[0].Rule != "job/unknown-key" || !strings.Contains(p[0].Excerpt, "colour: red") {
		t.Errorf("%#v", err)
	}
}

// TestStrays: what a run that was ended left behind is known, and nothing of it is
// given a second meaning.
func TestStrays(t *testing.T) {
	j := create(t, whole(t))
	source := write(t, filepath.Join(t.TempDir(), "drive.log"), "frames")
	for _, file := range []string{"captures/after.log", "captures/.plugproof-12.tmp", "results/check-after.json", ".plugproof-3.tmp"} {
		write(t, j.Path(file), "x")
	}
	write(t, j.Path("captures/after.log.stages.yaml"), "format: 1")
	write(t, j.Path("captures/baseline.log"), "") // a name that was taken and not used
	write(t, j.Path("captures/baseline-2.log.stages.yaml"), "format: 1")
	want := []Stray{
		{".plugproof-3.tmp", true},
		{"captures/.plugproof-12.tmp", true},
		{"captures/after.log", false},
		{"captures/baseline.log", true},
		{"results/check-after.json", false},
	}
	if d := cmp.Diff(want, j.Strays()); d != "" {
		t.Error(d)
	}
	e, err := j.FileCapture(source, Entry{Moment: Baseline})
	if err != nil || e.File != "captures/baseline-2.log" {
		t.Errorf("filed as %s, %v", e.File, err)
	}
	if _, err := os.Stat(j.Path(e.File) + stagesEnding); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("it got the stages of another capture: %v", err)
	}
	// What was recorded is filed where it lies.
	if e, err = j.FileCapture(j.Path("captures/after.log"), Entry{Moment: After}); err != nil || e.File != "captures/after.log" {
		t.Errorf("filed as %s, %v", e.File, err)
	}
	if m, ok := MomentOfCapture("captures/after-2.log.gz"); m != After || !ok {
		t.Errorf("moment %q", m)
	}
}
