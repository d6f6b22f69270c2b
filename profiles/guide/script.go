package guide

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"plugproof/profiles"
)

// step is one part of the capture script.
type step struct {
	stage    string
	title    string
	do       string // in a few words, to be read at arm's length
	cautions []string
	least    time.Duration
	silent   bool // the bus may be silent
	proofs   []proof
}

// proof is something that a step must show.
type proof struct {
	text    string
	holds   func(*watch) bool
	missing func(*watch) string
}

// The cautions, shown before what they are about.
const (
	cautionLever  = "Foot hard on the brake, parking brake on, wheels chocked, nobody in front of or behind the car."
	cautionEngine = "The engine will turn: hands, hair and clothes away from belts and fans; exhaust led out; lever in P or N."
	cautionFan    = "The fan starts by itself. Coolant and exhaust are hot."
	cautionRoad   = "On a hoist, rollers or the road: only a licensed person, only where local rules allow it."
	cautionPedal  = "Engine off: the throttle plate moves by itself, hands away from it."
)

// script is the capture script for a car. Lengths and stimuli are common practice.
func script(o Options) []*step {
	w := newWatch(o)
	length := func(full, quick time.Duration) time.Duration {
		if o.Quick {
			return quick
		}
		return full
	}
	const s = time.Second
	steps := []*step{
		{
			stage: "asleep", title: "asleep", silent: true, least: length(5*s, 2*s),
			do:     "Key out, doors shut. Wait until nothing talks. Then open the driver's door.",
			proofs: []proof{{"the bus woke up", func(w *watch) bool { return w.slept }, always("the bus has not slept and woken up")}},
		},
		{
			stage: "key-on", title: "key on", least: length(60*s, 3*s),
			do:     "Key on, engine off. Touch nothing.",
			proofs: []proof{everyMessage()},
		},
		{
			stage: "pedal", title: "pedal", least: length(15*s, 2*s), cautions: []string{cautionPedal},
			do:     "Engine off: pedal slowly to the floor, hold for 2 s, and back. Three times.",
			proofs: w.sweeps(profiles.Pedal, "pedal", 3, 80),
		},
		{
			stage: "brake", title: "brake", least: length(10*s, 2*s),
			do:     "Brake pedal down and up, three times" + w.ifHas(profiles.Clutch, "; then the clutch, three times") + ".",
			proofs: append(w.presses(profiles.Brake, "brake", 3), w.presses(profiles.Clutch, "clutch", 3)...),
		},
	}
	if w.gauges[profiles.Lever] != nil {
		steps = append(steps, &step{
			stage: "lever", title: "lever", least: length(30*s, 3*s), cautions: []string{cautionLever},
			do:     "Engine off: lever through every position and back to P, 5 s in each.",
			proofs: w.positions(profiles.Lever, "lever"),
		})
	}
	steps = append(
		steps,
		&step{
			stage: "crank", title: "crank", least: length(3*s, s), cautions: []string{cautionEngine},
			do:     "Start the engine.",
			proofs: w.reaches(profiles.EngineSpeed, "engine turned", 50),
		},
		&step{
			stage: "idle", title: "idle", least: length(120*s, 4*s),
			do:     "Let it idle. Touch nothing.",
			proofs: w.reaches(profiles.EngineSpeed, "engine runs", 400),
		},
		&step{
			stage: "warm-up", title: "warm-up", least: length(60*s, 3*s), cautions: []string{cautionFan},
			do:     "Let it warm up, until the fan has run once. Nothing else to do.",
			proofs: w.spans(profiles.Coolant, "coolant", 20),
		},
		&step{
			stage: "air-con", title: "air-con", least: length(40*s, 3*s),
			do:     "Air-con on and off, three times, 5 s each.",
			proofs: w.presses(profiles.AirconAsked, "air-con", 3),
		},
		&step{
			stage: "cruise", title: "cruise", least: length(20*s, 2*s),
			do:     "Cruise: main switch, set, cancel. The car stands.",
			proofs: w.moves(profiles.CruiseSwitch, "cruise switch"),
		},
		&step{
			stage: "rev", title: "rev", least: length(20*s, 3*s), cautions: []string{cautionEngine},
			do:     "Lever in P or N: to 2500, then 3500 turns, and let go at once.",
			proofs: w.reaches(profiles.EngineSpeed, "engine speed over 3300", 3300),
		},
	)
	if w.gauges[profiles.Lever] != nil {
		steps = append(steps, &step{
			stage: "in-gear", title: "in gear", least: length(40*s, 3*s), cautions: []string{cautionLever, cautionEngine},
			do:     "Engine running, foot hard on the brake: P, R, N, D, N, P, 5 s in each.",
			proofs: w.counts(profiles.Lever, "lever", 4),
		})
	}
	return append(
		steps,
		&step{
			stage: "road", title: "road", least: length(60*s, 5*s), cautions: []string{cautionRoad},
			do:     "Drive gently through the gears.",
			proofs: w.reaches(profiles.VehicleSpeed, "the car moved", 20),
		},
		&step{
			stage: "key-off", title: "key off", least: length(10*s, 2*s), silent: true,
			do:     "Key off, and out. Shut the doors. Stay until nothing talks any more.",
			proofs: []proof{{"the bus fell asleep", fellAsleep, always("the bus still talks")}},
		},
	)
}

