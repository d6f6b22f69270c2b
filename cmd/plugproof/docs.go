//go:build docs

package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// With the build tag docs the program writes its own man pages instead of
// running: go run -tags docs ./cmd/plugproof DIR. So the generator is not
// linked into the tool.
func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: go run -tags docs ./cmd/plugproof DIR")
		os.Exit(exitInput)
	}
	if err := writeManPages(os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, "plugproof:", err)
		os.Exit(exitOutput)
	}
}

// writeManPages writes one page per command into dir.
func writeManPages(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	root := newRoot(&app{})
	root.DisableAutoGenTag = true
	explain(root)
	return doc.GenManTree(root, &doc.GenManHeader{Section: "1"}, dir)
}

// explain makes markdown of the long text of a command and of all below it, and
// ends it with the exit codes.
func explain(c *cobra.Command) {
	c.Long = keepLines(c.Long + "\n\n" + exitHelp)
	for _, below := range c.Commands() {
		explain(below)
	}
}

// keepLines makes preformatted blocks of indented lines.
func keepLines(text string) string {
	var b strings.Builder
	block := false
	for line := range strings.Lines(text) {
		indented := strings.HasPrefix(line, "  ")
		if indented != block {
			b.WriteString("\n")
		}
		if block = indented; indented {
			b.WriteString("    ")
		}
		b.WriteString(line)
	}
	return b.String()
}
