package replay

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"plugproof/decode/can"
	"plugproof/replay/gate"
	"plugproof/replay/rig"
	"plugproof/replay/socketcan"
)

// TestKernel runs what needs a kernel with CAN.
func TestKernel(t *testing.T) {
	rig.RunChecks(t, 3*time.Minute, []rig.Check{
		{Name: "Virtual", Run: testVirtual},
		{Name: "Interrupted", Run: testInterrupted},
		{Name: "Refused", Run: testRefused},
		{Name: "Vanishes", Run: testVanishes},
		{Name: "RouteAppears", Run: testRouteAppears},
		{Name: "Physical", Run: testPhysical},
		{Name: "ListenOnlyFirst", Run: testListenOnlyFirst},
		{Name: "ListenOnlyPutBack", Run: testListenOnlyPutBack},
		{Name: "InterruptedFirst", Run: testInterruptedFirst},
		{Name: "SecondSender", Run: testSecondSender},
		{Name: "KeyReleased", Run: testKeyReleased},
		{Name: "OtherUnit", Run: testOtherUnit},
		{Name: "Lateness", Run: testLateness},
	})
}

// newCAN makes a virtual interface for one test, which then runs beside others.
func newCAN(t *testing.T, name string) string {
	t.Helper()
	t.Parallel()
	shell(t, "ip link add "+name+" type vcan && ip link set "+name+" up")
	t.Cleanup(func() { _ = exec.Command("ip", "link", "del", name).Run() }) // one test does it itself
	return name
}

// recorded is what a listener of its own heard on an interface.
type recorded struct {
	mu     sync.Mutex
	frames []can.Frame
	stop   func() []can.Frame
}

func listenOn(t *testing.T, name string) *recorded {
	t.Helper()
	c, err := socketcan.Open(name, 0, &socketcan.Config{Buffer: 4 << 20})
	if err != nil {
		t.Fatal(err)
	}
	r := &recorded{}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		buf := make([]can.Frame, 64)
		for ctx.Err() == nil {
			n, _ := c.Read(ctx, buf)
			r.mu.Lock()
			r.frames = append(r.frames, buf[:n]...)
			r.mu.Unlock()
		}
	}()
	r.stop = sync.OnceValue(func() []can.Frame {
		time.Sleep(50 * time.Millisecond)
		cancel()
		<-done
		c.Close()
		return r.frames
	})
	t.Cleanup(func() { r.stop() })
	return r
}

// count is how many frames of an identifier were heard so far.
func (r *recorded) count(id uint32) (n int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i := range r.frames {
		if r.frames[i].ID == id {
			n++
		}
	}
	return n
}

// speeds returns a job that sends EngineSpeed with 3000 rpm every 20 ms.
func speeds(t *testing.T, n int, on string) Job {
	t.Helper()
	car := lowan(t)
	m, rpm, err := car.Signal("EngineSpeed.EngineSpeedRpm")
	if err != nil {
		t.Fatal(err)
	}
	items := steady(n, 20*ms)
	for i := range items {
		items[i].Frame = can.Frame{ID: 0x0D6, Len: 8, DLC: 8}
	}
	return Job{
		Stream: func() Stream { return Items(items) }, Interfaces: []string{on}, Car: car,
		Changes: []Change{{Message: m, Kind: Set, Signal: rpm, From: 3000, To: 3000}},
		Options: Options{MaxLate: 5 * time.Second}, // the rig is slow
		Log:     testLog(t),
	}
}

