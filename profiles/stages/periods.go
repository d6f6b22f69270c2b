package stages

import (
	"cmp"
	"math"
	"slices"

	"plugproof/decode/survey"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// period is a stretch of time in ns, from start up to end.
type period struct{ start, end int64 }

// bridge is how long a signal may be silent without ending a period, ns.
const bridge = 2e9

// moveWindow is within how long a signal must change twice to be moving, ns,
// where the profile does not say.
const moveWindow = int64(5e9)

// Holding returns the spans in which all conditions hold, without a name; none
// where a signal never came.
func Holding(ev *evidence.Evidence, conditions []profiles.Condition) (spans Spans) {
	for _, p := range holding(ev, conditions) {
		if p.end > p.start {
			spans = append(spans, Span{Start: p.start, End: p.end, RestsOn: restsOn(conditions)})
		}
	}
	return spans
}

// holding returns the periods in which all conditions hold.
func holding(ev *evidence.Evidence, conditions []profiles.Condition) []period {
	all := []period{{ev.Start, ev.End}}
	for _, c := range conditions {
		s := signalOf(ev, c.Signal)
		if s == nil {
			return nil
		}
		all = intersect(all, holds(s, &c))
	}
	return all
}

// holds returns the periods in which one condition holds.
func holds(s *evidence.Signal, c *profiles.Condition) []period {
	switch {
	case c.Moves:
		return moving(s, cmp.Or(int64(c.Within), moveWindow))
	case len(c.Is) > 0 && s.Changes != nil && int(s.Changes.Count()) < len(s.Changes.Steps()):
		return stands(s, c.Is)
	case len(c.Is) > 0:
		return within(s.Track, func(b *survey.Bucket) bool {
			return b.Min == b.Max && slices.ContainsFunc(c.Is, func(raw int64) bool {
				return math.Abs(float64(raw)*s.Def.Factor+s.Def.Offset-b.Min) < 1e-9
			})
		})
	}
	return within(s.Track, func(b *survey.Bucket) bool {
		return (c.Above == nil || b.Min > *c.Above) && (c.Below == nil || b.Max < *c.Below)
	})
}

// stands returns the periods in which the raw value is one of those given, from
// the full list of its changes.
func stands(s *evidence.Signal, values []int64) []period {
	var out []period
	steps := s.Changes.Steps()
	for i, step := range steps {
		if !slices.Contains(values, int64(step.Raw)) {
			continue
		}
		end := s.LastTime
		if i+1 < len(steps) {
			end = steps[i+1].Time
		}
		out = appendPeriod(out, period{step.Time, end}, 0)
	}
	return out
}

// within returns the periods whose buckets all satisfy ok. Stretches without a
// value belong to the period around them.
func within(t *survey.Track, ok func(*survey.Bucket) bool) []period {
	var out []period
	buckets := t.Buckets()
	broken := true // the last bucket did not satisfy
	for i := range buckets {
		b := &buckets[i]
		switch {
		case !ok(b):
			broken = true
		case broken || len(out) == 0:
			out = append(out, period{b.FirstTime, b.LastTime})
			broken = false
		default:
			out = appendPeriod(out, period{b.FirstTime, b.LastTime}, bridge)
		}
	}
	return out
}

// moving returns the periods in which the value changes at least twice within
// the given time, ns. A change is more than a fiftieth of the signal's whole span.
func moving(s *evidence.Signal, window int64) []period {
	var changes []int64
	least := s.Span() / 50
	last, have := 0.0, false
	for i := range s.Track.Buckets() {
		b := &s.Track.Buckets()[i]
		if b.Max-b.Min > least || have && math.Abs(b.First-last) > least {
			changes = append(changes, b.FirstTime)
		}
		last, have = b.Last, true
	}
	var out []period
	for i := 1; i < len(changes); i++ {
		if changes[i]-changes[i-1] <= window {
			out = appendPeriod(out, period{changes[i-1], changes[i]}, 0)
		}
	}
	return out
}

// appendPeriod adds a period, joined to the one before when no more than gap lies between.
func appendPeriod(list []period, p period, gap int64) []period {
	if n := len(list); n > 0 && p.start-list[n-1].end <= gap {
		list[n-1].end = max(list[n-1].end, p.end)
		return list
	}
	return append(list, p)
}

// bridged joins periods that are no further apart than gap, ns.
func bridged(list []period, gap int64) []period {
	if gap == 0 {
		return list
	}
	var out []period
	for _, p := range list {
		out = appendPeriod(out, p, gap)
	}
	return out
}

func intersect(a, b []period) []period {
	var out []period
	for i, j := 0, 0; i < len(a) && j < len(b); {
		start, end := max(a[i].start, b[j].start), min(a[i].end, b[j].end)
		if start < end {
			out = append(out, period{start, end})
		}
		if a[i].end < b[j].end {
			i++
		} else {
			j++
		}
	}
	return out
}
