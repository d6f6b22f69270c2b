package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"plugproof/decode/can"
	"plugproof/decode/witness"
	"plugproof/profiles/demo"
	"plugproof/replay/rig"
	"plugproof/replay/rig/adapter"
	"plugproof/replay/socketcan"
)

// technician reads the simulated cluster off its own frames (ClusterLamps, 0x362
// on the body bus, lowan-body.dbc) and types what it shows when asked.
type technician struct {
	read  func(*can.Frame) string // nil: nothing moves
	mu    sync.Mutex
	shown string
	seen  bytes.Buffer // standard error of the command
	keys  io.Writer
	enter string // key that ends an answer
	asked func() // nil: nobody wants to know
}

func tachometer(f *can.Frame) string { return strconv.Itoa(50 * int(f.Data[1])) }

func malfunctionLamp(f *can.Frame) string {
	if f.Data[0]&1 != 0 {
		return "lit"
	}
	return "dark"
}

// Write takes what the command says and answers its questions.
func (n *technician) Write(p []byte) (int, error) {
	n.seen.Write(p)
	if !strings.HasSuffix(strings.TrimSpace(string(p)), "?") {
		return len(p), nil
	}
	if n.asked != nil {
		n.asked()
	}
	n.mu.Lock()
	text := n.shown
	n.mu.Unlock()
	for _, key := range text { // one after the other, as a person types
		fmt.Fprintf(n.keys, "%c", key)
	}
	io.WriteString(n.keys, n.enter)
	return len(p), nil
}

// watch looks at the cluster until ctx ends.
func (n *technician) watch(ctx context.Context, t *testing.T) {
	c, err := socketcan.Open("vcan1", 0, &socketcan.Config{Filters: []socketcan.Filter{{ID: 0x362, Mask: 0x7FF}}})
	if err != nil {
		t.Error(err)
		return
	}
	defer c.Close()
	frames := make([]can.Frame, 16)
	for {
		got, err := c.Read(ctx, frames)
		if err != nil {
			return
		}
		if n.read == nil {
			continue
		}
		n.mu.Lock()
		n.shown = n.read(&frames[got-1])
		n.mu.Unlock()
	}
}

// exercised runs an exercise with a technician, whom tell gives a keyboard.
func exercised(t *testing.T, tell func(*technician, *exec.Cmd), args ...string) (*command, *technician) {
	t.Helper()
	n, dir := &technician{}, rig.InMemory(t)
	args = append([]string{"exercise", "--log", filepath.Join(dir, "log")}, args...)
	c := undisturbed(t, faultStall, beside(t, []string{"Cluster"}, func() *command {
		ctx, cancel := context.WithCancel(t.Context())
		var watching sync.WaitGroup
		defer watching.Wait()
		defer cancel()
		n = &technician{shown: "0", enter: "\n"}
		c := modest(t, dir, args...)
		c.Stdout, c.Stderr = &c.out, n
		tell(n, c.Cmd)
		watching.Go(func() { n.watch(ctx, t) })
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		c.waitErr = c.Wait()
		c.said = n.seen
		return c
	}))
	return c, n
}

// pipe lets a technician answer through a pipe.
func pipe(t *testing.T, read func(*can.Frame) string) func(*technician, *exec.Cmd) {
	return func(n *technician, c *exec.Cmd) {
		keys, err := c.StdinPipe()
		if err != nil {
			t.Fatal(err)
		}
		n.keys, n.read = keys, read
	}
}

// idling writes a capture of the demo car that idles long enough for a control.
func idling(t *testing.T) string {
	t.Helper()
	kind, err := demo.ParseSetting("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	list, err := demo.Write(t.Context(), t.TempDir(), demo.WriteOptions{Settings: []demo.Setting{kind}, Options: demo.Options{Script: []demo.Stage{
		{Name: "key-on", Length: 3 * time.Second}, {Name: "crank", Length: 2 * time.Second}, {Name: "idle", Length: 15 * time.Second},
	}}})
	if err != nil {
		t.Fatal(err)
	}
	return list[0].Path
}

// quick writes the demo car's profile with a needle that settles soon.
func quick(t *testing.T) string {
	t.Helper()
	text := readFile(t, filepath.Join(witness.Root(t), "profiles", "library", "lowan-2-20t-a5.yaml"))
	text = strings.NewReplacer("name: lowan-2-20t-a5", "name: quick", "network: lowan-2-20t-a5", "network: quick").Replace(text)
	path := filepath.Join(t.TempDir(), "quick.yaml")
	writeFile(t, path, text+"functions:\n  tachometer:\n    gauge: {settles: 800ms}\n")
	return path
}

