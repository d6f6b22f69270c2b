package exercise

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
	"plugproof/profiles/rules"
	"plugproof/replay"
	"plugproof/replay/modules"
)

func lowan(t testing.TB) *profiles.Setting {
	t.Helper()
	s, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}).Load("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// bench is a simulated cluster on a bus in memory, and a technician who reads it.
type bench struct {
	t       *testing.T
	car     *modules.Car
	setting *profiles.Setting
	mangle  func(*can.Frame)    // what happens to frames on the way; nil: nothing
	read    func(answer) string // how the technician answers; nil: as it is
	asked   int
}

// answer is what the cluster shows at the moment of a question.
type answer struct {
	asked    int
	rpm      float64
	needle   float64
	isMilLit bool
}

// play runs an exercise. The bus is told of every frame that is played.
func (b *bench) play(x *Exercise) (Outcome, error) {
	b.t.Helper()
	buses := &can.Buses{}
	buses.Intern([]byte("drive"))
	var err error
	if b.car, err = modules.New(b.setting, buses, "Cluster"); err != nil {
		b.t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(b.t.Context())
	start := time.Now()
	bus := replay.NewMemory(0)
	bus.Listen(func(f can.Frame) {
		if b.mangle != nil {
			b.mangle(&f)
		}
		b.car.Hear(0, &f, time.Since(start))
	})
	face := &shows{}
	ended := make(chan error, 2)
	go func() { // the cluster sends; what it shows is in its frames
		_, err := replay.Play(ctx, b.car, face, nil)
		ended <- err
	}()
	go func() {
		_, err := replay.Play(ctx, x.Stream(), bus, nil)
		ended <- err
	}()
	out, err := x.Guide(ctx, Talk{
		Tell: func(string) {},
		Ask: func(_ context.Context, question string) (string, error) {
			synctest.Wait()
			shown := face.look()
			shown.asked = b.asked
			b.asked++
			if b.read == nil {
				return strconv.FormatFloat(shown.rpm, 'f', -1, 64), nil
			}
			text := b.read(shown)
			if text == "" {
				return "", io.EOF
			}
			return text, nil
		},
	})
	synctest.Wait()
	cancel()
	for range 2 {
		if e := <-ended; e != nil && !errors.Is(e, context.Canceled) {
			b.t.Errorf("playing: %v", e)
		}
	}
	return out, err
}

// shows takes what the cluster shows from its frames: identifier 362 of the body
// bus, as lowan-body.dbc says.
type shows struct {
	mu  sync.Mutex
	now answer
}

func (s *shows) look() answer {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.now
}

func (s *shows) Send(_ context.Context, _ int, f *can.Frame) error {
	if f.ID == 0x362 {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.now = answer{rpm: 50 * float64(f.Data[1]), needle: 0.4 * float64(f.Data[2]), isMilLit: f.Data[0]&1 != 0}
	}
	return nil
}

func exercised(t *testing.T, b *bench, c Config) (out Outcome) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		b.t = t
		if b.setting == nil {
			b.setting = lowan(t)
		}
		if c.Setting == nil {
			c.Setting = b.setting
		}
		x, err := New(c)
		if err != nil {
			t.Fatal(err)
		}
		if out, err = b.play(x); err != nil {
			t.Fatal(err)
		}
	})
	return out
}

func steps(o Outcome) (list []string) {
	for _, s := range o.Steps {
		list = append(list, fmt.Sprintf("%s: %v", s.What, s.Verdict))
	}
	return list
}

// A good cluster and a right frame.
func TestTachometer(t *testing.T) {
	for _, seed := range []uint64{1, 2, 3} {
		out := exercised(t, &bench{}, Config{Function: "tachometer", Seed: seed})
		want := []string{"steady value: pass", "steady value: pass", "steady value: pass", "steady value: pass", "not available: pass", "stopped: pass", "back again: pass"}
		if out.Verdict != rules.Pass || !slices.Equal(steps(out), want) {
			t.Errorf("seed %d: %v %q\n%+v", seed, out.Verdict, out.Text, out.Steps)
		}
		for i, s := range out.Steps[:hiddenSteps] {
			for _, o := range out.Steps[:i] {
				if math.Abs(s.Sent-o.Sent) < 450 { // three times what a person reads
					t.Errorf("seed %d: %g and %g are hard to tell apart", seed, s.Sent, o.Sent)
				}
			}
		}
	}
}

