// Command plugproof reads CAN captures of a car and says what is on its buses.
//
// One file per command: flags, open, one call into the packages, print. The
// work is done by the packages below decode and profiles.
package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// app is what every command is given: the streams and the global flags. Results
// go to stdout, everything said about them to stderr.
type app struct {
	stdin   io.Reader
	stdout  *stdout
	stderr  io.Writer
	quiet   bool
	verbose bool
}

func main() {
	// A closed pipe (| head) comes back as an error of the write, so that a
	// command can end in order instead of being killed.
	signal.Ignore(syscall.SIGPIPE)
	ctx, stop := withSignals(context.Background())
	a := &app{stdin: stdinOf(ctx, os.Stdin), stdout: &stdout{w: os.Stdout}, stderr: os.Stderr}
	code := a.run(ctx, os.Args[1:])
	stop()
	os.Exit(code)
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
