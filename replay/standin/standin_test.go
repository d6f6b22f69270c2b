package standin

import (
	"errors"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/library"
	"plugproof/replay"
)

func lowan(t testing.TB) *profiles.Setting {
	t.Helper()
	s, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}).Load("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// made returns the items of a stand-in for the engine up to a time.
func made(t *testing.T, script string, until time.Duration, messages ...string) (*Standin, []replay.Item) {
	t.Helper()
	parsed, err := ParseScript("s.yaml", []byte(script))
	if err != nil {
		t.Fatal(err)
	}
	s, err := New(Config{Setting: lowan(t), Nodes: []string{"Engine"}, Messages: messages, Script: parsed})
	if err != nil {
		t.Fatal(err)
	}
	var items []replay.Item
	for {
		var item replay.Item
		err := s.Next(&item)
		if err == io.EOF || item.Offset >= until {
			return s, items
		}
		if err != nil {
			t.Fatal(err)
		}
		items = append(items, item)
	}
}

// read returns a signal's values over time: NaN for not available.
func read(t *testing.T, items []replay.Item, ref profiles.SignalRef) (at []time.Duration, values []float64) {
	t.Helper()
	m, _ := lowan(t).Signal(ref)
	decoder, _ := decode.NewDecoder([]decode.Mapping{{Database: lowan(t).Buses[1].Databases[0]}})
	message := decoder.Bus("").Message(m.Name)
	_, name := ref.Split()
	for i := range items {
		if items[i].Frame.ID != m.ID.Value {
			continue
		}
		v, ok := message.Signal(name).Read(&items[i].Frame)
		if !ok {
			continue
		}
		at = append(at, items[i].Offset)
		if v.Label() == "NotAvailable" {
			v.Phys = math.NaN()
		}
		values = append(values, v.Phys)
	}
	return at, values
}

// A unit that comes up: boot, start values, then the script's; the cycle of the
// profile, and protection that verifies.
func TestPowerUp(t *testing.T) {
	_, items := made(t, `
format: 1
boot: 100ms
start_values: 200ms
values: {EngineSpeed.EngineSpeedRpm: 812, EngineSpeed.EngineState: Running}
`, 3*time.Second)
	at, rpm := read(t, items, "EngineSpeed.EngineSpeedRpm")
	if len(at) < 140 {
		t.Fatalf("%d frames of engine speed in 2.9 s, want one every 20 ms", len(at))
	}
	for i := range at {
		if i > 0 && at[i]-at[i-1] != 20*time.Millisecond {
			t.Errorf("frame %d comes %v after the one before", i, at[i]-at[i-1])
		}
		if available := !math.IsNaN(rpm[i]); available != (at[i] >= 300*time.Millisecond) || available && rpm[i] != 812 {
			t.Errorf("at %v: %v rpm", at[i], rpm[i])
		}
	}
	if at[0] < 100*time.Millisecond || at[0] >= 120*time.Millisecond {
		t.Errorf("the first frame comes at %v", at[0])
	}
	for _, m := range lowan(t).Messages {
		if m.Sender == "Engine" {
			verify(t, m, items)
		}
	}
}

// verify holds the frames of a message to its protection.
func verify(t *testing.T, m *profiles.MessageFacts, items []replay.Item) {
	t.Helper()
	p, err := m.Protection()
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Counters)+len(p.Checksums)+len(p.Toggles)+len(p.Parities) == 0 {
		return
	}
	g, err := p.Compile()
	if err != nil {
		t.Fatal(err)
	}
	watch := g.Watch(int64(m.Cycle.Value))
	n := 0
	for i := range items {
		if items[i].Frame.ID == m.ID.Value {
			n++
			f := items[i].Frame
			f.Time = int64(items[i].Offset)
			if faults := watch.Add(&f); faults != 0 {
				t.Errorf("%s, frame %d: %v", m.Name, n, faults)
			}
		}
	}
	if n < 10 {
		t.Errorf("%s: %d frames only", m.Name, n)
	}
}

