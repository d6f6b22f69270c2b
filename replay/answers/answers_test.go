package answers

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/library"
	"plugproof/profiles/rules"
)

func lowan(t testing.TB) *profiles.Setting {
	t.Helper()
	s, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}).Load("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

const begin = 1_700_000_000_000_000_000 // ns

// bench makes frames of the demo car: one every step ms of each message.
type bench struct {
	t       testing.TB
	setting *profiles.Setting
	decoder *decode.Decoder
}

func newBench(t testing.TB) *bench {
	b := &bench{t: t, setting: lowan(t)}
	var maps []decode.Mapping
	for _, bus := range b.setting.Buses {
		for _, db := range bus.Databases {
			maps = append(maps, decode.Mapping{Bus: bus.Name, Database: db})
		}
	}
	b.decoder, _ = decode.NewDecoder(maps)
	return b
}

// frame makes one frame with a signal's value, NaN for its pattern of all ones.
func (b *bench) frame(ms int, ref profiles.SignalRef, v float64) can.Frame {
	b.t.Helper()
	name, signal := ref.Split()
	facts := b.setting.Message(name)
	m := b.decoder.Bus(facts.Bus).Message(name)
	var f can.Frame
	values := map[string]float64{}
	if !math.IsNaN(v) {
		values[signal] = v
	}
	if err := m.Encode(&f, values); err != nil { // start values, which are "not available"
		b.t.Fatal(err)
	}
	f.Time = begin + int64(ms)*1e6
	if facts.Bus == "body" {
		f.Bus = 1
	}
	return f
}

// judged plays frames and returns the only finding.
func (b *bench) judged(expect string, frames []can.Frame) rules.Finding {
	b.t.Helper()
	e, err := Parse("e.yaml", []byte("format: 1\nexpect:\n  - "+strings.ReplaceAll(expect, "\n", "\n    ")), b.setting)
	if err != nil {
		b.t.Fatal(err)
	}
	j := New(b.setting, e, []string{"drive", "body"}, begin)
	for i := range frames {
		j.Add(&frames[i])
	}
	list := j.Findings(func(f *can.Frame) *rules.Example { return &rules.Example{Record: uint32((f.Time - begin) / 1e6)} })
	if len(list) != 1 {
		b.t.Fatalf("%d findings, want 1", len(list))
	}
	return list[0]
}

// series makes a frame every step ms up to end, with the value of a function of the ms.
func (b *bench) series(ref profiles.SignalRef, step, end int, v func(ms int) float64) (frames []can.Frame) {
	for ms := 0; ms < end; ms += step {
		frames = append(frames, b.frame(ms, ref, v(ms)))
	}
	return frames
}

func constant(v float64) func(int) float64 { return func(int) float64 { return v } }

// after is 0 up to a time and 1 from then on.
func after(from int) func(int) float64 {
	return func(ms int) float64 {
		if ms < from {
			return 0
		}
		return 1
	}
}

const flag profiles.SignalRef = "ClusterStatus.IsEngineSpeedMissing"

func TestMessage(t *testing.T) {
	b := newBench(t)
	regular := b.series(flag, 100, 5000, constant(0))
	late := b.series(flag, 100, 5000, constant(0))[7:]
	gap := append(b.series(flag, 100, 2000, constant(0)), b.frame(2900, flag, 0), b.frame(3000, flag, 0))
	cut := append(b.series(flag, 100, 2000, constant(0)), b.frame(5000, "EngineSpeed.EngineSpeedRpm", 800))
	before := []can.Frame{b.frame(-100, flag, 0), b.frame(5000, "EngineSpeed.EngineSpeedRpm", 800)}
	for _, tt := range []struct {
		name, expect string
		frames       []can.Frame
		want         rules.Verdict
		text         string
		record       uint32 // ms of the example
	}{
		{"in time", "message: ClusterStatus\nwithin: 500ms\nevery: 150ms", regular, rules.Pass, "its longest gap was 100ms", 0},
		{"late", "message: ClusterStatus\nwithin: 500ms", late, rules.Fail, "came after 700ms, expected within 500ms", 700},
		{"late, and nobody minds", "message: ClusterStatus\nwithin: 800ms", late, rules.Pass, "came after 700ms", 0},
		{"a gap", "message: ClusterStatus\nevery: 300ms", gap, rules.Fail, "stayed away for 1s, expected every 300ms", 2900},
		{"it stops", "message: ClusterStatus\nevery: 300ms", cut, rules.Fail, "stayed away for 3.1s", 0},
		{"never", "message: ClusterStatus\nwithin: 500ms", cut[20:], rules.Fail, "ClusterStatus never came", 0},
		{"before anything was played does not count", "message: ClusterStatus\nwithin: 500ms", before, rules.Fail, "never came", 0},
		{"too short a replay", "message: ClusterStatus\nwithin: 500ms", b.series("EngineSpeed.EngineSpeedRpm", 20, 300, constant(0)), rules.NotTestable, "the replay ended after 280ms", 0},
		{"another bus has the identifier", "message: GearRelay\nwithin: 500ms", func() []can.Frame {
			f := b.frame(0, "GearRelay.RelayLever", 1)
			f.Bus = 0
			g := f
			g.Time += 1e9
			return []can.Frame{f, g}
		}(), rules.Fail, "GearRelay never came", 0},
	} {
		hold(t, tt.name, b.judged(tt.expect, tt.frames), tt.want, tt.text, tt.record)
	}
}

func hold(t *testing.T, name string, f rules.Finding, want rules.Verdict, text string, record uint32) {
	t.Helper()
	got := uint32(0)
	if f.Example != nil {
		got = f.Example.Record
	}
	if f.Verdict != want || !strings.Contains(f.Text, text) || got != record {
		t.Errorf("%s: %v %q, example at %d ms; want %v %q at %d ms", name, f.Verdict, f.Text, got, want, text, record)
	}
	if f.LimitFrom != "e.yaml:3:5" || f.Rule == "" || f.Message == "" {
		t.Errorf("%s: %+v", name, f)
	}
}

func TestStays(t *testing.T) {
	b := newBench(t)
	for _, tt := range []struct {
		name, expect string
		frames       []can.Frame
		want         rules.Verdict
		text         string
		record       uint32
	}{
		{"it does", "signal: " + string(flag) + "\nstays: 0", b.series(flag, 100, 5000, constant(0)), rules.Pass, "stayed 0 in all of 50 frames", 0},
		{"it does not", "title: no lamp\nsignal: " + string(flag) + "\nstays: 0", b.series(flag, 100, 5000, after(3000)), rules.Fail, "no lamp: ClusterStatus.IsEngineSpeedMissing was 1 after 3s, expected to stay 0 (20 of 50 frames)", 3000},
		{"after the time that counts", "signal: " + string(flag) + "\nstays: 0\nuntil: 2900ms", b.series(flag, 100, 5000, after(3000)), rules.Pass, "30 frames", 0},
		{"before the time that counts", "signal: " + string(flag) + "\nstays: 1\nfrom: 3s", b.series(flag, 100, 5000, after(3000)), rules.Pass, "20 frames", 0},
		{"a text", "signal: IgnitionRelay.KeyState\nstays: \"On\"", b.series("IgnitionRelay.KeyState", 50, 500, constant(2)), rules.Pass, "stayed On", 0},
		{"not available", "signal: IgnitionRelay.KeyState\nstays: 2", b.series("IgnitionRelay.KeyState", 50, 500, constant(math.NaN())), rules.Fail, "was not available after 0s", 0},
		{"never there", "signal: " + string(flag) + "\nstays: 0", b.series("EngineSpeed.EngineSpeedRpm", 20, 300, constant(0)), rules.NotTestable, "never came", 0},
		{"not there when it counts", "signal: " + string(flag) + "\nstays: 0\nfrom: 9s", b.series(flag, 100, 5000, constant(0)), rules.NotTestable, "never came in the time", 0},
	} {
		hold(t, tt.name, b.judged(tt.expect, tt.frames), tt.want, tt.text, tt.record)
	}
}

func TestBecomes(t *testing.T) {
	b := newBench(t)
	expect := "signal: " + string(flag) + "\nbecomes: 1\nfrom: 1s\nwithin: 2s"
	for _, tt := range []struct {
		name   string
		frames []can.Frame
		want   rules.Verdict
		text   string
		record uint32
	}{
		{"in time", b.series(flag, 100, 5000, after(2500)), rules.Pass, "became 1 after 1.5s", 0},
		{"at once", b.series(flag, 100, 5000, after(0)), rules.Pass, "became 1 after 0s", 0},
		{"too late", b.series(flag, 100, 5000, after(3100)), rules.Fail, "did not become 1 within 2s of 1s: it was still 0", 3000},
		{"the replay is too short", b.series(flag, 100, 2000, constant(0)), rules.NotTestable, "before the replay ended", 1900},
		{"the sender is silent", append(b.series(flag, 100, 500, constant(0)), b.frame(9000, "EngineSpeed.EngineSpeedRpm", 1)), rules.NotTestable, "it came 0 times", 0},
	} {
		hold(t, tt.name, b.judged(expect, tt.frames), tt.want, tt.text, tt.record)
	}
}

// merge puts frames of two series into the order of time.
func merge(a, b []can.Frame) (all []can.Frame) {
	for len(a)+len(b) > 0 {
		if len(b) == 0 || len(a) > 0 && a[0].Time <= b[0].Time {
			all, a = append(all, a[0]), a[1:]
		} else {
			all, b = append(all, b[0]), b[1:]
		}
	}
	return all
}

func TestFollows(t *testing.T) {
	b := newBench(t)
	const lead, copied = "GearboxStatus.LeverPosition", "GearRelay.RelayLever"
	lever := func(delay int) func(int) float64 {
		return func(ms int) float64 { return float64(1 + max(0, ms-delay)/1000%4) }
	}
	led := b.series(lead, 20, 6000, lever(0))
	expect := "signal: " + copied + "\nfollows: " + lead + "\nwithin: 300ms"
	for _, tt := range []struct {
		name, expect string
		frames       []can.Frame
		want         rules.Verdict
		text         string
		record       uint32
	}{
		{"close behind", expect, merge(led, b.series(copied, 100, 6000, lever(200))), rules.Pass, "followed GearboxStatus.LeverPosition in all of 57 frames", 0},
		{"too far behind", expect, merge(led, b.series(copied, 100, 6000, lever(500))), rules.Fail, "RelayLever was 1 after 1.3s, while GearboxStatus.LeverPosition had been 2 in the 300ms before", 1300},
		{"another value", expect, merge(led, b.series(copied, 100, 6000, constant(5))), rules.Fail, "was 5", 300},
		{"not available", expect, merge(led, b.series(copied, 100, 6000, constant(math.NaN()))), rules.Fail, "was not available", 300},
		{"nothing moved", expect, merge(b.series(lead, 20, 6000, constant(1)), b.series(copied, 100, 6000, constant(1))), rules.NotTestable, "never moved", 0},
		{"nothing to follow", expect, b.series(copied, 100, 6000, constant(1)), rules.NotTestable, "never came while", 0},
		{"the leader is not available", expect, merge(b.series(lead, 20, 6000, constant(math.NaN())), b.series(copied, 100, 6000, constant(1))), rules.NotTestable, "never came while", 0},
		{
			"a needle of its own scale", "signal: ClusterLamps.TachometerShownRpm\nfollows: EngineSpeed.EngineSpeedRpm\nwithin: 300ms\noff: 25",
			merge(b.series("EngineSpeed.EngineSpeedRpm", 20, 6000, func(ms int) float64 { return float64(ms) }),
				b.series("ClusterLamps.TachometerShownRpm", 200, 6000, func(ms int) float64 { return float64(max(0, ms-100)) })), rules.Pass, "followed", 0,
		},
		{
			"half of it", "signal: ClusterLamps.TachometerShownRpm\nfollows: EngineSpeed.EngineSpeedRpm\nwithin: 300ms\noff: 25\nratio: 0.5",
			merge(b.series("EngineSpeed.EngineSpeedRpm", 20, 6000, func(ms int) float64 { return float64(ms) }),
				b.series("ClusterLamps.TachometerShownRpm", 200, 6000, func(ms int) float64 { return float64(max(0, ms-100)) / 2 })), rules.Pass, "followed", 0,
		},
	} {
		hold(t, tt.name, b.judged(tt.expect, tt.frames), tt.want, tt.text, tt.record)
	}
}

// A copy that is late by no more than within, of any course, is never wrong.
func TestFollowsProperty(t *testing.T) {
	b := newBench(t)
	rapid.Check(t, func(rt *rapid.T) {
		within := rapid.IntRange(20, 400).Draw(rt, "within")
		delay := rapid.IntRange(0, within).Draw(rt, "delay")
		values := rapid.SliceOfN(rapid.IntRange(0, 160), 20, 20).Draw(rt, "values")
		course := func(ms int) float64 { return float64(50 * values[max(0, ms)/300%len(values)]) }
		led := b.series("EngineSpeed.EngineSpeedRpm", 10, 5000, course)
		copied := b.series("ClusterLamps.TachometerShownRpm", 100, 5000, func(ms int) float64 {
			return course((ms - delay) / 10 * 10) // as a gateway does: the newest value that is delay old
		})
		f := b.judged("signal: ClusterLamps.TachometerShownRpm\nfollows: EngineSpeed.EngineSpeedRpm\nwithin: "+
			(time.Duration(within+10)*time.Millisecond).String(), merge(led, copied))
		want := rules.NotTestable
		for i := range 17 {
			if values[i] != values[0] {
				want = rules.Pass
			}
		}
		if f.Verdict != want {
			rt.Fatalf("a good copy is %v, want %v: %s", f.Verdict, want, f.Text)
		}
	})
}

func TestExpectationFaults(t *testing.T) {
	setting := lowan(t)
	for _, tt := range []struct{ expect, want string }{
		{"", "e.yaml:1:1: error: the file holds one document"},
		{"format: 1\n", "nothing is expected"},
		{"format: 1\nexpect:\n  - message: Nothing\n    within: 1s\n", `e.yaml:3:5: error: lowan-2-20t-a5 has no message "Nothing"`},
		{"format: 1\nexpect:\n  - message: ClusterStatus\n", "e.yaml:3:5: error: message needs within or every"},
		{"format: 1\nexpect:\n  - message: ClusterStatus\n    stays: 1\n", "an expectation has one of message, stays, becomes and follows"},
		{"format: 1\nexpect:\n  - signal: ClusterStatus.IsFuelLow\n", "an expectation has one of"},
		{"format: 1\nexpect:\n  - signal: ClusterStatus.Nothing\n    stays: 1\n", `has no signal "ClusterStatus.Nothing"`},
		{"format: 1\nexpect:\n  - stays: 1\n", `has no signal ""`},
		{"format: 1\nexpect:\n  - signal: ClusterStatus.IsFuelLow\n    stays: low\n", `"low" is no number and no text`},
		{"format: 1\nexpect:\n  - signal: ClusterStatus.IsFuelLow\n    stays: 1\n    within: 1s\n", "stays has no within"},
		{"format: 1\nexpect:\n  - signal: ClusterStatus.IsFuelLow\n    becomes: 1\n", "becomes and follows need within"},
		{"format: 1\nexpect:\n  - signal: ClusterStatus.IsFuelLow\n    becomes: 1\n    within: 1s\n    until: 2s\n", "becomes has no until"},
		{"format: 1\nexpect:\n  - signal: ClusterStatus.IsFuelLow\n    stays: 1\n    from: 2s\n    until: 1s\n", "until is not after from"},
		{"format: 1\nexpect:\n  - signal: ClusterStatus.IsFuelLow\n    stays: 1\n    off: 2\n", "off and ratio belong to follows"},
		{"format: 1\nexpect:\n  - signal: ClusterStatus.IsFuelLow\n    follows: EngineSpeed.Nothing\n    within: 1s\n", `has no signal "EngineSpeed.Nothing"`},
		{"format: 1\nexpect:\n  - message: ClusterStatus\n    within: 1\n", `e.yaml:4:13: error: "1" is no time`},
		{"format: 1\nexpect:\n  - message: ClusterStatus\n    soon: 1s\n", `e.yaml:4:5: error: unknown field "soon"`},
		{"format: 1\nexpect:\n  - signal: ClusterStatus.IsFuelLow\n    stays: [0]\n", "e.yaml:4:12: error: a single value belongs here"},
	} {
		if _, err := Parse("e.yaml", []byte(tt.expect), setting); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%q:\n%v\nwant %q", tt.expect, err, tt.want)
		}
	}
}

