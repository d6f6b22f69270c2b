package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/replay/rig"
	"plugproof/replay/socketcan"
)

// TestKernel runs the commands that need a kernel with CAN, as a user does.
func TestKernel(t *testing.T) {
	rig.RunChecks(t, 6*time.Minute, []rig.Check{
		{Name: "Interfaces", Run: testInterfaces},
		{Name: "InterfacesUp", Run: testInterfacesUp},
		{Name: "RecordInterrupted", Run: testRecordInterrupted},
		{Name: "RecordKilled", Run: testRecordKilled},
		{Name: "RecordFullDisk", Run: testRecordFullDisk},
		{Name: "RecordDownAndUp", Run: testRecordDownAndUp},
		{Name: "RecordOverflow", Run: testRecordOverflow},
		{Name: "RecordActive", Run: testRecordActive},
		{Name: "RecordUnplugged", Run: testRecordUnplugged},
		{Name: "RecordBackActive", Run: testRecordBackActive},
		{Name: "Codes", Run: testCodes},
		{Name: "CodesOtherTester", Run: testCodesOtherTester},
		{Name: "Replay", Run: testReplay},
		{Name: "ReplayInterrupted", Run: testReplayInterrupted},
		{Name: "ReplayStopped", Run: testReplayStopped},
		{Name: "ReplayTwice", Run: testReplayTwice},
		{Name: "ReplayRefused", Run: testReplayRefused},
		{Name: "ReplayVanishes", Run: testReplayVanishes},
		{Name: "ReplayUnplugged", Run: testReplayUnplugged},
		{Name: "ReplayListenOnly", Run: testReplayListenOnly},
		{Name: "ReplayOddCaptures", Run: testReplayOddCaptures},
		{Name: "ReplayDeadMan", Run: testReplayDeadMan},
		{Name: "ClockSet", Run: testClockSet},
		{Name: "Unprivileged", Run: testUnprivileged},
	})
}

// command is a plugproof that runs beside the test.
type command struct {
	*exec.Cmd
	out, said bytes.Buffer
	waitErr   error
}

func start(t *testing.T, args ...string) *command {
	t.Helper()
	return started(t, &command{Cmd: exec.CommandContext(t.Context(), plugproof(t), args...)})
}

// modest is plugproof without the right to real-time priority: the rig has one
// slow processor, which units on the other end of the bus need as well. What it writes goes to dir.
func modest(t *testing.T, dir string, args ...string) *command {
	t.Helper()
	setpriv, err := exec.LookPath("setpriv")
	if err != nil {
		t.Skipf("not on this system: %v", err)
	}
	args = append([]string{"--bounding-set", "-sys_nice", plugproof(t)}, args...)
	c := &command{Cmd: exec.CommandContext(t.Context(), setpriv, args...)}
	c.Env = append(os.Environ(), "TMPDIR="+dir, "XDG_STATE_HOME="+dir)
	return c
}

func started(t *testing.T, c *command) *command {
	t.Helper()
	c.Stdout, c.Stderr = &c.out, &c.said
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	return c
}

// ends waits for the exit code.
func (c *command) ends(t *testing.T, want int) {
	t.Helper()
	c.waitErr = c.Wait()
	c.ended(t, want)
}

// ended holds a command that is over to its exit code.
func (c *command) ended(t *testing.T, want int) {
	t.Helper()
	if _, ok := errors.AsType[*exec.ExitError](c.waitErr); c.waitErr != nil && !ok {
		t.Fatal(c.waitErr)
	}
	if got := c.ProcessState.ExitCode(); got != want {
		t.Errorf("%v ended with exit code %d, want %d:\n%s%s", c.Args[1:], got, want, &c.out, &c.said)
	}
}

func run(t *testing.T, code int, args ...string) *command {
	t.Helper()
	c := start(t, args...)
	c.ends(t, code)
	return c
}

// until waits for a condition, which another process makes true.
func until(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for range 400 {
		if ok() {
			return
		}
		time.Sleep(25 * time.Millisecond)
	}
	t.Fatalf("10 s, and still not: %s", what)
}

func exists(path string) func() bool {
	return func() bool { _, err := os.Stat(path); return err == nil }
}

