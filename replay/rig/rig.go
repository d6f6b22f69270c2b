// Package rig runs a program on a Linux kernel that has CAN, on machines whose
// own kernel has none: it boots Debian's user-mode-linux as an ordinary process,
// which sees the host's files. For tests and hand trials, not for cars.
package rig

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// Inside is the environment variable that programs find set in the rig.
const Inside = "PLUGPROOF_RIG"

// ErrAbsent is what Run's error wraps when the rig is not installed.
var ErrAbsent = errors.New("no rig: install the packages user-mode-linux and busybox-static")

// Program is what Run runs in the rig, as root, with vcan0 and vcan1 up.
type Program struct {
	Args []string // program and its arguments; looked up on the host's PATH
	Dir  string   // working folder; "": /
	Env  []string // NAME=value, beside HOME, PATH and Inside
	In   *os.File // nil: none
	Out  io.Writer
}

// modules in the order in which each finds what it needs.
func modules() []string {
	return []string{
		"net/can/can", "net/can/can-raw", "net/can/can-bcm", "net/can/can-gw",
		"drivers/net/can/dev/can-dev", "drivers/net/can/vcan", "drivers/net/can/vxcan",
		"drivers/net/can/slcan/slcan", "net/sched/sch_netem",
	}
}

// Run boots the rig, runs p there and returns its exit code. Both outputs of the
// program come through p.Out, with a terminal's line ends made plain. When ctx
// ends the rig is ended.
func Run(ctx context.Context, p Program) (code int, err error) {
	kernel, box, tree, err := installed()
	if err != nil {
		return 0, err
	}
	dir, err := os.MkdirTemp("", "plugproof-rig-")
	if err != nil {
		return 0, err
	}
	defer os.RemoveAll(dir)
	script := filepath.Join(dir, "init")
	if err := os.WriteFile(script, []byte(initScript(p, box, tree, dir)), 0o700); err != nil {
		return 0, err
	}
	cmd := exec.CommandContext(ctx, kernel, "mem=512M", "root=/dev/root", "rootfstype=hostfs", "hostfs=/", "rw",
		"init="+script, "con=null", "con0=fd:0,fd:1", "quiet", "loglevel=1")
	var said bytes.Buffer // by the kernel, while it boots
	cmd.Stdout = plainLines{p.Out}
	cmd.Stderr = &said
	if p.In != nil {
		cmd.Stdin = p.In
	}
	ownGroup(cmd)
	runErr := cmd.Run()
	if ctx.Err() != nil {
		return 0, fmt.Errorf("the rig was ended: %w", context.Cause(ctx))
	}
	status, err := os.ReadFile(filepath.Join(dir, "status"))
	if err != nil {
		return 0, fmt.Errorf("the rig ended without running the program: %w\n%s", errors.Join(runErr, err), &said)
	}
	return strconv.Atoi(strings.TrimSpace(string(status)))
}

// installed finds the kernel, busybox and the newest folder of modules.
func installed() (kernel, box, tree string, err error) {
	kernel, err = exec.LookPath("linux.uml")
	if err == nil {
		box, err = exec.LookPath("busybox")
	}
	if err != nil {
		return "", "", "", fmt.Errorf("%w (%w)", ErrAbsent, err)
	}
	trees, err := filepath.Glob("/usr/lib/uml/modules/*/kernel")
	if err != nil || len(trees) == 0 {
		return "", "", "", fmt.Errorf("%w (no kernel modules below /usr/lib/uml/modules)", ErrAbsent)
	}
	return kernel, box, slices.Max(trees), nil
}

// initScript prepares the booted system, runs the program, leaves its exit code
// in dir and switches off.
func initScript(p Program, box, tree, dir string) string {
	var b strings.Builder
	line := func(words ...string) {
		for i, w := range words {
			words[i] = quote(w)
		}
		b.WriteString(strings.Join(words, " ") + "\n")
	}
	b.WriteString("#!/bin/sh\n")
	line("export", "HOME="+os.Getenv("HOME"), "PATH="+os.Getenv("PATH"), Inside+"=1")
	line(box, "mount", "-t", "proc", "proc", "/proc")
	line(box, "mount", "-t", "sysfs", "sys", "/sys")
	line(box, "mkdir", "-p", "/dev/pts")
	line(box, "mount", "-t", "devpts", "devpts", "/dev/pts")
	for _, m := range modules() {
		line(box, "insmod", filepath.Join(tree, m+".ko"))
	}
	for _, name := range []string{"vcan0", "vcan1"} {
		line("ip", "link", "add", name, "type", "vcan")
		line("ip", "link", "set", name, "up")
	}
	for _, e := range p.Env {
		line("export", e)
	}
	line("cd", max(p.Dir, "/"))
	line(p.Args...)
	b.WriteString("echo $? > " + quote(filepath.Join(dir, "status")) + "\n")
	line(box, "sync")
	line(box, "poweroff", "-f")
	return b.String()
}

// quote makes one word of the shell.
func quote(s string) string { return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'" }

// plainLines takes the carriage returns out that a terminal puts before line ends.
type plainLines struct{ w io.Writer }

func (p plainLines) Write(b []byte) (int, error) {
	if p.w == nil {
		return len(b), nil
	}
	_, err := p.w.Write([]byte(strings.ReplaceAll(string(b), "\r", "")))
	return len(b), err
}
