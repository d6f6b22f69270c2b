package rules

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"plugproof/decode/dbc"
	"plugproof/decode/survey"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
	"plugproof/profiles/stages"
)

// signalRules ask whether the values are what they should be. They come last: a
// value says nothing where its message is missing or its listener rejects it.
func signalRules() []Rule {
	return append([]Rule{
		{"signal/not-available", "tachometer at zero, temperature cold, though the frame is there", judgeNA},
		{"signal/frozen", "a gauge stands at a plausible value", judgeStill},
		{"signal/byte-order", "wild values", judgeByteOrder},
		{"signal/sign", "huge torque on overrun, speed spikes", judgeSign},
		{"signal/wraps", "a sawtooth, or a gauge with half its range", judgeWraps},
		{"signal/stale", "a needle lags", judgeStale},
		{"signal/wild", "wild values", judgeWild},
		{"signal/jumps", "the temperature gauge jumps", judgeJumps},
		{"signal/scale", "a gauge reads half, double or another ratio", judgeScale},
		{"signal/offset", "a constant difference", judgeOffset},
		{"signal/outliers", "a needle twitches", both(judgeOutliers, judgeIdle)},
		{"signal/saturated", "full scale is clipped", judgeSaturated},
		{"signal/out-of-band", "a listener rejects the value", judgeBand},
		{"signal/page-missing", "some options dead, the rest fine", judgePages},
		{"signal/constant", "an odd lamp or mode though all gauges fit", judgeConstants},
		{"signal/still-bits", "an odd lamp or mode though all gauges fit", judgeStillBits},
	}, roleRules()...)
}

// both judges by two criteria of one rule.
func both(first, second func(c *Case, r *Results)) func(c *Case, r *Results) {
	return func(c *Case, r *Results) {
		first(c, r)
		second(c, r)
	}
}

// Limits of the signal rules, common practice.
const (
	naShare       = 0.05 // of the frames after grace
	leastSteps    = 100  // pairs of values to judge roughness by
	swapGain      = 0.2  // roughness in the other byte order against the declared one
	wildShare     = 0.01 // of the steps
	leastJumps    = 3
	scaleOff      = 0.03
	leastR2       = 0.98 // of a line through values and their reference
	offsetSlope   = 0.02
	topTime       = 1e9 // ns at full scale
	leastMoved    = 20  // frames in which a moving value would show
	staleCycles   = 5
	outliersAtMin = 3
	signBeyond    = 0.05 // of the declared range
)

// subject is one signal to be judged.
type subject struct {
	m    *profiles.MessageFacts
	ev   *evidence.Message
	s    *evidence.Signal
	ref  profiles.SignalRef
	name string
	base *evidence.Signal // the same in the baseline; nil: none
}

// about starts a finding about the signal.
func (x *subject) about(rule string, verdict Verdict) Finding {
	f := About(rule, verdict, x.m)
	f.Signal, f.Listener = x.name, firstListener(x.m)
	return f
}

// subjects calls judge for every signal that the profile names and whose message
// has passed so far, in a fixed order.
func (c *Case) subjects(r *Results, judge func(x *subject)) {
	if unjudgeable(r) {
		return
	}
	sources := c.Setting.Sources()
	for _, ref := range c.named(sources) {
		if slices.ContainsFunc(sources[ref], r.hasOn) {
			continue
		}
		if x := c.subject(ref, r); x != nil {
			judge(x)
		}
	}
}

// named returns the signals that the profile speaks of. Sources come first: a
// gateway passes on what it gets.
func (c *Case) named(sources map[profiles.SignalRef][]profiles.SignalRef) []profiles.SignalRef {
	if c.refs == nil {
		c.refs = slices.Sorted(maps.Keys(c.Setting.NamedSignals()))
		slices.SortStableFunc(c.refs, func(a, b profiles.SignalRef) int { return cmp.Compare(len(sources[a]), len(sources[b])) })
	}
	return c.refs
}

