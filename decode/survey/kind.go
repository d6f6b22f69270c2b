package survey

// Kind says when a message is sent, judged by its gaps and by which of them
// end in a new payload.
type Kind string

// The kinds. T is the cycle: the median gap, for a mixed message the median of
// the gaps after which the payload is the same. A gap is regular when it is
// within 25 % of T, short when it is less than that.
const (
	// Unknown: no clock, or fewer than ten gaps.
	Unknown Kind = "unknown"
	// Mixed: a cycle, and extra frames when something changes. At most 5 % of
	// the gaps are longer than regular; at least three gaps are short and bring
	// a change, and those are 40 % or more of the short gaps (the others are
	// what the extra frame leaves of the cycle), while fewer than a quarter as
	// many, by share, of the regular gaps do.
	Mixed Kind = "mixed"
	// Cyclic: 90 % of the gaps are within T/4 of T, 2T, 3T or 4T (frames may
	// be lost), and 60 % within T/4 of T.
	Cyclic Kind = "cyclic"
	// Variable: a cycle that drifts, as that of an engine-synchronous message:
	// 80 % of the gaps differ from the one before by half of the shorter at
	// most, and on average by a fifth of the range from 5 % to 95 % of the gaps.
	Variable Kind = "variable"
	// OnChange: 80 % of the frames bring a new payload, no bits of which
	// count, and the gaps are wide apart: 95 % quantile over three medians.
	OnChange Kind = "on change"
	// Irregular: none of these.
	Irregular Kind = "irregular"
)

// minGaps is the fewest gaps that a kind is judged from.
const minGaps = 10

// kind judges the row; see the constants for the rules.
func (r *row) kind(all *Gaps) Kind {
	switch {
	case all.Count() < minGaps:
		return Unknown
	case r.isMixed(all):
		return Mixed
	case isCyclic(all):
		return Cyclic
	case r.isVariable(all):
		return Variable
	case r.isOnChange(all):
		return OnChange
	}
	return Irregular
}

// cycle returns the T that the kind goes by, in ns; 0 for a kind without one.
func (r *row) cycle(kind Kind, all *Gaps) int64 {
	switch kind {
	case Mixed:
		return r.gaps[0].Quantile(0.5)
	case Cyclic, Variable:
		return all.Quantile(0.5)
	}
	return 0
}

func isCyclic(all *Gaps) bool {
	t := all.Quantile(0.5)
	regular := all.Between(t-t/4, t+t/4)
	near := regular
	for k := int64(2); k <= 4; k++ {
		near += all.Between(k*t-t/4, k*t+t/4)
	}
	return 10*near >= 9*all.Count() && 10*regular >= 6*all.Count()
}

func (r *row) isMixed(all *Gaps) bool {
	same, changed := &r.gaps[0], &r.gaps[1]
	if same.Count() < minGaps {
		return false
	}
	t := same.Quantile(0.5)
	short, shortChanged := all.Between(0, t-t/4-1), changed.Between(0, t-t/4-1)
	regular, regularChanged := all.Between(t-t/4, t+t/4), changed.Between(t-t/4, t+t/4)
	long := all.Count() - short - regular
	return 20*long <= all.Count() && shortChanged >= 3 && 5*shortChanged >= 2*short &&
		4*regularChanged*short < shortChanged*regular
}

func (r *row) isVariable(all *Gaps) bool {
	spread := uint64(all.Quantile(0.95) - all.Quantile(0.05))
	return 10*r.evenPairs >= 8*(all.Count()-1) && 5*r.evenGapDiff <= spread*r.evenPairs
}

func (r *row) isOnChange(all *Gaps) bool {
	if 10*(r.pairs-r.repeats) < 8*r.pairs || all.Quantile(0.95) < 3*all.Quantile(0.5) {
		return false
	}
	for i := range r.words {
		if r.words[i].counting() != 0 {
			return false
		}
	}
	return true
}
