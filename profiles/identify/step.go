package identify

import (
	"cmp"
	"fmt"
	"maps"
	"math"
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
	"key-on", "bit rate", "bus", "asleep", "key-off", "lever", "brake", "pedal", "air-con", "cruise", "crank", "idle",
	"warm-up", "rev", "in-gear", "road", "factory",
}

// maxTied bounds how many tied settings are compared in pairs.
const maxTied = 24

// option is a step with the discriminators that it can expose.
type option struct {
	kind, bus string // kind is a word of stepOrder
	facts     map[string]bool
	apart     map[[2]int]bool // pairs of the tied settings, by place, that it tells apart
	n         int             // discriminators, over all pairs
	seconds   float64
	groups    int     // into which it parts the tied settings
	bits      float64 // of information to expect
}

// next chooses the step with the most information to expect on the settings still
// tied; of several the one with more discriminators, then the cheaper; nil when no
// step tells any two apart.
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
	options := stepOptions{}
	for i, a := range tied {
		for j, b := range tied[:i] {
			sc.expose(options, open, pair{[2]int{j, i}, sc.plan.index(a), sc.plan.index(b)})
		}
	}
	weights := sc.weights(tied, car)
	for _, o := range options {
		o.expect(weights)
	}
	best := slices.SortedFunc(maps.Values(options), func(a, b *option) int {
		return cmp.Or(a.lastResort()-b.lastResort(), cmp.Compare(b.bits, a.bits), cmp.Compare(b.n, a.n),
			cmp.Compare(slices.Index(stepOrder, a.kind), slices.Index(stepOrder, b.kind)), cmp.Compare(a.bus, b.bus))
	})
	switch {
	case len(best) > 0 && res.Foreign == 0 && sc.ecuSeen > 0:
		step := best[0].step(len(tied)) // more of the same says nothing of a car
		step.Text = "this is the engine computer alone: in the car, " + step.Text
		return step
	case len(best) > 0:
		return best[0].step(len(tied))
	case res.Verdict == Likely && car.unread(sc.plan.index(res.Settings[0])):
		return &Step{
			Stage: "key-on", Text: stepTexts["key-on"],
			Why: "the car has not said its whole configuration yet: it may be that of no setting on file",
		}
	}
	return nil
}

// weights returns how likely each of some settings is, among themselves.
func (sc *scene) weights(names []string, car *score) []float64 {
	list := make([]float64, len(names))
	least, sum := math.Inf(1), 0.0
	for _, name := range names {
		least = min(least, car.total[sc.plan.index(name)])
	}
	for i, name := range names {
		list[i] = math.Exp(least - car.total[sc.plan.index(name)])
		sum += list[i]
	}
	for i := range list {
		list[i] /= sum
	}
	return list
}

// expect works out what the step will tell: settings that it does not tell apart
// stay together, and the information is the entropy of the groups, in bits. It is
// rounded, so that equal ones compare equal.
func (o *option) expect(weights []float64) {
	group := make([]int, len(weights))
	sum := make([]float64, len(weights))
	for i := range weights {
		group[i] = i
		for j := range i {
			if group[j] == j && !o.apart[[2]int{j, i}] {
				group[i] = j
				break
			}
		}
		sum[group[i]] += weights[i]
	}
	for _, p := range sum {
		if p > 0 {
			o.groups++
			o.bits -= p * math.Log2(p)
		}
	}
	o.bits = math.Round(o.bits*1000) / 1000
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

// stepOptions are the options, by kind and bus.
type stepOptions map[string]*option

// pair is two settings: their places among the tied ones, and in the plan.
type pair struct {
	places [2]int
	a, b   int
}

// expose files what tells two settings apart under the steps that would show it.
func (sc *scene) expose(options stepOptions, open map[string]bool, p pair) {
	for _, k := range sc.plan.keys {
		if k.of[p.a] == k.of[p.b] || k.option || k.echo == relayed {
			continue
		}
		kind, bus := k.stage, ""
		switch {
		case k.echo == ofECU && sc.ecuSeen > 0:
			continue
		case k.echo == ofECU:
			kind = "factory"
		case !sc.recorded[k.bus]:
			kind, bus = "bus", k.bus
		}
		for _, what := range differences(&k.kinds[k.of[p.a]], &k.kinds[k.of[p.b]]) {
			if kind != k.stage || sc.untested(k, what, open) {
				o := options.add(kind, bus, p)
				o.facts[k.message+" "+what] = true
				o.seconds = max(o.seconds, k.seconds(what))
			}
		}
	}
	for _, bus := range sc.unmeasured(p.a, p.b) {
		options.add("bit rate", bus, p).facts["the bit rate of "+bus] = true
	}
}

// add counts a discriminator of a step and returns the step.
func (s stepOptions) add(kind, bus string, p pair) *option {
	o := s[kind+bus]
	if o == nil {
		o = &option{kind: kind, bus: bus, facts: map[string]bool{}, apart: map[[2]int]bool{}}
		s[kind+bus] = o
	}
	o.n++
	o.apart[p.places] = true
	return o
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
	if a.m.Kind != b.m.Kind {
		list = append(list, "kind")
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
	case "cycle", "kind":
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
	parts := fmt.Sprintf("tells the %d settings apart", tied)
	if o.groups < tied {
		parts = fmt.Sprintf("parts the %d settings into %d groups", tied, o.groups)
	}
	s := &Step{Exposes: len(facts), Bits: o.bits, Why: fmt.Sprintf("it can show %s, which %s", shown, parts)}
	switch o.kind {
	case "bus":
		s.Text = "record the " + o.bus + " bus as well"
	case "bit rate":
		s.Text = "find the bit rate of the " + o.bus + " bus, listening only, and give it: --bitrate " + o.bus + "=RATE"
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