// subject returns a signal to be judged; nil when its message did not pass so
// far, was not seen, or carries nothing that this scope can show.
func (c *Case) subject(ref profiles.SignalRef, r *Results) *subject {
	m, def := c.Setting.Signal(ref)
	if m == nil || def == nil || def.Multiplexer || m.Guarding()[def.Name] {
		return nil
	}
	if r.blocked(m.Name) || c.leansOnFailed(ref, r) {
		return nil
	}
	ev := c.Evidence.Messages[m.Name]
	s := ev.Signals[def.Name]
	if s == nil || s.Frames == 0 {
		return nil
	}
	x := &subject{m: m, ev: ev, s: s, ref: ref, name: def.Name}
	if c.Baseline != nil {
		x.base = c.Baseline.Messages[m.Name].Signals[def.Name]
	}
	return x
}

// leansOnFailed reports whether a signal is a gateway's copy of a value whose own
// message failed: the copy is then as it must be.
func (c *Case) leansOnFailed(ref profiles.SignalRef, r *Results) bool {
	for _, f := range c.Setting.Functions {
		at := slices.Index(f.Chain, ref)
		if at > 0 && slices.ContainsFunc(f.Chain[:at], func(source profiles.SignalRef) bool {
			message, _ := source.Split()
			return r.blocked(message)
		}) {
			return true
		}
	}
	return false
}

// blocked reports whether a message failed in a way that leaves its values
// without meaning. A gap or a late start does not, nor does a single bad signal.
func (r *Results) blocked(message string) bool {
	return slices.ContainsFunc(r.failed[message], func(rule string) bool {
		return rule != "message/long-gap" && rule != "message/late-start" && !strings.HasPrefix(rule, "signal/")
	})
}

// onBench reports whether the sensors behind the replaced unit are missing.
func (c *Case) onBench(m *profiles.MessageFacts) bool { return c.Scope == ECUOnBench && c.Own(m) }

// starved reports whether messages of the replaced unit are missing.
func (c *Case) starved(r *Results) bool {
	return slices.ContainsFunc(c.Setting.Messages, func(m *profiles.MessageFacts) bool {
		return c.Own(m) && r.blocked(m.Name)
	})
}

// judgeNA finds values that their sender itself calls unavailable.
func judgeNA(c *Case, r *Results) {
	starved := c.starved(r)
	c.subjects(r, func(x *subject) {
		if starved && !c.Own(x.m) {
			return // other units have nothing to say where the replaced one sends them nothing
		}
		w := c.awake(x.m.Name)
		from := w.settled(profiles.DefaultGrace) // start-up may be without values
		judged := c.unbroken(x.m.Name, stages.Spans{{Start: from, End: w.end}}, profiles.DefaultGrace)
		n, events := framesIn(x.s.NATrack, judged), &x.s.NAFirst
		if x.base != nil && x.base.AllOnes == 0 && x.base.Frames >= leastFrames && x.s.AllOnes > 0 {
			n, events = n+x.s.AllOnes, &x.s.OnesFirst
		}
		share := float64(n) / float64(max(1, framesIn(x.ev.Stream.Count, judged)))
		if share <= naShare || n < 3 {
			return
		}
		if x.base != nil && float64(x.base.NA) > naShare*float64(x.base.Frames) && x.base.NA*2 > x.s.NA {
			return // it was so before
		}
		f := x.about("signal/not-available", Fail)
		f.Text = fmt.Sprintf("%s says \"not available\" in %.0f %% of its frames", x.ref, 100*share)
		f.NextStep = "the sensor is not set up, or failed: read the new ECU's own codes and its sensor settings"
		if c.onBench(x.m) {
			f.Verdict, f.NextStep = NotTestable, "connect the sensor, or judge it in the car"
		}
		r.Add(f.events(c, events).measured(100*share, 100*naShare, "% of its frames", CommonPractice))
	})
}

// framesIn counts the frames of a track that lie in spans.
func framesIn(t *survey.Track, spans stages.Spans) (n uint64) {
	for _, span := range spans {
		n += evidence.Within(t, span.Start, span.End)
	}
	return n
}

