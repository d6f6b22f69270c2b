package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"plugproof/decode/survey"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
	"plugproof/profiles/stages"
)

// Limits of the rules that compare a value with what it was in the same stage of
// a good capture, common practice.
const (
	rangeSlack = 0.10 // of all that the value did in the good capture
	rangeShare = 0.80 // of the time in the stage
	rangeTime  = int64(2e9)
	noiseRatio = 3.0 // spread of the idle speed against the good capture
)

// rangeRules come last: of a value that any other rule speaks of there is no more
// to say.
func rangeRules() []Rule {
	return []Rule{{"signal/range", "a gauge reads otherwise than before", judgeRange}}
}

// spoken reports whether a finding is about a message.
func (r *Results) spoken(message string) bool {
	return slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Message == message && f.Verdict != NotTestable })
}

// judgeRange finds values that lie, for most of a stage, far outside of where they
// were in that stage of a good capture: the one that a profile was learned from,
// else the baseline. Idle speed and the like are the tuner's, so it is for a
// second look at most.
func judgeRange(c *Case, r *Results) {
	c.subjects(r, func(x *subject) {
		if x.s.Own.Counts || isTemperature(x.s.Def.Unit) || r.spoken(x.m.Name) || c.onBench(x.m) || c.isFlag(x.ref) {
			return
		}
		good, from := c.goodRanges(x)
		slack := rangeSlack * whole(good)
		for _, stage := range profiles.StageNames() {
			want := good[stage]
			if want == nil {
				continue
			}
			away, all, first := outside(x.s, c.Stages.Of(x.m.Name, stage), &profiles.Range{From: want.From - slack, To: want.To + slack})
			if all < rangeTime || float64(away) < rangeShare*float64(all) {
				continue
			}
			f := x.about("signal/range", Review)
			f.Text = fmt.Sprintf("%s is at %g in the stage %s; in a good capture of this car it was at %s there", x.ref, first.First, stage, want)
			f.NextStep = "a setting that was tuned, or another sensor: find out which; " + suspectDefinition
			f.Count, f.FirstTime, f.HasTime = x.s.Available, first.FirstTime, true
			f.Example = c.example(&x.ev.Stream.FirstFrame)
			limit := want.To
			if first.First < want.From {
				limit = want.From
			}
			r.Add(f.measured(first.First, limit, cmp.Or(x.s.Def.Unit, "units"), from))
			return
		}
	})
}

// isFlag reports whether a signal is a complaint or a lamp, of which other rules
// speak.
func (c *Case) isFlag(ref profiles.SignalRef) bool {
	for _, node := range c.Setting.Nodes {
		if slices.ContainsFunc(node.Flags, func(flag profiles.Flag) bool { return flag.Signal == ref }) {
			return true
		}
	}
	for _, f := range c.Setting.Functions {
		if f.Lamp != nil && f.Chain[0] == ref {
			return true
		}
	}
	return false
}

// isTemperature reports whether a unit is one of temperature: those depend on the
// day and on how long the engine has run.
func isTemperature(unit string) bool {
	return slices.Contains([]string{"c", "degc", "°c", "f", "degf", "°f", "k"}, strings.ToLower(unit))
}

// goodRanges returns the range of a signal by stage in a good capture, and where
// it is from; nil when nobody knows.
func (c *Case) goodRanges(x *subject) (good map[string]*profiles.Range, from string) {
	if own := x.m.Own.Signals[x.name]; own != nil && len(own.Ranges) > 0 {
		return own.Ranges, c.origin("$.messages." + x.m.Name + ".signals." + x.name + ".ranges")
	}
	if x.base == nil || !c.sameStages() {
		return nil, ""
	}
	good = map[string]*profiles.Range{}
	for _, span := range c.BaselineStages.Of(x.m.Name, profiles.StageNames()...) {
		level, ok := levels(x.base, span.Start, span.End)
		if !ok {
			continue
		}
		if have := good[span.Stage]; have == nil {
			good[span.Stage] = &profiles.Range{From: level[0], To: level[2]}
		} else {
			have.From, have.To = min(have.From, level[0]), max(have.To, level[2])
		}
	}
	return good, FromBaseline
}

// whole returns by how much a value moved over all stages.
func whole(ranges map[string]*profiles.Range) float64 {
	var all *profiles.Range
	for _, r := range ranges {
		if all == nil {
			all = &profiles.Range{From: r.From, To: r.To}
		}
		all.From, all.To = min(all.From, r.From), max(all.To, r.To)
	}
	if all == nil {
		return 0
	}
	return all.To - all.From
}

// outside returns for how long a signal lay outside of a range within spans, for
// how long it had a value there (ns), and the first bucket that was outside.
func outside(s *evidence.Signal, spans stages.Spans, want *profiles.Range) (away, all int64, first *survey.Bucket) {
	buckets := s.Track.Buckets()
	for i := range buckets {
		b := &buckets[i]
		if !slices.ContainsFunc(spans, func(span stages.Span) bool { return b.FirstTime >= span.Start && b.LastTime <= span.End }) {
			continue
		}
		time := until(s.Track, i) - b.FirstTime
		all += time
		if b.Min <= want.To && b.Max >= want.From {
			continue
		}
		if away += time; first == nil {
			first = b
		}
	}
	return away, all, first
}

// judgeIdle finds an idle speed that is far less steady than in the baseline: it
// is sent without the filter that the gauge needs.
func judgeIdle(c *Case, r *Results) {
	x := c.role(profiles.EngineSpeed, r)
	if x == nil || x.base == nil || r.hasOn(x.ref) || explained(x, r) {
		return
	}
	now, was := spread(x.s, c.Stages.Of(x.m.Name, "idle")), spread(x.base, c.BaselineStages.Of(x.m.Name, "idle"))
	// A value swings more in a longer bucket: twice as much at most in twice the time.
	was *= max(1, float64(x.s.Track.Width())/float64(x.base.Track.Width()))
	if was == 0 || now < noiseRatio*was {
		return
	}
	f := x.about("signal/outliers", Review)
	f.Text = fmt.Sprintf("%s swings %.1f times as much at idle as in the baseline", x.ref, now/was)
	f.NextStep = "send a filtered engine speed: the gauge shows every swing of the raw one"
	f.Count, f.FirstTime, f.HasTime = x.s.Available, x.s.FirstTime, true
	f.Example = c.example(&x.ev.Stream.FirstFrame)
	r.Add(f.measured(now, noiseRatio*was, cmp.Or(x.s.Def.Unit, "units"), FromBaseline))
}

// spread is the mean range of a signal within the buckets of its track.
func spread(s *evidence.Signal, spans stages.Spans) float64 {
	sum, n := 0.0, 0
	for i := range s.Track.Buckets() {
		b := &s.Track.Buckets()[i]
		if b.N > 1 && slices.ContainsFunc(spans, func(span stages.Span) bool { return b.FirstTime >= span.Start && b.LastTime <= span.End }) {
			sum += b.Max - b.Min
			n++
		}
	}
	return sum / float64(max(1, n))
}
