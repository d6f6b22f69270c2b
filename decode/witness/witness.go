// Package witness helps tests to find what they check plugproof against:
// public data beside the checkout and programs from other hands. What is absent
// skips the test with its reason, or fails it where PLUGPROOF_REQUIRE says that
// it must be there (a comma-separated list; CI sets it).
package witness

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// PublicData returns the folder of open DBC files and captures:
// PLUGPROOF_PUBLIC_DATA, or ../shared/public-data beside the project's root.
func PublicData(t testing.TB) string {
	t.Helper()
	dir := os.Getenv("PLUGPROOF_PUBLIC_DATA")
	if dir == "" {
		dir = filepath.Join(Root(t), "..", "shared", "public-data")
	}
	if _, err := os.Stat(dir); err != nil {
		Missing(t, "public-data", "no public data: set PLUGPROOF_PUBLIC_DATA")
	}
	return dir
}

// Program returns the path of a program that serves as a witness. word is its
// name in PLUGPROOF_REQUIRE.
func Program(t testing.TB, word, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		Missing(t, word, name+" is not installed")
	}
	return path
}

// Required reports whether PLUGPROOF_REQUIRE holds the word.
func Required(word string) bool {
	return slices.Contains(strings.Split(os.Getenv("PLUGPROOF_REQUIRE"), ","), word)
}

// Missing skips the test, or fails it when PLUGPROOF_REQUIRE holds the word.
func Missing(t testing.TB, word, reason string) {
	t.Helper()
	if Required(word) {
		t.Fatalf("%s, and PLUGPROOF_REQUIRE asks for %s", reason, word)
	}
	t.Skipf("%s (needed: %s)", reason, word)
}

// Root returns the project's root: the folder of go.mod above the test.
func Root(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		up := filepath.Dir(dir)
		if up == dir {
			t.Fatal("no go.mod above the test's folder")
		}
		dir = up
	}
}