// judgeStill finds values that stand where they should move.
func judgeStill(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		if x.s.Available < leastMoved || x.s.Span() != 0 || c.onBench(x.m) || r.Has("signal/not-available", x.m.Name) {
			return
		}
		why, limit := c.shouldMove(x)
		if why == "" {
			return
		}
		f := x.about("signal/frozen", Fail)
		f.Text = fmt.Sprintf("%s stands at %g, although %s", x.ref, x.s.Min, why)
		f.NextStep = "map the input to this CAN message in the new ECU: it sends a stand-in value"
		f.Count, f.FirstTime, f.HasTime = x.s.Available, x.s.FirstTime, true
		f.Example = c.example(&x.ev.Stream.FirstFrame)
		r.Add(f.measured(0, limit, cmp.Or(x.s.Def.Unit, "units"), CommonPractice))
	})
}

// shouldMove says why a signal should have moved in this capture, "" when
// nothing says so, and by how much at least.
func (c *Case) shouldMove(x *subject) (why string, least float64) {
	span := x.s.Def.Max - x.s.Def.Min
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Functions)) {
		f := c.Setting.Functions[name]
		if f.Lamp != nil && f.Chain[0] == x.ref {
			return "", 0 // judgeLamps and judgeBulbCheck know more of it
		}
		if len(f.Chain) == 0 || f.Chain[0] != x.ref || f.Lamp != nil || f.Moves == nil {
			continue
		}
		for _, stage := range f.Stages {
			if c.entered(x.m.Name, stage) {
				return fmt.Sprintf("the stage %s was exercised", stage), f.Moves.Span
			}
		}
	}
	if x.base != nil && x.base.Span() >= 0.05*cmp.Or(span, x.base.Max) && x.base.Span() > 0 && c.sameStages() {
		return fmt.Sprintf("it went from %g to %g in the baseline", x.base.Min, x.base.Max), x.base.Span()
	}
	return "", 0
}

// longIdle is how long a stage shows what it has to show, though the capture ends
// within it, ns. Only the fan of a car that warms up may need longer.
const longIdle = 5e9

// entered reports whether the capture shows how the car got into a stage, and what
// comes of it: where it begins within one, what moves on the way has moved
// already; where it ends soon after, it is still to move. What moves at idle and
// while the car warms up begins with the start of the engine.
func (c *Case) entered(message, stage string) bool {
	return slices.ContainsFunc(c.Stages.Of(message, stage), func(s stages.Span) bool {
		whole := c.Evidence.End-s.End > int64(profiles.DefaultGrace) || stage != "warm-up" && s.End-s.Start >= longIdle
		started := stage != "idle" && stage != "warm-up" || slices.ContainsFunc(c.Stages, func(e stages.Span) bool {
			return e.Start < s.Start && slices.Contains(standstill, e.Stage)
		})
		return s.Start-c.Evidence.Start > 1e9 && whole && started
	})
}

// sameStages reports whether this capture has every stage that the baseline has.
func (c *Case) sameStages() bool {
	for _, span := range c.BaselineStages {
		if !c.Stages.Has(span.Stage) {
			return false
		}
	}
	return len(c.BaselineStages) > 0
}

// suspectDefinition ends the next step of rules that a wrong DBC file trips as
// readily as a wrong ECU.
const suspectDefinition = "suspect the definition first: a wrong DBC file looks the same; then the setting"

// judgeByteOrder finds fields that run smoothly only when read the other way round.
func judgeByteOrder(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		s := x.s
		if s.Steps < leastSteps || s.Moved < leastMoved || s.RoughSwapped == 0 || s.SwappedMax <= s.SwappedMin || s.Own.Counts {
			return
		}
		span := (s.Max - s.Min) / math.Abs(s.Def.Factor)
		declared := s.Rough / span
		swapped := s.RoughSwapped / (s.SwappedMax - s.SwappedMin)
		if span < 256 || swapped >= swapGain*declared {
			return
		}
		f := x.about("signal/byte-order", Fail)
		f.Text = fmt.Sprintf("%s runs smoothly only when its bytes are read in the other order", x.ref)
		f.NextStep = suspectDefinition
		f.Count, f.Example = s.Moved, c.example(&x.ev.Stream.FirstFrame)
		f.FirstTime, f.HasTime = s.FirstTime, true
		r.Add(f.measured(swapped/declared, swapGain, "times the roughness", CommonPractice))
	})
}

