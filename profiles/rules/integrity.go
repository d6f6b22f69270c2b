package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"plugproof/decode/guard"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// integrityRules ask whether counters, toggle bits and checksums hold.
func integrityRules() []Rule {
	return []Rule{
		{"integrity/not-testable", "", judgeTooFew},
		{"integrity/counter-frozen", "a listener acts as if the message were absent", judgeFrozen},
		{"integrity/counter-step", "the same, now and then", judgeStep},
		{"integrity/counter-reserved", "the same, now and then", judgeReserved},
		{"integrity/toggle", "the same", judgeToggle},
		{"integrity/checksum", "the same, or at random", judgeChecksum},
		{"integrity/parity", "the same", judgeParity},
		{"integrity/loop-seam", "a bench gauge hiccups once per loop", judgeSeam},
	}
}

// What it takes to judge, and what is too much; common practice.
const (
	leastFrames   = 64    // frames to judge protection by
	frozenFrames  = 20    // frames with one counter value
	stepShare     = 0.01  // of the pairs
	checksumShare = 0.001 // of the frames
)

// guarded calls judge for every message with a protection that enough frames
// could show.
func (c *Case) guarded(r *Results, judge func(m *profiles.MessageFacts, ev *evidence.Message)) {
	if unjudgeable(r) {
		return
	}
	for _, m := range c.Setting.Messages {
		ev := c.Evidence.Messages[m.Name]
		if ev.Judged > 0 && !r.Has("message/two-senders", m.Name) && !r.Has("message/wrong-length", m.Name) {
			judge(m, ev)
		}
	}
}

// count returns how often a fault was seen.
func count(ev *evidence.Message, fault guard.Faults) uint64 {
	if events := ev.Faults[fault]; events != nil {
		return events.Count
	}
	return 0
}

// judgeTooFew says which protection the capture is too short, or too still, to show.
func judgeTooFew(c *Case, r *Results) {
	c.guarded(r, func(m *profiles.MessageFacts, ev *evidence.Message) {
		if m.Own.Counter == nil && m.Own.Checksum == nil && m.Own.EndToEnd == nil && m.Own.Toggle == nil && m.Own.Parity == nil {
			return
		}
		still := m.Own.Counter == nil && m.Own.EndToEnd == nil && m.Own.Checksum != nil && ev.Stream.Payloads < 16
		if ev.Judged >= leastFrames && !still || len(ev.Faults) > 0 {
			return
		}
		f := About("integrity/not-testable", NotTestable, m)
		f.Text = fmt.Sprintf("%d frames with %d different payloads of %s are too few to judge its protection", ev.Judged, ev.Stream.Payloads, m.Name)
		f.NextStep = "capture the stages key-on and rev"
		r.Add(f)
	})
}

// judgeFrozen finds counters that stand still.
func judgeFrozen(c *Case, r *Results) {
	c.guarded(r, func(m *profiles.MessageFacts, ev *evidence.Message) {
		frozen := count(ev, guard.FrozenCounter)
		if frozen < frozenFrames || float64(frozen) < 0.5*float64(ev.Judged) && frozen < 100 {
			return
		}
		f := About("integrity/counter-frozen", Fail, m)
		f.Listener = firstListener(m)
		f.Text = fmt.Sprintf("the counter of %s stands still: %d of %d frames repeat the one before", m.Name, frozen, ev.Judged)
		f.NextStep = "the sender does not count, or a single frame is being replayed: the setting's send routine is at fault, not the wires"
		r.Add(f.events(c, ev.Faults[guard.FrozenCounter]).measured(float64(frozen), frozenFrames, "frames", CommonPractice))
	})
}

// judgeStep finds counters that count wrongly. What lost frames explain is none.
func judgeStep(c *Case, r *Results) {
	c.guarded(r, func(m *profiles.MessageFacts, ev *evidence.Message) {
		wrong := count(ev, guard.WrongStep)
		if r.Has("integrity/counter-frozen", m.Name) {
			return
		}
		// Steps back to an earlier run are not those of a second sender here: judgeTwoSenders found none.
		wrong += count(ev, guard.FrozenCounter) + count(ev, guard.SecondSender)
		share := float64(wrong) / float64(ev.Judged)
		if share <= stepShare || wrong < 3 {
			return
		}
		f := About("integrity/counter-step", Fail, m)
		f.Listener = firstListener(m)
		f.Text = fmt.Sprintf("the counter of %s does not follow its law in %.1f %% of its frames", m.Name, 100*share)
		f.NextStep = "compare step, width and where it wraps with the setting: a neighbouring series may count differently"
		events := cmp.Or(ev.Faults[guard.WrongStep], ev.Faults[guard.SecondSender], ev.Faults[guard.FrozenCounter])
		f = f.events(c, events)
		f.Count = wrong
		r.Add(f.measured(100*share, 100*stepShare, "% of its frames", CommonPractice))
	})
}

