package answers

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/rules"
	"plugproof/replay"
	"plugproof/replay/modules"
)

// loop is the closed loop without a bus: the engine's frames of a capture, changes
// to them, simulated units that listen, and the verdict on what those answer.
type loop struct {
	t        *testing.T
	setting  *profiles.Setting
	schedule *replay.Schedule
	car      replay.Car
	buses    can.Buses
	expect   *Expectations
}

// content is what the units are to answer to a good engine.
const content = `
format: 1
expect:
  - {message: ClusterStatus, within: 500ms, every: 300ms}
  - {message: GearboxStatus, within: 500ms, every: 100ms}
  - {title: the cluster hears engine speed, signal: ClusterStatus.IsEngineSpeedMissing, stays: 0, from: 2s}
  - {title: the malfunction lamp goes out, signal: ClusterLamps.IsMilLit, stays: 0, from: 8s}
  - {title: the gearbox does not limp, signal: GearboxStatus.IsGearboxLimp, stays: 0}
  - {title: the tachometer follows, signal: ClusterLamps.TachometerShownRpm, follows: EngineSpeed.EngineSpeedRpm, within: 400ms, off: 60}
  - {title: the gateway copies the lever, signal: GearRelay.RelayLever, follows: GearboxStatus.LeverPosition, within: 400ms, off: 0}
`

func newLoop(t *testing.T) *loop {
	l := &loop{t: t, setting: lowan(t)}
	for _, name := range []string{"drive", "body"} {
		l.buses.Intern([]byte(name))
	}
	l.car = replay.Car{Setting: l.setting, Buses: []string{"drive", "body"}}
	kind, err := demo.ParseSetting("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	d, err := demo.New(kind, demo.Options{Script: []demo.Stage{
		{Name: "key-on", Length: 3 * time.Second}, {Name: "crank", Length: 2 * time.Second}, {Name: "idle", Length: 11 * time.Second},
	}})
	if err != nil {
		t.Fatal(err)
	}
	l.schedule, err = replay.ReadSchedule(t.Context(), d, replay.ScheduleOptions{Keep: func(f *can.Frame) (int, bool) {
		facts := l.car.Facts(replay.Message{Bus: int(f.Bus), ID: replay.MessageOf(&replay.Item{Frame: *f}).ID})
		return int(f.Bus), facts != nil && facts.Sender == "Engine"
	}})
	if err != nil {
		t.Fatal(err)
	}
	if l.expect, err = Parse("content.yaml", []byte(content), l.setting); err != nil {
		t.Fatal(err)
	}
	return l
}

// run plays the schedule with changes and returns what came of it.
func (l *loop) run(changes ...replay.Change) *Outcome {
	l.t.Helper()
	guards, err := l.car.Guards()
	if err != nil {
		l.t.Fatal(err)
	}
	stream, err := guards.Change(l.schedule.Stream(), changes, 0)
	if err != nil {
		l.t.Fatal(err)
	}
	units, err := modules.New(l.setting, &l.buses, "Cluster", "Gearbox", "Stability", "Body", "Climate")
	if err != nil {
		l.t.Fatal(err)
	}
	path := filepath.Join(l.t.TempDir(), "answers.log")
	file, err := os.Create(path)
	if err != nil {
		l.t.Fatal(err)
	}
	w, err := capture.NewWriter(file, &l.buses, capture.WriterOptions{})
	if err != nil {
		l.t.Fatal(err)
	}
	one := make([]can.Frame, 1)
	if err := units.Bench(stream, 16*time.Second, func(f *can.Frame) {
		one[0] = *f
		one[0].Time += begin
		if err := w.Write(one); err != nil {
			l.t.Fatal(err)
		}
	}); err != nil {
		l.t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		l.t.Fatal(err)
	}
	if err := file.Close(); err != nil {
		l.t.Fatal(err)
	}
	out, err := Run(l.t.Context(), &Input{Setting: l.setting, Capture: path, Expect: l.expect, Begin: begin, Virtual: true, Played: l.played()})
	if err != nil {
		l.t.Fatal(err)
	}
	return out
}

// played lists the engine's messages.
func (l *loop) played() (names []string) {
	for _, m := range l.setting.Messages {
		if m.Sender == "Engine" {
			names = append(names, m.Name)
		}
	}
	return names
}

