package identify

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"plugproof/profiles"
)

// stepTexts says what to do for each stage of the capture script, as a sentence.
var stepTexts = map[string]string{
	"asleep":  "record from before the car wakes up",
	"key-on":  "record longer with the key on and nothing touched",
	"pedal":   "press the pedal to its stop three times, key on, engine off",
	"brake":   "press the brake, key on",
	"lever":   "move the lever through all its places, foot on the brake",
	"crank":   "crank the engine",
	"idle":    "let the engine idle",
	"warm-up": "let the engine warm up until the fan runs",
	"air-con": "switch the air-con on and off",
	"cruise":  "work the cruise switches",
	"rev":     "rev the engine free",
	"in-gear": "engage each gear, chocked and foot hard on the brake",
	"road":    "drive on rollers or on the road, by a licensed person",
	"key-off": "turn the key off and record until the bus sleeps",
}

// Steps in order of their cost, the cheapest first: the key, another bus, then
// what moves, then what runs.
var stepOrder = []string{
	"key-on", "bus", "asleep", "key-off", "lever", "brake", "pedal", "air-con", "cruise", "crank", "idle",
	"warm-up", "rev", "in-gear", "road", "factory",
}

// maxTied bounds how many tied settings are compared in pairs.
const maxTied = 24

// option is a step with the discriminators that it can expose.
type option struct {
	kind, bus string // kind is a word of stepOrder
	facts     map[string]bool
	n         int
	seconds   float64
}

// next chooses the step that exposes most discriminators of the settings still
// tied, summed over their pairs; nil when no step can.
func (sc *scene) next(res *Result, car *score) *Step {
	tied := res.Settings[:min(len(res.Settings), maxTied)]
	if res.Verdict == Likely && res.Next != "" {
		tied = append(slices.Clone(tied), res.Next)
	}
	open := map[string]bool{} // what has not been tested yet
	for i := range car.items {
		if it := &car.items[i]; it.missing != "" && it.missing != answered {
			open[it.name()] = true
		}
	}
	options := map[string]*option{}
	for i, a := range tied {
		for _, b := range tied[i+1:] {
			sc.expose(options, open, profiles.Differ(sc.plan.settings[sc.plan.index(a)], sc.plan.settings[sc.plan.index(b)]))
		}
	}
	best := slices.SortedFunc(maps.Values(options), func(a, b *option) int {
		return cmp.Or(a.lastResort()-b.lastResort(), cmp.Compare(b.n, a.n), cmp.Compare(slices.Index(stepOrder, a.kind), slices.Index(stepOrder, b.kind)), cmp.Compare(a.bus, b.bus))
	})
	if len(best) == 0 {
		return nil
	}
	return best[0].step(len(tied))
}

// lastResort is 1 for the factory unit's word: it counts for itself only, so what
// the other modules can still say comes first.
func (o *option) lastResort() int {
	if o.kind == "factory" {
		return 1
	}
	return 0
}

func (it *item) name() string { return it.key.bus + " " + it.key.id.String() + " " + it.what }

// expose files the differences of a pair under the steps that would show them.
func (sc *scene) expose(options map[string]*option, open map[string]bool, differences []profiles.Difference) {
	for _, d := range differences {
		kind := d.Stage
		name := d.Bus + " " + d.ID.String() + " " + strings.TrimPrefix(d.What, "constant ")
		switch {
		case !d.HasID: // a bit rate: no capture states it
			continue
		case d.Echo:
			if sc.ecuSeen > 0 || d.Sender == "" {
				continue
			}
			kind = "factory"
		case !sc.recorded[d.Bus]:
			kind = "bus"
		case !sc.untested(d, open, name):
			continue
		}
		key := kind
		if kind == "bus" {
			key += " " + d.Bus
		}
		o := options[key]
		if o == nil {
			o = &option{kind: kind, bus: d.Bus, facts: map[string]bool{}}
			options[key] = o
		}
		o.n++
		o.facts[d.Message+" "+d.What] = true
		o.seconds = max(o.seconds, sc.seconds(d))
	}
}

// untested reports whether a difference could still show: its question could not
// be judged, or its message did not come.
func (sc *scene) untested(d profiles.Difference, open map[string]bool, name string) bool {
	if open[name] {
		return true
	}
	return sc.streams[d.Bus][d.ID] == nil && open[d.Bus+" "+d.ID.String()+" sent"]
}

// seconds is how long a capture must be for a difference to show.
func (sc *scene) seconds(d profiles.Difference) float64 {
	cycle := 0.0
	for _, k := range sc.plan.keys {
		if k.bus != d.Bus || k.id != d.ID {
			continue
		}
		for _, f := range k.kinds {
			if f.sent {
				cycle = max(cycle, f.m.Cycle.Value.Seconds())
			}
		}
	}
	switch {
	case d.What == "sent":
		return max(4, cyclesAbsent*cycle+2)
	case d.What == "cycle":
		return (leastGaps + 2) * cycle
	case strings.HasPrefix(d.What, "constant "), d.What == "length":
		return (leastSame + 2) * cycle
	}
	return (leastTrials + 8) * cycle
}

func (o *option) step(tied int) *Step {
	facts := slices.Sorted(maps.Keys(o.facts))
	shown := strings.Join(facts[:min(3, len(facts))], ", ")
	if more := len(facts) - 3; more > 0 {
		shown += fmt.Sprintf(" and %d more", more)
	}
	s := &Step{Exposes: len(facts), Why: fmt.Sprintf("it can show %s, in which the %d settings differ", shown, tied)}
	switch o.kind {
	case "bus":
		s.Text = "record the " + o.bus + " bus as well"
	case "factory":
		s.Text = "record with the factory engine computer plugged in: it says itself which it is (--replaced-ecu factory)"
	default:
		s.Stage, s.Text = o.kind, stepTexts[o.kind]
		if o.kind == "key-on" && o.seconds > 0 {
			s.Text += fmt.Sprintf(": at least %.0f s", max(3, o.seconds))
		}
	}
	return s
}

// readOff lists what to read off the car where settings tie.
func (sc *scene) readOff(res *Result) {
	if len(res.Settings) < 2 {
		return
	}
	for _, t := range traits {
		values := map[string]bool{}
		for _, name := range res.Settings {
			values[t.of(sc.plan.settings[sc.plan.index(name)])] = true
		}
		if len(values) > 1 && len(res.Settings) < len(sc.plan.settings) {
			res.ReadOff = append(res.ReadOff, fmt.Sprintf(t.read, strings.Join(slices.Sorted(maps.Keys(values)), " or ")))
		}
	}
}
