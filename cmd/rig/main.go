// Command rig runs a command line on a kernel with CAN (package rig), with vcan0
// and vcan1 up: go run ./cmd/rig plugproof interfaces. The word plugproof stands
// for the plugproof of this checkout; anything else is found on the PATH.
package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"

	"plugproof/replay/rig"
)

func main() {
	code, err := run(os.Args[1:])
	if err != nil {
		fmt.Fprintf(os.Stderr, "rig: %v\n", err)
		code = 2
	}
	os.Exit(code)
}

func run(args []string) (int, error) {
	if len(args) == 0 {
		return 0, fmt.Errorf("nothing to run: go run ./cmd/rig plugproof interfaces")
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	dir, err := os.MkdirTemp("", "plugproof-bin-")
	if err != nil {
		return 0, err
	}
	defer os.RemoveAll(dir)
	build := exec.CommandContext(ctx, "go", "build", "-o", filepath.Join(dir, "plugproof"), "./cmd/plugproof")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	build.Stderr = os.Stderr
	if err := build.Run(); err != nil {
		return 0, fmt.Errorf("plugproof does not build: %w", err)
	}
	here, err := os.Getwd()
	if err != nil {
		return 0, err
	}
	path := "PATH=" + dir + string(os.PathListSeparator) + os.Getenv("PATH")
	return rig.Run(ctx, rig.Program{Args: args, Dir: here, Env: []string{path}, In: os.Stdin, Out: os.Stdout})
}