// judgeSign finds values below zero that are read as huge ones, or the reverse.
func judgeSign(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		d := x.s.Def
		beyond := signBeyond * (d.Max - d.Min)
		outside := d.Max > d.Min && (x.s.Max > d.Max+beyond || x.s.Min < d.Min-beyond)
		if x.s.HalfJumps.Count == 0 || !outside || sweeps(x.s) || r.Has("signal/byte-order", x.m.Name) {
			return
		}
		f := x.about("signal/sign", Fail)
		f.Text = fmt.Sprintf("%s jumps between its ends and reaches %g to %g, outside of %g to %g: a sign is lost", x.ref, x.s.Min, x.s.Max, d.Min, d.Max)
		f.NextStep = suspectDefinition
		r.Add(f.events(c, &x.s.HalfJumps).measured(x.s.Max, d.Max, cmp.Or(d.Unit, "units"), d.Pos.String()))
	})
}

// sweeps reports whether a value runs through the middle of its field: one that
// only lost its sign stays near the two ends, which are its zero.
func sweeps(s *evidence.Signal) bool {
	low, span := s.Def.Offset, math.Exp2(float64(s.Def.Length))*s.Def.Factor
	if s.Def.Type == dbc.Signed {
		low -= span / 2
	}
	middle, all := 0, 0
	for i := range s.Track.Buckets() {
		b := &s.Track.Buckets()[i]
		if b.First == 0 {
			continue
		}
		all++
		if share := (b.First - low) / span; share > 1./3 && share < 2./3 {
			middle++
		}
	}
	return middle*10 > all
}

// judgeWraps finds values that run over their top and begin again.
func judgeWraps(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		if x.s.HalfJumps.Count == 0 || x.s.Own.Slew <= 0 || x.s.TooFast.Count == 0 || x.s.Own.Counts ||
			r.Has("signal/byte-order", x.m.Name) || r.Has("signal/sign", x.m.Name) {
			return
		}
		f := x.about("signal/wraps", Fail)
		f.Text = fmt.Sprintf("%s runs over its end and begins again: its bits are cut or shifted", x.ref)
		f.NextStep = suspectDefinition
		r.Add(f.events(c, &x.s.HalfJumps).measured(float64(x.s.HalfJumps.Count), 0, "jumps", CommonPractice))
	})
}

// explained reports whether another rule already says why a value jumps.
func explained(x *subject, r *Results) bool {
	for _, rule := range []string{
		"signal/byte-order", "signal/sign", "signal/wraps", "signal/not-available", "signal/stale", "message/two-senders",
	} {
		if r.Has(rule, x.m.Name) {
			return true
		}
	}
	return r.Has("integrity/loop-seam", "") // every value begins again there
}

// judgeWild finds values that keep changing faster than anything real could.
func judgeWild(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		share := float64(x.s.TooFast.Count) / float64(max(1, x.s.Steps))
		if x.s.Steps < leastSteps || share <= wildShare || twitches(x.s, x.s.TooFast.Count) || explained(x, r) {
			return
		}
		f := x.about("signal/wild", Fail)
		f.Text = fmt.Sprintf("%s changes faster than %g %s/s in %.1f %% of its steps", x.ref, x.s.Own.Slew, x.s.Def.Unit, 100*share)
		f.NextStep = suspectDefinition
		r.Add(f.events(c, &x.s.TooFast).measured(100*share, 100*wildShare, "% of its steps", CommonPractice))
	})
}

// twitches reports whether single odd frames, two steps each, make up most of the
// steps that are too fast.
func twitches(s *evidence.Signal, steps uint64) bool { return s.Outliers.Count*3 >= steps }

// judgeJumps finds a few steps that are too large to be real.
func judgeJumps(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		n := x.s.Leaps.Count
		if n < leastJumps || r.Has("signal/wild", x.m.Name) || explained(x, r) || twitches(x.s, n) {
			return
		}
		f := x.about("signal/jumps", Fail)
		f.Text = fmt.Sprintf("%s makes %d steps more than %d times as fast as %g %s/s", x.ref, n, evidence.LeapFactor, x.s.Own.Slew, x.s.Def.Unit)
		f.NextStep = "look for two sources of the value, a page read wrongly, or gaps of \"not available\""
		r.Add(f.events(c, &x.s.Leaps).measured(float64(n), leastJumps, "jumps", CommonPractice))
	})
}

