package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"plugproof/replay/rig/adapter"
)

// replayed runs replay with a log of its own in the test's folder.
func replayed(t *testing.T, code int, args ...string) *command {
	t.Helper()
	return run(t, code, append([]string{"replay", "--log", filepath.Join(t.TempDir(), "log")}, args...)...)
}

// captureFile writes n frames of the engine's speed, gap apart, as a candump log.
func captureFile(t *testing.T, n int, gap time.Duration, line string) string {
	t.Helper()
	var b strings.Builder
	for i := range n {
		at := time.Duration(i) * gap
		fmt.Fprintf(&b, "(%d.%06d) drive %s\n", 1_700_000_000+at/time.Second, at%time.Second/time.Microsecond, line)
	}
	path := filepath.Join(t.TempDir(), "capture.log")
	if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

const engineSpeed = "0D6#0BB800000000B05E"

// says wants a text in what a command printed.
func (c *command) says(t *testing.T, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if !strings.Contains(c.out.String()+c.said.String(), text) {
			t.Errorf("%v does not say %q:\n%s%s", c.Args[1:], text, &c.out, &c.said)
		}
	}
}

// ended returns how the last line of a log says that a replay ended.
func ended(t *testing.T, log string) string {
	t.Helper()
	text, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(text)), "\n")
	var last struct{ Event, How string }
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &last); err != nil || last.Event != "ended" {
		t.Errorf("the last line of the log is %s", lines[len(lines)-1])
	}
	return last.How
}

// following counts the frames that come on an interface from now on. It takes what
// the kernel holds and waits for nothing: what a command sent before it ended is
// counted, however busy the machine is.
func following(t *testing.T, name string) (count func() int) {
	t.Helper()
	ifc, err := net.InterfaceByName(name)
	if err != nil {
		t.Fatal(err)
	}
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unix.Close(fd) })
	if err := errors.Join(
		unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, 4<<20),
		unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_FD_FRAMES, 1),
		unix.Bind(fd, &unix.SockaddrCAN{Ifindex: ifc.Index}),
	); err != nil {
		t.Fatal(err)
	}
	total := 0
	return func() int {
		var frame [72]byte // struct canfd_frame of linux/can.h
		for {
			_, err := unix.Read(fd, frame[:])
			switch {
			case err == nil:
				total++
			case !errors.Is(err, unix.EINTR):
				return total
			}
		}
	}
}

func testReplay(t *testing.T) {
	heard := following(t, "vcan0")
	capture := captureFile(t, 100, 10*time.Millisecond, engineSpeed)
	c := replayed(t, 0, capture, "--on", "vcan0", "-p", "lowan-2-20t-a5", "--max-late", "5s")
	c.says(t, "Sending frames can start fans", "100 frames in 0.99", "on vcan0, then 3 with neutral values", "lateness", "Ended as planned.")
	if n := heard(); n != 103 {
		t.Errorf("%d frames on the bus", n)
	}
	c = replayed(t, 0, capture, "--on", "vcan0", "--max-late", "5s", "--format", "json")
	var doc struct {
		Schema string
		Result struct {
			Frames   int
			Lateness map[string]float64 `json:"lateness_ms"`
		}
		Ended string
	}
	if err := json.Unmarshal(c.out.Bytes(), &doc); err != nil || doc.Schema != "plugproof/replay/1" || doc.Result.Frames != 100 ||
		doc.Ended != "as planned" || doc.Result.Lateness["max"] < doc.Result.Lateness["p50"] || doc.Result.Lateness["p50"] <= 0 {
		t.Errorf("%v: %s", err, &c.out)
	}
	replayed(t, 0, capture, "--on", "vcan0", "-p", "lowan-2-20t-a5", "--dry-run").says(t, "Nothing is sent", "The gate would let it through.")
	if n := heard(); n != 203 {
		t.Errorf("%d frames on the bus", n)
	}
}

// Ctrl-C ends with the code of the signal, the log says so, and neutral values go
// out.
func testReplayInterrupted(t *testing.T) {
	for sig, code := range map[os.Signal]int{os.Interrupt: exitInterrupted, syscall.SIGTERM: exitTerminated} {
		heard, log := following(t, "vcan0"), filepath.Join(t.TempDir(), "log")
		c := start(t, "replay", captureFile(t, 2, 10*time.Millisecond, engineSpeed), "--on", "vcan0", "-p", "lowan-2-20t-a5",
			"--loop", "0", "--log", log, "--max-late", "5s")
		until(t, "frames on the bus", func() bool { return heard() > 10 })
		if err := c.Process.Signal(sig); err != nil {
			t.Fatal(err)
		}
		c.ends(t, code)
		c.says(t, "then 3 with neutral values")
		if how := ended(t, log); how != (interrupted{sig}).Error() {
			t.Errorf("the log says %q", how)
		}
	}
}

// A program that stood still does not send in one go what is overdue.
func testReplayStopped(t *testing.T) {
	heard, log := following(t, "vcan0"), filepath.Join(t.TempDir(), "log")
	c := start(t, "replay", captureFile(t, 1000, 10*time.Millisecond, engineSpeed), "--on", "vcan0", "-p", "lowan-2-20t-a5",
		"--log", log, "--max-late", "1s")
	until(t, "frames on the bus", func() bool { return heard() > 20 })
	signal := func(sig syscall.Signal) {
		if err := c.Process.Signal(sig); err != nil {
			t.Fatal(err)
		}
	}
	signal(syscall.SIGSTOP)
	before := heard()
	time.Sleep(2 * time.Second)
	signal(syscall.SIGCONT)
	c.ends(t, exitBus)
	c.says(t, "fell behind by", "what is overdue is not sent in one go")
	if n := heard() - before; n > 10 {
		t.Errorf("%d frames after it went on", n)
	}
	if how := ended(t, log); !strings.Contains(how, "fell behind") {
		t.Errorf("the log says %q", how)
	}
}

