package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"plugproof/decode/can"
	"plugproof/decode/witness"
	"plugproof/profiles/demo"
	"plugproof/replay/rig"
	"plugproof/replay/socketcan"
)

// handoverFolder is the environment variable with the folder of the host into which
// the day's job is put at its end.
const handoverFolder = "PLUGPROOF_TEST_HANDOVER"

// dayVariable is the environment variable that asks for the day to be played.
const dayVariable = "PLUGPROOF_WORKSHOP_DAY"

const car = "lowan-2-20t-a5"

// TestWorkshopDay plays a whole job of the demo car on buses: a simulated car on
// vcan0 (drive bus) and vcan1 (body bus), and a technician who does what the
// tool says. What lies in the folder afterwards is looked at from outside.
func TestWorkshopDay(t *testing.T) {
	if os.Getenv(dayVariable) == "" && os.Getenv(rig.Inside) == "" {
		t.Skip("not on this system: a day takes five minutes of an idle machine; " + dayVariable + "=1 plays it")
	}
	env := map[string]string{handoverFolder: os.Getenv(handoverFolder), toolVariable: os.Getenv(toolVariable)}
	if env[handoverFolder] == "" { // not inside the rig
		env[handoverFolder], env[toolVariable] = t.TempDir(), filepath.Join(t.TempDir(), "plugproof")
		build := exec.CommandContext(t.Context(), "go", "build", "-o", env[toolVariable], "../plugproof")
		build.Env = append(os.Environ(), "CGO_ENABLED=0")
		if out, err := build.CombinedOutput(); err != nil {
			t.Fatalf("plugproof does not build: %v\n%s", err, out)
		}
	}
	for name, value := range env {
		t.Setenv(name, value)
	}
	const limit = 9 * time.Minute // go test ends a package after 10
	rig.RunChecks(t, limit, []rig.Check{{Name: "Day", Run: testDay}}, handoverFolder, toolVariable)
	if os.Getenv(rig.Inside) != "" {
		return
	}
	dir := filepath.Join(env[handoverFolder], "ute")
	if _, err := os.Stat(dir); err != nil {
		t.Skip("not on this system now: the day was not played to its end, for the reason above")
	}
	filedWhole(t, dir)
	page := filepath.Join(dir, "results", "handover.html")
	t.Run("Page", func(t *testing.T) { lookAtPage(t, page) })
}

// toolVariable is the environment variable with the path of plugproof.
const toolVariable = "PLUGPROOF_TEST_TOOL"

// filedWhole reads the journal by itself and holds every file to its hash.
func filedWhole(t *testing.T, dir string) {
	t.Helper()
	journal, err := os.ReadFile(filepath.Join(dir, "journal.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for line := range bytes.Lines(journal) {
		var e struct{ Kind, Moment, Command, File, SHA256, Verdict string }
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatal(err)
		}
		content, err := os.ReadFile(filepath.Join(dir, e.File))
		if err != nil {
			t.Fatal(err)
		}
		if sum := sha256.Sum256(content); hex.EncodeToString(sum[:]) != e.SHA256 {
			t.Errorf("%s is not what was filed", e.File)
		}
		if (e.Command == "compare" || e.Moment == "bench") && e.Verdict == "review" {
			e.Verdict = "pass" // see testDay
		}
		if e.Kind != "capture" {
			got = append(got, strings.Join([]string{e.Command, e.Moment, e.Verdict}, " "))
		}
	}
	// A busy machine makes a stage be recorded again, and what comes of it is judged
	// again: the order is what holds.
	want := []string{
		"codes baseline ", "identify unplugged identified", "check bench fail", "check bench pass",
		"check after fail", "check after pass", "compare after pass", "codes after ", "report  ",
	}
	at := 0
	for _, g := range got {
		if at < len(want) && g == want[at] {
			at++
		}
	}
	if at < len(want) {
		t.Errorf("no %q in its place among %q", want[at], got)
	}
	for _, name := range []string{"baseline.log", "after.log"} {
		marks, err := os.ReadFile(filepath.Join(dir, "captures", name+".stages.yaml"))
		if err != nil {
			t.Fatal(err)
		}
		for _, stage := range demo.Script(0, setting()) {
			if stage.Name != "asleep" && !strings.Contains(string(marks), "name: "+stage.Name+",") {
				t.Errorf("%s has no mark of %s:\n%s", name, stage.Name, marks)
			}
		}
	}
}

// lookAtPage opens the handover report in a browser.
func lookAtPage(t *testing.T, page string) {
	var seen struct {
		Requests, Errors, Overflow []string
		Text, PDF                  string
	}
	if err := json.Unmarshal(witness.Browse(t, page)[0], &seen); err != nil {
		t.Fatal(err)
	}
	if len(seen.Requests) != 1 || len(seen.Errors)+len(seen.Overflow) > 0 || seen.PDF != "%PDF-" {
		t.Errorf("requests %q, errors %q, wider than the window %q, printed %q", seen.Requests, seen.Errors, seen.Overflow, seen.PDF)
	}
	text := strings.ToLower(strings.Join(strings.Fields(seen.Text), " "))
	for _, want := range []string{
		"all that was exercised works", car, "tachometer", "0042", "signature", "since the check before", "p0420",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not show %q:\n%s", want, seen.Text)
		}
	}
	if strings.Contains(text, "lowan00000000042") {
		t.Error("the page shows the vehicle number")
	}
}

