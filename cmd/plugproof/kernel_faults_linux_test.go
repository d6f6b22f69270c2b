package main

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"plugproof/replay/rig"
	"plugproof/replay/rig/adapter"
)

// unplugged takes an adapter away and plugs one in that gets the same name.
func unplugged(t *testing.T, name string, unplug func()) {
	t.Helper()
	unplug()
	until(t, name+" is gone", func() bool { return exec.Command("ip", "link", "show", name).Run() != nil })
	if again, _ := adapter.Plug(t); again != name {
		sh(t, "ip link set "+again+" name "+name)
	}
}

// An adapter that is unplugged and plugged back while it is recorded from: the
// recording goes on, and says so.
func testRecordUnplugged(t *testing.T) {
	name, unplug := adapter.Plug(t)
	const listen = " type can bitrate 500000 listen-only on && ip link set "
	sh(t, "ip link set "+name+listen+name+" up")
	path := filepath.Join(t.TempDir(), "a.log")
	c := start(t, "record", "--on", name, "--on", "vcan1", "--out", path)
	until(t, "the recording has begun", exists(path))
	time.Sleep(300 * time.Millisecond)
	sender := dial(t, "vcan1")
	transmit(t, sender, 10)
	unplugged(t, name, unplug)
	time.Sleep(2500 * time.Millisecond) // down: nobody has set it up
	transmit(t, sender, 10)
	sh(t, "ip link set "+name+listen+name+" up")
	time.Sleep(2500 * time.Millisecond)
	// What the kernel hands on by itself is received, as from a bus.
	transmit(t, sender, 10)
	if err := c.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	c.ends(t, exitInterrupted)
	c.says(t, name+" is down", name+" is up", "30 frames recorded")
	if got := whole(t, path); got != 30 {
		t.Errorf("%d frames in the file, want 30", got)
	}
}

// One that comes back in active mode would take part in the bus: the recording
// ends, and what was recorded is whole.
func testRecordBackActive(t *testing.T) {
	name, unplug := adapter.Plug(t)
	sh(t, "ip link set "+name+" type can bitrate 500000 listen-only on && ip link set "+name+" up")
	path := filepath.Join(t.TempDir(), "a.pcapng")
	c := start(t, "record", "--on", name, "--on", "vcan1", "--out", path)
	until(t, "the recording has begun", exists(path))
	time.Sleep(300 * time.Millisecond)
	transmit(t, dial(t, "vcan1"), 10)
	unplugged(t, name, unplug)
	sh(t, "ip link set "+name+" type can bitrate 500000 && ip link set "+name+" up")
	c.ends(t, exitBus)
	c.says(t, "active mode", "hint: set it down and up again with listen-only on", "10 frames recorded")
	if got := whole(t, path); got != 10 {
		t.Errorf("%d frames in the file, want 10", got)
	}
}

// An interface that is replaced by another one of its name while frames leave: the
// replay ends, and the new one gets none of them.
func testReplayUnplugged(t *testing.T) {
	sh(t, "ip link add vcan8 type vcan && ip link set vcan8 up")
	defer exec.Command("ip", "link", "del", "vcan8").Run()
	heard, log := following(t, "vcan8"), filepath.Join(t.TempDir(), "log")
	out := filepath.Join(t.TempDir(), "result.json")
	c := start(t, "replay", captureFile(t, 3000, 10*time.Millisecond, engineSpeed), "--on", "vcan8", "-p", "lowan-2-20t-a5",
		"--log", log, "--max-late", "5s", "--format", "json", "--out", out)
	until(t, "frames on the bus", func() bool { return heard() > 10 })
	sh(t, "ip link del vcan8; ip link add vcan8 type vcan; ip link set vcan8 up")
	after := following(t, "vcan8")
	c.ends(t, exitBus)
	c.says(t, "vcan8")
	if n := after(); n != 0 {
		t.Errorf("%d frames on the interface that was plugged in", n)
	}
	if how := ended(t, log); !strings.Contains(how, "vcan8") {
		t.Errorf("the log says %q", how)
	}
	if text := readFile(t, out); !json.Valid([]byte(text)) {
		t.Errorf("the result is not whole: %s", text)
	}
}

// A controller that only listens cannot send, and one that says nothing of what
// reached the wire must not: refused with what to do, before anything is listened to.
func testReplayListenOnly(t *testing.T) {
	name, _ := adapter.Plug(t)
	capture := captureFile(t, 3, 10*time.Millisecond, engineSpeed)
	sh(t, "ip link set "+name+" type can bitrate 500000 listen-only on && ip link set "+name+" up")
	args := []string{capture, "--on", name, "-p", "lowan-2-20t-a5", "--on-bench", "cluster"}
	for _, more := range [][]string{{"--dry-run"}, nil} {
		c := replayed(t, exitBus, append(args, more...)...)
		c.says(t, name+" is in listen-only mode and cannot send", "set it down, and up with listen-only off",
			name+" does not confirm frames once they were on the wire", "a physical interface needs a dead-man key")
	}
	sh(t, "ip link set "+name+" down && ip link set "+name+" type can bitrate 500000 listen-only off && ip link set "+name+" up")
	c := replayed(t, exitBus, args...)
	c.says(t, name+" does not confirm frames")
	if strings.Contains(c.said.String(), "cannot send") {
		t.Errorf("active mode:\n%s", &c.said)
	}
}