// What goes out: the factory's own frames first, then the range and back in
// quarters with nothing asked, four values that nobody sees, "not available", and
// a stop that is longer than the cluster waits.
func TestWhatIsSent(t *testing.T) {
	type sent struct {
		at    time.Time
		rpm   float64 // EngineSpeed: the first two bytes, 0.25 rpm a bit (lowan-drive.dbc)
		frame can.Frame
	}
	var mu sync.Mutex // the player writes, the technician reads
	var all []sent
	factory := control(t, lowan(t), 2000)
	asked := []int{} // frames before each question
	b := &bench{setting: lowan(t), mangle: func(f *can.Frame) {
		if f.ID == 0x0D6 {
			mu.Lock()
			defer mu.Unlock()
			all = append(all, sent{time.Now(), 0.25 * float64(int(f.Data[0])<<8|int(f.Data[1])), *f})
		}
	}}
	b.read = func(a answer) string {
		mu.Lock()
		defer mu.Unlock()
		asked = append(asked, len(all))
		return strconv.FormatFloat(a.rpm, 'f', -1, 64)
	}
	out := exercised(t, b, Config{Function: "tachometer", Control: factory, Shown: 2000, Seed: 7})
	if out.Verdict != rules.Pass || len(asked) != 8 || len(all) < asked[7] {
		t.Fatalf("%v %q after %d questions", out.Verdict, out.Text, len(asked))
	}
	played := 0
	for _, s := range all[:asked[0]] {
		if s.rpm == 2000 && s.frame.Data == factory[played].Data {
			played++
		}
	}
	if played < 100 {
		t.Errorf("%d frames of the factory unit before the first question", played)
	}
	var levels []float64
	for _, s := range all[asked[0]:asked[1]] {
		if len(levels) == 0 || levels[len(levels)-1] != s.rpm {
			levels = append(levels, s.rpm)
		}
	}
	// Before it a last frame of the factory unit may come, and after it the first
	// value that nobody sees.
	want := []float64{0, 1750, 3500, 5250, 7000, 5250, 3500, 1750, 0}
	if at := slices.Index(levels, 0); at < 0 || len(levels) < at+len(want) || !slices.Equal(levels[at:at+len(want)], want) {
		t.Errorf("the range is %v, want %v", levels, want)
	}
	if last := all[asked[5]-1]; last.frame.Data[0] != 0xFF || last.frame.Data[1] != 0xFF {
		t.Errorf("not available: % X", last.frame.Data[:8])
	}
	longest := time.Duration(0)
	for i := range all[1:] {
		longest = max(longest, all[i+1].at.Sub(all[i].at))
	}
	if longest < 5*time.Second { // GenSigTimeoutTime of EngineSpeed for the cluster
		t.Errorf("it stops for %v", longest)
	}
}

// frames of the factory unit, as its own profile makes them.
func control(t *testing.T, setting *profiles.Setting, value float64) (list []can.Frame) {
	t.Helper()
	x, err := New(Config{Setting: setting, Function: "tachometer"})
	if err != nil {
		t.Fatal(err)
	}
	if err := x.set(value); err != nil {
		t.Fatal(err)
	}
	s := x.Stream()
	for len(list) < 600 {
		var item replay.Item
		if err := s.Next(&item); err != nil {
			t.Fatal(err)
		}
		if item.Frame.ID == x.facts.ID.Value && item.Offset > time.Second {
			list = append(list, item.Frame)
		}
	}
	return list
}

// wrong is a profile with another constant in the checksum of engine speed than
// the cluster has.
func wrong(t *testing.T) *profiles.Setting {
	t.Helper()
	s := lowan(t)
	sum := *s.Message("EngineSpeed").Own.Checksum
	sum.Over = slices.Clone(sum.Over)
	sum.Over[1].Bytes = []byte{0x72}
	own := *s.Message("EngineSpeed").Own
	own.Checksum = &sum
	s.Message("EngineSpeed").Own = &own
	return s
}

