package report_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/witness"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/library"
	"plugproof/profiles/report"
)

var update = flag.Bool("update", false, "rewrite golden files")

// outcome checks a committed capture of the demo car; names in it do not depend
// on where the project lies.
func outcome(t *testing.T, name string) *check.Output {
	t.Helper()
	t.Chdir(filepath.Join(witness.Root(t), "testdata", "captures"))
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()})
	return run(t, lib, "lowan-2-20t-a5", name)
}

// golden compares with a file of testdata, which -update writes anew.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join(witness.Root(t), "profiles", "report", "testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("%s (-want +got):\n%s", name, diff)
	}
}

func TestText(t *testing.T) {
	var b bytes.Buffer
	if err := report.Text(&b, outcome(t, "lowan-dead-tachometer.log"), report.Options{}); err != nil {
		t.Fatal(err)
	}
	for n, line := range strings.Split(b.String(), "\n") {
		if utf8.RuneCountInString(line) > report.Width && !strings.Contains(line, "#") {
			t.Errorf("line %d is wider than %d columns: %q", n+1, report.Width, line)
		}
	}
	if bytes.ContainsRune(b.Bytes(), '\x1b') {
		t.Error("escape sequences without colour")
	}
	golden(t, "dead-tachometer.txt", b.Bytes())

	var coloured bytes.Buffer
	if err := report.Text(&coloured, outcome(t, "lowan-dead-tachometer.log"), report.Options{Colour: true}); err != nil {
		t.Fatal(err)
	}
	if !bytes.ContainsRune(coloured.Bytes(), '\x1b') {
		t.Error("no escape sequences with colour")
	}
}

func TestJSON(t *testing.T) {
	var b bytes.Buffer
	if err := report.JSON(&b, outcome(t, "lowan-dead-tachometer.log"), "test", nil); err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Schema   string `json:"schema"`
		Verdict  string `json:"verdict"`
		Findings []struct {
			Rule  string  `json:"rule"`
			ID    *string `json:"id"`
			Limit *struct {
				Value float64 `json:"value"`
				Unit  string  `json:"unit"`
			} `json:"limit"`
			NextStep string `json:"next_step"`
		} `json:"findings"`
	}
	if err := json.Unmarshal(b.Bytes(), &doc); err != nil {
		t.Fatal(err)
	}
	if doc.Schema != report.Schema || doc.Verdict != "fail" || len(doc.Findings) == 0 {
		t.Fatalf("schema %q, verdict %q, %d findings", doc.Schema, doc.Verdict, len(doc.Findings))
	}
	first := doc.Findings[0]
	if first.Rule != "message/absent" || first.ID == nil || *first.ID != "0x0D6" || first.Limit == nil || first.NextStep == "" {
		t.Errorf("the first finding is %+v, want the missing frame 0x0D6 with limit and next step", first)
	}
	golden(t, "dead-tachometer.json", b.Bytes())
}