// change makes a change of a message from 6 s on: long after everybody's grace.
func (l *loop) change(kind replay.ChangeKind, message string, length time.Duration) replay.Change {
	l.t.Helper()
	m, _, err := l.car.Message(message)
	if err != nil {
		l.t.Fatal(err)
	}
	return replay.Change{Message: m, Kind: kind, Begin: 6 * time.Second, Length: length}
}

func (l *loop) set(signal string, v float64) replay.Change {
	l.t.Helper()
	m, s, err := l.car.Signal(signal)
	if err != nil {
		l.t.Fatal(err)
	}
	return replay.Change{Message: m, Kind: replay.Set, Signal: s, From: v, To: v, Begin: 6 * time.Second}
}

func said(o *Outcome) (list []string) {
	for _, f := range slices.Concat(o.Check.Findings, o.Expected) {
		if f.Verdict >= rules.Review {
			list = append(list, f.Verdict.String()+" "+f.Rule+": "+f.Text)
		}
	}
	return list
}

// A good capture keeps everybody content, and every expectation is met.
func TestContent(t *testing.T) {
	out := newLoop(t).run()
	if out.Verdict != rules.Pass && out.Verdict != rules.NotTestable {
		t.Errorf("%v:\n%s", out.Verdict, strings.Join(said(out), "\n"))
	}
	for _, f := range out.Expected {
		// In park and neutral the lever stands still.
		if want := f.Signal == "RelayLever"; f.Verdict != rules.Pass && !want {
			t.Errorf("%v: %s", f.Verdict, f.Text)
		}
	}
	if len(said(out)) > 0 || !out.Unjudged() {
		t.Errorf("unjudged %v; said:\n%s", out.Unjudged(), strings.Join(said(out), "\n"))
	}
}