// line is how a signal follows its reference, as y = a*x + b.
type line struct {
	a, b, r2  float64
	reference string
	from      string
	lo, hi    float64 // of x, in units of y
}

// isFactor reports whether a line of another slope has the values that a wrong
// factor gives, right at zero and the more wrong the farther from it. One of two
// signals that comes later than the other only bends the line.
func (l *line) isFactor(def *dbc.Signal) bool {
	far := l.hi
	if math.Abs(l.lo) > math.Abs(l.hi) {
		far = l.lo
	}
	reach := min(math.Abs(far), math.Abs(far-def.Offset)) // from zero, of the value or of its bits
	return math.Abs(l.a*far+l.b-far) >= 0.5*math.Abs(l.a-1)*reach
}

// lineOf fits a signal to the reference of a function, else to the same stages
// of the baseline.
func (c *Case) lineOf(x *subject) (line, bool) {
	for i := range c.Evidence.Fits {
		fit := &c.Evidence.Fits[i]
		if fit.Y != x.ref || fit.Link != 0 {
			continue
		}
		against := c.Setting.Functions[fit.Function].Against
		ratio := cmp.Or(against.Ratio, 1)
		a, b, r2, ok := fit.Line()
		if ok && fit.MaxX-fit.MinX > 0 {
			return line{a / ratio, b - against.Offset, r2, string(fit.X), c.profile(), ratio * fit.MinX, ratio * fit.MaxX}, true
		}
	}
	return c.lineByStages(x)
}

// lineByStages fits the values of the capture to those of the baseline, stage by
// stage: least, greatest and middle of each. A stage that was driven otherwise is
// left out where the rest then agrees.
func (c *Case) lineByStages(x *subject) (line, bool) {
	if x.base == nil || x.base.Span() == 0 || x.s.Own.Counts {
		return line{}, false
	}
	best, ok := c.fitStages(x, "")
	for _, stage := range profiles.StageNames() {
		if ok && best.r2 >= leastR2 {
			break
		}
		if l, fits := c.fitStages(x, stage); fits && (!ok || l.r2 > best.r2) {
			best, ok = l, true
		}
	}
	return best, ok
}

// fitStages is lineByStages without one stage.
func (c *Case) fitStages(x *subject, without string) (line, bool) {
	var fit evidence.Fit
	for _, stage := range profiles.StageNames() {
		now, was := c.Stages.Of(x.m.Name, stage), c.BaselineStages.Of(x.m.Name, stage)
		if len(now) != 1 || len(was) != 1 || stage == without || c.partOf(now[0], was[0]) {
			continue
		}
		y, ok1 := levels(x.s, now[0].Start, now[0].End)
		xx, ok2 := levels(x.base, was[0].Start, was[0].End)
		if !ok1 || !ok2 {
			continue
		}
		for i := range y {
			fit.Pair(xx[i], y[i])
		}
	}
	a, b, r2, ok := fit.Line()
	return line{a, b, r2, "the baseline, stage by stage", FromBaseline, fit.MinX, fit.MaxX}, ok
}

// partOf reports whether the capture begins or ends within a stage that the
// baseline has whole: what changes in the course of it has not the same levels.
func (c *Case) partOf(now, was stages.Span) bool {
	cut := now.Start-c.Evidence.Start < 1e9 || c.Evidence.End-now.End < 1e9
	return cut && float64(now.End-now.Start) < 0.8*float64(was.End-was.Start)
}

// levels returns least, middle and greatest value of a stretch.
func levels(s *evidence.Signal, from, to int64) (out [3]float64, ok bool) {
	var sum float64
	n := 0
	out[0], out[2] = math.Inf(1), math.Inf(-1)
	for i := range s.Track.Buckets() {
		b := &s.Track.Buckets()[i]
		if b.FirstTime < from || b.LastTime > to {
			continue
		}
		out[0], out[2] = min(out[0], b.Min), max(out[2], b.Max)
		sum += (b.Min + b.Max) / 2
		n++
	}
	if n == 0 {
		return out, false
	}
	out[1] = sum / float64(n)
	return out, true
}

