package demo

import (
	"fmt"
	"math"
	"testing"
	"time"

	"plugproof/profiles/traffic"
)

// simulate moves the car through its script without making frames.
func simulate(d *Drive, look func(stage string, t float64)) {
	for t := time.Duration(0); d.step(t); t += traffic.DefaultStep {
		look(d.stage(t), t.Seconds())
	}
}

func (d *Drive) stage(t time.Duration) string {
	for _, s := range d.script {
		if t < s.Length {
			return s.Name
		}
		t -= s.Length
	}
	return ""
}

// span is the range of a value.
type span struct{ low, high float64 }

func (s *span) add(v float64) {
	s.low, s.high = min(s.low, v), max(s.high, v)
}

// figures are what one run of the script showed, by stage.
type figures struct {
	rpm, torque, demand, pedal, speed, volts, coolant map[string]*span
	levers                                            map[lever]bool
	floored, floor                                    int // steps in a row at full pedal: now, most
	grants, compressors                               int
	requests                                          []request
	fanOn                                             bool
}

// request is one torque request of the gearbox.
type request struct {
	stage            string
	step             float64 // asked for, Nm
	answered, obeyed int     // steps until then; -1: never
	steps            int     // how long it lasted
}

func measure(t *testing.T, d *Drive) *figures {
	f := &figures{levers: map[lever]bool{}}
	for _, m := range []*map[string]*span{&f.rpm, &f.torque, &f.demand, &f.pedal, &f.speed, &f.volts, &f.coolant} {
		*m = map[string]*span{}
	}
	c := d.car
	before := *c
	simulate(d, func(stage string, at float64) {
		for m, v := range map[*map[string]*span]float64{
			&f.rpm: c.engine.rpm, &f.torque: c.engine.torque, &f.demand: c.engine.demand, &f.pedal: c.in.pedal,
			&f.speed: 3.6 * c.chassis.speed, &f.volts: c.electric.volts, &f.coolant: c.heat.coolant,
		} {
			if (*m)[stage] == nil {
				(*m)[stage] = &span{v, v}
			}
			(*m)[stage].add(v)
		}
		f.levers[c.in.lever] = true
		f.floored++
		if c.in.pedal < 99.5 {
			f.floored = 0
		}
		f.floor = max(f.floor, f.floored)
		f.grants += rises(before.climate.granted, c.climate.granted)
		f.compressors += rises(before.climate.compressor, c.climate.compressor)
		f.fanOn = f.fanOn || stage == "warm-up" && c.heat.feedback > 5
		if stage == "warm-up" && !f.fanOn && c.heat.coolant < before.heat.coolant {
			t.Errorf("%.2f s: the coolant cools down before the fan runs", at)
		}
		f.slews(t, at, &before, c)
		f.dialogue(stage, &before, c)
		before = *c
	})
	return f
}

func rises(before, now bool) int {
	if now && !before {
		return 1
	}
	return 0
}

// slews checks that nothing jumps faster than the trade's limits for real values
// (rpm 15000/s, coolant 2 °C/s, speed 50 km/h/s), and that counts only grow.
func (f *figures) slews(t *testing.T, at float64, before, now *car) {
	t.Helper()
	check := func(what string, a, b, limit float64) {
		if math.Abs(b-a)/step > limit {
			t.Errorf("%.2f s: %s goes from %.2f to %.2f within %v s", at, what, a, b, step)
		}
	}
	check("engine speed", before.engine.rpm, now.engine.rpm, 15000)
	check("coolant", before.heat.coolant, now.heat.coolant, 2)
	check("vehicle speed", 3.6*before.chassis.speed, 3.6*now.chassis.speed, 50)
	if now.chassis.distance < before.chassis.distance || now.engine.fuelUsed < before.engine.fuelUsed {
		t.Errorf("%.2f s: a count goes back", at)
	}
	if now.engine.running && now.engine.ran > 1 && (now.engine.rpm < 450 || now.engine.rpm > revLimit+200) {
		t.Errorf("%.2f s: the running engine turns at %.0f rpm", at, now.engine.rpm)
	}
}