// The four cases that the verdict is to tell apart, and the one that it cannot.
func TestWhoIsToBlame(t *testing.T) {
	factory := control(t, lowan(t), 2000)
	deaf := func(f *can.Frame) { f.ID = 0x7FF }
	for _, tt := range []struct {
		name    string
		profile *profiles.Setting
		control []can.Frame
		mangle  func(*can.Frame)
		want    rules.Verdict
		text    string
	}{
		{"right frame, good cluster", lowan(t), factory, nil, rules.Pass, "reacts when that is missing"},
		{"wrong frame, good cluster", wrong(t), factory, nil, rules.Fail, "is fine: it shows the factory's frame; our frame was wrong (the needle does not move)"},
		{"right frame, dead cluster", lowan(t), factory, deaf, rules.Fail, "does not react to a right frame"},
		{"wrong frame and no control", wrong(t), nil, nil, rules.Fail, "cannot be told without the factory's own frame"},
		{"dead cluster and no control", lowan(t), nil, deaf, rules.Fail, "cannot be told without the factory's own frame"},
		{"a control of another car", lowan(t), control(t, wrong(t), 2000), nil, rules.Review, "not those of the factory capture"},
	} {
		b := &bench{setting: lowan(t), mangle: tt.mangle}
		out := exercised(t, b, Config{Setting: tt.profile, Function: "tachometer", Control: tt.control, Shown: 2000, Seed: 7})
		if out.Verdict != tt.want || !strings.Contains(out.Text, tt.text) {
			t.Errorf("%s: %v %q\nwant %v %q\n%v", tt.name, out.Verdict, out.Text, tt.want, tt.text, steps(out))
		}
	}
}

// A scale of another car: all readings are half.
func TestScale(t *testing.T) {
	half := func(a answer) string { return strconv.FormatFloat(a.rpm/2, 'f', -1, 64) }
	out := exercised(t, &bench{read: half}, Config{Function: "tachometer", Control: control(t, lowan(t), 0), Seed: 3})
	if out.Verdict != rules.Fail || !strings.Contains(out.Text, "0.5 times what was sent") {
		t.Errorf("%v %q", out.Verdict, out.Text)
	}
}

// The flat middle of the coolant gauge is not asked about, and the needle at the
// cold stop without a value is as it should be.
func TestCoolantGauge(t *testing.T) {
	read := func(a answer) string { return strconv.FormatFloat(a.needle, 'f', 0, 64) }
	for seed := range uint64(5) {
		out := exercised(t, &bench{read: read}, Config{Function: "coolant-gauge", Seed: seed})
		if out.Verdict != rules.Pass || len(out.Steps) < 5 {
			t.Errorf("seed %d: %v %q\n%+v", seed, out.Verdict, out.Text, out.Steps)
		}
		for _, s := range out.Steps {
			if s.Sent >= 75 && s.Sent <= 115 {
				t.Errorf("seed %d: asked at %g °C, where the needle does not move", seed, s.Sent)
			}
		}
	}
}

func TestLamp(t *testing.T) {
	lit := func(a answer) string {
		if a.isMilLit {
			return "Lit"
		}
		return "dark"
	}
	out := exercised(t, &bench{read: lit}, Config{Function: "malfunction-lamp", Seed: 4})
	want := []string{"steady value: pass", "steady value: pass", "steady value: pass", "steady value: pass", "stopped: pass", "back again: pass"}
	if out.Verdict != rules.Pass || !slices.Equal(steps(out), want) {
		t.Errorf("%v %q %v", out.Verdict, out.Text, steps(out))
	}
	dark := func(answer) string { return "dark" }
	if out := exercised(t, &bench{read: dark}, Config{Function: "malfunction-lamp", Seed: 4}); out.Verdict != rules.Fail {
		t.Errorf("a lamp that is always dark: %v %q", out.Verdict, out.Text)
	}
	// The cluster of the demo car does not light this one by itself.
	out = exercised(t, &bench{read: func(answer) string { return "dark" }}, Config{Function: "power-lamp", Seed: 4})
	if out.Verdict != rules.Fail {
		t.Errorf("a lamp that nobody lights: %v %q", out.Verdict, out.Text)
	}
}

