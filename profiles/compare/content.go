package compare

import (
	"fmt"
	"math/bits"
	"slices"
	"strings"

	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles/rules"
)

// length compares payload bytes.
func (j *judge) length(x *subject) {
	if x.was == nil || x.is == nil {
		return
	}
	was, is := commonLength(x.was), commonLength(x.is)
	r := j.cut(j.row(x, Length), &x.before.first, &x.after.first).measured(float64(was), float64(is), float64(was), "bytes", baseline)
	r.Text = fmt.Sprintf("%s has %d bytes", x.title(), is)
	switch odd := x.after.misfits; {
	case was != is:
		r.Verdict = rules.Fail
		r.Text = fmt.Sprintf("%s has %d bytes, before %d: a listener may take it for no frame at all", x.title(), is, was)
		r.NextStep = "choose the setting of this very series: one message exists in a longer and a shorter form"
		if odd.count > 0 {
			r = j.cut(r, nil, &odd.first)
			r.Count = odd.count
		}
	case odd.count > 0:
		r.Verdict = rules.Review
		r.Text = fmt.Sprintf("%d frames of %s have another length than its %d bytes", odd.count, x.title(), was)
		r.NextStep = "see what sends them: two units may share the identifier"
		r = j.cut(r, nil, &odd.first)
		r.Count = odd.count
	}
	x.add(r)
}

// constants compares the bits that never changed before. What a definition calls
// a quantity is left to the comparison of values.
func (j *judge) constants(x *subject) {
	if x.was == nil || x.is == nil || x.was.Frames < leastFrames || x.is.Frames < leastFrames {
		return
	}
	mask, value := constantBits(x.was.Bits)
	stood, now := constantBits(x.is.Bits)
	n := min(x.Before.Length, x.After.Length)
	if n < 8 {
		mask &= 1<<(8*n) - 1
	}
	mask &^= x.quantities()
	turned, moves := mask&stood&(value^now), mask&^stood
	r := j.cut(j.row(x, Constant), &x.before.first, &x.after.first)
	r.Text = fmt.Sprintf("%d bits of %s stand as before", bits.OnesCount64(mask&stood), x.title())
	r.LimitFrom = baseline
	if turned != 0 || moves != 0 {
		r = j.otherBits(x, r, turned, moves)
	}
	x.add(r)
	j.stated(x)
}

// otherBits words constants that are others, or none any more.
func (j *judge) otherBits(x *subject, r Row, turned, moves uint64) Row {
	if x.after.differs.count > 0 {
		r = j.cut(r, nil, &x.after.differs.first)
		r.Count = x.after.differs.count
	}
	var parts []string
	if turned != 0 {
		parts = append(parts, fmt.Sprintf("%s stand at another value", x.where(turned)))
		r.Verdict = rules.Review
	}
	if moves != 0 {
		parts = append(parts, fmt.Sprintf("%s never changed before and do now", x.where(moves)))
		if x.Own || x.Sender == "" {
			r.Verdict = rules.Review
		}
	}
	r.Text = fmt.Sprintf("%s: %s", x.title(), strings.Join(parts, "; "))
	r.Measured = &rules.Quantity{Value: float64(bits.OnesCount64(turned | moves)), Unit: "bits"}
	r.Limit = &rules.Quantity{Value: 0, Unit: "bits"}
	if r.Verdict == rules.Review {
		r.NextStep = "what they mean is not known: a variant, market or option code would explain a lamp though all gauges work"
	}
	return r
}

// where names signals, or bits, of a mask.
func (x *subject) where(mask uint64) string {
	var names []string
	for i := range x.before.plan.signals {
		if own := x.before.bits(i); x.plan != nil && own&mask != 0 {
			names = append(names, x.before.plan.signals[i].def.Name)
			mask &^= own
		}
	}
	for i := range 8 {
		if b := mask >> (8 * i) & 0xFF; b != 0 {
			names = append(names, fmt.Sprintf("byte %d mask %02X", i, b))
		}
	}
	const most = 4
	if len(names) > most {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
	}
	return strings.Join(names, ", ")
}

// bits returns where in the first eight bytes a signal lies; byte 0 lowest.
func (s *stream) bits(signal int) (mask uint64) {
	def := s.plan.signals[signal].def
	if def.Length > 64 {
		return 0
	}
	return def.Mask()
}

// quantities returns the bits whose values are compared by state, and those of
// protection and pages.
func (x *subject) quantities() (mask uint64) {
	if x.plan == nil {
		return 0
	}
	for i := range x.plan.signals {
		if s := &x.plan.signals[i]; s.skip || !s.list && !s.hidden {
			mask |= x.before.bits(i)
		}
	}
	return mask
}

