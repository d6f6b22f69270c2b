package rules

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"plugproof/profiles"
	"plugproof/profiles/evidence"
	"plugproof/profiles/stages"
)

// judging returns the stretch in which a unit means what it says: from the end
// of grace to key-off.
func (w window) judging() stages.Spans {
	return stages.Spans{{Start: w.settled(profiles.DefaultGrace), End: w.end}}
}

// longest returns for how long, at the most, a condition held without a break
// over the course of a signal, and since when. The condition gets the time of a
// stretch and the least and greatest value in it.
func longest(s *evidence.Signal, holds func(at int64, low, high float64) bool) (lasted, first int64) {
	since := int64(math.MinInt64)
	buckets := s.Track.Buckets()
	for i := range buckets {
		b := &buckets[i]
		switch {
		case !holds(b.FirstTime, b.Min, b.Max):
			since = math.MinInt64
		default:
			if since == math.MinInt64 {
				since = b.FirstTime
			}
			if t := b.LastTime - since; t > lasted {
				lasted, first = t, since
			}
		}
	}
	return lasted, first
}

// during reports whether a time lies within one of the spans.
func during(spans stages.Spans, at int64) bool {
	return slices.ContainsFunc(spans, func(s stages.Span) bool { return at >= s.Start && at < s.End })
}

// judgeBounds finds values that cannot be, by what other units say at the time.
func judgeBounds(c *Case, r *Results) {
	if unjudgeable(r) || c.Scope != Car {
		return
	}
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Bounds)) {
		b := c.Setting.Bounds[name]
		x := c.subject(b.Signal, r)
		if x == nil || r.hasOn(b.Signal) || r.Has("handshake/torque-implausible", x.m.Name) || c.uncharged(r, b) {
			continue
		}
		limit := int64(b.Lasting)
		if limit == 0 {
			limit = usualBoundTime
		}
		lasted, first := c.beyond(x, b)
		if lasted < limit {
			continue
		}
		f := x.about("handshake/torque-implausible", Fail)
		f.Text = fmt.Sprintf("%s is %s for %.1f s %s", x.ref, beyondWhat(b, x), float64(lasted)/1e9, b.Says)
		f.NextStep = "set the torque of the new ECU right, its reference torque first: torque values are a share of it"
		f.FirstTime, f.HasTime, f.Count, f.Example = first, true, 1, c.example(&x.ev.Stream.FirstFrame)
		r.Add(f.measured(float64(lasted)/1e9, float64(limit)/1e9, "s", c.Setting.Origin("$.bounds."+name).String()))
	}
}

// uncharged reports whether a bound goes by a voltage that, in this car, does not
// tell whether the engine turns.
func (c *Case) uncharged(r *Results, b *profiles.Bound) bool {
	if !slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Rule == "handshake/generator-command" }) {
		return false
	}
	return slices.ContainsFunc(b.When, func(w profiles.Condition) bool {
		_, def := c.Setting.Signal(w.Signal)
		return def != nil && def.Unit == "V"
	})
}

// beyondWhat says which limit of a bound was not kept to.
func beyondWhat(b *profiles.Bound, x *subject) string {
	if b.Below != "" {
		return fmt.Sprintf("more than %g %s above %s", b.Slack, x.s.Def.Unit, b.Below)
	}
	return fmt.Sprintf("outside of %s %s", b.Within, x.s.Def.Unit)
}

// beyond returns for how long at the most a value was beyond its bound, and since
// when. Where the conditions cannot be told, it was not.
func (c *Case) beyond(x *subject, b *profiles.Bound) (lasted, first int64) {
	spans := stages.Spans{{Start: c.Evidence.Start, End: c.Evidence.End + 1}}
	if len(b.When) > 0 {
		spans = stages.Holding(c.Evidence, b.When)
	}
	var upper *evidence.Signal
	if b.Below != "" {
		message, signal := b.Below.Split()
		if upper = c.Evidence.Messages[message].Signals[signal]; upper == nil {
			return 0, 0
		}
	}
	return longest(x.s, func(at int64, low, high float64) bool {
		if !during(spans, at) {
			return false
		}
		if b.Within != nil {
			return low > b.Within.To+b.Slack || high < b.Within.From-b.Slack
		}
		limit := upper.Track.At(at)
		return limit != nil && low > limit.Max+b.Slack
	})
}