func TestSteps(t *testing.T) {
	_, items := made(t, `
format: 1
start_values: 0s
values: {EngineSpeed.EngineSpeedRpm: 800}
steps:
  - at: 1s
    set: {EngineSpeed.EngineSpeedRpm: 1000}
    hold: 1s
  - ramp: {EngineSpeed.EngineSpeedRpm: 3000}   # from 2 s
    over: 2s
  - set: {EngineSpeed.EngineSpeedRpm: not-available}
    hold: 500ms
  - power: off                                # at 4.5 s
    hold: 1s
  - power: on
    set: {EngineSpeed.EngineSpeedRpm: 0}
    hold: 500ms
  - repeat: 2                                 # from 6 s
    steps:
      - set: {EngineSpeed.EngineSpeedRpm: 100}
        hold: 200ms
      - at: 300ms
        set: {EngineSpeed.EngineSpeedRpm: 200}
        hold: 200ms
`, time.Minute, "EngineSpeed")
	at, rpm := read(t, items, "EngineSpeed.EngineSpeedRpm")
	want := func(t time.Duration) float64 {
		s := t.Seconds()
		switch {
		case s < 1:
			return 800
		case s < 2:
			return 1000
		case s < 4:
			return 1000 + (s-2)*1000
		case s < 4.5:
			return math.NaN()
		case s < 5.5:
			return -1 // no frame
		case s < 6:
			return 0
		}
		if math.Mod(s-6, 0.5) < 0.3-1e-9 {
			return 100
		}
		return 200
	}
	for i := range at {
		w := want(at[i])
		// Values follow the script in steps of 10 ms: 10 rpm of this ramp.
		if math.IsNaN(w) != math.IsNaN(rpm[i]) || !math.IsNaN(w) && math.Abs(rpm[i]-w) > 10 {
			t.Errorf("at %v: %v rpm, want %v", at[i], rpm[i], w)
		}
	}
	if last := at[len(at)-1]; last >= 7*time.Second || last < 6960*time.Millisecond || len(at) < 290 {
		t.Errorf("%d frames, the last at %v; the script is 7 s long", len(at), last)
	}
}

func TestForever(t *testing.T) {
	s, items := made(t, `
format: 1
start_values: 0s
steps:
  - set: {EngineSpeed.EngineSpeedRpm: 10}
    hold: 1s
  - repeat: forever
    steps:
      - ramp: {EngineSpeed.EngineSpeedRpm: 50}
        over: 100ms
      - set: {EngineSpeed.EngineSpeedRpm: 10}
        hold: 100ms
`, 100*time.Second, "EngineSpeed")
	if _, ends := s.Length(); ends {
		t.Error("it has an end")
	}
	at, rpm := read(t, items, "EngineSpeed.EngineSpeedRpm")
	if len(at) < 4990 {
		t.Fatalf("%d frames in 100 s", len(at))
	}
	for i := range at {
		since := math.Mod(at[i].Seconds()-1, 0.2)
		want := 10.0
		if at[i] > time.Second && since < 0.1-1e-9 {
			want = 10 + since*400
		}
		if math.Abs(rpm[i]-want) > 4.1 {
			t.Errorf("at %v: %v rpm, want %v", at[i], rpm[i], want)
		}
	}
}

// Pages of a multiplexer in turn, constants of the profile, an event on demand
// and one on change.
func TestPagesConstantsEvents(t *testing.T) {
	_, items := made(t, `
format: 1
start_values: 0s
values: {EngineConfig.SoftwareNumber: 4711}
steps:
  - at: 1s
    send: [EngineCruise]
  - at: 2s
    set: {EngineCruise.CruiseSetKph: 90}
  - hold: 2s
`, time.Minute)
	_, codes := read(t, items, "EngineConfig.EngineCode")
	_, software := read(t, items, "EngineConfig.SoftwareNumber")
	if len(codes) < 3 || len(software) < 3 || codes[0] != 2 || software[0] != 4711 { // lowan-2-20t: engine code 2
		t.Errorf("engine codes %v, software numbers %v", codes, software)
	}
	at, speeds := read(t, items, "EngineCruise.CruiseSetKph")
	if len(at) != 2 || at[0] < time.Second || at[0] > 1100*time.Millisecond || at[1] < 2*time.Second || speeds[1] != 90 {
		t.Errorf("cruise at %v: %v", at, speeds)
	}
}

func TestSet(t *testing.T) {
	s, err := New(Config{Setting: lowan(t), Nodes: []string{"Engine"}, Messages: []string{"EngineTemps"}})
	if err != nil {
		t.Fatal(err)
	}
	const ref = "EngineTemps.CoolantTemp"
	if err := s.Set(ref, 1); err == nil {
		t.Error("a signal that is not bound is set")
	}
	if err := s.Bind(ref); err != nil {
		t.Fatal(err)
	}
	if err := s.Set(ref, 1000); err == nil {
		t.Error("1000 °C fit into 8 bits")
	}
	var items []replay.Item
	for i, v := range []float64{math.NaN(), 90, 40.5, math.NaN()} {
		if i > 0 {
			if err := s.Set(ref, v); err != nil {
				t.Fatal(err)
			}
		}
		for range 10 { // one every 100 ms; start values for 250 ms
			var item replay.Item
			if err := s.Next(&item); err != nil {
				t.Fatal(err)
			}
			items = append(items, item)
		}
	}
	_, got := read(t, items, ref)
	for i, want := range []float64{math.NaN(), 90, 40.5, math.NaN()} {
		for _, v := range got[i*10 : i*10+10] {
			if v != want && !(math.IsNaN(v) && math.IsNaN(want)) {
				t.Errorf("after setting %v: %v", want, v)
			}
		}
	}
}

