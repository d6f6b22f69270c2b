package rules

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"plugproof/profiles"
	"plugproof/profiles/stages"
)

// listenerRules ask what the other units themselves say. Their own fault, limp
// and lamp bits outrank every other rule: a unit that complains is unhappy,
// whatever the figures look like.
func listenerRules() []Rule {
	return []Rule{
		{"listener/complains", "a lamp, or a gearbox in its emergency program", judgeComplaints},
		{"listener/trouble-code", "a unit stored a code", judgeCodes},
	}
}

// leastComplaint is for how long a unit must complain, ns; common practice.
const leastComplaint = 200e6

func judgeComplaints(c *Case, r *Results) {
	if unjudgeable(r) {
		return
	}
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Nodes)) {
		node := c.Setting.Nodes[name]
		if name == c.Setting.Replaced || !node.IsFitted() || c.Scope == ECUOnBench {
			continue
		}
		var all *Finding // of what the unit says without naming a message
		for i := range node.Flags {
			f, ok := c.complaint(name, &node.Flags[i])
			switch {
			case !ok, node.Flags[i].Limp && r.limping(name): // judgeLimp said more of it
			case f.Message != "":
				r.Add(f)
			case all == nil:
				all = &f
			default:
				all.join(&f, &node.Flags[i])
			}
		}
		if all != nil {
			r.Add(*all)
		}
	}
}

// join takes another complaint of the same unit in.
func (f *Finding) join(next *Finding, flag *profiles.Flag) {
	said := fmt.Sprintf("%s (%s)", flag.Says, flag.Signal)
	if !strings.Contains(f.Text, flag.Says) {
		f.Text += "; " + said
	}
	f.Count++
	if next.FirstTime < f.FirstTime {
		f.FirstTime, f.Example, f.Measured = next.FirstTime, next.Example, next.Measured
	}
}

// complaint judges one flag of a unit.
func (c *Case) complaint(name string, flag *profiles.Flag) (f Finding, ok bool) {
	message, signal := flag.Signal.Split()
	ev := c.Evidence.Messages[message]
	s := ev.Signals[signal]
	if s == nil || s.Available == 0 {
		return f, false
	}
	w := c.awake(message)
	span := c.unbroken(message, stages.Spans{{Start: w.meant(flag), End: w.end}}, settling(flag))
	var lasted, first int64
	for _, value := range flag.Values {
		t, at := standing(s, value, span)
		if lasted == 0 {
			first = at
		}
		lasted += t
	}
	if lasted < leastComplaint || c.alwaysSo(flag) {
		return f, false
	}
	title := cmp.Or(c.Setting.Nodes[name].Title, name)
	f = Finding{Rule: "listener/complains", Verdict: Fail, Listener: name, Bus: ev.Facts.Bus}
	f.Text = fmt.Sprintf("the %s says itself: %s (%s)", title, flag.Says, flag.Signal)
	f.NextStep = "mend what it complains about, then turn the key off for 10 s and capture again: some units complain until then"
	about, part := flag.About.Split()
	if m := c.Setting.Message(about); m != nil {
		f.Message, f.Signal, f.ID, f.HasID, f.Sender, f.Bus = m.Name, part, m.ID, true, m.Sender, m.Bus
	}
	if about == "" && flag.BulbCheck > 0 {
		f.Functions = []string{} // a lamp that is lit does not say whose fault it is
	}
	f.FirstTime, f.HasTime, f.Count = first, true, 1
	f.Example = c.example(&ev.Stream.LastFrame)
	return f.measured(float64(lasted)/1e9, leastComplaint/1e9, "s", c.profile()), true
}

// markerSlack is by how much a stage's marker may be off the turn of the key.
const markerSlack = time.Second

// meant returns the time from which a flag means what it says: after grace, and
// after the bulb check of a lamp, which may be going on when the capture begins.
func (w window) meant(flag *profiles.Flag) int64 {
	from := w.settled(profiles.DefaultGrace)
	if flag.BulbCheck > 0 {
		from = max(from, w.start+int64(flag.BulbCheck)+int64(markerSlack))
	}
	return from
}

// settling is for how long after key-on a flag does not mean what it says.
func settling(flag *profiles.Flag) time.Duration {
	if flag.BulbCheck == 0 {
		return profiles.DefaultGrace
	}
	return max(profiles.DefaultGrace, time.Duration(flag.BulbCheck)+markerSlack)
}

// alwaysSo reports whether the unit complained in the baseline as well.
func (c *Case) alwaysSo(flag *profiles.Flag) bool {
	if c.Baseline == nil {
		return false
	}
	message, signal := flag.Signal.Split()
	was := c.Baseline.Messages[message].Signals[signal]
	if was == nil {
		return false
	}
	base := c.asBaseline()
	w := base.awake(message)
	var lasted int64
	for _, value := range flag.Values {
		t, _ := standing(was, value, base.unbroken(message, stages.Spans{{Start: w.meant(flag), End: w.end}}, settling(flag)))
		lasted += t
	}
	return lasted >= leastComplaint
}