// asNobody runs a command without any privilege. What it uses must be open to all.
func asNobody(t *testing.T, code int, args ...string) *command {
	t.Helper()
	program := plugproof(t)
	if err := os.Chmod(filepath.Dir(filepath.Dir(program)), 0o755); err != nil { // a folder of our own
		t.Fatal(err)
	}
	const nobody = 65534
	c := &command{Cmd: exec.CommandContext(t.Context(), program, args...)}
	c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
	c.Env = append(os.Environ(), "HOME=/nowhere", "XDG_STATE_HOME=")
	c.Dir = "/"
	c.Stdout, c.Stderr = &c.out, &c.said
	if err := c.Run(); err != nil && c.ProcessState == nil {
		t.Skipf("not on this system: nobody may not run %s: %v", program, err)
	}
	c.ended(t, code)
	return c
}

// Without privileges one may look, record and send on virtual interfaces; what
// needs them says which, and what to do about it.
func testUnprivileged(t *testing.T) {
	dir := rig.InMemory(t)
	for d := dir; strings.HasPrefix(d, os.TempDir()) && d != os.TempDir(); d = filepath.Dir(d) {
		if err := os.Chmod(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	open := filepath.Join(dir, "open")
	if err := os.Mkdir(open, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(open, 0o777); err != nil {
		t.Fatal(err)
	}
	capture := filepath.Join(dir, "capture.log")
	writeFile(t, capture, "(0.000000) drive "+engineSpeed+"\n(0.010000) drive "+engineSpeed+"\n")
	if err := os.Chmod(capture, 0o644); err != nil {
		t.Fatal(err)
	}
	asNobody(t, exitOK, "interfaces", "--seconds", "0.2").says(t, "vcan0")
	asNobody(t, exitOK, "record", "--on", "vcan0", "--seconds", "0.2", "--out", filepath.Join(open, "a.log")).says(t, "0 frames recorded")
	asNobody(t, exitOK, "replay", capture, "--on", "vcan0", "--max-late", "5s", "--log", filepath.Join(open, "sent")).
		says(t, "2 frames in", "real-time priority", "Ended as planned.")

	const fix = "hint: run it with sudo"
	name, _ := adapter.Plug(t)
	asNobody(t, exitBus, "interfaces", "up", name, "--bitrate", "500k").says(t, "cannot set up "+name, "not permitted", fix)
	// Nothing is sent that nobody can log.
	heard := following(t, "vcan0")
	asNobody(t, exitOutput, "replay", capture, "--on", "vcan0", "--log", filepath.Join(dir, "sent")).says(t, filepath.Join(dir, "sent"), "permission denied")
	asNobody(t, exitOutput, "replay", capture, "--on", "vcan0").says(t, "/nowhere", "hint: --log FILE")
	asNobody(t, exitOutput, "record", "--on", "vcan0", "--seconds", "0.2", "--out", filepath.Join(dir, "b.log")).says(t, "permission denied")
	if n := heard(); n != 0 || exists(filepath.Join(dir, "b.log"))() {
		t.Errorf("%d frames were sent; a file that may not be is there: %v", n, exists(filepath.Join(dir, "b.log"))())
	}
}

// The clock on the wall is set while frames leave: they go by another one.
func testClockSet(t *testing.T) {
	if os.Getenv(rig.Inside) == "" {
		t.Skip("not on this system: it sets the clock, which only the rig has for itself")
	}
	heard, log := following(t, "vcan0"), filepath.Join(t.TempDir(), "log")
	c := start(t, "replay", captureFile(t, 200, 10*time.Millisecond, engineSpeed), "--on", "vcan0", "--max-late", "1900ms", "--log", log)
	until(t, "frames on the bus", func() bool { return heard() > 10 })
	for _, step := range []int64{-3600, 7200, -3600} {
		var now unix.Timespec
		if err := unix.ClockGettime(unix.CLOCK_REALTIME, &now); err != nil {
			t.Fatal(err)
		}
		now.Sec += step
		if err := unix.ClockSettime(unix.CLOCK_REALTIME, &now); err != nil {
			t.Fatal(err)
		}
		time.Sleep(300 * time.Millisecond)
	}
	c.ends(t, exitOK)
	c.says(t, "200 frames in ", "Ended as planned.")
	if n := heard(); n != 200 {
		t.Errorf("%d frames on the bus", n)
	}
	if how := ended(t, log); how != "as planned" {
		t.Errorf("the log says %q", how)
	}
}

// Captures that are hard to replay: what becomes of them is said before.
func testReplayOddCaptures(t *testing.T) {
	var b strings.Builder
	for _, at := range []int{0, 1, 2, 7200, 7201, 7199, 100, 101} { // seconds; two hours of silence, a small and a large step back
		fmt.Fprintf(&b, "(%d.000000) drive %s\n", 1_700_000_000+at, engineSpeed)
	}
	odd := filepath.Join(t.TempDir(), "odd.log")
	writeFile(t, odd, b.String())
	c := replayed(t, exitOK, odd, "--on", "vcan0", "--max-gap", "100ms", "--max-late", "5s")
	c.says(t, "8 frames in 0.", "gaps shortened to 100ms, the longest was 1h59m58s", "back in time", "Ended as planned.")
	c = replayed(t, exitOK, odd, "--on", "vcan0", "--dry-run")
	c.says(t, "there is a gap of 1h59m58s after 2s: --max-gap 1s shortens it")
}