// judgeReserved finds counter values that listeners take for "missing".
func judgeReserved(c *Case, r *Results) {
	c.guarded(r, func(m *profiles.MessageFacts, ev *evidence.Message) {
		n := count(ev, guard.ReservedCounter)
		if n == 0 || r.Has("integrity/counter-frozen", m.Name) {
			return
		}
		f := About("integrity/counter-reserved", Fail, m)
		f.Listener = firstListener(m)
		f.Text = fmt.Sprintf("the counter of %s takes a value that it never has: %d times", m.Name, n)
		f.NextStep = "the sender must wrap before the reserved value"
		r.Withdraw("integrity/counter-step", m.Name)
		r.Add(f.events(c, ev.Faults[guard.ReservedCounter]).measured(float64(n), 0, "frames", c.profile()))
	})
}

// judgeToggle finds toggle bits that flip at the wrong frames.
func judgeToggle(c *Case, r *Results) {
	c.guarded(r, func(m *profiles.MessageFacts, ev *evidence.Message) {
		wrong := count(ev, guard.WrongToggle)
		share := float64(wrong) / float64(ev.Judged)
		if m.Own.Toggle == nil || share <= stepShare || wrong < 3 {
			return
		}
		f := About("integrity/toggle", Fail, m)
		f.Listener = firstListener(m)
		f.Text = fmt.Sprintf("the toggle bit of %s does not flip every %d frames as it must", m.Name, max(1, m.Own.Toggle.Every))
		f.NextStep = "compare the cadence with the setting"
		r.Add(f.events(c, ev.Faults[guard.WrongToggle]).measured(100*share, 100*stepShare, "% of its frames", CommonPractice))
	})
}

// worked is a field that its sender works out from the payload of every frame.
type worked struct {
	rule  string
	name  string // "checksum"
	fault guard.Faults
	next  func(share float64) string // the next step, by the share of frames that are wrong
}

// judgeChecksum finds checksums that do not hold.
func judgeChecksum(c *Case, r *Results) {
	c.judgeWorked(r, &worked{"integrity/checksum", "checksum", guard.WrongChecksum, func(share float64) string {
		if share < 0.5 {
			return "not the law but single frames: a second sender, or data changed after the checksum was made"
		}
		return "wrong constant or order of bytes: choose the setting whose checksum this is, or correct the send routine"
	}})
}

// judgeParity finds parity bits that do not hold.
func judgeParity(c *Case, r *Results) {
	c.judgeWorked(r, &worked{"integrity/parity", "parity bit", guard.WrongParity, func(float64) string {
		return "the bit must count the toggle bit in"
	}})
}

// judgeWorked finds fields that are wrong in more frames than noise explains.
func (c *Case) judgeWorked(r *Results, field *worked) {
	c.guarded(r, func(m *profiles.MessageFacts, ev *evidence.Message) {
		share := float64(count(ev, field.fault)) / float64(ev.Judged)
		if share <= checksumShare {
			return
		}
		f := About(field.rule, Fail, m)
		f.Listener = firstListener(m)
		f.Text = fmt.Sprintf("the %s of %s is wrong in %.1f %% of its frames", field.name, m.Name, 100*share)
		f.NextStep = field.next(share)
		r.Add(f.events(c, ev.Faults[field.fault]).measured(100*share, 100*checksumShare, "% of its frames", CommonPractice))
	})
}

// judgeSeam recognises a raw loop: counters of several messages jump at the same
// instants, evenly spaced.
func judgeSeam(c *Case, r *Results) {
	if unjudgeable(r) {
		return
	}
	type jumps struct {
		m     *profiles.MessageFacts
		at    []int64
		event *evidence.Events
	}
	var all []jumps
	for _, m := range c.Setting.Messages {
		events := c.Evidence.Messages[m.Name].Faults[guard.WrongStep]
		if events == nil || events.Count < 2 || events.Count > evidence.MaxEvents {
			continue
		}
		j := jumps{m: m, event: events}
		for i := range events.First {
			j.at = append(j.at, events.First[i].Frame.Time)
		}
		if spacing(j.at) > 0 {
			all = append(all, j)
		}
	}
	if len(all) < 2 {
		return
	}
	var names []string
	first := &all[0].event.First[0]
	for _, j := range all {
		names = append(names, j.m.Name)
		r.Withdraw("integrity/counter-step", j.m.Name)
		if j.event.First[0].Frame.Time < first.Frame.Time {
			first = &j.event.First[0]
		}
	}
	// A toggle bit stumbles over the same seams.
	for _, m := range c.Setting.Messages {
		if count(c.Evidence.Messages[m.Name], guard.WrongToggle) <= 3*all[0].event.Count {
			r.Withdraw("integrity/toggle", m.Name)
		}
	}
	slices.Sort(names)
	loop := spacing(all[0].at)
	f := About("integrity/loop-seam", Fail, all[0].m)
	f.Message, f.HasID, f.Sender = "", false, ""
	f.Text = fmt.Sprintf("the counters of %s jump together every %v: a recording is being looped without its counters carried on",
		strings.Join(names, ", "), round(time.Duration(loop)))
	f.NextStep = "fill counters and checksums in anew at the seam; do not loop a raw recording"
	f.Count = all[0].event.Count
	r.Add(f.at(c, first))
}

// spacing returns the common distance of instants that are evenly spaced within
// 2 %, or 0.
func spacing(at []int64) int64 {
	if len(at) < 2 {
		return 0
	}
	first := at[1] - at[0]
	for i := 1; i < len(at); i++ {
		if d := at[i] - at[i-1] - first; max(d, -d)*50 > first {
			return 0
		}
	}
	return first
}