// Faults made on purpose: each is noticed by the units that listen, and found by
// the verdict, which names what they say of themselves.
func TestFaults(t *testing.T) {
	l := newLoop(t)
	fault := 0
	// Raw patterns of all ones, in the unit of the signal: lowan-drive.dbc.
	const noSpeed, noCoolant, noTorque, noPedal, noFan = 16383.75, 143.25, -512, 102, 102
	for _, tt := range []struct {
		name   string
		change replay.Change
		noted  []string // flags of units that must be found
		missed []string // expectations that must fail
	}{
		{"engine speed missing", l.change(replay.Drop, "EngineSpeed", 0), []string{"IsEngineSpeedMissing", "IsGearboxLimp", "IsEngineDataAbsent", "IsEngineStateMissing"}, []string{"the cluster hears engine speed", "the tachometer follows", "the gearbox does not limp"}},
		{"engine speed stopped for 2.5 s", l.change(replay.Drop, "EngineSpeed", 2500*time.Millisecond), []string{"IsGearboxLimp", "IsEngineSpeedAbsent"}, []string{"the gearbox does not limp"}},
		{"counter of engine speed frozen", l.change(replay.Freeze, "EngineSpeed", 0), []string{"IsEngineSpeedMissing", "IsEngineDataInvalid"}, []string{"the cluster hears engine speed", "the gearbox does not limp", "the tachometer follows"}},
		{"checksum of engine speed wrong", l.change(replay.Break, "EngineSpeed", 0), []string{"IsEngineSpeedMissing", "IsEngineDataInvalid"}, []string{"the cluster hears engine speed", "the gearbox does not limp", "the tachometer follows"}},
		{"engine speed not available", l.set("EngineSpeed.EngineSpeedRpm", noSpeed), []string{"IsEngineSpeedMissing"}, []string{"the cluster hears engine speed", "the gearbox does not limp"}},
		{"temperatures missing", l.change(replay.Drop, "EngineTemps", 0), []string{"IsCoolantMissing"}, nil},
		{"coolant not available", l.set("EngineTemps.CoolantTemp", noCoolant), []string{"IsCoolantMissing"}, nil},
		{"lamps missing", l.change(replay.Drop, "EngineLamps", 0), []string{"IsEngineLampsMissing"}, []string{"the malfunction lamp goes out"}},
		{"torque missing", l.change(replay.Drop, "EngineTorque", 0), []string{"IsEngineMissed", "IsGearboxLimp", "IsEngineDataAbsent"}, []string{"the gearbox does not limp"}},
		{"torque stopped for 900 ms", l.change(replay.Drop, "EngineTorque", 900*time.Millisecond), []string{"IsEngineMissed", "IsEngineDataAbsent"}, nil},
		{"torque stopped for 3 s", l.change(replay.Drop, "EngineTorque", 3*time.Second), []string{"IsGearboxLimp"}, []string{"the gearbox does not limp"}},
		{"counter of torque frozen", l.change(replay.Freeze, "EngineTorque", 0), []string{"IsGearboxLimp", "IsEngineDataInvalid"}, []string{"the gearbox does not limp"}},
		{"checksum of torque wrong", l.change(replay.Break, "EngineTorque", 0), []string{"IsGearboxLimp", "IsEngineDataInvalid"}, []string{"the gearbox does not limp"}},
		{"torque not available", l.set("EngineTorque.ActualTorque", noTorque), []string{"IsGearboxLimp", "IsEngineDataInvalid"}, []string{"the gearbox does not limp"}},
		{"torque late by 1 s", func() replay.Change { c := l.change(replay.Delay, "EngineTorque", 0); c.Over = time.Second; return c }(), []string{"IsEngineMissed", "IsEngineDataAbsent"}, nil},
		{"pedal missing", l.change(replay.Drop, "EnginePedal", 0), []string{"IsGearboxLimp", "IsEngineDataAbsent"}, []string{"the gearbox does not limp"}},
		{"checksum of the pedal wrong", l.change(replay.Break, "EnginePedal", 0), []string{"IsGearboxLimp", "IsEngineDataInvalid"}, []string{"the gearbox does not limp"}},
		{"counter of the pedal frozen", l.change(replay.Freeze, "EnginePedal", 0), []string{"IsGearboxLimp", "IsEngineDataInvalid"}, []string{"the gearbox does not limp"}},
		{"pedal not available", l.set("EnginePedal.PedalPercent", noPedal), []string{"IsGearboxLimp", "IsEngineDataInvalid"}, []string{"the gearbox does not limp"}},
		{"switches missing", l.change(replay.Drop, "EngineSwitches", 0), []string{"IsEngineDataAbsent"}, nil},
		{"toggle bit of the switches frozen", l.change(replay.Freeze, "EngineSwitches", 0), []string{"IsEngineDataInvalid"}, nil},
		{"fan command missing", l.change(replay.Drop, "EngineCooling", 0), []string{"IsFanFailSafe"}, nil},
		{"fan command not available", l.set("EngineCooling.FanCommandPercent", noFan), []string{"IsFanFailSafe"}, nil},
		{"an engine of another kind", l.set("EngineConfig.EngineCode", 1), []string{"IsGearboxLimp"}, []string{"the gearbox does not limp"}},
		{"a lamp that stays lit", l.set("EngineLamps.IsMilOn", 1), nil, []string{"the malfunction lamp goes out"}},
	} {
		if fault++; testing.Short() && fault > 3 {
			break // all of them take 5 s
		}
		t.Run(tt.name, func(t *testing.T) {
			out := l.run(tt.change)
			text := strings.Join(said(out), "\n")
			if out.Verdict != rules.Fail {
				t.Errorf("the verdict is %v:\n%s", out.Verdict, text)
			}
			for _, flag := range tt.noted {
				if !complained(out, flag) {
					t.Errorf("nobody says %s:\n%s", flag, text)
				}
			}
			for _, title := range tt.missed {
				if !slices.ContainsFunc(out.Expected, func(f rules.Finding) bool {
					return f.Verdict == rules.Fail && strings.HasPrefix(f.Text, title+": ") && f.Example != nil
				}) {
					t.Errorf("the expectation %q is met:\n%s", title, text)
				}
			}
			// Only what must fail fails: the rest of the loop is sound.
			for _, f := range out.Expected {
				title, _, _ := strings.Cut(f.Text, ": ")
				if f.Verdict == rules.Fail && !slices.Contains(tt.missed, title) {
					t.Errorf("%s fails too", f.Text)
				}
			}
		})
	}
}

// complained reports whether the rules found what a unit says of itself.
func complained(out *Outcome, flag string) bool {
	return slices.ContainsFunc(out.Check.Findings, func(f rules.Finding) bool {
		return (f.Rule == "listener/complains" || f.Rule == "handshake/limp") && strings.Contains(f.Text, "."+flag+")")
	})
}
