package rules

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"plugproof/decode/survey"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
	"plugproof/profiles/stages"
)

// roleRules know what a signal means: they compare lamps, counters, pedals and
// speeds with what the rest of the car says.
func roleRules() []Rule {
	return []Rule{
		{"signal/lamp-lit", "a lamp stays on", judgeLamps},
		{"signal/no-bulb-check", "a lamp never lights, not even at key-on", judgeBulbCheck},
		{"signal/fuel-count", "no fuel consumption, or nonsense", judgeFuel},
		{"signal/distance-count", "the odometer does not count", judgeDistance},
		{"signal/speed-missing", "the speedometer is dead, the wheels are on the bus", judgeSpeed},
		{"signal/engine-running", "heavy steering, no air-con, charge lamp", judgeRunning},
		{"signal/pedal-range", "limp mode when the driver presses harder than when the pedal was learned", judgePedal},
		{"signal/throttle-range", "sluggish or limited throttle after the swap", judgeThrottle},
	}
}

// running are the stages in which the engine runs.
var running = []string{"idle", "warm-up", "air-con", "rev", "in-gear", "road"}

// standstill are those in which it does not, or is only about to.
var standstill = []string{"asleep", "key-on", "pedal", "brake", "lever", "crank"}

// role returns the subject of a role, nil when the setting has none or its
// message did not pass.
func (c *Case) role(role profiles.Role, r *Results) *subject {
	ref, ok := c.Setting.Roles[role]
	if !ok || unjudgeable(r) {
		return nil
	}
	return c.subject(ref, r)
}

// runs returns the stretches in which the engine runs, by stages that do not rest
// on the message, without those in which nothing was recorded.
func (c *Case) runs(message string) stages.Spans {
	return c.unbroken(message, c.Stages.Of(message, running...), 0)
}

// duration adds up spans, ns.
func duration(spans stages.Spans) (ns int64) {
	for _, span := range spans {
		ns += span.End - span.Start
	}
	return ns
}

// standing returns for how long, within the spans, a signal stood at a raw value
// (ns), and since when it did so first.
func standing(s *evidence.Signal, raw int64, spans stages.Spans) (total, first int64) {
	if s.Changes == nil {
		return 0, 0
	}
	steps := s.Changes.Steps()
	for i, step := range steps {
		if int64(step.Raw) != raw {
			continue
		}
		end := s.LastTime
		if i+1 < len(steps) {
			end = steps[i+1].Time
		}
		for _, span := range spans {
			if from, to := max(step.Time, span.Start), min(end, span.End); from < to {
				if total == 0 {
					first = from
				}
				total += to - from
			}
		}
	}
	return total, first
}

// judgeLamps says of each lamp that is lit which of the three causes it has: its
// bit, a missing message, or a message that its owner rejects.
func judgeLamps(c *Case, r *Results) {
	if unjudgeable(r) {
		return
	}
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Functions)) {
		f := c.Setting.Functions[name]
		if f.Lamp == nil || len(f.Chain) == 0 {
			continue
		}
		m, _ := c.Setting.Signal(f.Chain[0])
		if rule, failed := r.unheard(m.Name); failed {
			c.lampByDefault(r, name, m, rule)
			continue
		}
		if x := c.subject(f.Chain[0], r); x != nil {
			c.lampByBit(r, name, x)
		}
	}
}

// lampByDefault is a lamp that its owner lights because it lacks the message, or
// does not believe it.
func (c *Case) lampByDefault(r *Results, name string, m *profiles.MessageFacts, rule string) {
	f := c.Setting.Functions[name]
	if !f.Lamp.OnWhenLost {
		return
	}
	cause := "because the message is missing or late"
	if isRejected(rule) {
		cause = "because it rejects the message"
	}
	finding := About("signal/lamp-lit", Fail, m)
	finding.Function, finding.Listener = name, f.Ends
	_, finding.Signal = f.Chain[0].Split()
	finding.Text = fmt.Sprintf("%s lights the lamp itself, %s (%s)", f.Ends, cause, rule)
	finding.NextStep = "not the lamp's bit: mend " + rule + " of " + m.Name + " first"
	finding.Count = 1
	r.Add(finding)
}

// unheard returns the first rule by which a message does not reach its listeners,
// or not in time: what its values are is another matter.
func (r *Results) unheard(message string) (rule string, failed bool) {
	for _, rule := range r.failed[message] {
		if !strings.HasPrefix(rule, "signal/") {
			return rule, true
		}
	}
	return "", false
}

