package dbc

import (
	"bytes"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plugproof/decode/witness"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the golden files anew")

// publicFiles returns the paths of all public DBC files, below the folder of public data.
func publicFiles(t testing.TB) []string {
	t.Helper()
	root := witness.PublicData(t)
	paths, err := filepath.Glob(filepath.Join(root, "*", "*", "*.dbc"))
	if err != nil {
		t.Fatal(err)
	}
	const least = 92 // as many as lay there when this was written
	if len(paths) < least {
		t.Fatalf("%d files in %s, want at least %d", len(paths), root, least)
	}
	for i, path := range paths {
		if paths[i], err = filepath.Rel(root, path); err != nil {
			t.Fatal(err)
		}
		paths[i] = filepath.ToSlash(paths[i])
	}
	return paths
}

func publicSource(t testing.TB, path string) []byte {
	t.Helper()
	src, err := os.ReadFile(filepath.Join(witness.PublicData(t), filepath.FromSlash(path)))
	if err != nil {
		t.Fatal(err)
	}
	return src
}

// TestPublicDiagnostics lists what Lint says of every public file, with the
// account of its lines.
func TestPublicDiagnostics(t *testing.T) {
	var got strings.Builder
	for _, path := range publicFiles(t) {
		db := Parse(path, publicSource(t, path))
		checkAccount(t, db)
		a := db.Account()
		fmt.Fprintf(&got, "%s: %d messages, %d lines understood, %d blank, %d set aside\n", path, len(db.Messages), a.Understood, a.Blank, a.SetAside)
		for _, d := range Lint(db) {
			fmt.Fprintf(&got, "%s [%s]\n", d, d.Rule)
		}
	}
	golden := filepath.Join("testdata", "public.golden")
	if *update {
		if err := os.WriteFile(golden, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(strings.Split(string(want), "\n"), strings.Split(got.String(), "\n")); diff != "" {
		t.Errorf("diagnostics (-want +got; refresh with -update):\n%s", diff)
	}
}

// TestPublicCounts counts statements of the public files the naive way: a line
// that starts with the keyword. What is not in the Database must be set aside.
func TestPublicCounts(t *testing.T) {
	for _, path := range publicFiles(t) {
		src := publicSource(t, path)
		db := Parse(path, src)
		messages, signals, frameless := len(db.Messages), 0, 0
		for _, m := range db.Messages {
			signals += len(m.Signals)
		}
		var naive, aside struct{ messages, signals int }
		inFrameless := false
		for i, line := range bytes.Split(src, []byte("\n")) {
			refused := i < len(db.Lines) && db.Lines[i] == SetAside
			switch {
			case bytes.HasPrefix(line, []byte("BO_ ")):
				inFrameless = bytes.HasPrefix(line, []byte("BO_ 3221225472 "))
				if inFrameless {
					frameless++
				}
				naive.messages++
				aside.messages += count(refused)
			case bytes.HasPrefix(bytes.TrimLeft(line, " \t"), []byte("SG_ ")) && !inFrameless:
				naive.signals++
				aside.signals += count(refused)
			}
		}
		if messages != naive.messages-aside.messages-frameless {
			t.Errorf("%s: %d messages, but %d BO_ lines, of which %d are set aside and %d are no frame", path, messages, naive.messages, aside.messages, frameless)
		}
		if signals != naive.signals-aside.signals {
			t.Errorf("%s: %d signals, but %d SG_ lines, of which %d are set aside", path, signals, naive.signals, aside.signals)
		}
	}
}

func count(yes bool) int {
	if yes {
		return 1
	}
	return 0
}

func BenchmarkParse(b *testing.B) {
	for _, path := range []string{"dbc/canmatrix/j1939.dbc", "dbc/opendbc/cadillac_ct6_object.dbc"} {
		src := publicSource(b, path)
		b.Run(filepath.Base(path), func(b *testing.B) {
			b.SetBytes(int64(len(src)))
			b.ReportAllocs()
			for b.Loop() {
				if db := Parse(path, src); len(db.Messages) == 0 {
					b.Fatal("no messages")
				}
			}
		})
	}
}

func BenchmarkLint(b *testing.B) {
	const path = "dbc/canmatrix/j1939.dbc"
	src := publicSource(b, path)
	db := Parse(path, src)
	b.SetBytes(int64(len(src)))
	b.ReportAllocs()
	for b.Loop() {
		if len(Lint(db)) == 0 {
			b.Fatal("nothing found")
		}
	}
}