// Two units, one of them on two buses.
func TestBuses(t *testing.T) {
	s, err := New(Config{Setting: lowan(t), Nodes: []string{"Cluster", "Stability"}})
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	for range 2000 {
		var item replay.Item
		if err := s.Next(&item); err != nil {
			t.Fatal(err)
		}
		seen[s.Buses().Name(uint16(item.Bus))]++
	}
	if seen["drive"] < 500 || seen["body"] < 50 || len(seen) != 2 {
		t.Errorf("frames by bus: %v", seen)
	}
}

func TestSilent(t *testing.T) {
	parsed, err := ParseScript("s.yaml", []byte("format: 1\nsteps:\n  - power: off\n    hold: 1s\n  - repeat: forever\n    steps: [{hold: 1s}]\n"))
	if err != nil {
		t.Fatal(err)
	}
	s, err := New(Config{Setting: lowan(t), Nodes: []string{"Engine"}, Script: parsed})
	if err != nil {
		t.Fatal(err)
	}
	var item replay.Item
	for err == nil {
		err = s.Next(&item)
	}
	if !errors.Is(err, ErrSilent) {
		t.Errorf("a unit without power: %v", err)
	}
}

func TestRefused(t *testing.T) {
	for _, tt := range []struct {
		name   string
		config Config
		want   string
	}{
		{"no such unit", Config{Nodes: []string{"Motor"}}, `lowan-2-20t-a5 has no unit "Motor"`},
		{"another unit's message", Config{Nodes: []string{"Engine"}, Messages: []string{"GearboxStatus"}}, `Engine sends no message "GearboxStatus"`},
		{"a unit that sends nothing", Config{Nodes: []string{}}, "sends nothing"},
	} {
		tt.config.Setting = lowan(t)
		if _, err := New(tt.config); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.name, err, tt.want)
		}
	}
}

// Faults of scripts, with the place that the error names.
func TestScriptFaults(t *testing.T) {
	for _, tt := range []struct{ name, script, want string }{
		{"empty", "", "s.yaml:1:1: error: the file holds one document"},
		{"no format", "values: {}\n", "s.yaml:1:1: error: the file does not say its format"},
		{"a newer format", "format: 2\n", "s.yaml:1:1: error: format 2 is newer"},
		{"unknown key", "format: 1\nspeed: 3\n", `s.yaml:2:1: error: unknown field "speed"`},
		{"unknown key of a step", "format: 1\nsteps:\n  - wait: 3s\n", `s.yaml:3:5: error: unknown field "wait"`},
		{"no unit", "format: 1\nboot: 60\n", `s.yaml:2:7: error: "60" is no time`},
		{"no such signal", "format: 1\nvalues: {EngineSpeed.Rpm: 1}\n", "s.yaml:2:10: error: EngineSpeed.Rpm: no such signal"},
		{"a signal of another unit", "format: 1\nvalues:\n  GearboxStatus.ActualGear: 1\n", "s.yaml:3:3: error: GearboxStatus.ActualGear: no such signal"},
		{"a counter", "format: 1\nvalues: {EngineSpeed.EngineSpeedCount: 1}\n", "s.yaml:2:10: error: EngineSpeedCount: the message's protection owns"},
		{"too large", "format: 1\nvalues: {EngineSpeed.EngineSpeedRpm: 20000}\n", "s.yaml:2:10: error: EngineSpeedRpm: 20000 rpm does not fit"},
		{"no number", "format: 1\nvalues: {EngineSpeed.EngineState: Flying}\n", `s.yaml:2:10: error: EngineSpeed.EngineState: "Flying" is no number`},
		{"nothing to say so with", "format: 1\nvalues: {EngineLamps.IsMilOn: not-available}\n", "s.yaml:2:10: error: IsMilOn: the value is not available"},
		{"given twice", "format: 1\nvalues: {EngineTemps.OilTemp: 1, EngineTemps.OilTemp: 2}\n", "s.yaml:2:"},
		{"a list of values", "format: 1\nvalues: {EngineTemps.OilTemp: [1]}\n", "s.yaml:2:31: error: a single value belongs here"},
		{"backwards", "format: 1\nsteps:\n  - hold: 2s\n  - at: 1s\n", "s.yaml:4:5: error: at: 1s is before the step above ends (2s)"},
		{"a ramp of no time", "format: 1\nsteps:\n  - ramp: {EngineTemps.OilTemp: 1}\n", "s.yaml:3:5: error: ramp and over belong together"},
		{"over without a ramp", "format: 1\nsteps:\n  - over: 2s\n", "s.yaml:3:5: error: ramp and over belong together"},
		{"a ramp to nowhere", "format: 1\nsteps:\n  - ramp: {EngineTemps.OilTemp: not-available}\n    over: 1s\n", "s.yaml:3:12: error: EngineTemps.OilTemp cannot go to not-available"},
		{"an unknown message", "format: 1\nsteps:\n  - send: [Nothing]\n", "s.yaml:3:12: error: message Nothing is not sent"},
		{"power", "format: 1\nsteps:\n  - power: half\n", `s.yaml:3:12: error: power is on or off, not "half"`},
		{"no rounds", "format: 1\nsteps:\n  - repeat: 0\n    steps: [{hold: 1s}]\n", `s.yaml:3:13: error: repeat "0"`},
		{"a repeat of nothing", "format: 1\nsteps:\n  - repeat: 2\n", "s.yaml:3:5: error: repeat and steps belong together"},
		{"a repeat that holds", "format: 1\nsteps:\n  - repeat: 2\n    hold: 1s\n    steps: [{hold: 1s}]\n", "s.yaml:3:5: error: a repeat does nothing but repeat"},
		{"a round of no time", "format: 1\nsteps:\n  - repeat: 2\n    steps: [{power: on}]\n", "s.yaml:3:5: error: a round of the repeat takes no time"},
		{"something after forever", "format: 1\nsteps:\n  - repeat: forever\n    steps: [{hold: 1s}]\n  - hold: 1s\n", "s.yaml:3:5: error: repeat: forever is not the last step"},
		{"forever inside", "format: 1\nsteps:\n  - repeat: 2\n    steps: [{repeat: forever, steps: [{hold: 1s}]}]\n", "error: repeat: forever is not the last step"},
		{"rounds without number", "format: 1\nsteps:\n  - repeat: 1000\n    steps: [{repeat: 1000, steps: [{set: {EngineTemps.OilTemp: 1}, hold: 1ms}]}]\n", "error: the script goes on for over"},
		{"an alias", "format: 1\nvalues: &a {EngineTemps.OilTemp: 1}\n", "s.yaml:2:9: error: anchors, aliases and tags have no place here"},
	} {
		parsed, err := ParseScript("s.yaml", []byte(tt.script))
		if err == nil {
			_, err = New(Config{Setting: lowan(t), Nodes: []string{"Engine"}, Script: parsed})
		}
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s:\n%v\nwant %q", tt.name, err, tt.want)
		}
	}
}

