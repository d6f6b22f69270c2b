package main

import (
	"context"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"plugproof/decode/can"
	"plugproof/decode/witness"
	"plugproof/replay"
	"plugproof/replay/modules"
	"plugproof/replay/rig"
)

// TestKernelBench runs what answers to somebody: the closed loop, stand-ins and
// exercises, with simulated units on the other end.
func TestKernelBench(t *testing.T) {
	rig.RunChecks(t, 14*time.Minute, append([]rig.Check{
		{Name: "Standin", Run: testStandin},
		{Name: "Bench", Run: testBench},
		{Name: "BenchComplains", Run: testBenchComplains},
		{Name: "LoopContent", Run: testLoopContent},
		{Name: "Exercise", Run: testExercise},
		{Name: "ExerciseAll", Run: testExerciseAll},
		{Name: "ExerciseDeaf", Run: testExerciseDeaf},
		{Name: "ExerciseDead", Run: testExerciseDead},
		{Name: "ExerciseHeld", Run: testExerciseHeld},
		{Name: "ExerciseReleased", Run: testExerciseReleased},
	}, faultChecks()...))
}

// units makes simulated units of a profile: a name, or a file.
func units(t *testing.T, profile string, nodes ...string) *modules.Car {
	t.Helper()
	setting, _, err := (&profileFolders{}).setting(profile)
	if err != nil {
		t.Fatal(err)
	}
	var buses can.Buses
	for _, name := range []string{"drive", "body"} {
		buses.Intern([]byte(name))
	}
	car, err := modules.New(setting, &buses, nodes...)
	if err != nil {
		t.Fatal(err)
	}
	return car
}

// bench puts simulated units on vcan0 (drive bus) and vcan1 (body bus). leave
// takes them away and returns how late they were at worst.
func bench(t *testing.T, car *modules.Car) (leave func() time.Duration) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ready, ended := make(chan struct{}), make(chan struct{})
	var summary replay.Summary
	var err error
	go func() {
		defer close(ended)
		summary, err = car.Live(ctx, []string{"vcan0", "vcan1"}, ready)
	}()
	<-ready
	return func() time.Duration {
		cancel()
		<-ended
		if err != nil {
			t.Errorf("the simulated units: %v", err)
		}
		return summary.Lateness.Max()
	}
}

const (
	// stall is how long a machine may stand still in a closed loop in which nobody
	// is to complain: what was due meanwhile goes out in a bunch, which the rules take
	// for a fault of its sender.
	stall = 90 * time.Millisecond
	// tries of one check, as long as patience lasts for all of them together.
	tries    = 4
	patience = 5 * time.Minute
)

// patient is when patience ends.
var patient = time.Now().Add(patience)

// undisturbed tries something until the machine did not stand still for longer
// than most meanwhile: what units say of a busy machine is no fault of ours. try
// returns for how long it did. RunChecks counts those that gave up.
func undisturbed(t *testing.T, most time.Duration, try func() (*command, time.Duration)) *command {
	t.Helper()
	var worst []time.Duration
	for n := 0; n == 0 || n < tries && time.Now().Before(patient); n++ {
		quiet(most / 2)
		c, late := try()
		if late <= most {
			return c
		}
		worst = append(worst, late.Round(time.Millisecond))
	}
	t.Skipf("not on this system now: it stood still for %v", worst)
	return nil
}

// quiet waits until the machine wakes us in time for half a second, and not for
// longer than that takes on a busy one.
func quiet(most time.Duration) {
	for range 20 {
		worst := time.Duration(0)
		for range 10 {
			const nap = 50 * time.Millisecond
			begin := time.Now()
			time.Sleep(nap)
			worst = max(worst, time.Since(begin)-nap)
		}
		if worst <= most {
			return
		}
	}
}

// beside runs a command beside simulated units and returns for how long either
// stood still.
func beside(t *testing.T, car func() *modules.Car, try func() *command) func() (*command, time.Duration) {
	return func() (*command, time.Duration) {
		leave := bench(t, car())
		c := try()
		return c, max(leave(), c.stoodStill())
	}
}

