package guide

import (
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
	"plugproof/profiles/stages"
)

func lowan(t *testing.T, name string) *profiles.Setting {
	t.Helper()
	s, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}).Load(name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// workshop is a person who follows a guide in the demo car: he does the next thing
// as soon as the guide asks for it, and types Enter when a thing is done and the
// guide has not gone on by itself.
type workshop struct {
	guide *Guide
	said  []Line
	began map[string]int64 // stages of the drive, as the person did them
}

func play(t *testing.T, setting string, opts demo.Options) *workshop {
	t.Helper()
	which, err := demo.ParseSetting(setting)
	if err != nil {
		t.Fatal(err)
	}
	d, err := demo.New(which, opts)
	if err != nil {
		t.Fatal(err)
	}
	w := &workshop{began: map[string]int64{}}
	o := Options{Quick: true, Setting: lowan(t, setting), Buses: d.Buses().Name}
	if w.guide, err = New(o, func(l Line) { w.said = append(w.said, l) }); err != nil {
		t.Fatal(err)
	}
	w.drive(t, d)
	// The bus is silent now.
	for range 200 {
		w.guide.Tick(w.guide.now + int64(100*time.Millisecond))
	}
	return w
}

// drive plays the frames of each stage while the guide asks for it. What is left
// of a stage that has shown all is left out, and the stamps close up.
func (w *workshop) drive(t *testing.T, d *demo.Drive) {
	t.Helper()
	markers, at, leftOut := d.Markers(), 0, int64(0)
	w.guide.Start(markers[0].Start)
	w.began[markers[0].Name] = markers[0].Start
	frame := make([]can.Frame, 1)
	asked := func() bool { return !w.guide.Finished() && w.guide.step().stage == markers[at].Name }
	last := markers[0].Start
	for {
		_, err := d.Read(t.Context(), frame)
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		now := frame[0].Time
		for now >= markers[at].End {
			if asked() {
				w.guide.Answer(Next)
			}
			at++
			w.began[markers[at].Name] = markers[at].Start - leftOut
		}
		if !asked() {
			leftOut += now - last
		}
		last = now
		frame[0].Time -= leftOut
		if asked() {
			w.guide.Frames(frame)
		}
	}
}

func (w *workshop) lines(kind Kind) []string {
	var list []string
	for _, l := range w.said {
		if l.Kind == kind {
			list = append(list, l.Text)
		}
	}
	return list
}

// TestWholeScript: the car in good order, driven as asked, shows everything, and
// each stage is marked where it was.
func TestWholeScript(t *testing.T) {
	for _, setting := range []string{"lowan-2-20t-a5", "lowan-1-20-m5", "lowan-3-20t-a8"} {
		t.Run(setting, func(t *testing.T) {
			which, _ := demo.ParseSetting(setting)
			w := play(t, setting, demo.Options{Script: demo.Script(0.4, which)})
			if !w.guide.Finished() {
				t.Errorf("not finished: %v", w.guide.Missing())
			}
			if lines := w.lines(Wanted); len(lines) > 0 {
				t.Errorf("not seen: %q", lines)
			}
			if lines := w.lines(Trouble); len(lines) > 0 {
				t.Errorf("trouble: %q", lines)
			}
			spans := w.guide.Spans()
			if len(spans) != len(w.guide.steps) {
				t.Errorf("%d stages marked of %d", len(spans), len(w.guide.steps))
			}
			for _, span := range spans {
				const near = int64(100 * time.Millisecond)
				if off := span.Start - w.began[span.Stage]; off < -near || off > near {
					t.Errorf("%s is marked %v off", span.Stage, time.Duration(off))
				}
			}
			again, err := stages.Parse("x", stages.Format("x", spans))
			if err != nil || len(again) != len(spans) {
				t.Errorf("the stages file holds %d of %d: %v", len(again), len(spans), err)
			}
		})
	}
}

// TestNotShown: what the car does not show is said, and nothing else is.
func TestNotShown(t *testing.T) {
	tests := map[string]struct {
		without []string
		want    string
	}{
		"engine speed": {[]string{"EngineSpeed"}, "not seen yet: EngineSpeed; not yet: engine turned (0 at most); not yet: engine runs (0 at most); not yet: engine speed over 3300 (0 at most)"},
		"pedal":        {[]string{"EnginePedal"}, "not seen yet: EnginePedal; pedal: 0 of 3 times, from 0 to 0"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			const setting = "lowan-2-20t-a5"
			which, _ := demo.ParseSetting(setting)
			w := play(t, setting, demo.Options{Script: demo.Script(0.4, which), Without: tt.without})
			if got := strings.Join(w.lines(Wanted), "; "); got != tt.want {
				t.Errorf("said %q, want %q", got, tt.want)
			}
		})
	}
}

// manual is a guide without a setting, played by hand.
type manual struct {
	*Guide
	said []Line
}

func byHand(t *testing.T, o Options) *manual {
	t.Helper()
	m := &manual{}
	if o.Buses == nil {
		o.Buses = func(uint16) string { return "" }
	}
	var err error
	if m.Guide, err = New(o, func(l Line) { m.said = append(m.said, l) }); err != nil {
		t.Fatal(err)
	}
	return m
}

func (m *manual) text() string {
	var list []string
	for _, l := range m.said {
		list = append(list, l.Text)
	}
	m.said = nil
	return strings.Join(list, "|")
}

