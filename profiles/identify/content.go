package identify

import (
	"fmt"
	"slices"
	"strings"

	"plugproof/profiles"
)

// lawParts lists the kinds of protection that any setting states, in a fixed order.
func lawParts(k *keyPlan) []string {
	var names []string
	for _, f := range k.kinds {
		for _, l := range f.laws {
			names = append(names, l.part)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func (f *fact) law(part string) (int, bool) {
	for _, l := range f.laws {
		if l.part == part {
			return l.question, true
		}
	}
	return 0, false
}

// held is the outcome of a law's trial.
type held int

const (
	undecided held = iota
	holds
	broken
)

func (s *stream) outcome(n int) held {
	t := &s.laws[n]
	least := uint32(leastTrials)
	if s.ask.laws[n].content {
		least = leastContent
	}
	share := float64(t.held) / float64(max(1, t.judged))
	switch {
	case t.judged >= least && share >= shareLaw:
		return holds
	case t.judged >= least && share < shareBroken, t.judged >= leastContent && share < 0.5:
		return broken
	}
	return undecided
}

func law(k *keyPlan, s *stream, part string, fits []bool) item {
	it := item{key: k, group: "form", what: part, loss: make([]float64, len(k.kinds))}
	it.says = func(f *fact) string {
		if _, ok := f.law(part); !ok {
			return "no " + part
		}
		return describeLaw(f.m, part)
	}
	anyHolds, decided := false, false
	var shown []string
	for n := range k.kinds {
		q, ok := k.kinds[n].law(part)
		if !ok || !fits[n] {
			continue
		}
		switch s.outcome(q) {
		case holds:
			anyHolds, decided = true, true
		case broken:
			it.loss[n], decided = oddsLaw, true
		}
		t := s.laws[q]
		shown = append(shown, fmt.Sprintf("%s held in %d of %d", describeLaw(k.kinds[n].m, part), t.held, t.judged))
	}
	slices.Sort(shown)
	it.shown = strings.Join(slices.Compact(shown), "; ")
	if !decided {
		if it.missing = "too few frames that differ"; shown == nil {
			it.missing = answered
		}
		clear(it.loss)
		return it
	}
	for n := range k.kinds {
		if _, ok := k.kinds[n].law(part); !ok && k.kinds[n].sent && fits[n] && anyHolds {
			it.loss[n] = oddsUndeclared
		}
	}
	return it
}

// describeLaw names a law in a few words.
func describeLaw(m *profiles.MessageFacts, part string) string {
	own := m.Own
	switch {
	case part == "counter" && own.Counter != nil && own.Counter.Modulo > 0:
		return fmt.Sprintf("counter modulo %d", own.Counter.Modulo)
	case part == "checksum" && own.Checksum != nil:
		name := own.Checksum.Law
		if name == "" {
			name = fmt.Sprintf("%s %#x", own.Checksum.Kind, own.Checksum.Poly)
		}
		for _, c := range own.Checksum.Over {
			name += ", " + c.String()
		}
		return name
	}
	return part
}

func constantNames(k *keyPlan) []string {
	var names []string
	for _, f := range k.kinds {
		for _, c := range f.constants {
			names = append(names, c.signal)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

func (f *fact) constant(signal string) *constantFact {
	for i := range f.constants {
		if f.constants[i].signal == signal {
			return &f.constants[i]
		}
	}
	return nil
}

// usual returns the commonest value, and how many values there were in all.
func (v *values) usual() (best valueCount, total uint64) {
	for _, c := range v.list {
		total += c.n
		if c.n > best.n {
			best = c
		}
	}
	return best, total
}

func constant(k *keyPlan, s *stream, signal string, fits []bool) item {
	it := item{key: k, group: "constant " + signal, what: signal, loss: make([]float64, len(k.kinds))}
	it.says = func(f *fact) string {
		if c := f.constant(signal); c != nil {
			return c.says
		}
		return "not fixed"
	}
	it.missing = answered
	for n := range k.kinds {
		c := k.kinds[n].constant(signal)
		if c == nil || !fits[n] {
			continue
		}
		if it.missing == answered {
			it.missing = fewValues
		}
		v := &s.fields[c.question]
		usual, total := v.usual()
		steady := !v.more && float64(usual.n) >= shareSame*float64(total)
		if usual.n < leastSame || !steady && total < leastGaps {
			continue
		}
		it.missing = ""
		if it.shown = fmt.Sprint(usual.value); !steady {
			it.shown = "changes"
		}
		if !steady || usual.value != c.value {
			it.loss[n] = oddsConstant
		}
	}
	return it
}

func pages(k *keyPlan, s *stream, fits []bool) item {
	it := item{key: k, group: "form", what: "pages", loss: make([]float64, len(k.kinds)), missing: "not all pages came"}
	it.says = func(f *fact) string {
		if f.pages == nil {
			return "not stated"
		}
		return fmt.Sprint(f.pages.values)
	}
	for n := range k.kinds {
		p := k.kinds[n].pages
		if p == nil || !fits[n] {
			continue
		}
		var came []uint64
		for _, v := range s.fields[p.question].list {
			came = append(came, v.value)
		}
		slices.Sort(came)
		it.shown = fmt.Sprint(came)
		_, total := s.fields[p.question].usual()
		strange := slices.ContainsFunc(came, func(v uint64) bool { return !slices.Contains(p.values, v) })
		switch {
		case strange, len(came) < len(p.values) && total >= uint64(leastGaps*len(p.values)):
			it.loss[n], it.missing = oddsPages, ""
		case len(came) == len(p.values):
			it.missing = ""
		}
	}
	return it
}