// dialogue follows the torque requests of the gearbox.
func (f *figures) dialogue(stage string, before, now *car) {
	if now.gearbox.request == noRequest {
		return
	}
	if before.gearbox.request == noRequest {
		f.requests = append(f.requests, request{
			stage: stage, step: max(now.engine.before, before.engine.torque) - now.gearbox.request, answered: -1, obeyed: -1,
		})
	}
	r := &f.requests[len(f.requests)-1]
	r.steps++
	if r.answered < 0 && now.engine.answer == answerDone {
		r.answered = r.steps
	}
	if r.obeyed < 0 && now.engine.torque <= now.gearbox.request+0.5*r.step {
		r.obeyed = r.steps
	}
}

// The whole script, short and full, in every setting, behaves as a car does and
// exercises what the rules will look for.
func TestModel(t *testing.T) {
	for i, s := range Settings() {
		if testing.Short() && i%3 != 0 {
			continue
		}
		for _, scale := range []float64{0, 1} {
			for name, opts := range map[string]Options{
				"usual": {Seed: 1},
				"cold":  {Seed: 2, Warmer: -32, Idle: 60},
				"hot":   {Seed: 3, Warmer: 15, Idle: -40, FanOn: 4},
			} {
				if scale > 0 && name != "cold" {
					continue // a quarter of an hour each
				}
				t.Run(fmt.Sprintf("%s/%v/%s", s, scale, name), func(t *testing.T) {
					opts.Script = Script(scale, s)
					modelBehaves(t, s, opts)
				})
			}
		}
	}
}

func modelBehaves(t *testing.T, s Setting, opts Options) {
	d := newDrive(t, s, opts)
	f := measure(t, d)
	within := func(what string, v, low, high float64) {
		t.Helper()
		if v < low || v > high {
			t.Errorf("%s: %.2f, want %v to %v", what, v, low, high)
		}
	}
	peak := s.peak()
	within("torque with the key on and the pedal down", f.torque["pedal"].high-f.torque["pedal"].low, 0, 0)
	within("driver demand then", f.demand["pedal"].high, 0.8*peak, peak)
	within("steps at full pedal", float64(f.floor), 100, 1e9)
	within("cranking speed", f.rpm["crank"].high, 150, 300)
	within("supply while cranking", f.volts["crank"].low, 9, 11)
	within("highest speed at idle", f.rpm["idle"].high, 800, 1700)
	within("lowest speed when warm", f.rpm["air-con"].low, idleWarm+opts.Idle-80, idleWarm+opts.Idle)
	within("idle raised by air-con", f.rpm["air-con"].high, idleWarm+opts.Idle+60, idleWarm+opts.Idle+230)
	within("coolant span", f.coolant["warm-up"].high-f.coolant["idle"].low, 20, 140)
	within("coolant at the end of the warm-up", f.coolant["warm-up"].high, usualFanOn+opts.FanOn, usualFanOn+opts.FanOn+4)
	within("free revs", f.rpm["rev"].high, 3300, 3900)
	within("torque on overrun", f.torque["rev"].low, -40, -15)
	within("torque on the road", f.torque["road"].high, 0.5*peak, 1.02*peak)
	within("road speed", f.speed["road"].high, 30, 118)
	within("speed before the road", f.speed["rev"].high, 0, 0)
	within("engine speed at the end", d.car.engine.rpm, 0, 0)
	within("grants", float64(f.grants), 3, 3)
	within("compressor starts", float64(f.compressors), 3, 3)
	if !f.fanOn {
		t.Error("the fan did not run in the warm-up")
	}
	if d.car.chassis.speed != 0 {
		t.Errorf("the car still rolls at %.1f m/s", d.car.chassis.speed)
	}
	for _, l := range []lever{park, reverse, neutral, forward, low} {
		if !f.levers[l] {
			t.Errorf("the lever was never in position %d", l)
		}
	}
	if !s.Automatic() {
		if len(f.requests) != 0 {
			t.Errorf("a manual gearbox made %d torque requests", len(f.requests))
		}
		return
	}
	inGear := 0
	for i, r := range f.requests {
		if r.stage == "in-gear" {
			inGear++
		}
		if r.answered < 2 || r.answered > 4 || r.obeyed < 1 || r.obeyed > 10 || r.steps < 20 {
			t.Errorf("request %d: %+v: want an answer in 20 to 40 ms, half the step in 100 ms, and 200 ms of it", i, r)
		}
	}
	if len(f.requests) < 5 || inGear < 2 {
		t.Errorf("%d torque requests, %d of them in gear and standing; want 5 and 2", len(f.requests), inGear)
	}
}