func always(text string) func(*watch) string { return func(*watch) string { return text } }

// fellAsleep: nothing for 3 s.
func fellAsleep(w *watch) bool { return w.frames > 0 && w.quiet >= 3*time.Second }

// everyMessage asks for each message that comes on its own, or for any frame
// where no setting says which there are.
func everyMessage() proof {
	return proof{
		"every message came",
		func(w *watch) bool { return w.frames > 0 && len(w.absent()) == 0 },
		func(w *watch) string {
			const shown = 4
			names := w.absent()
			if len(names) == 0 {
				return "no frame came"
			}
			slices.Sort(names)
			more := ""
			if len(names) > shown {
				more = fmt.Sprintf(" and %d more", len(names)-shown)
				names = names[:shown]
			}
			return "not seen yet: " + strings.Join(names, ", ") + more
		},
	}
}

func (w *watch) ifHas(role profiles.Role, text string) string {
	if w.gauges[role] == nil {
		return ""
	}
	return text
}

// on makes proofs of a role that the setting has.
func (w *watch) on(role profiles.Role, p proof) []proof {
	if w.gauges[role] == nil {
		return nil
	}
	return []proof{p}
}

// sweeps asks for a signal to go up and down again so many times, over a span.
func (w *watch) sweeps(role profiles.Role, name string, times int, span float64) []proof {
	return w.on(role, proof{
		fmt.Sprintf("%s: all the way, %d times", name, times),
		func(w *watch) bool { g := w.gauges[role]; return g.sweeps >= times && g.span() >= span },
		func(w *watch) string {
			g := w.gauges[role]
			return fmt.Sprintf("%s: %d of %d times, from %.0f to %.0f", name, g.sweeps, times, g.min, g.max)
		},
	})
}

// presses asks for a switch to be pressed and let go so many times.
func (w *watch) presses(role profiles.Role, name string, times int) []proof {
	return w.on(role, proof{
		fmt.Sprintf("%s: %d times", name, times),
		func(w *watch) bool { return w.gauges[role].sweeps >= times },
		func(w *watch) string { return fmt.Sprintf("%s: %d of %d times", name, w.gauges[role].sweeps, times) },
	})
}

// reaches asks for a signal to come over a value.
func (w *watch) reaches(role profiles.Role, text string, least float64) []proof {
	return w.on(role, proof{
		text,
		func(w *watch) bool { g := w.gauges[role]; return g.seen && g.max >= least },
		func(w *watch) string { return fmt.Sprintf("not yet: %s (%.0f at most)", text, w.gauges[role].max) },
	})
}

// spans asks for a signal to change by so much.
func (w *watch) spans(role profiles.Role, name string, least float64) []proof {
	return w.on(role, proof{
		fmt.Sprintf("%s rose by %.0f", name, least),
		func(w *watch) bool { return w.gauges[role].span() >= least },
		func(w *watch) string {
			return fmt.Sprintf("%s: %.0f of %.0f", name, math.Floor(w.gauges[role].span()), least)
		},
	})
}

// moves asks for a signal to take another value.
func (w *watch) moves(role profiles.Role, name string) []proof { return w.counts(role, name, 2) }

// counts asks for so many values of a signal.
func (w *watch) counts(role profiles.Role, name string, least int) []proof {
	return w.on(role, proof{
		fmt.Sprintf("%s: %d positions", name, least),
		func(w *watch) bool { return len(w.gauges[role].values) >= least },
		func(w *watch) string {
			return fmt.Sprintf("%s: %d of %d positions", name, len(w.gauges[role].values), least)
		},
	})
}

// positions asks for every position that a signal has a text for.
func (w *watch) positions(role profiles.Role, name string) []proof {
	g := w.gauges[role]
	if g == nil {
		return nil
	}
	var proofs []proof
	for _, v := range g.signal.Def.Values {
		if v.Text == notAvailable {
			continue
		}
		proofs = append(proofs, proof{
			fmt.Sprintf("%s: %s", name, v.Text),
			func(w *watch) bool { return w.gauges[role].values[v.Value] },
			always(fmt.Sprintf("%s: %s not seen yet", name, v.Text)),
		})
	}
	if len(proofs) == 0 {
		return w.counts(role, name, 4)
	}
	return proofs
}