// ratios that a wrong factor makes: powers of two, miles, Fahrenheit.
var ratios = []float64{1. / 8, 1. / 4, 1. / 2, 2, 4, 8, 1.609, 0.621, 1.8}

func nearest(v float64, list []float64) float64 {
	best := list[0]
	for _, have := range list {
		if math.Abs(v/have-1) < math.Abs(v/best-1) {
			best = have
		}
	}
	return best
}

// isState reports whether a signal is one of a few states, not a quantity.
func isState(def *dbc.Signal) bool { return def.Unit == "" && def.Length < 8 }

// judgeScale finds values with a wrong factor.
func judgeScale(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		l, ok := c.lineOf(x)
		if !ok || isState(x.s.Def) || l.r2 < leastR2 || math.Abs(l.a-1) <= scaleOff || r.Has("message/two-senders", x.m.Name) || explained(x, r) {
			return
		}
		near := nearest(l.a, ratios)
		known := math.Abs(l.a/near-1) <= scaleOff
		if l.from == FromBaseline && !known {
			return // the tuner may have changed it
		}
		little := c.Evidence.End-c.Evidence.Start < enough(0) || l.hi-l.lo < 0.10*(x.s.Def.Max-x.s.Def.Min)
		if !known && little || !l.isFactor(x.s.Def) {
			return
		}
		f := x.about("signal/scale", Fail)
		f.Text = fmt.Sprintf("%s is %.3g times what %s says", x.ref, l.a, l.reference)
		if known {
			f.Text += fmt.Sprintf(" (close to %.3g)", near)
		}
		f.NextStep = "another series or cluster coding has that factor; " + suspectDefinition
		f.Count, f.Example = x.s.Available, c.example(&x.ev.Stream.FirstFrame)
		f.FirstTime, f.HasTime = x.s.FirstTime, true
		r.instead("signal/jumps", f.measured(l.a, 1, "times", l.from))
	})
}

// offsets that a wrong definition makes: bias of temperatures, Kelvin.
var offsets = []float64{8, 32, 40, 48, 273.15}

// judgeOffset finds values with a wrong offset.
func judgeOffset(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		l, ok := c.lineOf(x)
		if !ok || l.r2 < leastR2 || math.Abs(l.a-1) > offsetSlope || math.Abs(l.b) <= 3*max(1, math.Abs(x.s.Def.Factor)) || explained(x, r) {
			return
		}
		near := nearest(math.Abs(l.b), offsets)
		known := math.Abs(math.Abs(l.b)-near) <= 0.05*near+0.5
		little := max(0.02*(l.hi-l.lo), 0.01*(x.s.Def.Max-x.s.Def.Min)) // the weather of another day does as much
		if l.from == FromBaseline && !known || math.Abs(l.b) < little {
			return
		}
		f := x.about("signal/offset", Fail)
		f.Text = fmt.Sprintf("%s is %+.3g %s off what %s says", x.ref, l.b, x.s.Def.Unit, l.reference)
		f.NextStep = suspectDefinition
		f.Count, f.Example = x.s.Available, c.example(&x.ev.Stream.FirstFrame)
		f.FirstTime, f.HasTime = x.s.FirstTime, true
		r.Add(f.measured(l.b, 3, cmp.Or(x.s.Def.Unit, "units"), l.from))
	})
}

// judgeOutliers finds single odd frames.
func judgeOutliers(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		n := x.s.Outliers.Count
		minutes := float64(c.Evidence.End-c.Evidence.Start) / 60e9
		if n == 0 || float64(n) < minutes || explained(x, r) {
			return
		}
		f := x.about("signal/outliers", Fail)
		if n < outliersAtMin {
			f.Verdict = Review
		}
		f.Text = fmt.Sprintf("%s drops out for single frames, %d times", x.ref, n)
		f.NextStep = "hold the last good value in the sender, or filter there"
		r.Add(f.events(c, &x.s.Outliers).measured(float64(n)/max(minutes, 1./60), 1, "per minute", CommonPractice))
	})
}