func isRejected(rule string) bool {
	return strings.HasPrefix(rule, "integrity/") || rule == "message/wrong-length" || rule == "message/wrong-format"
}

// lampByBit is a lamp whose bit is set although the engine has been running for 5 s.
func (c *Case) lampByBit(r *Results, name string, x *subject) {
	f := c.Setting.Functions[name]
	spans := c.runs(x.m.Name)
	for i := range spans {
		spans[i].Start += 5e9
	}
	spans = slices.DeleteFunc(spans, func(s stages.Span) bool { return s.End <= s.Start })
	lit, first := standing(x.s, f.Lamp.On, spans)
	total := duration(spans)
	if total == 0 || lit*10 < total*9 && lit < 5e9 {
		return
	}
	finding := x.about("signal/lamp-lit", Fail)
	finding.Function, finding.Listener = name, f.Ends
	finding.Text = fmt.Sprintf("the bit of the lamp (%s) is set while the engine runs", x.ref)
	finding.NextStep = "its sender asks for the lamp: read that unit's own codes"
	finding.Count, finding.FirstTime, finding.HasTime = x.s.Values[uint64(f.Lamp.On)], first, true
	finding.Example = c.example(&x.ev.Stream.LastFrame)
	r.Add(finding.measured(float64(lit)/1e9, 0, "s", CommonPractice))
}

// judgeBulbCheck finds lamps whose bit never asks for the check at key-on.
func judgeBulbCheck(c *Case, r *Results) {
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Functions)) {
		f := c.Setting.Functions[name]
		if f.Lamp == nil || f.Lamp.BulbCheck == 0 || len(f.Chain) == 0 || unjudgeable(r) {
			continue
		}
		x := c.subject(f.Chain[0], r)
		if x == nil || !c.awake(x.m.Name).keyOn || x.s.MoreValues || x.s.Values[uint64(f.Lamp.On)] > 0 {
			continue
		}
		finding := x.about("signal/no-bulb-check", Fail)
		finding.Function, finding.Listener = name, f.Ends
		finding.Text = fmt.Sprintf("the bit of the lamp (%s) was never set, not even at key-on", x.ref)
		finding.NextStep = "map the lamp in the new ECU, and prove that it can light before the car is handed over"
		finding.Count, finding.Example = x.s.Frames, c.example(&x.ev.Stream.FirstFrame)
		finding.FirstTime, finding.HasTime = x.ev.Stream.First, true
		r.Add(finding.measured(0, float64(f.Lamp.BulbCheck)/1e9, "s", c.profile()))
	}
}

// judgeFuel finds a fuel counter that stands, runs backward, or at a wrong rate.
func judgeFuel(c *Case, r *Results) {
	x := c.role(profiles.FuelUsed, r)
	if x == nil {
		return
	}
	if r.Has("integrity/loop-seam", "") {
		return // it begins again with every pass
	}
	ran := duration(c.runs(x.m.Name))
	f := x.about("signal/fuel-count", Fail)
	f.NextStep = "look at injector scaling and at the mapping of the fuel counter in the new ECU"
	f.Count, f.Example = x.s.Frames, c.example(&x.ev.Stream.LastFrame)
	f.FirstTime, f.HasTime = x.s.FirstTime, true
	switch {
	case ran < 10e9:
		return
	case x.s.Falls > leastJumps && float64(x.s.Falls) > 0.01*float64(x.s.Moved):
		f.Text = fmt.Sprintf("%s runs backward %d times", x.ref, x.s.Falls)
		f = f.measured(float64(x.s.Falls), 0, "steps", CommonPractice)
	case x.s.Rises == 0:
		f.Text = fmt.Sprintf("%s stands still while the engine ran for %.0f s", x.ref, float64(ran)/1e9)
		f = f.measured(0, 1, "steps", CommonPractice)
	default:
		if x.base == nil || x.base.Rises == 0 || !c.sameStages() {
			return
		}
		was := duration(c.asBaseline().runs(x.m.Name))
		ratio := x.s.Rises / float64(ran) / (x.base.Rises / float64(was))
		if was < 10e9 || ratio >= 0.5 && ratio <= 2 {
			return
		}
		f.Text = fmt.Sprintf("%s counts %.2g times as fast as in the baseline", x.ref, ratio)
		f = f.measured(ratio, 2, "times", FromBaseline)
	}
	r.instead("signal/frozen", f)
}

