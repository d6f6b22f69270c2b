package compare

import (
	"cmp"
	"maps"
	"slices"

	"plugproof/profiles"
	"plugproof/profiles/rules"
)

// functions sums up by what the driver or another unit has from the network.
func (j *judge) functions() {
	if j.p.setting == nil {
		return
	}
	for _, name := range slices.Sorted(maps.Keys(j.p.setting.Functions)) {
		j.function(name)
	}
}

func (j *judge) function(name string) {
	own := j.p.setting.Functions[name]
	f := Function{Name: name, Title: cmp.Or(own.Title, name), Option: own.Option}
	took := func(r *Row) {
		if r.Verdict == rules.NotTestable && r.Aspect == Response {
			return // the rest of the function can still be judged
		}
		if r.Verdict > f.Verdict {
			f.Verdict, f.Reason = r.Verdict, r.Text
		}
	}
	for i := range j.res.Messages {
		m := &j.res.Messages[i]
		for k := range m.Rows {
			if r := &m.Rows[k]; slices.Contains(r.Functions, name) && inChain(own.Chain, r) {
				f.Rows = append(f.Rows, Place{i, k})
				took(r)
			}
		}
	}
	for i := range j.res.Complaints {
		if r := &j.res.Complaints[i]; slices.Contains(r.Functions, name) {
			took(r)
		}
	}
	was, seen := j.exercised(own, j.before)
	is, _ := j.exercised(own, j.after)
	f.Exercised = was
	switch {
	case f.Verdict > rules.NotTestable:
	case !seen:
		f.Verdict, f.Reason = rules.NotTestable, "its message came in neither capture"
	case !was:
		f.Verdict, f.Reason = rules.NotTestable, "the capture before does not exercise it"
	case !is:
		f.Verdict, f.Reason = rules.NotTestable, "the capture after does not exercise it"
	}
	j.res.Functions = append(j.res.Functions, f)
}

// inChain reports whether a row is about a chain: about one of its signals, or a
// message of it as a whole.
func inChain(chain []profiles.SignalRef, r *Row) bool {
	return slices.ContainsFunc(chain, func(ref profiles.SignalRef) bool {
		message, signal := ref.Split()
		return message == r.Message && (r.Signal == "" || r.Signal == signal)
	})
}

// exercised reports whether the signal of a function came in a capture, and did
// what its profile asks for.
func (j *judge) exercised(f *profiles.Function, s *shot) (did, seen bool) {
	m, plan := j.p.find(f.Chain[0])
	if m == nil {
		return false, false
	}
	st := s.streams[address{m.facts.Bus, m.facts.ID}]
	if st == nil || !st.defined {
		return false, false
	}
	i := slices.IndexFunc(m.signals, func(p signalPlan) bool { return p.def == plan.def })
	all := st.span(i)
	switch {
	case f.Moves == nil:
		return all.n > 0, true
	case f.Moves.Span > 0:
		return all.n > 0 && all.max-all.min >= f.Moves.Span, true
	}
	return st.signals[i].more || len(st.signals[i].distinct) >= f.Moves.Values, true
}