// judgeStale finds values that are renewed much more seldom than they are sent.
func judgeStale(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		if x.s.Changes == nil || !cyclic(x.m) || x.s.Def.Length < 8 || x.s.Own.Counts || explained(x, r) {
			return
		}
		interval, n := renewal(x.s)
		pace := max(int64(x.m.Cycle.Value), x.ev.Stream.Gaps.Quantile(0.5)) // a slow message is another fault
		limit := staleCycles * pace
		if n < leastMoved || interval <= limit || x.s.Own.Slew == 0 {
			return
		}
		if x.base != nil {
			if was, n := renewal(x.base); n >= leastMoved && interval < 2*was {
				return // it was so before
			}
		}
		f := x.about("signal/stale", Review)
		f.Text = fmt.Sprintf("%s is sent every %v but renewed every %.0f ms only while it moves", x.ref, x.m.Cycle.Value, inMS(interval))
		f.NextStep = "raise the rate at which the new ECU works the value out"
		f.Count, f.Example = uint64(n), c.example(&x.ev.Stream.FirstFrame)
		f.FirstTime, f.HasTime = x.s.FirstTime, true
		r.Add(f.measured(inMS(interval), inMS(limit), "ms", CommonPractice))
	})
}

// renewal returns the median time between changes less than a second apart, and
// how many there were: the pace of a value while it moves. A value that moves by
// its smallest step only is left out: nobody can tell whether it is late.
func renewal(s *evidence.Signal) (int64, int) {
	var gaps []int64
	steps := s.Changes.Steps()
	for i := 1; i < len(steps); i++ {
		gap := steps[i].Time - steps[i-1].Time
		change := int64(steps[i].Raw) - int64(steps[i-1].Raw)
		if gap > 0 && gap < 1e9 && max(change, -change) > 4 {
			gaps = append(gaps, gap)
		}
	}
	if len(gaps) == 0 {
		return 0, 0
	}
	slices.Sort(gaps)
	return gaps[len(gaps)/2], len(gaps)
}

// judgeSaturated finds values that stand at the end of their field.
func judgeSaturated(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		if x.s.AtTop <= topTime || x.s.AllOnes*2 > x.s.Available || r.Has("signal/not-available", x.m.Name) || explained(x, r) || x.s.Span() == 0 {
			return
		}
		if x.base != nil && x.base.AtTop > topTime {
			return
		}
		f := x.about("signal/saturated", Review)
		f.Text = fmt.Sprintf("%s stood at the end of its range (%g) for %.1f s", x.ref, x.s.Max, float64(x.s.AtTop)/1e9)
		f.NextStep = "the setting of another engine may have a wider range: compare turbo and non-turbo settings"
		f.Count, f.Example = 1, c.example(&x.ev.Stream.FirstFrame)
		f.FirstTime, f.HasTime = x.s.FirstTime, true
		r.Add(f.measured(float64(x.s.AtTop)/1e9, topTime/1e9, "s", CommonPractice))
	})
}

// judgeBand finds values that a listener does not accept.
func judgeBand(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		n := x.s.OutOfBand.Count
		share := float64(n) / float64(max(1, x.s.Available))
		if share <= naShare || n < 3 || explained(x, r) || r.Has("signal/wild", x.m.Name) {
			return
		}
		f := x.about("signal/out-of-band", Fail)
		f.Text = fmt.Sprintf("%s lies outside of %s, the band that its listeners accept, in %.0f %% of its frames", x.ref, x.s.Own.Accepted, 100*share)
		f.NextStep = "look at the sensor and at the scale; listeners reject the value"
		if c.onBench(x.m) {
			f.Verdict = NotTestable
		}
		from := c.origin("$.messages." + x.m.Name + ".signals." + x.name + ".accepted")
		r.Add(f.events(c, &x.s.OutOfBand).measured(100*share, 100*naShare, "% of its frames", from))
	})
}