// stoodStill is how late a command that is over says that it was at worst.
func (c *command) stoodStill() (late time.Duration) {
	if doc, err := jsonDocuments(c.out.String()); err == nil && len(doc) == 1 {
		ms, _ := strconv.ParseFloat(jsonAt(doc[0], "result.lateness_ms.max"), 64) // absent: 0
		late = time.Duration(ms * float64(time.Millisecond))
	}
	if strings.Contains(c.said.String(), "stood still") { // the player gave up
		late = max(late, replay.DefaultMaxLate)
	}
	return late
}

const expectations = `
format: 1
expect:
  - {message: ClusterStatus, within: 2s, every: 4s}
  - {title: the cluster hears engine speed, signal: ClusterStatus.IsEngineSpeedMissing, stays: 0}
  - {title: the tachometer follows, signal: ClusterLamps.TachometerShownRpm, follows: EngineSpeed.EngineSpeedRpm, within: 2s, off: 60}
`

// looped is a run of the closed loop.
type looped struct {
	units  []string // on the bench
	only   []string // messages that are replayed: system calls are slow in the rig
	expect string
	most   time.Duration // that the machine may stand still
	more   []string
}

// loop replays the rest of the demo car, key-on and idle, to units alone.
func loop(t *testing.T, code int, l looped) *command {
	t.Helper()
	dir := rig.InMemory(t)
	expect := filepath.Join(dir, "expect.yaml")
	writeFile(t, expect, l.expect)
	capture := filepath.Join(witness.Root(t), "testdata", "captures", "lowan-key-on-idle.log")
	args := []string{
		"replay", capture, "-p", "lowan-2-20t-a5", "--on", "drive=vcan0", "--on", "body=vcan1",
		"--max-late", "4s", "--judge-answers", "--expect", expect, "--format", "json",
	}
	for _, name := range l.only {
		args = append(args, "--only", name)
	}
	car := func() *modules.Car { return units(t, "lowan-2-20t-a5", l.units...) }
	c := undisturbed(t, l.most, beside(t, car, func() *command {
		c := started(t, modest(t, dir, append(args, l.more...)...))
		c.waitErr = c.Wait()
		return c
	}))
	c.ended(t, code)
	return c
}

// contentVerdict is what the rules say of a unit alone that is content: not
// testable, or review for what a machine that stood still for a moment played in a
// bunch. Each other finding is a fault.
func contentVerdict(t *testing.T, doc any) (verdict string) {
	t.Helper()
	verdict = "not testable"
	for _, f := range listAt(doc, "answers.check.findings") {
		verdict = "review"
		if rule := jsonAt(f, "rule"); rule != "capture/recording-paused" && rule != "message/uneven" {
			t.Errorf("%s: %s", rule, jsonAt(f, "text"))
		}
	}
	return verdict
}

// The cluster is content with a good capture: what is expected of it holds and the
// rules find nothing of it. A cluster alone is no proof of any whole function, so the
// rules claim none.
func testLoopContent(t *testing.T) {
	c := loop(t, exitOK, looped{
		units: []string{"Cluster"}, expect: expectations, most: stall,
		only: []string{"EngineSpeed", "EngineTemps", "EngineLamps", "EngineCooling", "GearboxStatus", "VehicleSpeed", "BodyIgnition"},
	})
	docs, err := jsonDocuments(c.out.String())
	if err != nil || len(docs) != 1 {
		t.Fatalf("%v\n%s%s", err, &c.out, &c.said)
	}
	verdict := contentVerdict(t, docs[0])
	for path, want := range map[string]string{
		"schema": "plugproof/replay/1", "ended": "as planned", "answers.verdict": verdict, "answers.check.verdict": verdict,
		"answers.expected.0.verdict": "pass", "answers.expected.1.verdict": "pass", "answers.expected.2.verdict": "pass",
	} {
		if got := jsonAt(docs[0], path); got != want {
			t.Errorf("%s is %s, want %s:\n%s%s", path, got, want, &c.out, &c.said)
		}
	}
	if !strings.Contains(c.said.String(), "Sending frames can start fans") {
		t.Errorf("no cautions:\n%s", &c.said)
	}
}