// setting is the car of the day.
func setting() demo.Setting {
	s, err := demo.ParseSetting(car)
	if err != nil {
		panic(err) // it is one of demo.Settings
	}
	return s
}

// day is a job being done.
type day struct {
	*testing.T
	dir   string // the job, in memory
	begun time.Time
}

func testDay(t *testing.T) {
	d := &day{t, filepath.Join(rig.InMemory(t), "ute"), time.Now()}
	d.run(0, intake, "job", "new", d.dir).says("Next: save the trouble codes of every module.")
	d.run(0, "", "job", "intake", d.dir, "--ask=false", "--set", "vin=LOWAN00000000042")
	d.codes("baseline").says("P0420", "Next: record the factory baseline.")

	script := demo.Options{Script: longer(demo.Script(0, setting()))}
	d.guided("baseline", script, "The baseline is good enough: you may unplug the factory ECU.")
	d.run(3, "", "job", "status", d.dir).says("The factory ECU may be unplugged: nothing is lost by it.")

	unplugged := demo.Options{Script: only("key-on"), Seed: 2, Without: []string{"Engine"}}
	d.guided("unplugged", unplugged, "", "--stages", "key-on")
	d.run(0, "", "job", "next", d.dir).says("identified: "+car, "Next: check the new ECU on the bench.")

	// The new ECU was told the wrong network: what it sends is not what the car wants.
	d.bench("lowan-1-20t-a5", 1)
	// The rig plays and records on one slow machine: frames are its own and uneven.
	d.bench(car, 0).findsOnly("capture/", "message/uneven")

	script.Seed, script.Without = 5, []string{"EngineSpeed"}
	d.guided("after", script, "fail: message/absent: EngineSpeed (0x0D6 on drive) is missing")
	d.run(1, "", "job", "next", d.dir).says("FAIL", "tachometer", "diagnose --job")
	d.run(1, "", "diagnose", "--job", d.dir, "--symptom", "tachometer dead").says("message/absent")

	// Mended; another recorder took this one.
	mended := filepath.Join(filepath.Dir(d.dir), "mended")
	d.run(0, "", "demo", "--out", mended)
	d.run(0, "", "job", "add", d.dir, filepath.Join(mended, car+"-mended.log"), "--moment", "after")
	d.run(0, "", "job", "next", d.dir).says("PASS", "Next: hold after against before.")
	// The other recorder's script is shorter, which is for review where a value depends
	// on how long something lasted. It is no fault: a fail would end with 1. A lamp's
	// check may have lasted longer in the baseline, when the simulated car stood still.
	compared := d.run(0, "", "job", "next", d.dir)
	compared.says("What other units complain about", "Next: save the trouble codes again.")
	if strings.Contains(compared.text, "before the swap it did not") {
		d.Errorf("a unit complains that did not before:\n%s", compared.text)
	}
	d.run(0, "none\nnone\n", "job", "next", d.dir)
	d.codes("after").says("new: none", "P0420")
	d.run(0, "", "job", "next", d.dir).says("handover.html", "Nothing fails.")
	d.run(0, "", "job", "status", d.dir).says("Nothing is open.")
	d.run(0, "", "job", "verify", d.dir).says("files are as they were filed")
	if err := os.CopyFS(filepath.Join(os.Getenv(handoverFolder), "ute"), os.DirFS(d.dir)); err != nil {
		t.Fatal(err)
	}
}

const intake = "2\n2021-05\n2.0 turbo\n5-speed automatic\n84210 km\n" + car + "\nlowan-2-20t\nF1\nN1\n1.0\nnone\n" +
	"\n\n\n\n\n\n\n\n\n\n" + "12.6 meter 3\n60 meter 3\n119 meter 3\n"

// longer gives a script in which the coolant has time to rise as far as the guide
// asks for, even after a step that had to be ended by hand.
func longer(script []demo.Stage) []demo.Stage {
	for i := range script {
		if script[i].Name == "warm-up" {
			script[i].Length = 18 * time.Second
		}
	}
	return script
}

func only(stage string) []demo.Stage {
	return slices.DeleteFunc(demo.Script(0, setting()), func(s demo.Stage) bool { return s.Name != stage })
}

// said is what a command printed.
type said struct {
	*day
	args []string
	text string
}

func (s *said) says(texts ...string) {
	s.Helper()
	for _, text := range texts {
		if !strings.Contains(s.text, text) {
			s.Errorf("%q does not say %q:\n%s", s.args, text, s.text)
		}
	}
}

// finding is a line of a check that heads a finding.
var finding = regexp.MustCompile(`(?m)^  (?:fail|review)  +(\S+/\S+)$`)

