package main

import (
	"context"
	"fmt"
	"io"
	"strings"
)

// app is what every command is given: the streams and the global flags. Results
// go to stdout, everything said about them to stderr.
type app struct {
	stdin   io.Reader
	stdout  *stdout
	stderr  io.Writer
	quiet   bool
	verbose bool

	columnsFile string // --columns
}

// run executes one command line and returns the exit code.
func (a *app) run(ctx context.Context, args []string) int {
	root := newRoot(a)
	root.SetArgs(args)
	root.SetIn(a.stdin)
	root.SetOut(a.stdout)
	root.SetErr(a.stderr)
	err := root.ExecuteContext(ctx)
	if err == nil {
		err = a.stdout.err
	}
	return a.finish(ctx, err)
}

// Messages on standard error begin with the name of the tool, in lower case and
// without a full stop.

// say writes an error: what went wrong and, when there is something to try, a
// second line.
func (a *app) say(err error, hint string) {
	text, more, _ := strings.Cut(err.Error(), "\n") // a profile's faults come with the lines around them
	fmt.Fprintf(a.stderr, "plugproof: %s\n", plain(text))
	for line := range strings.Lines(more) {
		fmt.Fprintln(a.stderr, plain(strings.TrimSuffix(line, "\n")))
	}
	if hint != "" {
		fmt.Fprintf(a.stderr, "  hint: %s\n", plain(hint))
	}
}

// remark writes a line about a run that did not fail; --quiet leaves it out.
func (a *app) remark(format string, args ...any) {
	if !a.quiet {
		fmt.Fprintf(a.stderr, "plugproof: %s\n", plain(fmt.Sprintf(format, args...)))
	}
}
