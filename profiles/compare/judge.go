package compare

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"plugproof/decode/can"
	"plugproof/decode/survey"
	"plugproof/profiles"
	"plugproof/profiles/rules"
)

// Where limits come from when no profile states them.
const (
	baseline       = "baseline"
	commonPractice = "common practice"
)

// judge sets two captures against each other.
type judge struct {
	p             *plan
	before, after *shot
	want          map[address]*expected // of the capture before
	seen          rules.Observed
	res           *Result
	axes          []int            // of the plan, those of res.Axes: they came
	order         []stateKey       // of res.States
	number        map[stateKey]int // index in res.States
	users         map[string][]string
}

// subject is one identifier being judged.
type subject struct {
	*Message
	at            address
	plan          *messagePlan // nil: nobody defines it
	before, after *stream      // nil: it did not come
	was, is       *survey.ID
}

func (j *judge) run() *Result {
	j.res = &Result{
		Mode: j.p.mode, Before: j.before.side(), After: j.after.side(),
	}
	if s := j.p.setting; s != nil {
		j.res.Setting, j.res.Replaced = s.Name, s.Replaced
	}
	for i := range j.p.axes {
		if j.before.axes[i].seen || j.after.axes[i].seen {
			j.axes = append(j.axes, i)
			j.res.Axes = append(j.res.Axes, j.p.axes[i].Axis)
		}
	}
	j.res.Notes = j.remarks()
	j.findUsers()
	j.listStates()
	for _, at := range j.addresses() {
		j.res.Messages = append(j.res.Messages, Message{Bus: at.bus, ID: at.id})
		j.message(at, &j.res.Messages[len(j.res.Messages)-1])
	}
	j.complaints()
	j.answers()
	j.sinceSwap()
	j.functions()
	j.finish()
	return j.res
}

// addresses lists the identifiers of either capture.
func (j *judge) addresses() []address {
	all := append(j.before.addresses(), j.after.addresses()...)
	slices.SortFunc(all, compareAddresses)
	return slices.Compact(all)
}

// findUsers lists for each message the functions that lean on it.
func (j *judge) findUsers() {
	j.users = map[string][]string{}
	if j.p.setting == nil {
		return
	}
	for name, f := range j.p.setting.Functions {
		for _, ref := range f.Chain {
			message, _ := ref.Split()
			j.users[message] = append(j.users[message], name)
		}
	}
	for message := range j.users {
		slices.Sort(j.users[message])
		j.users[message] = slices.Compact(j.users[message])
	}
}

// usersOf lists the functions that lean on a signal, or on a message as a whole.
func (j *judge) usersOf(ref profiles.SignalRef) (names []string) {
	message, signal := ref.Split()
	if signal == "" {
		return j.users[message]
	}
	for _, name := range j.users[message] {
		if slices.Contains(j.p.setting.Functions[name].Chain, ref) {
			names = append(names, name)
		}
	}
	return names
}

// listStates joins the states of both captures.
func (j *judge) listStates() {
	j.number = map[stateKey]int{}
	frames := map[stateKey][2]uint64{}
	for side, s := range []*shot{j.before, j.after} {
		for i, key := range s.states {
			if i == between {
				continue
			}
			n := frames[key.known()]
			n[side] += s.frames[i]
			frames[key.known()] = n
		}
	}
	for key, n := range frames {
		if n[0]+n[1] > 0 {
			j.order = append(j.order, key)
		}
	}
	slices.SortFunc(j.order, func(a, b stateKey) int { return slices.Compare(a[:], b[:]) })
	for i, key := range j.order {
		j.number[key] = i
		st := State{Label: j.label(key), Before: frames[key][0], After: frames[key][1]}
		for _, a := range j.axes {
			st.Bins = append(st.Bins, max(-1, int(key[a])-firstBin))
		}
		j.res.States = append(j.res.States, st)
	}
}

// known makes one of the two ways of not knowing a coordinate.
func (k stateKey) known() stateKey {
	for i := range k {
		k[i] = max(k[i], notKnown)
	}
	return k
}

// label words a state by the coordinates that are known.
func (j *judge) label(key stateKey) string {
	text := ""
	for _, i := range j.axes {
		if key[i] < firstBin {
			continue
		}
		if text != "" {
			text += ", "
		}
		text += j.p.axes[i].Title + " " + j.p.axes[i].Bins[key[i]-firstBin].Label
	}
	return cmp.Or(text, "any state")
}