func sh(t *testing.T, line string) {
	t.Helper()
	if out, err := exec.CommandContext(t.Context(), "sh", "-c", line).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v: %s", line, err, out)
	}
}

func dial(t *testing.T, name string) *socketcan.Sender {
	t.Helper()
	start := time.Now()
	c, err := socketcan.OpenVirtual(name, func() time.Duration { return time.Since(start) })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func transmit(t *testing.T, c *socketcan.Sender, count int) {
	t.Helper()
	for i := range count {
		f := can.Frame{ID: 0x100 + uint32(i%16)}
		f.SetPayload([]byte{1, 2, 3, 4, 5, 6, 7, byte(i)})
		if err := c.Send(t.Context(), 0, &f); err != nil {
			t.Fatal(err)
		}
	}
}

// whole counts the frames of a capture; damage is an error.
func whole(t *testing.T, path string) (frames int) {
	t.Helper()
	r, err := capture.Open([]string{path}, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	buf := make([]can.Frame, 256)
	for {
		n, err := r.Read(context.Background(), buf)
		frames += n
		if err != nil {
			break
		}
	}
	for _, report := range r.Reports() {
		if report.Records != report.Frames || report.Broken != "" {
			t.Errorf("%s is damaged: %+v", path, report)
		}
	}
	return frames
}

func testInterfaces(t *testing.T) {
	c := run(t, exitOK, "interfaces", "--seconds", "0.2", "--format", "json")
	docs, err := jsonDocuments(c.out.String())
	if err != nil || len(docs) != 1 {
		t.Fatalf("%v: %s", err, &c.out)
	}
	for path, want := range map[string]string{
		"schema": "plugproof/interfaces/1", "interfaces.0.name": "vcan0", "interfaces.0.kind": "vcan",
		"interfaces.0.mode": "virtual", "interfaces.0.up": "true", "interfaces.0.controller": "none",
		"interfaces.0.listened.load_percent": "null", "interfaces.0.listened.length_s": "0.2",
		"interfaces.0.hints": "[]", "interfaces.1.name": "vcan1",
	} {
		if got := jsonAt(docs[0], path); got != want {
			t.Errorf("%s is %s, want %s", path, got, want)
		}
	}
	sh(t, "ip link set vcan1 down")
	defer sh(t, "ip link set vcan1 up")
	c = run(t, exitOK, "interfaces", "--seconds", "0.2")
	if text := c.out.String(); !strings.Contains(text, "vcan1: down: ip link set vcan1 up\n") || c.said.Len() > 0 {
		t.Errorf("the table of an interface that is down:\n%s%s", text, &c.said)
	}
}

func testInterfacesUp(t *testing.T) {
	for _, tt := range []struct{ name, want string }{
		{"vcan0", "plugproof: cannot set up vcan0: it has no controller, so no bit rate\n  hint: ip link set vcan0 up\n"},
		{"nowhere0", "plugproof: cannot set up nowhere0: no such device\n  hint: plugproof interfaces lists what there is\n"},
	} {
		c := run(t, exitBus, "interfaces", "up", tt.name, "--bitrate", "500k")
		if c.said.String() != tt.want {
			t.Errorf("said %q, want %q", &c.said, tt.want)
		}
	}
}

// Ctrl-C ends a recording in order.
func testRecordInterrupted(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.pcapng")
	c := start(t, "record", "--on", "vcan0", "--on", "vcan1", "--out", path)
	until(t, "the recording has begun", exists(path))
	time.Sleep(200 * time.Millisecond)
	zero, one := dial(t, "vcan0"), dial(t, "vcan1")
	transmit(t, zero, 300)
	transmit(t, one, 20)
	time.Sleep(100 * time.Millisecond)
	if err := c.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	c.ends(t, exitInterrupted)
	if got := whole(t, path); got != 320 {
		t.Errorf("%d frames in the file, want 320", got)
	}
	if !strings.Contains(c.said.String(), "320 frames recorded, 0 of them error frames") {
		t.Errorf("said:\n%s", &c.said)
	}
}

// What was synced before kill -9 is there and whole.
func testRecordKilled(t *testing.T) {
	for _, name := range []string{"a.log", "a.pcapng", "a.pcap"} {
		path := filepath.Join(t.TempDir(), name)
		c := start(t, "record", "--on", "vcan0", "--out", path)
		until(t, "the recording has begun", exists(path))
		time.Sleep(200 * time.Millisecond)
		transmit(t, dial(t, "vcan0"), 200)
		until(t, "200 frames are safe", func() bool { info, err := os.Stat(path); return err == nil && info.Size() > 2000 })
		time.Sleep(1200 * time.Millisecond)
		if err := c.Process.Signal(syscall.SIGKILL); err != nil {
			t.Fatal(err)
		}
		c.ends(t, -1)
		if got := whole(t, path); got != 200 {
			t.Errorf("%s: %d frames in the file, want 200", name, got)
		}
	}
}

// A full disk ends the recording with exit code 5 and a readable file.
func testRecordFullDisk(t *testing.T) {
	dir := t.TempDir()
	if err := unix.Mount("small", dir, "tmpfs", 0, "size=16k"); err != nil {
		t.Skipf("not on this system: cannot mount a small disk: %v", err)
	}
	defer unix.Unmount(dir, 0)
	path := filepath.Join(dir, "a.log")
	c := start(t, "record", "--on", "vcan0", "--out", path)
	until(t, "the recording has begun", exists(path))
	time.Sleep(200 * time.Millisecond)
	sender := dial(t, "vcan0")
	transmit(t, sender, 50)
	time.Sleep(1300 * time.Millisecond)
	transmit(t, sender, 2000)
	c.ends(t, exitOutput)
	if got := whole(t, path); got < 50 || got >= 2050 {
		t.Errorf("%d whole frames in the file, want the 50 that were safe, and not all", got)
	}
	if !strings.Contains(c.said.String(), path+": no space left on device") {
		t.Errorf("said:\n%s", &c.said)
	}
}

func testRecordDownAndUp(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.log")
	c := start(t, "record", "--on", "vcan1", "--out", path, "--seconds", "6")
	until(t, "the recording has begun", exists(path))
	time.Sleep(200 * time.Millisecond)
	transmit(t, dial(t, "vcan1"), 10)
	sh(t, "ip link set vcan1 down")
	time.Sleep(1500 * time.Millisecond)
	sh(t, "ip link set vcan1 up")
	time.Sleep(1500 * time.Millisecond)
	transmit(t, dial(t, "vcan1"), 5)
	c.ends(t, exitOK)
	if got := whole(t, path); got != 15 {
		t.Errorf("%d frames in the file, want 15", got)
	}
	for _, want := range []string{"vcan1 is down", "vcan1 is up", "15 frames recorded"} {
		if !strings.Contains(c.said.String(), want) {
			t.Errorf("it does not say %q:\n%s", want, &c.said)
		}
	}
}

// A recorder that is stopped while a flood comes in loses frames and says so.
func testRecordOverflow(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.log")
	c := start(t, "record", "--on", "vcan0", "--out", path)
	until(t, "the recording has begun", exists(path))
	time.Sleep(300 * time.Millisecond)
	if err := c.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	transmit(t, dial(t, "vcan0"), 60_000) // the kernel keeps 16 MB, about 700 bytes for a frame
	for _, s := range []os.Signal{syscall.SIGCONT, os.Interrupt} {
		if err := c.Process.Signal(s); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * time.Second)
	}
	c.ends(t, exitBus)
	if got := whole(t, path); got == 0 || got >= 60_000 {
		t.Errorf("%d frames in the file, want some, not all", got)
	}
	if !strings.Contains(c.said.String(), "frames were lost, this machine did not read them in time") {
		t.Errorf("said:\n%s", &c.said)
	}
}

// Nothing is recorded from nowhere, and no file is left.
func testRecordActive(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.log")
	c := run(t, exitBus, "record", "--on", "nowhere0", "--out", path)
	if exists(path)() || !strings.Contains(c.said.String(), "plugproof interfaces lists what there is") {
		t.Errorf("said:\n%s", &c.said)
	}
	full := filepath.Join(t.TempDir(), "b.log")
	if err := os.WriteFile(full, []byte("mine\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	run(t, exitOutput, "record", "--on", "vcan0", "--out", full, "--seconds", "0.2")
	if text, err := os.ReadFile(full); err != nil || string(text) != "mine\n" {
		t.Errorf("a recording replaced a file: %q, %v", text, err)
	}
}

func readFile(t *testing.T, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
