package service

import (
	"os/exec"
	"slices"
	"testing"
	"time"

	"plugproof/decode/can"
	"plugproof/replay/gate"
	"plugproof/replay/rig"
	"plugproof/replay/rig/adapter"
	"plugproof/replay/socketcan"
)

// TestKernel runs what needs a kernel with CAN.
func TestKernel(t *testing.T) {
	rig.RunChecks(t, 2*time.Minute, []rig.Check{{Name: "ReadingListenOnly", Run: testReadingListenOnly}})
}

// A reading of codes listens in listen-only mode as well, and asks after it. That the
// driver reports echo is made up.
func testReadingListenOnly(t *testing.T) {
	a := adapter.Insert(t)
	for _, args := range [][]string{{"type", "can", "bitrate", "500000"}, {"up"}} {
		if out, err := exec.Command("ip", append([]string{"link", "set", a.Name}, args...)...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
	}
	facts, err := socketcan.Facts([]string{a.Name})
	if err != nil {
		t.Fatal(err)
	}
	facts[0].Echo = true
	session, refusals := gate.JudgeReading(facts[0], gate.Reading{
		Stationary: true, Engine: gate.EngineOff, Permit: func(*can.Frame) error { return nil }, Tester: TesterAsks,
	})
	if session == nil {
		t.Fatal(refusals)
	}
	start := time.Now()
	l, err := openSession(session, func() time.Duration { return time.Since(start) })
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	a.Hears("t2630")
	if err := l.Listen(t.Context()); err != nil || len(l.Notes()) > 0 {
		t.Fatalf("%v, %q", err, l.Notes())
	}
	if took := time.Since(start); took < gate.ReadListen+gate.FirstTime {
		t.Errorf("listened for %v", took)
	}
	if err := l.Send(t.Context(), &can.Frame{ID: everyone, Len: 8, DLC: 8}); err != nil {
		t.Fatal(err)
	}
	said := func() (list []string) {
		for _, w := range a.Told() {
			if w[0] == 'O' || w[0] == 'L' || w[0] == 't' {
				list = append(list, w)
			}
		}
		return list
	}
	want := []string{"O", "L", "O", "t7DF80000000000000000"}
	for end := time.Now().Add(5 * time.Second); len(said()) < len(want) && time.Now().Before(end); {
		time.Sleep(10 * time.Millisecond)
	}
	if got := said(); !slices.Equal(got, want) {
		t.Errorf("the adapter was told %q, want %q", got, want)
	}
}