// message judges one identifier.
func (j *judge) message(at address, m *Message) {
	x := &subject{Message: m, at: at}
	for _, s := range []*shot{j.after, j.before} {
		if st := s.streams[at]; st != nil && st.defined {
			x.plan = st.plan
		}
	}
	m.Name, m.Sender = x.plan.names()
	m.Own = x.plan != nil && x.plan.own
	x.before, x.after = j.before.streams[at], j.after.streams[at]
	x.was, x.is = j.before.ids[at], j.after.ids[at]
	m.Before, m.After = facts(x.before, x.was), facts(x.after, x.is)
	j.presence(x)
	if x.before == nil || x.after == nil {
		return
	}
	j.pace(x)
	j.length(x)
	j.constants(x)
	j.protection(x)
	j.ranges(x)
	j.wake(x)
	j.firstValid(x)
	j.postRun(x)
}

func facts(s *stream, id *survey.ID) (f Facts) {
	if s == nil {
		return f
	}
	f.Frames, f.First, f.Last = s.frames, s.first.Time, s.last.Time
	if id == nil {
		return f
	}
	f.Length = commonLength(id)
	if g := id.Gaps; g != nil {
		f.MedianGap, f.P95Gap, f.LongestGap = inNS(g.P50MS), inNS(g.P95MS), inNS(g.MaxMS)
	}
	for _, text := range id.Bits {
		b := byte(0)
		for k := range 8 {
			if use := survey.BitUse(text[k]); use != survey.BitAlways0 && use != survey.BitAlways1 {
				b |= 0x80 >> k
			}
		}
		f.Varying = append(f.Varying, b)
	}
	return f
}

// row begins a row about an identifier.
func (j *judge) row(x *subject, aspect Aspect) Row {
	return Row{
		Aspect: aspect, Bus: x.Bus, ID: x.ID, Message: x.Name, Sender: x.Sender, State: -1,
		Functions: j.users[x.Name],
	}
}

// add files a row.
func (x *subject) add(r Row) { x.Rows = append(x.Rows, r) }

// title is what an identifier is called.
func (x *subject) title() string {
	if x.Name == "" {
		return x.ID.String()
	}
	return fmt.Sprintf("%s (%s)", x.Name, x.ID)
}

// measured puts figures on a row.
func (r Row) measured(before, after, limit float64, unit, from string) Row {
	r.Before = &rules.Quantity{Value: before, Unit: unit}
	r.Measured = &rules.Quantity{Value: after, Unit: unit}
	r.Limit = &rules.Quantity{Value: limit, Unit: unit}
	r.LimitFrom = from
	return r
}

// timeout returns the shortest timeout that a listener states for a message, who
// it is, and where it is stated; 0 when nobody does.
func (x *subject) timeout() (limit time.Duration, listener, from string) {
	if x.plan == nil {
		return 0, "", ""
	}
	for _, l := range x.plan.facts.Listeners {
		if l.Timeout.Value > 0 && (limit == 0 || l.Timeout.Value < limit) {
			limit, listener, from = l.Timeout.Value, l.Node, l.Timeout.From
		}
	}
	return limit, listener, from
}

// listens reports who listens to a message, and whether anybody says so at all.
func (x *subject) listens() (first string, stated bool) {
	if x.plan == nil {
		return "", false
	}
	if len(x.plan.facts.Listeners) > 0 {
		return x.plan.facts.Listeners[0].Node, true
	}
	return "", false
}

// finish gives messages and the whole their verdicts. The whole is not testable
// where no identifier could be judged in full, and nothing was found.
func (j *judge) finish() {
	worst, judged := rules.Pass, false
	for i := range j.res.Messages {
		m := &j.res.Messages[i]
		for k := range m.Rows {
			m.Verdict = max(m.Verdict, m.Rows[k].Verdict)
		}
		if m.Verdict != rules.NotTestable {
			worst, judged = max(worst, m.Verdict), true
		}
	}
	for i := range j.res.Complaints {
		r := &j.res.Complaints[i]
		worst = max(worst, r.Verdict)
		judged = judged || r.Aspect == Complaint || r.Verdict != rules.Pass // that a code is gone proves nothing
	}
	if !judged {
		worst = rules.NotTestable
	}
	j.res.Verdict = worst
}

func inNS(ms float64) int64 { return int64(ms * 1e6) }

func inMS(ns int64) float64 { return float64(ns) / 1e6 }

// cut keeps what a row says of a frame.
func (j *judge) cut(r Row, before, after *can.Frame) Row {
	if before != nil {
		r.BeforeExample = j.before.quote(before)
	}
	if after != nil {
		r.Example = j.after.quote(after)
	}
	return r
}