// Units fall asleep one after the other after key-off, and then the buses are silent.
func TestSleep(t *testing.T) {
	s := Setting{2, TwoLitreTurbo, Auto5}
	script := []Stage{{"idle", 8 * time.Second}, {"key-off", 20 * time.Second}}
	d := newDrive(t, s, Options{Script: script})
	finder := decoderOf(t, s).Finder(d.Buses())
	last := map[string]float64{}
	for _, f := range drain(t, d) {
		last[finder.Lookup(&f).Def.Senders[0]] = float64(f.Time-DefaultStart)/1e9 - 8.4
	}
	order := []string{"Climate", "Stability", "Gearbox", "Engine", "Cluster", "Body"}
	limits := [][2]float64{{0, 0.35}, {0.9, 1.05}, {1.9, 2.05}, {3.9, 4.05}, {5.9, 6.05}, {6.1, 6.25}}
	for i, node := range order {
		if last[node] < limits[i][0] || last[node] > limits[i][1] {
			t.Errorf("%s sends its last frame %.2f s after key-off, want %v", node, last[node], limits[i])
		}
	}
}

// A stage alone is a script too: whoever needs the engine starts it.
func TestStagesAlone(t *testing.T) {
	s := Setting{3, TwoLitreTurbo, Auto8}
	for _, stage := range []string{"idle", "warm-up", "air-con", "rev", "in-gear", "road"} {
		script := []Stage{{stage, 20 * time.Second}}
		d := newDrive(t, s, Options{Script: script})
		ran := false
		simulate(d, func(string, float64) { ran = ran || d.car.engine.running })
		if !ran {
			t.Errorf("%s alone: the engine never runs", stage)
		}
	}
	if _, err := New(s, Options{Script: []Stage{{"nap", time.Second}}}); err == nil {
		t.Error("a stage that is none was accepted")
	}
	if _, err := Cut(Script(0, s), "idle", "nap"); err == nil {
		t.Error("Cut accepted a stage that is none")
	}
	cut, err := Cut(Script(0, s), "key-off", "idle")
	if err != nil || len(cut) != 2 || cut[0].Name != "idle" || cut[1].Name != "key-off" {
		t.Errorf("Cut: %v, %v", cut, err)
	}
}

// When a message is missing, those who wait for it react in their own time.
func TestListenersReact(t *testing.T) {
	s := Setting{2, TwoLitreTurbo, Auto5}
	script := []Stage{{"key-on", 3 * time.Second}, {"idle", 9 * time.Second}}
	type state struct{ limp, absent, missed, failSafe, tacho, mil, charge, running bool }
	for _, row := range []struct {
		name    string
		without []string
		want    state
	}{
		{"nothing missing", nil, state{tacho: true, running: true}},
		{"engine speed", []string{"EngineSpeed"}, state{limp: true, absent: true, missed: true, running: true}},
		{"torque", []string{"EngineTorque"}, state{limp: true, absent: true, missed: true, tacho: true, running: true}},
		{"lamps", []string{"EngineLamps"}, state{tacho: true, mil: true, charge: true, running: true}},
		{"cooling", []string{"EngineCooling"}, state{tacho: true, failSafe: true, running: true}},
		{"the engine's controller", []string{"Engine"}, state{absent: true, missed: true, failSafe: true, mil: true, charge: true}},
		{"the gearbox", []string{"Gearbox"}, state{tacho: true}},
		{"the answer to the immobiliser", []string{"EngineImmobiliser"}, state{}},
	} {
		d := newDrive(t, s, Options{Script: script, Without: row.without})
		simulate(d, func(string, float64) {})
		c := d.car
		got := state{
			limp: c.gearbox.limp, absent: c.seen.absent, missed: c.seen.missed, failSafe: c.heat.failSafe, tacho: c.seen.tacho > 500,
			mil: c.lit(linkLamps, c.lamps.mil), charge: c.lit(linkLamps, c.lamps.charge), running: c.engine.running,
		}
		if row.name == "the gearbox" || row.name == "the answer to the immobiliser" {
			// The start is not permitted: all that can be asked is that the engine stands.
			got, row.want = state{running: got.running}, state{}
		}
		if got != row.want {
			t.Errorf("without %s: %+v, want %+v", row.name, got, row.want)
		}
	}
}