// Two replays on one interface: the second one is refused while the first goes on.
func testReplayTwice(t *testing.T) {
	heard := following(t, "vcan0")
	capture := captureFile(t, 2, 10*time.Millisecond, engineSpeed)
	first := start(t, "replay", capture, "--on", "vcan0", "--loop", "0", "--log", filepath.Join(t.TempDir(), "log"), "--max-late", "5s")
	until(t, "frames on the bus", func() bool { return heard() > 10 })
	replayed(t, exitBus, capture, "--on", "vcan0").says(t, "another plugproof is sending there", "hint: end the other one first")
	if err := first.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	first.ends(t, exitInterrupted)
	replayed(t, 0, capture, "--on", "vcan0", "--max-late", "5s")
}

// Interfaces that cannot do what is asked, and plans that no bus can carry.
func testReplayRefused(t *testing.T) {
	sh(t, "ip link add vcan8 type vcan && ip link set vcan8 mtu 16 up && ip link add vcan9 type vcan")
	defer exec.Command("sh", "-c", "ip link del vcan8; ip link del vcan9").Run()
	fd := captureFile(t, 3, 10*time.Millisecond, "0D6##10102030405060708090A0B0C")
	classic := captureFile(t, 3, 10*time.Millisecond, engineSpeed)
	dense := captureFile(t, 50_000, 10*time.Microsecond, engineSpeed)
	for _, tt := range []struct {
		args []string
		says []string
	}{
		{[]string{fd, "--on", "vcan8"}, []string{"vcan8 takes no FD frames", "bus/classic-only"}},
		{[]string{classic, "--on", "vcan9"}, []string{"vcan9 is down", "hint: ip link set vcan9 up"}},
		{[]string{classic, "--on", "can77"}, []string{"there is no CAN interface can77"}},
		{[]string{classic, "--on", "lo"}, []string{"there is no CAN interface lo"}},
		{
			[]string{dense, "--on", "vcan0", "-p", "lowan-2-20t-a5"},
			[]string{"50000 frames in a second take", "of vcan0 at 500000 bit/s, at most 100 %"},
		},
	} {
		c := replayed(t, exitBus, tt.args...)
		c.says(t, append(tt.says, "nothing was sent")...)
		if c.out.Len() > 0 {
			t.Errorf("%v prints %s", tt.args, &c.out)
		}
	}
	replayed(t, 0, fd, "--on", "vcan0", "--max-late", "5s")
}

// An interface that vanishes while frames leave.
func testReplayVanishes(t *testing.T) {
	sh(t, "ip link add vcan8 type vcan && ip link set vcan8 up")
	defer exec.Command("ip", "link", "del", "vcan8").Run()
	heard, log := following(t, "vcan8"), filepath.Join(t.TempDir(), "log")
	out := filepath.Join(t.TempDir(), "result.json")
	c := start(t, "replay", captureFile(t, 2000, 10*time.Millisecond, engineSpeed), "--on", "vcan8", "--log", log,
		"--max-late", "5s", "--format", "json", "--out", out)
	until(t, "frames on the bus", func() bool { return heard() > 10 })
	sh(t, "ip link del vcan8")
	c.ends(t, exitBus)
	c.says(t, "vcan8")
	if how := ended(t, log); !strings.Contains(how, "stop/interface") && !strings.Contains(how, "vcan8") {
		t.Errorf("the log says %q", how)
	}
	text, err := os.ReadFile(out)
	if err != nil || !json.Valid(text) {
		t.Errorf("the result is not whole: %v: %s", err, text)
	}
}

// hold holds the space bar down: it repeats, as a keyboard's does.
func hold(hand *os.File) (release func()) {
	up := make(chan struct{})
	go func() {
		tick := time.NewTicker(30 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-up:
				return
			case <-tick.C:
				hand.WriteString(" ")
			}
		}
	}()
	return sync.OnceFunc(func() { close(up) })
}

// The dead-man key: nothing leaves before it is held, and nothing after it was
// let go of. The test's hand is on the other side of a pseudo terminal.
func testReplayDeadMan(t *testing.T) {
	hand, keyboard := adapter.Terminal(t)
	heard, log := following(t, "vcan0"), filepath.Join(t.TempDir(), "log")
	c := &command{Cmd: exec.CommandContext(t.Context(), plugproof(t), "replay", captureFile(t, 2, 10*time.Millisecond, engineSpeed),
		"--on", "vcan0", "-p", "lowan-2-20t-a5", "--loop", "0", "--log", log, "--dead-man", "--max-late", "5s")}
	c.Stdin, c.Stdout, c.Stderr = keyboard, &c.out, &c.said
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(time.Second)
	if n := heard(); n != 0 {
		t.Errorf("%d frames before the key was held", n)
	}
	release := hold(hand)
	until(t, "frames while the key is held", func() bool { return heard() >= 20 })
	release()
	released := heard()
	c.ends(t, exitBus)
	c.says(t, "hold the space bar", "the dead-man key was released", "hint: hold the key")
	if n := heard() - released; n > 100 { // 50 are due in the 500 ms
		t.Errorf("%d frames while it was held, %d after", released, n)
	}
	if strings.Contains(c.out.String(), "neutral") {
		t.Errorf("neutral values were sent: %s", &c.out)
	}
	replayed(t, exitInput, captureFile(t, 2, 10*time.Millisecond, engineSpeed), "--on", "vcan0", "--dead-man").
		says(t, "--dead-man needs a keyboard")
}
