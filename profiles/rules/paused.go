package rules

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"plugproof/profiles/evidence"
)

// Limits for a recording that stood still, common practice.
const (
	pausedShare = 0.60 // of the fast messages that miss frames at one instant
	fastCycle   = 20 * time.Millisecond
	leastFast   = 3           // fast messages to tell by
	oneInstant  = int64(50e6) // ns
	mayBeSleep  = int64(2e9)  // ns: units that nobody wakes are silent for longer
)

// judgePaused finds instants at which most of the fast messages of a bus miss
// frames together: no unit does that to the others, but a recorder that is busy
// does. While the starter turns the supply may do it, too.
func judgePaused(c *Case, r *Results) {
	if c.timeless(r) || lossy(r) {
		return
	}
	for _, b := range c.Evidence.Buses {
		at := c.together(b)
		if at.Count == 0 {
			continue
		}
		longest := int64(0)
		for i := range at.First {
			longest = max(longest, at.First[i].Gap)
		}
		why := "the recording stood still, not the senders"
		if longest > mayBeSleep {
			why = "the recording stood still, or the bus slept with the key off; the senders are not to blame"
		}
		f := Finding{
			Rule: "capture/recording-paused", Verdict: Review, Bus: b.Interface,
			Text: fmt.Sprintf("most of the fast messages of %s miss frames at the same instant, %d times, for up to %v: %s",
				b.Interface, at.Count, round(time.Duration(longest)), why),
			NextStep: captureAgain,
		}
		r.Add(f.events(c, &at).measured(inMS(longest), 0, "ms", CommonPractice))
	}
}

// pauses returns the instants at which the recording stood still, of all buses.
func (c *Case) pauses() (list []evidence.Event) {
	for _, b := range c.Evidence.Buses {
		list = append(list, c.together(b).First...)
	}
	return list
}

// together returns the gaps that most of the fast messages of a bus, of two
// senders at least, have at the same instant.
func (c *Case) together(b *evidence.Bus) (at evidence.Events) {
	type gap struct {
		*evidence.Event
		sender string
	}
	var gaps []gap
	fast := 0
	for _, m := range c.Setting.Messages {
		s := c.Evidence.Messages[m.Name].Stream
		if s == nil || s.Bus != b || !cyclic(m) || m.Cycle.Value > fastCycle {
			continue
		}
		fast++
		sender := m.Sender
		if !c.oneUnit(sender) {
			sender = "\x00" + m.Name
		}
		for i := range s.LongGaps.Worst {
			if e := &s.LongGaps.Worst[i]; !c.cranking(e.Frame.Time) && !c.away(m.Name, e) {
				gaps = append(gaps, gap{e, sender})
			}
		}
	}
	if fast < leastFast {
		return at
	}
	slices.SortFunc(gaps, func(a, b gap) int { return cmp.Compare(a.Frame.Time, b.Frame.Time) })
	for len(gaps) > 0 {
		n := 1
		for n < len(gaps) && gaps[n].Frame.Time-gaps[0].Frame.Time <= oneInstant {
			n++
		}
		others := slices.ContainsFunc(gaps[:n], func(g gap) bool { return g.sender != gaps[0].sender })
		if others && float64(n) >= pausedShare*float64(fast) {
			at.Count++
			at.First = append(at.First, *gaps[0].Event)
		}
		gaps = gaps[n:]
	}
	return at
}