func TestAddAllocatesNothing(t *testing.T) {
	b := newBench(t)
	e, err := Parse("e.yaml", []byte(`
format: 1
expect:
  - {message: ClusterStatus, every: 1s}
  - {signal: ClusterStatus.IsFuelLow, stays: 0}
  - {signal: ClusterLamps.TachometerShownRpm, follows: EngineSpeed.EngineSpeedRpm, within: 100ms}
`), b.setting)
	if err != nil {
		t.Fatal(err)
	}
	j := New(b.setting, e, []string{"drive", "body"}, begin)
	frames := merge(b.series("EngineSpeed.EngineSpeedRpm", 20, 2000, func(ms int) float64 { return float64(ms) }),
		b.series("ClusterLamps.TachometerShownRpm", 100, 2000, constant(0)))
	pass := func() {
		for i := range frames {
			frames[i].Time += 2e9
			j.Add(&frames[i])
		}
	}
	pass()
	if n := testing.AllocsPerRun(10, pass); n > 0 {
		t.Errorf("%v allocations for %d frames", n, len(frames))
	}
}

func FuzzParse(f *testing.F) {
	setting := lowan(f)
	f.Add("format: 1\nexpect:\n  - message: ClusterStatus\n    within: 500ms\n    every: 1s\n")
	f.Add("format: 1\nexpect:\n  - {signal: ClusterStatus.IsFuelLow, stays: 0, from: 1s, until: 2s}\n  - {signal: GearRelay.RelayLever, follows: GearboxStatus.LeverPosition, within: 1s, off: 1, ratio: 2}\n  - {signal: GearboxStatus.IsGearboxLimp, becomes: 1, within: 3s}\n")
	f.Fuzz(func(t *testing.T, src string) {
		e, err := Parse("e.yaml", []byte(src), setting)
		if err != nil {
			return
		}
		j := New(setting, e, []string{"drive", "body"}, 0)
		j.Add(&can.Frame{ID: 0x36E, Len: 8, DLC: 8, Time: 1e9})
		j.Add(&can.Frame{ID: 0x12B, Len: 6, DLC: 6, Time: 2e9})
		for _, f := range j.Findings(nil) {
			if f.Text == "" || f.Rule == "" {
				t.Errorf("%+v", f)
			}
		}
	})
}