func TestAllocations(t *testing.T) {
	s, _ := made(t, "format: 1\nsteps:\n  - repeat: forever\n    steps:\n      - ramp: {EngineSpeed.EngineSpeedRpm: 5000}\n        over: 50ms\n      - set: {EngineSpeed.EngineSpeedRpm: 0}\n        hold: 10ms\n", time.Second)
	var item replay.Item
	if n := testing.AllocsPerRun(1000, func() {
		if err := s.Next(&item); err != nil {
			t.Fatal(err)
		}
	}); n > 0 {
		t.Errorf("%v allocations a frame", n)
	}
}

// The same script gives the same frames.
func TestDeterministic(t *testing.T) {
	const script = "format: 1\nvalues: {EngineSpeed.EngineSpeedRpm: 900}\n"
	_, a := made(t, script, 5*time.Second)
	_, b := made(t, script, 5*time.Second)
	if d := cmp.Diff(a, b); d != "" {
		t.Error(d)
	}
	if !slices.ContainsFunc(a, func(i replay.Item) bool { return i.Frame.ID == 0x0D6 && i.Frame.Len == can.MaxClassicLen }) {
		t.Error("no frame of engine speed")
	}
}

func FuzzParseScript(f *testing.F) {
	f.Add("format: 1\nboot: 60ms\nvalues: {EngineSpeed.EngineSpeedRpm: 800}\nsteps:\n  - at: 1s\n    ramp: {EngineTemps.OilTemp: 90}\n    over: 1s\n")
	f.Add("format: 1\nsteps:\n  - repeat: forever\n    steps: [{send: [EngineCruise], hold: 1s}, {power: off}]\n")
	f.Add("format: 1\nsteps: [{repeat: 999999999, steps: [{hold: 1000h}]}]")
	setting := lowan(f)
	f.Fuzz(func(t *testing.T, script string) {
		parsed, err := ParseScript("s.yaml", []byte(script))
		if err != nil {
			return
		}
		s, err := New(Config{Setting: setting, Nodes: []string{"Engine"}, Script: parsed})
		if err != nil {
			return
		}
		var item replay.Item
		last := time.Duration(0)
		for range 50 {
			if err := s.Next(&item); err != nil {
				return
			}
			if item.Offset < last || item.Frame.Valid() != nil {
				t.Fatalf("%v after %v: %+v", item.Offset, last, item.Frame)
			}
			last = item.Offset
		}
	})
}
