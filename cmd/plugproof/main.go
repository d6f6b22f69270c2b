//go:build !docs

// Command plugproof reads CAN captures of a car and says what is on its buses.
//
// One file per command: flags, open, one call into the packages, print. The
// work is done by the packages below decode and profiles.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
)

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
