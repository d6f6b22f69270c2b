package rules

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"plugproof/profiles"
	"plugproof/profiles/stages"
)

// causeSlack is by how much a cause may be placed after its effect, ns: the
// listener reacts to the gap, the gap is placed where it ends.
const causeSlack = 100e6

// judgeLimp finds units in their emergency program and names the cause: what
// failed first, of the messages that the unit listens to.
func judgeLimp(c *Case, r *Results) {
	if unjudgeable(r) || c.Scope == ECUOnBench {
		return
	}
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Nodes)) {
		node := c.Setting.Nodes[name]
		if name == c.Setting.Replaced || !node.IsFitted() {
			continue
		}
		if since, flag := c.limpSince(node); flag != nil {
			r.limp(c, name, since, flag)
		}
	}
}

// limpSince returns when a unit first said that it is in its emergency program;
// nil when it never did.
func (c *Case) limpSince(node *profiles.Node) (since int64, by *profiles.Flag) {
	since = math.MaxInt64
	for i := range node.Flags {
		flag := &node.Flags[i]
		message, signal := flag.Signal.Split()
		s := c.Evidence.Messages[message].Signals[signal]
		if !flag.Limp || s == nil || s.Available == 0 || c.alwaysSo(flag) {
			continue
		}
		w := c.awake(message)
		for _, value := range flag.Values {
			lasted, first := standing(s, value, stages.Spans{{Start: w.meant(flag), End: w.end}})
			if lasted >= leastComplaint && first < since {
				since, by = first, flag
			}
		}
	}
	return since, by
}

// limp files the finding about one unit.
func (r *Results) limp(c *Case, name string, since int64, flag *profiles.Flag) {
	message, _ := flag.Signal.Split()
	f := Finding{Rule: "handshake/limp", Verdict: Fail}
	title := c.titleOf(name)
	f.Text = fmt.Sprintf("the %s is in its emergency program (%s) from %v into the capture", title, flag.Signal, round(time.Duration(since-c.Evidence.Start)))
	f.NextStep = "clear the codes, turn the key off for 10 s and try again; if it comes back, look at the supply and at the unit itself"
	cause := r.causeFor(c, name, since)
	switch {
	case cause != nil:
		f.Message, f.ID, f.HasID, f.Sender, f.Bus = cause.Message, cause.ID, cause.HasID, cause.Sender, cause.Bus
		f.Text += fmt.Sprintf("; what failed before, and is the cause: %s (%s)", cause.Text, cause.Rule)
		f.NextStep = fmt.Sprintf("mend %s of %s, clear the codes, turn the key off for 10 s and capture again", cause.Rule, cause.Message)
	case since-c.awake(message).meant(flag) < leastComplaint:
		f.Text += ", as it was when the capture began: the cause lies before it"
	default:
		f.Text += "; nothing that it hears of the new ECU failed before"
	}
	f.Listener = name // the one that it is about
	if gear := c.stuckGear(since); gear != "" {
		f.Text += "; " + gear
	}
	f.Functions = c.endingAt(name, f.Message)
	if silent := r.silentAfter(name, since); silent {
		f.Text += "; that it fell silent afterwards is an effect, too"
		r.withdrawSender("message/sender-silent", name)
	}
	f.FirstTime, f.HasTime, f.Count = since, true, 1
	f.Example = c.example(&c.Evidence.Messages[message].Stream.LastFrame)
	r.Add(f)
}

// causeFor returns the earliest failure of a message that a unit listens to, nil
// when none came before the given time.
func (r *Results) causeFor(c *Case, node string, before int64) (first *Finding) {
	began := func(f *Finding) int64 {
		switch {
		case !f.HasTime:
			return c.Evidence.Start
		case f.Rule == "message/long-gap" && f.Measured != nil:
			return f.FirstTime - int64(f.Measured.Value*1e6) // placed where the gap ends; ms
		}
		return f.FirstTime
	}
	for i := range r.Findings {
		f := &r.Findings[i]
		if f.Verdict < Review || f.Message == "" || strings.HasPrefix(f.Rule, "capture/") || !c.hears(node, f.Message) {
			continue
		}
		if began(f) <= before+causeSlack && (first == nil || began(f) < began(first)) {
			first = f
		}
	}
	return first
}

// hears reports whether a unit listens to a message of the replaced one.
func (c *Case) hears(node, message string) bool {
	m := c.Setting.Message(message)
	return m != nil && c.Own(m) && slices.ContainsFunc(m.Listeners, func(l profiles.ListenerFacts) bool { return l.Node == node })
}

// endingAt lists the functions that a unit has from a message, or all that it has
// from the network where none is named.
func (c *Case) endingAt(node, message string) []string {
	names := []string{}
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Functions)) {
		f := c.Setting.Functions[name]
		if f.Ends == node && (message == "" || slices.ContainsFunc(f.Chain, func(ref profiles.SignalRef) bool { return c.messageOf(ref) == message })) {
			names = append(names, name)
		}
	}
	return names
}

// fastEnough is a speed at which a gearbox that works changes gear, km/h;
// lastChange is how long, in ns, it may take to reach its one gear.
const (
	fastEnough = 20
	lastChange = 2e9
)

// stuckGear says whether the gear stood while the car drove.
func (c *Case) stuckGear(since int64) string {
	gear, ok1 := c.Setting.Roles[profiles.Gear]
	speed, ok2 := c.Setting.Roles[profiles.VehicleSpeed]
	if !ok1 || !ok2 {
		return ""
	}
	message, signal := gear.Split()
	g := c.Evidence.Messages[message].Signals[signal]
	message, signal = speed.Split()
	v := c.Evidence.Messages[message].Signals[signal]
	if g == nil || v == nil {
		return ""
	}
	low, high, fastest := math.Inf(1), math.Inf(-1), 0.0
	for i := range v.Track.Buckets() {
		b := &v.Track.Buckets()[i]
		if b.FirstTime < since+lastChange || b.Min < fastEnough {
			continue
		}
		if at := g.Track.At(b.FirstTime); at != nil {
			low, high, fastest = min(low, at.Min), max(high, at.Max), max(fastest, b.Max)
		}
	}
	if low != high {
		return ""
	}
	return fmt.Sprintf("the gear then stood at %g up to %.0f km/h", low, fastest)
}

// silentAfter reports whether a unit fell silent after a time, by a finding.
func (r *Results) silentAfter(node string, since int64) bool {
	return slices.ContainsFunc(r.Findings, func(f Finding) bool {
		return f.Rule == "message/sender-silent" && f.Sender == node && f.HasTime && f.FirstTime >= since
	})
}

// withdrawSender takes back the finding of a rule about a unit as a whole.
func (r *Results) withdrawSender(rule, sender string) {
	r.Findings = slices.DeleteFunc(r.Findings, func(f Finding) bool { return f.Rule == rule && f.Sender == sender })
}

// limping reports whether a unit was found to be in its emergency program.
func (r *Results) limping(node string) bool {
	return slices.ContainsFunc(r.Findings, func(f Finding) bool { return f.Rule == "handshake/limp" && f.Listener == node })
}