// above returns for how long a signal was above a value.
func above(s *evidence.Signal, limit float64) (ns int64) {
	buckets := s.Track.Buckets()
	for i := range buckets {
		if b := &buckets[i]; b.Min > limit {
			ns += until(s.Track, i) - b.FirstTime
		}
	}
	return ns
}

// until is the time up to which the values of a bucket stand: where the next one
// adjoins, its first value.
func until(t *survey.Track, i int) int64 {
	buckets := t.Buckets()
	if i+1 < len(buckets) && t.StartOf(&buckets[i+1]) == t.StartOf(&buckets[i])+t.Width() {
		return buckets[i+1].FirstTime
	}
	return buckets[i].LastTime
}

// way returns the least and the greatest distance that a speed in km/h may have
// covered, m: a bucket holds only its least and greatest value.
func (c *Case) way(x *subject) (least, most float64) {
	buckets := x.s.Track.Buckets()
	for i := range buckets {
		b := &buckets[i]
		end := until(x.s.Track, i)
		dt := float64(end-b.FirstTime-c.broken(x.m.Name, b.FirstTime, end)) / 1e9
		least += b.Min / 3.6 * dt
		most += b.Max / 3.6 * dt
	}
	return least, most
}

// judgeDistance finds a distance counter that does not count.
func judgeDistance(c *Case, r *Results) {
	x, speed := c.role(profiles.Distance, r), c.role(profiles.VehicleSpeed, r)
	if x == nil || speed == nil || x.ref == speed.ref || r.Has("integrity/loop-seam", "") {
		return
	}
	moving := above(speed.s, 5)
	if moving < 10e9 {
		return
	}
	const slack = 0.05 // of the way; common practice
	least, most := c.way(speed)
	f := x.about("signal/distance-count", Fail)
	f.NextStep = "find which unit owns the distance, the ECU or the brake unit; the reading itself is never to be altered"
	f.Count, f.Example = x.s.Frames, c.example(&x.ev.Stream.LastFrame)
	f.FirstTime, f.HasTime = x.s.FirstTime, true
	switch {
	case x.s.Rises == 0:
		f.Text = fmt.Sprintf("%s stands still while the car moved for %.0f s", x.ref, float64(moving)/1e9)
	case x.s.Def.Unit == "m" && least > 50 && (x.s.Rises < (1-slack)*least || x.s.Rises > (1+slack)*most):
		f.Verdict = Review
		f.Text = fmt.Sprintf("%s counted %.0f m on a way of %.0f m", x.ref, x.s.Rises, (least+most)/2)
	default:
		return
	}
	r.instead("signal/frozen", f.measured(x.s.Rises, (least+most)/2, "m", CommonPractice))
}

// judgeSpeed finds a vehicle speed that is missing while wheels turn.
func judgeSpeed(c *Case, r *Results) {
	wheel := c.role(profiles.WheelSpeed, r)
	x := c.role(profiles.VehicleSpeed, r)
	if wheel == nil || x == nil || wheel.s.Max < 5 {
		return
	}
	ratio := x.s.Max / wheel.s.Max
	if x.s.Available > 0 && math.Abs(ratio-1) <= 0.05 {
		return
	}
	f := x.about("signal/speed-missing", Fail)
	f.Text = fmt.Sprintf("%s reaches %.1f while the wheels reach %.1f %s", x.ref, x.s.Max, wheel.s.Max, wheel.s.Def.Unit)
	f.NextStep = "find which unit owns the speed (the brake unit, or the ECU that must relay it); a constant ratio is an axle or tyre code"
	if x.s.Max > 0.5 {
		f.Verdict = Review
	}
	f.Count, f.Example = x.s.Frames, c.example(&x.ev.Stream.LastFrame)
	f.FirstTime, f.HasTime = x.s.FirstTime, true
	r.instead("signal/frozen", f.measured(ratio, 0.95, "times", CommonPractice))
}

// judgeRunning finds an engine-running state that contradicts the engine speed.
func judgeRunning(c *Case, r *Results) {
	state, speed := c.role(profiles.EngineRuns, r), c.role(profiles.EngineSpeed, r)
	if state == nil || speed == nil {
		return
	}
	if above(speed.s, 500) < 2e9 || state.s.Max != 0 {
		return
	}
	f := state.about("signal/engine-running", Fail)
	f.Text = fmt.Sprintf("%s never says so, although the engine turned at %.0f %s", state.ref, speed.s.Max, speed.s.Def.Unit)
	f.NextStep = "map the engine-running state: steering, climate and charging depend on it"
	f.Count, f.Example = state.s.Frames, c.example(&state.ev.Stream.LastFrame)
	f.FirstTime, f.HasTime = state.s.FirstTime, true
	r.instead("signal/frozen", f.measured(0, 1, "state", CommonPractice))
}