func testLog(t *testing.T) *Log {
	t.Helper()
	l, err := OpenLog(filepath.Join(t.TempDir(), "state", "sent.jsonl"), time.Now, Entry{User: "tester", Command: []string{"replay"}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

// events reads a log back.
func events(t *testing.T, l *Log) (entries []Entry) {
	t.Helper()
	text, err := os.ReadFile(l.Path())
	if err != nil {
		t.Fatal(err)
	}
	for line := range bytes.Lines(text) {
		var e Entry
		if err := json.Unmarshal(line, &e); err != nil || e.Schema != logSchema || e.Run == "" || e.Time == "" {
			t.Fatalf("line %s: %v", line, err)
		}
		entries = append(entries, e)
	}
	return entries
}

func names(entries []Entry) (list []string) {
	for _, e := range entries {
		list = append(list, e.Event)
	}
	return list
}

func testVirtual(t *testing.T) {
	r := listenOn(t, "vcan0")
	job := speeds(t, 50, "vcan0")
	played := 0
	job.Played = func() { played = r.count(0x0D6) }
	result, err := Run(t.Context(), job)
	if err != nil {
		t.Fatal(err)
	}
	frames := r.stop()
	if len(frames) != 50+neutralTimes || result.Frames != 50 || result.Neutral != neutralTimes || result.First != 0 || played > 50 {
		t.Errorf("%d frames heard, %d before the end; result %d, %d neutral", len(frames), played, result.Frames, result.Neutral)
	}
	guards, err := job.Car.Guards()
	if err != nil {
		t.Fatal(err)
	}
	g, err := guards[Message{0, 0x0D6}].Compile()
	if err != nil {
		t.Fatal(err)
	}
	rpm := job.Changes[0].Signal
	for i := range frames {
		want := 3000.0
		if i >= 50 {
			want = 0
		}
		if v, _ := rpm.Read(&frames[i]); v.Phys != want {
			t.Errorf("frame %d: %v rpm", i, v.Phys)
		}
		if i > 0 && g.Verify(&frames[i-1], &frames[i], 1) != 0 {
			t.Errorf("frame %d: %s", i, g.Explain(&frames[i-1], &frames[i]))
		}
	}
	log := events(t, job.Log)
	if got := names(log); !slices.Equal(got, []string{"asked", "ended"}) {
		t.Fatalf("log: %q", got)
	}
	asked, ended := log[0], log[1]
	if asked.User != "tester" || asked.Profile != "lowan-2-20-a5" || asked.Planned != 50 || asked.Physical ||
		!slices.Equal(asked.Interfaces, []string{"vcan0"}) || !slices.Equal(asked.Messages, []string{"0x0D6 EngineSpeed"}) {
		t.Errorf("asked: %+v", asked)
	}
	if ended.How != "as planned" || *ended.Sent != 50 || *ended.Neutral != neutralTimes {
		t.Errorf("ended: %+v", ended)
	}
}

// Ctrl-C: the cause comes back, and neutral values go out.
func testInterrupted(t *testing.T) {
	r := listenOn(t, "vcan0")
	job := speeds(t, 10_000, "vcan0")
	why := errors.New("interrupted")
	ctx, cancel := context.WithCancelCause(t.Context())
	time.AfterFunc(300*time.Millisecond, func() { cancel(why) })
	result, err := Run(ctx, job)
	if !errors.Is(err, why) || result.Neutral != neutralTimes || result.Frames == 0 {
		t.Errorf("%d frames, %d neutral, %v", result.Frames, result.Neutral, err)
	}
	frames := r.stop()
	if v, _ := job.Changes[0].Signal.Read(&frames[len(frames)-1]); v.Phys != 0 {
		t.Errorf("the last frame says %v rpm", v.Phys)
	}
	if log := events(t, job.Log); log[len(log)-1].How != "interrupted" {
		t.Errorf("log: %+v", log[len(log)-1])
	}
}

// What is refused leaves nothing on the bus and one line in the log.
func testRefused(t *testing.T) {
	r := listenOn(t, "vcan0")
	for name, tt := range map[string]struct {
		change func(*Job)
		rule   string
	}{
		"missing":  {func(j *Job) { j.Interfaces = []string{"can9"} }, "bus/missing"},
		"physical": {func(j *Job) { j.facts = dress(nil) }, "bench/not-stated"},
		"down": {func(j *Job) {
			j.facts = dress(func(i *gate.Interface) { *i = gate.Interface{Name: "vcan0", Kind: "vcan"} })
		}, "bus/down"},
	} {
		job := speeds(t, 10, "vcan0")
		tt.change(&job)
		_, err := Run(t.Context(), job)
		refused, ok := errors.AsType[*RefusedError](err)
		if !ok || !slices.ContainsFunc(refused.Refusals, func(r gate.Refusal) bool { return r.Rule == tt.rule }) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		log := events(t, job.Log)
		if got := names(log); !slices.Equal(got, []string{"asked", "refused"}) || len(log[1].Refusals) != len(refused.Refusals) {
			t.Errorf("%s: log %q", name, got)
		}
	}
	if n := len(r.stop()); n != 0 {
		t.Errorf("%d frames", n)
	}
}

// An interface that vanishes under a replay, down or altogether.
func testVanishes(t *testing.T) {
	for name, line := range map[string]string{"down": "ip link set vcan7 down", "gone": "ip link del vcan7"} {
		shell(t, "ip link add vcan7 type vcan && ip link set vcan7 up")
		job := speeds(t, 1000, "vcan7")
		time.AfterFunc(300*time.Millisecond, func() { exec.Command("sh", "-c", line).Run() })
		result, err := Run(t.Context(), job)
		if r, ok := errors.AsType[*gate.Refusal](err); !ok || r.Rule != "stop/interface" || result.Neutral != 0 || result.Frames == 0 {
			t.Errorf("%s: %d frames, %d neutral, %v", name, result.Frames, result.Neutral, err)
		}
		exec.Command("ip", "link", "del", "vcan7").Run()
	}
}

// A virtual interface that is virtual no more while frames leave.
func testRouteAppears(t *testing.T) {
	job := speeds(t, 1000, "vcan0")
	var looked int
	job.facts = func(list []string) ([]gate.Interface, error) {
		facts, err := socketcan.Facts(list)
		if looked++; looked > 2 {
			facts[0].LeadsTo = []string{"can0"}
		}
		return facts, err
	}
	_, err := Run(t.Context(), job)
	if r, ok := errors.AsType[*gate.Refusal](err); !ok || r.Rule != "stop/not-virtual" {
		t.Error(err)
	}
}

func shell(t *testing.T, line string) {
	t.Helper()
	if out, err := exec.Command("sh", "-c", line).CombinedOutput(); err != nil {
		t.Fatalf("%s: %v: %s", line, err, out)
	}
}

// dress makes virtual interfaces look like a controller on a wire; change alters
// that.
func dress(change func(*gate.Interface)) func([]string) ([]gate.Interface, error) {
	return func(list []string) ([]gate.Interface, error) {
		facts, err := socketcan.Facts(list)
		for i := range facts {
			facts[i].Kind, facts[i].Echo, facts[i].Bitrate = "can", true, 500_000
			if change != nil {
				change(&facts[i])
			}
		}
		return facts, err
	}
}

// onBench is a job on a dressed-up interface, its key held until release is closed.
func onBench(t *testing.T, n int, on string, release <-chan struct{}) Job {
	job := speeds(t, n, on)
	job.facts, job.OnBench, job.DeadMan = dress(nil), "Cluster", true
	keys := make(chan struct{})
	ctx := t.Context()
	go func() {
		for {
			select {
			case <-release:
				return
			case <-ctx.Done():
				return
			case keys <- struct{}{}:
				time.Sleep(50 * time.Millisecond)
			}
		}
	}()
	job.Keys = keys
	return job
}

// All phases: listening, the first identifier alone, listening, the plan, neutral
// values. The counters go through all of it without a seam.
func testPhysical(t *testing.T) {
	name := newCAN(t, "can21")
	r := listenOn(t, name)
	job := onBench(t, 50, name, nil)
	phases := map[gate.Phase]bool{}
	job.Note = func(p Progress) { phases[p.Phase] = true }
	start := time.Now()
	result, err := Run(t.Context(), job)
	if err != nil {
		t.Fatal(err)
	}
	took := time.Since(start)
	if took < gate.ListenTime+2*gate.FirstTime || !phases[gate.Listening] || !phases[gate.First] || !phases[gate.Again] || !phases[gate.Open] {
		t.Errorf("took %v, phases %v", took, phases)
	}
	frames := r.stop()
	if result.First == 0 || result.Frames != 50 || result.Neutral != neutralTimes || len(frames) != int(result.First)+50+neutralTimes {
		t.Errorf("%d heard; first %d, %d, neutral %d", len(frames), result.First, result.Frames, result.Neutral)
	}
	guards, _ := job.Car.Guards()
	g, _ := guards[Message{0, 0x0D6}].Compile()
	for i := 1; i < len(frames); i++ {
		if g.Verify(&frames[i-1], &frames[i], 1) != 0 {
			t.Errorf("frame %d: %s", i, g.Explain(&frames[i-1], &frames[i]))
		}
	}
	log := events(t, job.Log)
	if got := names(log); !slices.Equal(got, []string{"asked", "listening", "first identifier sent alone", "playing", "ended"}) {
		t.Fatalf("log: %q", got)
	}
	why := []string{name + " stays in the mode that it was found in while it is listened to: " + name + " has no controller"}
	if !slices.Equal(log[1].Notes, why) || !slices.Equal(result.Notes, why) || log[1].ListenOnly != nil {
		t.Errorf("listening: %+v; result: %q", log[1], result.Notes)
	}
}

// Ctrl-C while the first identifier goes out alone, or after it.
func testInterruptedFirst(t *testing.T) {
	name := newCAN(t, "can25")
	r := listenOn(t, name)
	job := onBench(t, 50, name, nil)
	why := errors.New("interrupted")
	ctx, cancel := context.WithCancelCause(t.Context())
	job.Note = func(p Progress) {
		if p.Phase == gate.Again {
			cancel(why)
		}
	}
	result, err := Run(ctx, job)
	if !errors.Is(err, why) || result.Frames != 0 || result.Neutral != neutralTimes {
		t.Errorf("%d frames, %d neutral, %v", result.Frames, result.Neutral, err)
	}
	frames := r.stop()
	if v, _ := job.Changes[0].Signal.Read(&frames[len(frames)-1]); v.Phys != 0 {
		t.Errorf("the last frame says %v rpm", v.Phys)
	}
}

// Another sender of an identifier of the plan, while frames leave: nothing more,
// no neutral values either.
func testSecondSender(t *testing.T) {
	name := newCAN(t, "can22")
	r := listenOn(t, name)
	job := onBench(t, 5000, name, nil)
	go func() {
		for r.count(0x0D6) < 150 {
			time.Sleep(10 * time.Millisecond)
		}
		other, err := socketcan.OpenVirtual(name, newTimerClock().now)
		if err != nil {
			return
		}
		defer other.Close()
		other.Send(context.Background(), 0, &can.Frame{ID: 0x0D6, Len: 1, DLC: 1, Data: [64]byte{0xEE}})
	}()
	result, err := Run(t.Context(), job)
	if r, ok := errors.AsType[*gate.Refusal](err); !ok || r.Rule != "stop/own-id" || result.Neutral != 0 {
		t.Errorf("%d neutral, %v", result.Neutral, err)
	}
	frames := r.stop()
	at := slices.IndexFunc(frames, func(f can.Frame) bool { return f.Len == 1 })
	if at < 0 {
		t.Fatalf("the other sender's frame is not among %d", len(frames))
	}
	if n := len(frames) - at - 1; n > 1 { // one may have been on its way
		t.Errorf("%d frames after the other sender's", n)
	}
	log := events(t, job.Log)
	if last := log[len(log)-1]; last.Event != "ended" || len(last.Refusals) != 1 || last.Refusals[0].Rule != "stop/own-id" {
		t.Errorf("log: %+v", last)
	}
}

func testKeyReleased(t *testing.T) {
	name := newCAN(t, "can23")
	r := listenOn(t, name)
	release := make(chan struct{})
	job := onBench(t, 5000, name, release)
	go func() {
		for r.count(0x0D6) < 130 {
			time.Sleep(10 * time.Millisecond)
		}
		close(release)
	}()
	result, err := Run(t.Context(), job)
	if r, ok := errors.AsType[*gate.Refusal](err); !ok || r.Rule != "stop/dead-man" || result.Neutral != 0 {
		t.Errorf("%d neutral, %v", result.Neutral, err)
	}
	if n := r.count(0x0D6) - 130; n > 60 { // 25 frames are due in 500 ms
		t.Errorf("%d frames after the release", n)
	}
}

// Another unit is heard while listening: nothing is ever sent.
func testOtherUnit(t *testing.T) {
	name := newCAN(t, "can24")
	r := listenOn(t, name)
	job := onBench(t, 50, name, nil)
	time.AfterFunc(500*time.Millisecond, func() {
		other, err := socketcan.OpenVirtual(name, newTimerClock().now)
		if err != nil {
			return
		}
		defer other.Close()
		other.Send(context.Background(), 0, &can.Frame{ID: 0x14E, Len: 8, DLC: 8})
	})
	start := time.Now()
	_, err := Run(t.Context(), job)
	if r, ok := errors.AsType[*gate.Refusal](err); !ok || r.Rule != "listen/other-sender" || !strings.Contains(r.Reason, "0x14E") {
		t.Error(err)
	}
	if time.Since(start) > 5*time.Second {
		t.Errorf("ended after %v", time.Since(start))
	}
	if n := r.count(0x0D6); n != 0 {
		t.Errorf("%d frames were sent", n)
	}
}

// How late frames are here, for DEVELOPERS.md; it fails only when frames are lost.
func testLateness(t *testing.T) {
	job := speeds(t, 200, "vcan0")
	items := steady(2000, time.Millisecond)
	job.Stream = func() Stream { return Items(items) }
	job.Changes, job.Precise = nil, true
	job.Car = Car{}
	result, err := Run(t.Context(), job)
	if err != nil || result.Frames != 2000 {
		t.Fatalf("%d frames, %v", result.Frames, err)
	}
	l := &result.Lateness
	t.Logf("1000 frames/s: p50 %v, p99 %v, p99.9 %v, max %v; %q", l.Quantile(0.5), l.Quantile(0.99), l.Quantile(0.999), l.Max(), result.Notes)
}
