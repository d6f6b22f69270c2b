package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"plugproof/decode/can"
	"plugproof/decode/witness"
	"plugproof/profiles/demo"
	"plugproof/replay/modules"
	"plugproof/replay/rig"
	"plugproof/replay/rig/adapter"
	"plugproof/replay/socketcan"
)

// technician reads the simulated cluster off its own frames (ClusterLamps, 0x362
// on the body bus, lowan-body.dbc) and types what it shows when asked.
type technician struct {
	reads map[string]func(*can.Frame) string // by the title of what is exercised; nil: read alone
	mu    sync.Mutex
	read  func(*can.Frame) string // nil: nothing moves
	shown string
	seen  bytes.Buffer // standard error of the command
	keys  io.Writer
	enter string        // key that ends an answer
	asked func()        // nil: nobody wants to know
	looks time.Duration // before an answer, so that a slow machine has moved the needle
}

func tachometer(f *can.Frame) string { return strconv.Itoa(50 * int(f.Data[1])) }

func coolantGauge(f *can.Frame) string {
	return strconv.FormatFloat(0.4*float64(f.Data[2]), 'f', 0, 64)
}

func malfunctionLamp(f *can.Frame) string { return lamp(f, 0) }
func oilLamp(f *can.Frame) string         { return lamp(f, 2) }

func lamp(f *can.Frame, bit int) string {
	if f.Data[0]>>bit&1 != 0 {
		return "lit"
	}
	return "dark"
}

// Write takes what the command says and answers its questions.
func (n *technician) Write(p []byte) (int, error) {
	n.seen.Write(p)
	if before, _, begins := strings.Cut(string(p), ": watch it."); begins && n.reads != nil {
		n.mu.Lock()
		n.read = n.reads[before[strings.LastIndexByte(before, '\n')+1:]] // several lines may come at once
		n.mu.Unlock()
	}
	if !strings.HasSuffix(strings.TrimSpace(string(p)), "?") {
		return len(p), nil
	}
	if n.asked != nil {
		n.asked()
	}
	time.Sleep(n.looks)
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
		n.mu.Lock()
		if n.read != nil {
			n.shown = n.read(&frames[got-1])
		}
		n.mu.Unlock()
	}
}

// exercised runs an exercise of a simulated cluster with a technician, whom tell
// gives a keyboard.
func exercised(t *testing.T, tell func(*technician, *exec.Cmd), args ...string) (*command, *technician) {
	t.Helper()
	return exercisedOn(t, func() *modules.Car { return units(t, "lowan-2-20t-a5", "Cluster") }, tell, args...)
}

// exercisedOn is exercised with another cluster, made anew for every try.
func exercisedOn(t *testing.T, cluster func() *modules.Car, tell func(*technician, *exec.Cmd), args ...string) (*command, *technician) {
	t.Helper()
	n, dir := &technician{}, rig.InMemory(t)
	args = append([]string{"exercise", "--log", filepath.Join(dir, "log")}, args...)
	c := undisturbed(t, faultStall, beside(t, cluster, func() *command {
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

// hasty writes the demo car's profile with needles that settle soon, a cluster that
// soon misses what does not come, and no other gauge or lamp than those of keep: an
// exercise of all takes a minute and more with the real times.
func hasty(t *testing.T, keep ...string) string {
	t.Helper()
	setting, _, err := (&profileFolders{}).setting("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	text := "format: 1\nname: hasty\ntitle: hasty\nbuilds_on: [lowan-2-20t-a5]\nmessages:\n"
	for _, name := range []string{"EngineSpeed", "EngineTemps", "EngineLamps"} {
		text += "  " + name + ": {listeners: {Cluster: {timeout: 700ms}}}\n"
	}
	text += "functions:\n"
	for name, f := range setting.Functions {
		switch {
		case f.Gauge == nil && f.Lamp == nil:
		case !slices.Contains(keep, name):
			text += "  " + name + ": {gauge: null, lamp: null}\n"
		case f.Gauge != nil:
			text += "  " + name + ": {gauge: {settles: 200ms}}\n"
		}
	}
	path := filepath.Join(t.TempDir(), "hasty.yaml")
	writeFile(t, path, text)
	return path
}

// seesAll is a technician who goes through several functions.
func seesAll(t *testing.T) func(*technician, *exec.Cmd) {
	return func(n *technician, c *exec.Cmd) {
		pipe(t, nil)(n, c)
		n.looks = 500 * time.Millisecond
		n.reads = map[string]func(*can.Frame) string{
			"tachometer": tachometer, "coolant gauge": coolantGauge, "oil pressure lamp": oilLamp, "engine malfunction lamp": malfunctionLamp,
		}
	}
}

// outcomes returns the verdicts of a JSON document by function, and of a function
// its text.
func outcomes(t *testing.T, c *command, n *technician) (verdicts, texts map[string]string) {
	t.Helper()
	docs, err := jsonDocuments(c.out.String())
	if err != nil || len(docs) != 1 {
		t.Fatalf("%v\n%s%s", err, &c.out, &n.seen)
	}
	verdicts, texts = map[string]string{}, map[string]string{}
	for _, f := range listAt(docs[0], "functions") {
		name := jsonAt(f, "function")
		verdicts[name], texts[name] = jsonAt(f, "verdict"), jsonAt(f, "text")
	}
	return verdicts, texts
}

// One function after the other on the same cluster: a needle, a needle that is level
// in the middle, a lamp of which nothing is known when it is lost. What cannot be
// exercised is said.
func testExerciseAll(t *testing.T) {
	profile := hasty(t, "tachometer", "coolant-gauge", "oil-lamp", "speedometer")
	cluster := func() *modules.Car { return units(t, profile, "Cluster") }
	c, n := exercisedOn(t, cluster, seesAll(t), "--all", "-p", profile, "--on", "vcan0", "--seed", "7", "--format", "json")
	c.ended(t, exitOK)
	verdicts, texts := outcomes(t, c, n)
	want := map[string]string{"coolant-gauge": "pass", "oil-lamp": "pass", "tachometer": "pass"}
	if !maps.Equal(verdicts, want) {
		t.Errorf("%v, want %v: %v\n%s%s", verdicts, want, texts, &c.out, &n.seen)
	}
	for name, text := range texts {
		if !strings.HasSuffix(text, "shows what it is sent, and reacts when that is missing") {
			t.Errorf("%s: %s", name, text)
		}
	}
	if !strings.Contains(c.out.String(), "speedometer: VehicleSpeed (0x14E) is never sent") {
		t.Errorf("what cannot be exercised is not said:\n%s", &c.out)
	}
}

// A cluster that does not take engine speed, however right its frames are: the
// factory's own show that it is not ours. Its lamp is not blamed for it.
func testExerciseDeaf(t *testing.T) {
	profile := hasty(t, "tachometer", "malfunction-lamp")
	cluster := func() *modules.Car {
		car := units(t, profile, "Cluster")
		car.Ignore("Cluster", "EngineSpeed")
		return car
	}
	c, n := exercisedOn(t, cluster, seesAll(t), "--all", "-p", profile, "--on", "vcan0", "--seed", "7", "--format", "json",
		"--baseline", idling(t))
	c.ended(t, exitFail)
	verdicts, texts := outcomes(t, c, n)
	want := map[string]string{"malfunction-lamp": "pass", "tachometer": "fail"}
	if !maps.Equal(verdicts, want) || !strings.Contains(texts["tachometer"], "the tachometer does not react to a right frame") {
		t.Errorf("%v, want %v: %v\n%s%s", verdicts, want, texts, &c.out, &n.seen)
	}
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