const second = int64(time.Second)

func TestAnswers(t *testing.T) {
	m := byHand(t, Options{Stages: []string{"key-on", "pedal", "brake", "cruise"}, Quick: true})
	m.Start(second)
	if s := m.text(); s != "Key on, engine off. Touch nothing." {
		t.Errorf("begins with %q", s)
	}
	m.Frames([]can.Frame{{Time: 2 * second}})
	m.Answer(Again)
	if s := m.text(); !strings.HasSuffix(s, "Key on, engine off. Touch nothing.") {
		t.Errorf("again: %q", s)
	}
	m.Frames([]can.Frame{{Time: 9 * second}})
	if s := m.text(); !strings.Contains(s, "every message came|key on|Engine off: the throttle plate moves") {
		t.Errorf("after the step: %q", s)
	}
	m.Answer(Skip)
	if s := m.text(); !strings.HasPrefix(s, "pedal: left out|Brake") {
		t.Errorf("skip: %q", s)
	}
	m.Answer("what")
	if s := m.text(); !strings.HasPrefix(s, "Enter goes on") {
		t.Errorf("an answer that is none: %q", s)
	}
	m.Tick(20 * second)
	m.Answer(Finish)
	if !m.Finished() || len(m.Spans()) != 2 {
		t.Errorf("finished %v with %v", m.Finished(), m.Spans())
	}
	// "again" begins the stage anew.
	if s := m.Spans()[0]; s.Stage != "key-on" || s.Start != 2*second || s.End != 9*second {
		t.Errorf("key-on is marked %+v", s)
	}
	m.Answer(Next) // after the end nothing happens
	m.Tick(30 * second)
}

// TestPause: stimuli are kept 2 s apart.
func TestPause(t *testing.T) {
	m := byHand(t, Options{Stages: []string{"key-on", "pedal"}})
	m.Start(second)
	m.Tick(2 * second)
	m.Answer(Next)
	m.text()
	m.Tick(3 * second)
	if s := m.text(); s != "" {
		t.Errorf("after 1 s: %q", s)
	}
	m.Tick(4 * second)
	if s := m.text(); !strings.Contains(s, "pedal slowly to the floor") {
		t.Errorf("after 2 s: %q", s)
	}
}

func TestTroubles(t *testing.T) {
	m := byHand(t, Options{Stages: []string{"key-on"}})
	m.Start(second)
	m.Tick(3 * second)
	m.Tick(5 * second)
	m.Tick(6 * second)
	if s := m.text(); strings.Count(s, "nothing comes: the bus sleeps") != 1 {
		t.Errorf("a silent bus: %q", s)
	}
	errs := make([]can.Frame, 20)
	for i := range errs {
		errs[i] = can.Frame{Time: 7*second + int64(i), Flags: can.Error}
	}
	m.Frames(errs)
	m.Tick(8 * second)
	if s := m.text(); !strings.Contains(s, "only errors come: the bit rate is wrong") {
		t.Errorf("errors alone: %q", s)
	}
	m.Lost(7)
	if s := m.text(); !strings.Contains(s, "7 frames were lost on the way here") {
		t.Errorf("lost frames: %q", s)
	}
	m = byHand(t, Options{Stages: []string{"key-off"}})
	m.Start(second)
	for at := int64(1); at < 200; at++ {
		m.Frames([]can.Frame{{Time: at * second}})
	}
	if s := m.text(); !strings.Contains(s, "the bus does not go to sleep") {
		t.Errorf("a bus that goes on: %q", s)
	}
}

// TestCautions: before the engine turns, a gear is chosen or the pedal moves, the
// caution comes before what to do.
func TestCautions(t *testing.T) {
	setting := lowan(t, "lowan-2-20t-a5")
	for _, stage := range []string{"pedal", "lever", "crank", "rev", "in-gear", "road", "warm-up"} {
		m := byHand(t, Options{Setting: setting, Stages: []string{stage}})
		m.Start(second)
		if m.said[0].Kind != Caution || m.said[len(m.said)-1].Kind != Do {
			t.Errorf("%s: %v", stage, m.said)
		}
	}
}

func TestHandsFree(t *testing.T) {
	m := byHand(t, Options{Stages: []string{"cruise", "asleep"}, Quick: true, HandsFree: true})
	m.Start(second)
	for at := int64(1); at < 40; at++ {
		m.Frames([]can.Frame{{Time: at * second}})
	}
	if !m.Finished() {
		t.Errorf("waits for %v", m.Missing())
	}
}

func TestNoStage(t *testing.T) {
	if _, err := New(Options{Stages: []string{"tea"}, Buses: func(uint16) string { return "" }}, nil); err == nil {
		t.Error("a script without a stage")
	}
}

// Frames cost nothing while nothing is said.
func TestFramesAllocateNothing(t *testing.T) {
	m := byHand(t, Options{Setting: lowan(t, "lowan-2-20t-a5"), Buses: func(uint16) string { return "drive" }, Stages: []string{"brake"}})
	m.Start(second)
	frames := make([]can.Frame, 100)
	now := second
	if n := testing.AllocsPerRun(100, func() {
		for i := range frames {
			now += int64(time.Millisecond)
			frames[i] = can.Frame{Time: now, ID: 0x1D2, Len: 8, DLC: 8}
		}
		m.Frames(frames)
	}); n != 0 {
		t.Errorf("%v allocations for 100 frames", n)
	}
}
