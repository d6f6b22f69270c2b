package identify

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
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
			sc.expose(options, open, sc.plan.index(a), sc.plan.index(b))
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

// expose files what tells two settings apart under the steps that would show it.
func (sc *scene) expose(options map[string]*option, open map[string]bool, a, b int) {
	for _, k := range sc.plan.keys {
		if k.of[a] == k.of[b] || k.option || k.echo == relayed {
			continue
		}
		step := option{kind: k.stage}
		switch {
		case k.echo == ofECU && sc.ecuSeen > 0:
			continue
		case k.echo == ofECU:
			step.kind = "factory"
		case !sc.recorded[k.bus]:
			step.kind, step.bus = "bus", k.bus
		}
		for _, what := range differences(&k.kinds[k.of[a]], &k.kinds[k.of[b]]) {
			if step.kind != k.stage || sc.untested(k, what, open) {
				options[step.kind+step.bus] = step.with(options[step.kind+step.bus], k, what)
			}
		}
	}
}

// with adds a discriminator to the step, or to have where there is such a step.
func (o option) with(have *option, k *keyPlan, what string) *option {
	if have == nil {
		o.facts = map[string]bool{}
		have = &o
	}
	have.n++
	have.facts[k.message+" "+what] = true
	have.seconds = max(have.seconds, k.seconds(what))
	return have
}

// differences lists in what two facts of an identifier differ.
func differences(a, b *fact) (list []string) {
	if a.sent != b.sent {
		return []string{"sent"}
	}
	if a.m.Length.Value != b.m.Length.Value {
		list = append(list, "length")
	}
	if a.m.Cycle.Value != b.m.Cycle.Value {
		list = append(list, "cycle")
	}
	pair := &keyPlan{kinds: []fact{*a, *b}}
	for _, part := range lawParts(pair) {
		qa, oka := a.law(part)
		if qb, okb := b.law(part); oka != okb || qa != qb {
			list = append(list, part)
		}
	}
	for _, signal := range constantNames(pair) {
		ca, cb := a.constant(signal), b.constant(signal)
		if ca == nil || cb == nil || ca.value != cb.value || ca.question != cb.question {
			list = append(list, signal)
		}
	}
	if (a.pages == nil) != (b.pages == nil) || a.pages != nil && !slices.Equal(a.pages.values, b.pages.values) {
		list = append(list, "pages")
	}
	return list
}

// untested reports whether a difference could still show: its question could not
// be judged, or its message did not come.
func (sc *scene) untested(k *keyPlan, what string, open map[string]bool) bool {
	name := k.bus + " " + k.id.String() + " "
	return open[name+what] || sc.stream(k) == nil && open[name+"sent"]
}

// seconds is how long a capture must be for a difference to show.
func (k *keyPlan) seconds(what string) float64 {
	cycle := 0.0
	for _, f := range k.kinds {
		if f.sent {
			cycle = max(cycle, f.m.Cycle.Value.Seconds())
		}
	}
	switch what {
	case "sent":
		return max(4, cyclesAbsent*cycle+2)
	case "cycle":
		return (leastGaps + 2) * cycle
	}
	if slices.Contains(lawParts(k), what) {
		return (leastTrials + 8) * cycle
	}
	return (leastSame + 2) * cycle
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
