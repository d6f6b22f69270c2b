package dbc

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// workbench is a file of our own with every kind of statement, and a few faults.
func workbench(t testing.TB) []byte {
	t.Helper()
	src, err := os.ReadFile(filepath.Join("testdata", "workbench.dbc"))
	if err != nil {
		t.Fatal(err)
	}
	return src
}

// check parses and lints src and checks what holds for every input.
func check(t testing.TB, src []byte) *Database {
	t.Helper()
	db := Parse("fuzz.dbc", src)
	checkAccount(t, db)
	checkDatabase(t, db)
	found := Lint(db)
	if len(found) < len(db.Diagnostics) {
		t.Errorf("Lint left out some of what Parse found: %d of %d", len(found), len(db.Diagnostics))
	}
	checkPositions(t, db.source.text, found)
	return db
}

// checkDatabase checks what those who use a Database rely on.
func checkDatabase(t testing.TB, db *Database) {
	t.Helper()
	seen := map[frameKey]bool{}
	for _, m := range db.Messages {
		key := frameKey{m.ID, m.Extended}
		if seen[key] || m.ID > maxExtended || !m.Extended && m.ID > maxStandard || m.Length < 0 || m.Length > maxLength || m.CycleTime < 0 {
			t.Errorf("%s: message %q, identifier %#x, length %d, cycle %v", m.Pos, m.Name, m.ID, m.Length, m.CycleTime)
		}
		seen[key] = true
		own := map[*Signal]bool{}
		for _, s := range m.Signals {
			own[s] = true
		}
		for _, s := range m.Signals {
			checkSignal(t, s, own)
		}
	}
}

func checkSignal(t testing.TB, s *Signal, own map[*Signal]bool) {
	t.Helper()
	if s.Length < 1 || s.Start < 0 || s.Bytes() < 1 || s.Factor-s.Factor != 0 || s.Offset-s.Offset != 0 || s.Min != s.Min || s.Max != s.Max {
		t.Errorf("%s: signal %q, %d|%d, factor %g, offset %g, range %g to %g", s.Pos, s.Name, s.Start, s.Length, s.Factor, s.Offset, s.Min, s.Max)
	}
	if s.Switch != nil && (!own[s.Switch] || !s.Switch.Multiplexer || len(s.Pages) == 0) {
		t.Errorf("%s: signal %q depends on %q, which is not a multiplexer of the message", s.Pos, s.Name, s.Switch.Name)
	}
	depth := 0
	for at := s; at.Switch != nil; at = at.Switch {
		if depth++; depth > maxNesting {
			t.Fatalf("%s: signal %q depends on more than %d multiplexers", s.Pos, s.Name, maxNesting)
		}
	}
	for i := 1; i < len(s.Pages); i++ {
		if s.Pages[i].From <= s.Pages[i-1].To {
			t.Errorf("%s: pages of %q out of order: %v", s.Pos, s.Name, s.Pages)
		}
	}
	for i := 1; i < len(s.Values); i++ {
		if s.Values[i].Value <= s.Values[i-1].Value {
			t.Errorf("%s: values of %q out of order: %v", s.Pos, s.Name, s.Values)
		}
	}
	for node, timeout := range s.Timeouts {
		if timeout <= 0 {
			t.Errorf("%s: timeout %v of %q at %q", s.Pos, timeout, s.Name, node)
		}
	}
}

// FuzzParse: no input makes Parse or Lint fail, hang or lose a line.
func FuzzParse(f *testing.F) {
	f.Add(workbench(f))
	for _, line := range strings.SplitAfter(string(workbench(f)), "\n") {
		f.Add([]byte(line))
	}
	f.Fuzz(func(t *testing.T, src []byte) { check(t, src) })
}

// TestTruncated cuts a file at every byte: the messages that stand whole before the
// cut have the signals that they have in the whole file.
func TestTruncated(t *testing.T) {
	src := workbench(t)
	whole := check(t, src)
	for cut := range src {
		db := check(t, src[:cut])
		for i, m := range db.Messages[:max(len(db.Messages)-1, 0)] {
			if got, want := len(m.Signals), len(whole.Messages[i].Signals); got != want {
				t.Fatalf("cut at %d: %q has %d signals, %d in the whole file", cut, m.Name, got, want)
			}
		}
	}
}

// TestLineEnds: the kind of line end changes nothing but offsets.
func TestLineEnds(t *testing.T) {
	src := string(workbench(t))
	ignore := cmp.Options{cmpopts.IgnoreUnexported(Database{}), cmpopts.IgnoreFields(Position{}, "Offset"), cmpopts.EquateNaNs()}
	want := check(t, []byte(src))
	for name, end := range map[string]string{"CRLF": "\r\n", "CR": "\r"} {
		got := check(t, []byte(strings.ReplaceAll(src, "\n", end)))
		if diff := cmp.Diff(want, got, ignore); diff != "" {
			t.Errorf("%s (-LF +%s):\n%s", name, name, diff)
		}
	}
}

// TestWorkbench keeps the account of the file that the other tests lean on.
func TestWorkbench(t *testing.T) {
	db := check(t, workbench(t))
	var got []string
	for _, d := range Lint(db) {
		got = append(got, d.String()+" ["+d.Rule+"]\n")
	}
	golden := filepath.Join("testdata", "workbench.golden")
	if *update {
		if err := os.WriteFile(golden, []byte(strings.Join(got, "")), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.SplitAfter(string(want), "\n"), append(got, "")); diff != "" {
		t.Errorf("diagnostics (-want +got; refresh with -update):\n%s", diff)
	}
}
