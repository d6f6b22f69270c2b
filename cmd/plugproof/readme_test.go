package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/witness"
)

// consoleBlock is a session in a Markdown file.
var consoleBlock = regexp.MustCompile("(?s)```console\n(.*?)```")

// TestReadmeSessions runs the commands that README.md shows, in a copy of what
// the repository ships, and compares their output with what it says.
func TestReadmeSessions(t *testing.T) {
	for _, tool := range []string{"sh", "sed", "grep", "head"} {
		if _, err := exec.LookPath(tool); err != nil {
			t.Skipf("the README's sessions use %s: not on this system", tool)
		}
	}
	root := witness.Root(t)
	readme, err := os.ReadFile(filepath.Join(root, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.Symlink(filepath.Join(root, "testdata"), filepath.Join(dir, "testdata")); err != nil {
		t.Fatal(err)
	}
	commands := 0
	got := consoleBlock.ReplaceAllStringFunc(string(readme), func(block string) string {
		var b strings.Builder
		b.WriteString("```console\n")
		for line := range strings.Lines(block) {
			command, ok := strings.CutPrefix(line, "$ ")
			if !ok {
				continue
			}
			b.WriteString(line)
			if strings.Contains(command, "plugproof ") {
				commands++
				b.WriteString(runShown(t, dir, command))
			}
		}
		return b.String() + "```"
	})
	if commands < 5 {
		t.Errorf("README.md shows %d commands only", commands)
	}
	if *update {
		if err := os.WriteFile(filepath.Join(root, "README.md"), []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if diff := cmp.Diff(string(readme), got); diff != "" {
		t.Errorf("README.md shows other output than the commands give (-shown +real); -update rewrites it:\n%s", diff)
	}
}

// runShown runs one command line and returns all that it prints.
func runShown(t *testing.T, dir, command string) string {
	t.Helper()
	command = strings.ReplaceAll(strings.TrimSpace(command), "go run ./cmd/plugproof", "plugproof")
	cmd := exec.Command("sh", "-c", command)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("%s: %v\n%s", command, err, out)
	}
	return string(out)
}