// judgePages finds multiplexers that do not go through all their pages.
func judgePages(c *Case, r *Results) {
	if unjudgeable(r) {
		return
	}
	for _, m := range c.Setting.Messages {
		ev := c.Evidence.Messages[m.Name]
		want := pagesWanted(c, m)
		if len(want) < 2 || ev.Seen() < uint64(5*len(want)) {
			continue
		}
		var missing []uint64
		for _, page := range want {
			if ev.Pages[page] == 0 {
				missing = append(missing, page)
			}
		}
		if len(missing) == 0 {
			c.judgeDwell(r, m, want)
			continue
		}
		f := About("signal/page-missing", Fail, m)
		f.Listener = firstListener(m)
		f.Text = fmt.Sprintf("%s never shows page %d of its %d pages", m.Name, missing[0], len(want))
		f.NextStep = "the sender must go through all pages: some options live on the others"
		f.Count, f.Example = ev.Seen(), c.example(&ev.Stream.FirstFrame)
		f.FirstTime, f.HasTime = ev.Stream.First, true
		from := c.profile()
		if m.Own.Pages == nil {
			from = FromBaseline
		}
		r.Add(f.measured(float64(len(want)-len(missing)), float64(len(want)), "pages", from))
	}
}

// dwellSlack is by how much the share of a page may be another one than in the
// baseline; common practice.
const dwellSlack = 0.20

// judgeDwell finds pages that come much more or less often than in the baseline.
func (c *Case) judgeDwell(r *Results, m *profiles.MessageFacts, pages []uint64) {
	if c.Baseline == nil {
		return
	}
	ev, was := c.Evidence.Messages[m.Name], c.Baseline.Messages[m.Name]
	for _, page := range pages {
		now := float64(ev.Pages[page]) / float64(max(1, ev.Seen()))
		before := float64(was.Pages[page]) / float64(max(1, was.Seen()))
		if was.Seen() < leastFrames || now >= before-dwellSlack && now <= before+dwellSlack {
			continue
		}
		f := About("signal/page-missing", Review, m)
		f.Listener = firstListener(m)
		f.Text = fmt.Sprintf("%s shows page %d in %.0f %% of its frames; it was %.0f %%", m.Name, page, 100*now, 100*before)
		f.NextStep = "the sender should go through its pages at the pace of the factory ECU"
		f.Count, f.Example = ev.Seen(), c.example(&ev.Stream.FirstFrame)
		f.FirstTime, f.HasTime = ev.Stream.First, true
		r.Add(f.measured(100*now, 100*before, "% of its frames", FromBaseline))
		return
	}
}

// pagesWanted returns the pages that a message must go through.
func pagesWanted(c *Case, m *profiles.MessageFacts) []uint64 {
	if m.Own.Pages != nil {
		return m.Own.Pages.Values
	}
	if c.Baseline == nil {
		return nil
	}
	var pages []uint64
	was := c.Baseline.Messages[m.Name]
	for _, page := range slices.Sorted(maps.Keys(was.Pages)) {
		if was.Pages[page]*20 > was.Seen() {
			pages = append(pages, page)
		}
	}
	return pages
}

// judgeConstants finds configuration that differs from the setting's.
func judgeConstants(c *Case, r *Results) {
	if unjudgeable(r) {
		return
	}
	for _, m := range c.Setting.Messages {
		if _, failed := r.Failed(m.Name); failed || m.Own.Config { // judgeConfig knows more of those
			continue
		}
		ev := c.Evidence.Messages[m.Name]
		for _, signal := range slices.Sorted(maps.Keys(m.Own.Constants)) {
			c.judgeConstant(r, m, ev.Signals[signal], m.Own.Constants[signal])
		}
	}
}

// judgeConstant compares one configuration value with the capture.
func (c *Case) judgeConstant(r *Results, m *profiles.MessageFacts, s *evidence.Signal, want *profiles.Constant) {
	value, wrong := standsAt(s, want.Value)
	if wrong == 0 || value == want.Value {
		return
	}
	f := About("signal/constant", Fail, m)
	f.Signal, f.Listener = s.Def.Name, firstListener(m)
	means := ""
	if want.Means != "" {
		means = " (" + want.Means + ")"
	}
	f.Text = fmt.Sprintf("%s.%s is %d; in this setting it is %d%s", m.Name, s.Def.Name, value, want.Value, means)

	f.NextStep = "listeners compare it with what they learned: choose the setting of this engine, gearbox and market"
	stream := c.Evidence.Messages[m.Name].Stream
	f.Count, f.Example = wrong, c.example(&stream.FirstFrame)
	f.FirstTime, f.HasTime = stream.First, true
	from := c.origin("$.messages." + m.Name + ".constants." + f.Signal)
	r.Add(f.measured(float64(value), float64(want.Value), "raw", from))
}