// The tachometer of a simulated cluster, with the factory's own frames first.
func testExercise(t *testing.T) {
	c, n := exercised(t, pipe(t, tachometer), "tachometer", "-p", quick(t), "--on", "vcan0", "--seed", "5", "--format", "json",
		"--baseline", idling(t))
	c.ended(t, exitOK)
	docs, err := jsonDocuments(c.out.String())
	if err != nil || len(docs) != 1 {
		t.Fatalf("%v\n%s%s", err, &c.out, &n.seen)
	}
	for path, want := range map[string]string{
		"schema": "plugproof/exercise/1", "seed": "5", "functions.0.function": "tachometer", "functions.0.verdict": "pass",
		"functions.0.steps.0.what": "factory frame", "functions.0.steps.5.what": "not available", "functions.0.steps.6.what": "stopped",
		"functions.0.steps.7.what": "back again", "functions.0.steps.7.verdict": "pass",
	} {
		if got := jsonAt(docs[0], path); got != want {
			t.Errorf("%s is %s, want %s:\n%s%s", path, got, want, &c.out, &n.seen)
		}
	}
	for _, want := range []string{"Sending frames can start fans", "it goes over its range now and back", "what does it read (rpm)?"} {
		if !strings.Contains(n.seen.String(), want) {
			t.Errorf("%q is not said:\n%s", want, &n.seen)
		}
	}
}

// A technician who sees nothing move: without the factory's frames nobody knows
// whose fault it is.
func testExerciseDead(t *testing.T) {
	dark := func(*can.Frame) string { return "dark" }
	c, n := exercised(t, pipe(t, dark), "malfunction-lamp", "-p", "lowan-2-20t-a5", "--on", "vcan0")
	c.ended(t, exitFail)
	if text := c.out.String(); !strings.Contains(text, "engine malfunction lamp: FAIL") || !strings.Contains(text, "cannot be told without the factory's own frame") {
		t.Errorf("%s%s", text, &n.seen)
	}
}

// Answers are typed on the keyboard whose space bar is held down meanwhile: they
// come through whole, and the key counts as held.
func testExerciseHeld(t *testing.T) {
	c, n := exercised(t, func(n *technician, c *exec.Cmd) {
		hand, keyboard := adapter.Terminal(t)
		n.keys, n.read, n.enter = hand, malfunctionLamp, "\r"
		c.Stdin = keyboard
		t.Cleanup(hold(hand))
	}, "malfunction-lamp", "-p", "lowan-2-20t-a5", "--on", "vcan0", "--dead-man", "--seed", "4")
	c.ended(t, exitOK)
	for _, want := range []string{"engine malfunction lamp: PASS", "reacts when that is missing", "back again"} {
		if !strings.Contains(c.out.String(), want) {
			t.Errorf("%q is not printed:\n%s%s", want, &c.out, &n.seen)
		}
	}
	if strings.Contains(n.seen.String(), "lit, dark, or ? when you cannot tell") {
		t.Errorf("an answer was not understood:\n%s", &n.seen)
	}
}

// A key that is let go of at a question ends the exercise without a verdict.
func testExerciseReleased(t *testing.T) {
	c, n := exercised(t, func(n *technician, c *exec.Cmd) {
		hand, keyboard := adapter.Terminal(t)
		n.keys, n.enter = io.Discard, "\r"
		c.Stdin = keyboard
		n.asked = hold(hand)
	}, "malfunction-lamp", "-p", "lowan-2-20t-a5", "--on", "vcan0", "--dead-man")
	c.ended(t, exitBus)
	if !strings.Contains(n.seen.String(), "the dead-man key was released") || c.out.Len() > 0 {
		t.Errorf("%s%s", &c.out, &n.seen)
	}
}

// A stand-in sends what its script says until its end.
func testStandin(t *testing.T) {
	dir := t.TempDir()
	script := filepath.Join(dir, "s.yaml")
	writeFile(t, script, "format: 1\nstart_values: 0s\nvalues: {EngineSpeed.EngineSpeedRpm: 800}\nsteps:\n  - hold: 1s\n  - set: {EngineSpeed.EngineSpeedRpm: 1600}\n    hold: 1s\n")
	path := filepath.Join(dir, "a.log")
	r := start(t, "record", "--on", "vcan0", "--out", path)
	until(t, "the recording has begun", exists(path))
	time.Sleep(300 * time.Millisecond)
	c := run(t, exitOK, "standin", "Engine", "-p", "lowan-2-20t-a5", "--on", "vcan0", "--only", "EngineSpeed", "--script", script,
		"--max-load", "50", "--log", filepath.Join(dir, "sent.jsonl"))
	time.Sleep(200 * time.Millisecond)
	if err := r.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	r.ends(t, exitInterrupted)
	if !strings.Contains(c.out.String(), "100 frames in ") || !strings.Contains(c.out.String(), "Ended as planned.") {
		t.Errorf("%s%s", &c.out, &c.said)
	}
	// 100 frames of 20 ms, then three with neutral values (0 rpm); EngineSpeedRpm is
	// the first two bytes, 0.25 rpm a bit (lowan-drive.dbc).
	counts := map[string]int{}
	for line := range strings.SplitSeq(readFile(t, path), "\n") {
		if _, frame, ok := strings.Cut(line, "0D6#"); ok {
			counts[frame[:4]]++
		}
	}
	if counts["0C80"] != 50 || counts["1900"] != 50 || counts["0000"] != 3 {
		t.Errorf("frames by engine speed: %v, want 50 of 0C80 (800 rpm), 50 of 1900 (1600 rpm), 3 of 0", counts)
	}
}