// What people answer besides numbers.
func TestAnswers(t *testing.T) {
	for _, tt := range []struct {
		name string
		read func(answer) string
		want rules.Verdict
		text string
	}{
		{"nobody is there", func(answer) string { return "" }, rules.NotTestable, "no steady value was answered"},
		{"cannot tell", func(answer) string { return "?" }, rules.NotTestable, "no steady value was answered"},
		{"one slip of the eye", func(a answer) string {
			if a.asked == 1 {
				return "9000"
			}
			return strconv.FormatFloat(a.rpm, 'f', -1, 64)
		}, rules.Review, "one reading was off: 9000"},
		{"two are none", func(a answer) string {
			if a.asked == 1 || a.asked == 2 {
				return "9000"
			}
			return strconv.FormatFloat(a.rpm, 'f', -1, 64)
		}, rules.Fail, "does not show what was sent"},
		{"words first", func(a answer) string {
			if a.asked%2 == 0 {
				return "about two thousand"
			}
			return strings.ReplaceAll(strconv.FormatFloat(a.rpm, 'f', 1, 64), ".", ",")
		}, rules.Pass, "shows what it is sent"},
		{"it leaves after the steady values", func(a answer) string {
			if a.asked == hiddenSteps {
				return ""
			}
			return strconv.FormatFloat(a.rpm, 'f', -1, 64)
		}, rules.Pass, "shows what it is sent"},
		{"it stays where it was", func(a answer) string {
			if a.asked == hiddenSteps+1 {
				return "3000"
			}
			return strconv.FormatFloat(a.rpm, 'f', -1, 64)
		}, rules.Review, "not what the profile says when its value is missing"},
		{"it does not come back", func(a answer) string {
			if a.asked >= hiddenSteps+1 {
				return "0"
			}
			return strconv.FormatFloat(a.rpm, 'f', -1, 64)
		}, rules.Fail, "does not come back"},
	} {
		out := exercised(t, &bench{read: tt.read}, Config{Function: "tachometer", Seed: 11})
		if out.Verdict != tt.want || !strings.Contains(out.Text, tt.text) {
			t.Errorf("%s: %v %q, want %v %q\n%v", tt.name, out.Verdict, out.Text, tt.want, tt.text, steps(out))
		}
	}
}

func TestCannot(t *testing.T) {
	for _, tt := range []struct{ function, want string }{
		{"speedometer", "VehicleSpeed (0x14E) is never sent"},
		{"air-con", "no gauge and no lamp"},
		{"nothing", `lowan-2-20t-a5 has no function "nothing"`},
	} {
		if _, err := New(Config{Setting: lowan(t), Function: tt.function}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.function, err, tt.want)
		}
	}
}

// What is sent beside the function's message is what the cluster waits for and the
// profile lets a bench send, and nothing else: no torque, no pedal.
func TestMessages(t *testing.T) {
	x, err := New(Config{Setting: lowan(t), Function: "coolant-gauge"})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := x.Messages(), []string{"EngineFuel", "EngineLamps", "EngineSpeed", "EngineSwitches", "EngineTemps"}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// Interrupted while it waits.
func TestCancel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		x, err := New(Config{Setting: lowan(t), Function: "tachometer"})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancelCause(t.Context())
		why := errors.New("enough")
		time.AfterFunc(time.Second, func() { cancel(why) })
		if _, err := x.Guide(ctx, Talk{Tell: func(string) {}}); !errors.Is(err, why) {
			t.Errorf("%v", err)
		}
		var item replay.Item
		if err := x.Stream().Next(&item); err != io.EOF {
			t.Errorf("the stream goes on after the dialogue: %v", err)
		}
	})
}

// A capture of the demo car holds steady engine speed at idle, and a lamp that is
// lit at key-on; its coolant is in the flat middle or moves.
func TestControl(t *testing.T) {
	kind, err := demo.ParseSetting("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		function    string
		least, most float64 // shown
		want        bool
	}{
		{"tachometer", 700, 1200, true},
		{"malfunction-lamp", 1, 1, true},
		{"coolant-gauge", 0, 0, false},
	} {
		d, err := demo.New(kind, demo.Options{Script: []demo.Stage{
			{Name: "key-on", Length: 6 * time.Second}, {Name: "crank", Length: 2 * time.Second}, {Name: "idle", Length: 20 * time.Second},
		}})
		if err != nil {
			t.Fatal(err)
		}
		x, err := New(Config{Setting: lowan(t), Function: tt.function})
		if err != nil {
			t.Fatal(err)
		}
		frames, shown, err := x.Control(t.Context(), d, func(f *can.Frame) bool { return d.Buses().Name(f.Bus) == "drive" })
		if err != nil || (len(frames) > 0) != tt.want || tt.want && (shown < tt.least || shown > tt.most) {
			t.Errorf("%s: %d frames that show %g, %v", tt.function, len(frames), shown, err)
		}
		for i := range frames {
			if frames[i].ID != x.facts.ID.Value || i > 0 && frames[i].Time-frames[i-1].Time > 3*int64(x.facts.Cycle.Value) {
				t.Fatalf("%s: frame %d: %+v", tt.function, i, frames[i])
			}
		}
	}
}