// findsOnly wants no finding but of rules whose names begin so.
func (s *said) findsOnly(rules ...string) {
	s.Helper()
	for _, m := range finding.FindAllStringSubmatch(s.text, -1) {
		if !slices.ContainsFunc(rules, func(rule string) bool { return strings.HasPrefix(m[1], rule) }) {
			s.Errorf("%q finds %s:\n%s", s.args, m[1], s.text)
		}
	}
}

// run runs plugproof to its end, with what a person types.
func (d *day) run(code int, typed string, args ...string) *said {
	d.Helper()
	c := exec.CommandContext(d.Context(), os.Getenv(toolVariable), args...)
	c.Stdin = strings.NewReader(typed)
	var out bytes.Buffer
	c.Stdout, c.Stderr = &out, &out
	if _, ok := errors.AsType[*exec.ExitError](c.Run()); !ok && c.ProcessState == nil {
		d.Fatalf("%q did not run", args)
	}
	if got := c.ProcessState.ExitCode(); got != code {
		d.Fatalf("%q ended with exit code %d, want %d:\n%s", args, got, code, &out)
	}
	return &said{d, args, out.String()}
}

// codes reads trouble codes over the bus from an engine controller that has one
// that nobody's swap is to blame for.
func (d *day) codes(moment string) *said {
	d.Helper()
	ctx, cancel := context.WithCancel(d.Context())
	var unit sync.WaitGroup
	unit.Go(func() { d.answer(ctx) })
	defer unit.Wait()
	defer cancel()
	return d.run(0, "", "codes", "--on", "vcan0", "--bus", demo.DriveBus, "--job", d.dir, "--moment", moment)
}

// answer is an engine controller on vcan0 that answers in single frames (ISO
// 15765-2: the first byte is the length): one stored code, no pending ones.
func (d *day) answer(ctx context.Context) {
	ears, err := socketcan.Open("vcan0", 0, &socketcan.Config{Filters: []socketcan.Filter{{ID: 0x7DF, Mask: 0x7FF}, {ID: 0x7E0, Mask: 0x7FF}}})
	if err != nil {
		d.Error(err)
		return
	}
	defer ears.Close()
	mouth := d.dial("vcan0")
	defer mouth.Close()
	answers := map[byte][]byte{0x03: {4, 0x43, 1, 0x04, 0x20}, 0x07: {2, 0x47, 0}, 0x0A: {3, 0x7F, 0x0A, 0x11}}
	frames := make([]can.Frame, 16)
	for {
		n, err := ears.Read(ctx, frames)
		if err != nil {
			return
		}
		for _, f := range frames[:n] {
			if payload := answers[f.Data[1]]; f.Data[0] == 1 && payload != nil {
				back := can.Frame{ID: 0x7E8}
				back.SetPayload(append(slices.Clone(payload), make([]byte, 8-len(payload))...))
				if err := mouth.Send(ctx, 0, &back); err != nil {
					return
				}
			}
		}
	}
}

// bench records what an ECU of a setting sends alone, and has it judged.
func (d *day) bench(name string, code int) *said {
	d.Helper()
	s, err := demo.ParseSetting(name)
	if err != nil {
		d.Fatal(err)
	}
	alone := demo.Options{Script: only("key-on"), Seed: 3, Without: []string{"Body", "Climate", "Cluster", "Stability", "Gearbox"}}
	d.guidedAs(s, "bench", alone, "", "--stages", "key-on", "--bench", "new ECU, power supply")
	return d.run(code, "", "check", "--job", d.dir, "--moment", "bench")
}

// guided has a recording led by the tool, in the car of the day.
func (d *day) guided(moment string, opts demo.Options, want string, more ...string) {
	d.Helper()
	d.guidedAs(setting(), moment, opts, want, more...)
}

// stall is how long the simulated car may stand still before a recording may show
// something else than it should: shorter than the shortest time that a unit of it
// waits, 0.5 s.
const stall = 250 * time.Millisecond

// patience is how long the day may take: so much less than the rig's limit that a
// machine which is too busy for it is told so. One recording takes a minute and a
// half, on an idle machine the whole day four.
const patience = 6 * time.Minute

// guidedAs records until the machine did not stand still meanwhile: the newest
// recording counts.
func (d *day) guidedAs(s demo.Setting, moment string, opts demo.Options, want string, more ...string) {
	d.Helper()
	var worst []time.Duration
	for range 3 {
		if gone := time.Since(d.begun); gone > patience {
			break
		}
		text, late := d.recorded(s, moment, opts, more...)
		d.Logf("%s was recorded; the machine stood still for %v at most", moment, late.Round(time.Millisecond))
		switch {
		case late <= 2*stall && strings.Contains(text, want):
			return
		case late <= stall:
			d.Fatalf("the recording of %s does not say %q (the machine stood still for %v at most):\n%s", moment, want, late, text)
		}
		worst = append(worst, late)
	}
	d.Skipf("not on this system now: it stood still for %v, after %v in all", worst, time.Since(d.begun).Round(time.Second))
}
