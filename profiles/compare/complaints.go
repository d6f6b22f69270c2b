package compare

import (
	"cmp"
	"fmt"
	"slices"

	"plugproof/profiles/rules"
)

// leastComplaint is for how long a unit must complain, ns; common practice.
const leastComplaint = int64(200e6)

// markerSlack is by how much a bulb check may be off its stated length, ns.
const markerSlack = int64(1e9)

// complaints compares what the other units say themselves. A new complaint
// outranks every figure: the unit is not content, whatever they look like.
func (j *judge) complaints() {
	for _, at := range j.addresses() {
		st := j.after.streams[at]
		if st == nil || !st.defined {
			continue
		}
		x := &subject{Message: &Message{Bus: at.bus, ID: at.id}, at: at, plan: st.plan, before: j.before.streams[at], after: st}
		x.Name, x.Sender = st.plan.names()
		for i := range st.plan.signals {
			for k := range st.plan.signals[i].flags {
				if r, ok := j.complaint(x, i, &st.plan.signals[i].flags[k]); ok {
					j.res.Complaints = append(j.res.Complaints, r)
				}
			}
		}
	}
	slices.SortStableFunc(j.res.Complaints, func(a, b Row) int { return cmp.Compare(b.Verdict, a.Verdict) })
}

// complaint judges one bit by which a unit complains.
func (j *judge) complaint(x *subject, i int, flag *flagPlan) (r Row, ok bool) {
	is := j.after.standing(x.after, i, flag)
	was := int64(0)
	if x.before != nil {
		was = j.before.standing(x.before, i, flag)
	}
	complains, complained := is >= leastComplaint, was >= leastComplaint
	if !complains && (!complained || flag.guess) || complained && flag.guess {
		return r, false // what only sounds like a complaint is worth a row where it is new
	}
	r = j.row(x, Complaint)
	r.Signal, r.Listener = x.plan.signals[i].def.Name, flag.node
	r = r.measured(float64(was)/1e9, float64(is)/1e9, float64(leastComplaint)/1e9, "s", commonPractice)
	if j.p.mode == ByProfile {
		r.LimitFrom = "profile " + j.res.Setting
	}
	who := "a unit"
	if flag.node != "" {
		who = flag.node
	}
	if j.p.setting != nil && j.p.setting.Nodes[flag.node] != nil {
		who = "the " + cmp.Or(j.p.setting.Nodes[flag.node].Title, flag.node)
	}
	said := fmt.Sprintf("%s says: %s (%s.%s)", who, flag.Says, x.Name, r.Signal)
	if flag.guess {
		said = fmt.Sprintf("%s.%s, which sounds like a complaint, is set", x.Name, r.Signal)
	}
	r.Count = 1
	switch {
	case complains && complained:
		r.Text = fmt.Sprintf("%s, but did so before the swap as well", said)
	case complained:
		r.Text = fmt.Sprintf("%s, before the swap only", said)
	default:
		r.Text = fmt.Sprintf("%s, for %.1f s; before the swap it did not", said, float64(is)/1e9)
		r.Verdict = rules.Review
		if !flag.guess || flag.severe {
			r.Verdict = rules.Fail
		}
		r.NextStep = "mend what it complains about, then turn the key off for 10 s and record again: some units complain until then"
	}
	r.Functions = j.usersOf(flag.About)
	if complains {
		return j.cut(r, nil, &x.after.signals[i].flagged), true
	}
	return j.cut(r, &x.before.signals[i].flagged, nil), true
}

// standing returns for how long a signal stood at the values of a flag, ns, while
// it meant something: with the key on, and settled since it was turned.
func (s *shot) standing(st *stream, i int, flag *flagPlan) (lasted int64) {
	changes := st.signals[i].changes
	if changes == nil {
		return 0
	}
	settling := grace
	if flag.BulbCheck > 0 {
		settling = max(settling, int64(flag.BulbCheck)+markerSlack)
	}
	mask := st.plan.signals[i].mask
	steps := changes.Steps()
	for k, step := range steps {
		end := st.last.Time
		if k+1 < len(steps) {
			end = min(end, steps[k+1].Time)
		}
		if !slices.ContainsFunc(flag.Values, func(v int64) bool { return uint64(v)&mask == step.Raw }) {
			continue
		}
		for _, keyed := range s.keyed {
			lasted += max(0, min(end, keyed[1])-max(step.Time, keyed[0]+settling))
		}
	}
	return lasted
}