// stated compares the constants that the profile names: configuration.
func (j *judge) stated(x *subject) {
	if x.plan == nil {
		return
	}
	own := x.plan.facts.Own.Constants
	for i := range x.plan.signals {
		s := &x.plan.signals[i]
		c, ok := own[s.def.Name]
		if !ok || s.hidden {
			continue
		}
		was, is := x.before.span(i), x.after.span(i)
		if was.n < 1 || is.n < 1 || was.min == is.min && was.max == is.max {
			continue
		}
		r := j.cut(j.row(x, Constant), &x.before.first, &x.after.last)
		r = r.measured(was.max, is.max, was.max, "", baseline)
		r.Signal, r.Verdict, r.Count = s.def.Name, rules.Fail, is.n
		r.Text = fmt.Sprintf("%s.%s is %g, before %g: it is configuration", x.Name, s.def.Name, is.max, was.max)
		if c.Means != "" {
			r.Text += fmt.Sprintf(" (this setting says %d: %s)", c.Value, c.Means)
		}
		r.NextStep = "choose the setting of this very variant, or have the listeners learn it again"
		x.add(r)
	}
}

// Shares of frames from which a law is broken (trade practice: a counter may slip
// in a hundredth, a checksum in a thousandth).
const (
	counterSlips  = 0.01
	checksumSlips = 0.001
	learnedBroken = 0.5 // of a law that was learned: from a part of the frames, so it need not always hold
	leastJudged   = 64
)

// protection compares how an identifier is guarded.
func (j *judge) protection(x *subject) {
	watched := x.after.watch != nil
	if !watched {
		return
	}
	r := j.cut(j.row(x, Protected), &x.before.first, &x.after.first)
	r.LimitFrom = baseline
	if x.plan != nil && x.plan.guard != nil {
		r.LimitFrom = "profile " + j.res.Setting
	}
	if x.after.judged < leastJudged {
		r.Verdict = rules.Review
		r.Text = fmt.Sprintf("%s: %d frames after are too few to tell whether its protection holds", x.title(), x.after.judged)
		r.NextStep = "record for longer"
		x.add(r)
		return
	}
	r.Text = fmt.Sprintf("%s: counter and checksum obey the same law", x.title())
	bad := false
	for kind := range faultKinds {
		if row, ok := j.fault(x, r, kind); ok {
			x.add(row)
			bad = true
		}
	}
	if !bad {
		x.add(r)
	}
}

// fault judges one way of breaking the protection.
func (j *judge) fault(x *subject, r Row, kind int) (Row, bool) {
	fault := guard.Faults(1 << kind)
	limit := counterSlips
	switch fault {
	case guard.WrongChecksum, guard.WrongParity, guard.WrongConstant:
		limit = checksumSlips
	case guard.Short:
		return r, false // its length says so
	}
	share := func(s *stream) float64 { return float64(s.faults[kind].count) / float64(max(1, s.judged)) }
	is, was := share(x.after), share(x.before)
	seen := &x.after.faults[kind]
	learned := x.before.watch == nil
	if is <= limit && (learned || seen.count <= x.before.faults[kind].count) || seen.count == 0 {
		return r, false
	}
	r = j.cut(r, nil, &seen.first).measured(100*was, 100*is, 100*limit, "% of frames", r.LimitFrom)
	r.Count, r.Verdict = seen.count, rules.Fail
	r.Text = fmt.Sprintf("%s: %s in %d of %d frames", x.title(), fault, seen.count, x.after.judged)
	r.NextStep = "a fault of the new ECU's network setting: send it back with this example; a replayed frame looks the same"
	switch {
	case is <= limit:
		r.Verdict = rules.Review
		r.NextStep = "single frames: lost or doubled by the adapter, or a second sender"
	case learned && (is < learnedBroken || fault == guard.ReservedCounter):
		r.Verdict = rules.Review
		r.Text += "; before none of those looked at did so"
		r.NextStep = "look at these frames: a law that was learned need not hold in every state of the car"
	case was > limit:
		r.Verdict = rules.Review
		r.Text += "; before as well, so the law itself may be wrong"
		r.NextStep = "correct the profile"
	case fault == guard.WrongStep && j.timeless():
		r.Verdict = rules.NotTestable
		r.Text += "; but the stamps do not tell lost frames from wrong steps"
	default:
		r.Text += "; its listeners drop them"
		if j.knowsSenders() && !x.Own {
			r.NextStep = "another unit sends it: look at its supply, and at what it complains about"
		}
	}
	return r, true
}

// guarded reports whether a signal lies in bits that were learned to be
// protection: it counts by design.
func (j *judge) guarded(x *subject, def *dbc.Signal) bool {
	w := j.want[x.at]
	if w == nil || w.guard == nil || x.plan != nil && x.plan.guard != nil {
		return false
	}
	return slices.ContainsFunc(w.fields, func(f guard.Field) bool {
		return f.Start >= def.Start && f.Start < def.Start+def.Length || def.Start >= f.Start && def.Start < f.Start+f.Length
	})
}