// judgePedal finds a pedal that was learned short of its stop, or off its rest,
// and two tracks that disagree.
func judgePedal(c *Case, r *Results) {
	x := c.role(profiles.Pedal, r)
	if x == nil || c.onBench(x.m) {
		return
	}
	spans := c.Stages.Of(x.m.Name, "pedal")
	if len(spans) == 0 || spans[0].End-spans[0].Start < enough(0) {
		return // too short to hold both ends of its way
	}
	level, ok := levels(x.s, spans[0].Start, spans[0].End)
	if !ok || level[2]-level[0] < 20 { // not pressed: the function says so
		return
	}
	f := x.about("signal/pedal-range", Fail)
	f.Functions = c.hurts(&Finding{Message: x.m.Name}) // what else the message says hangs on the pedal
	f.NextStep = "learn the pedal again: at rest, then on its stop"
	f.Count, f.Example = x.s.Frames, c.example(&x.ev.Stream.FirstFrame)
	f.FirstTime, f.HasTime = spans[0].Start, true
	switch {
	case level[0] > 1:
		f.Text = fmt.Sprintf("%s rests at %.1f %%", x.ref, level[0])
		f = f.measured(level[0], 1, "%", CommonPractice)
	case level[2] < 99:
		f.Text = fmt.Sprintf("%s reaches %.1f %% only with the pedal on its stop", x.ref, level[2])
		f = f.measured(level[2], 99, "%", CommonPractice)
	default:
		other := c.role(profiles.Pedal2, r)
		if other == nil {
			return
		}
		second, ok := levels(other.s, spans[0].Start, spans[0].End)
		apart := math.Abs(second[2] - level[2])
		if !ok || apart <= 5 {
			return
		}
		f.Text = fmt.Sprintf("the two pedal tracks are %.1f %% apart", apart)
		f = f.measured(apart, 5, "%", CommonPractice)
	}
	r.Add(f)
}

// judgeThrottle finds a throttle that does not go where it is asked to, key on
// and engine off.
func judgeThrottle(c *Case, r *Results) {
	asked, x := c.role(profiles.ThrottleAsked, r), c.role(profiles.Throttle, r)
	if asked == nil || x == nil || c.onBench(x.m) {
		return
	}
	steady, off := 0, 0
	for _, span := range c.Stages.Of(x.m.Name, "pedal") {
		n, m := apart(asked.s, x.s, span)
		steady, off = steady+n, off+m
	}
	if steady < 5 || off*5 <= steady {
		return
	}
	f := x.about("signal/throttle-range", Fail)
	f.Functions = c.hurts(&Finding{Message: x.m.Name})
	f.Text = fmt.Sprintf("%s is more than 5 %% away from what %s asks for, in %d of %d steady moments", x.ref, asked.ref, off, steady)
	f.NextStep = "learn the throttle range (hands away: the plate moves by itself)"
	f.Count, f.Example = uint64(off), c.example(&x.ev.Stream.FirstFrame)
	f.FirstTime, f.HasTime = x.s.FirstTime, true
	r.Add(f.measured(100*float64(off)/float64(steady), 20, "% of moments", CommonPractice))
}

// apart counts the moments in which the demand has been steady for 0.5 s, and
// those in which the position is then off by more than 5.
func apart(asked, at *evidence.Signal, span stages.Span) (steady, off int) {
	since := int64(math.MinInt64)
	last := math.NaN()
	for i := range asked.Track.Buckets() {
		b := &asked.Track.Buckets()[i]
		if b.FirstTime < span.Start || b.LastTime > span.End {
			continue
		}
		if b.Max-b.Min > 1 || math.Abs(b.First-last) > 1 {
			since = b.LastTime
		}
		last = b.Last
		if b.LastTime-since < 500e6 {
			continue
		}
		position := at.Track.At(b.FirstTime)
		if position == nil {
			continue
		}
		steady++
		if math.Abs(position.Last-b.Last) > 5 {
			off++
		}
	}
	return steady, off
}
