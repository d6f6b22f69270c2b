package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plugproof/decode/witness"
)

// Whatever a file holds, every command ends in order: with a result and 0, with
// findings and 1, or with one clear line and 2, and never leaves half a file.
func TestHostileFiles(t *testing.T) {
	dir := t.TempDir()
	log := filepath.Join(witness.Root(t), "testdata", "captures", "odd-forms.log")
	for name, content := range hostileFiles(t) {
		path := filepath.Join(dir, "in")
		if err := os.WriteFile(path, content, 0o600); err != nil {
			t.Fatal(err)
		}
		out := filepath.Join(dir, "out.pcapng")
		for _, args := range [][]string{
			{"survey", path, "-d", "demo:lowan", "-f", "json"},
			{"survey", path},
			{"decode", path, "-d", "demo:lowan", "--unknown", "--changes"},
			{"decode", "demo-not-there", "-d", path},
			{"convert", path, "-o", out},
			{"lint", path},
			{"compare", log, path},
			{"profiles", "name", path, "--moved", "switch", "--when", "0-1", "--at", "1=2"},
		} {
			a, _, stderr := testApp()
			code := a.run(context.Background(), args)
			lint := args[0] == "lint" && code == exitFail
			compared := args[0] == "compare" && (code == exitFail || code == exitUntestable)
			named := args[0] == "profiles" && code == exitUntestable
			if code != exitOK && code != exitInput && !lint && !compared && !named {
				t.Errorf("%s: %s: exit code %d, stderr %s", name, args[0], code, stderr)
			}
			if code == exitInput && (stderr.Len() == 0 || strings.Count(stderr.String(), "\n") > 2) {
				t.Errorf("%s: %s: not one clear message: %q", name, args[0], stderr)
			}
		}
		os.Remove(out)
		if left, _ := filepath.Glob(filepath.Join(dir, ".plugproof-*")); len(left) > 0 {
			t.Errorf("%s: left behind: %v", name, left)
		}
	}
}

// hostileFiles makes files of noise, and captures in every format that end too
// early or have bytes changed. The seed is fixed.
func hostileFiles(t *testing.T) map[string][]byte {
	t.Helper()
	rng := rand.New(rand.NewPCG(1, 2))
	files := map[string][]byte{
		"empty":      {},
		"one byte":   {'('},
		"a newline":  {'\n'},
		"zeros":      make([]byte, 100_000),
		"noise":      noise(rng, 100_000),
		"long line":  []byte("(1.0) can0 123#11\n" + strings.Repeat("a", 1_000_000) + "\n(2.0) can0 123#22\n"),
		"only marks": []byte(strings.Repeat("# a comment\n\n", 1000)),
	}
	dir := t.TempDir()
	log := filepath.Join(witness.Root(t), "testdata", "captures", "odd-forms.log")
	for _, format := range []string{"log", "log.gz", "log.zst", "pcap", "pcapng", "pcapng.gz"} {
		path := filepath.Join(dir, "whole."+format)
		a, _, stderr := testApp()
		if code := a.run(context.Background(), []string{"convert", log, "-o", path, "-q"}); code != exitOK {
			t.Fatalf("convert to %s: exit code %d, %s", format, code, stderr)
		}
		whole, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 12 {
			cut := rng.IntN(len(whole))
			files[fmt.Sprintf("%s cut at %d", format, cut)] = whole[:cut]
			files[fmt.Sprintf("%s changed, variant %d", format, i)] = changed(rng, whole)
		}
	}
	return files
}

func noise(rng *rand.Rand, n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(rng.Uint32())
	}
	return b
}

// changed returns a copy with a few bytes changed.
func changed(rng *rand.Rand, whole []byte) []byte {
	b := append([]byte(nil), whole...)
	for range 1 + rng.IntN(8) {
		b[rng.IntN(len(b))] = byte(rng.Uint32())
	}
	return b
}
