package rules

import (
	"fmt"
	"slices"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// captureRules ask whether the capture is fit to judge by. What they find is
// about the recording, never about the car.
func captureRules() []Rule {
	return []Rule{
		{"capture/damage", "", judgeDamage},
		{"capture/clumped-stamps", "", judgeClumped},
		{"capture/clock-jump", "", judgeClock},
		{"capture/frames-lost", "looks like slow senders", judgeLost},
		{"capture/recording-paused", "looks like a bus that fell silent", judgePaused},
		{"capture/errors-not-recorded", "", judgeErrorsOff},
		{"capture/own-frames", "", judgeOwnFrames},
		{"capture/stage-missing", "", judgeStages},
	}
}

// Limits of the capture rules, common practice.
const (
	clumpedShare = 0.01 // of the frames
	leastUnnamed = 4    // messages of unknown senders that must lose frames alike
	leastLost    = 5    // frames of each
)

// judgeClumped finds adapters that deliver in bursts: their stamps say nothing
// about gaps.
func judgeClumped(c *Case, r *Results) {
	ev := c.Evidence
	if c.NoWire || ev.Frames == 0 || float64(ev.Clumped) <= clumpedShare*float64(ev.Frames) {
		return
	}
	f := Finding{
		Rule: "capture/clumped-stamps", Verdict: Review, Count: ev.Clumped,
		Text: fmt.Sprintf("%.0f %% of the frames follow the one before faster than the wire allows: the adapter delivers in bursts, so nothing is said about timing",
			100*float64(ev.Clumped)/float64(ev.Frames)),
		NextStep: "capture with stamps made by the adapter or the kernel",
	}
	r.Add(f.measured(100*float64(ev.Clumped)/float64(ev.Frames), 100*clumpedShare, "% of frames", CommonPractice))
}

// judgeClock finds joined logs and clocks that were set.
func judgeClock(c *Case, r *Results) {
	for _, events := range []*evidence.Events{&c.Evidence.Pauses, &c.Evidence.Backward} {
		if events.Count == 0 {
			continue
		}
		gap := time.Duration(events.First[0].Gap)
		f := Finding{
			Rule: "capture/clock-jump", Verdict: Review,
			Text:     fmt.Sprintf("the clock jumps by %v: two recordings were joined, or the clock was set", round(gap)),
			NextStep: "judge the parts by themselves: cut the capture there (convert --from, --to)",
		}
		r.Add(f.events(c, events).measured(gap.Seconds(), evidence.PauseLimit/1e9, "s", CommonPractice))
	}
}

// captureAgain is the next step where the recording lost frames.
const captureAgain = "capture again with a faster adapter or a larger buffer; close what else uses the computer"

// judgeLost finds frames that the adapter lost: it looks as if senders were slow.
func judgeLost(c *Case, r *Results) {
	if n, first := c.noted(); n > 0 {
		r.Add(Finding{
			Rule: "capture/frames-lost", Verdict: Review, Count: n, Example: first,
			Text:     fmt.Sprintf("the recorder notes %d times that it lost frames", n),
			NextStep: captureAgain,
		})
		return
	}
	if c.timeless(r) {
		return
	}
	for _, b := range c.Evidence.Buses {
		if n := b.ErrorClass[can.ClassController.String()]; n > 0 && overflowed(b) {
			f := Finding{
				Rule: "capture/frames-lost", Verdict: Review, Bus: b.Interface,
				Text:     "the adapter reports that it could not keep up and lost frames",
				NextStep: captureAgain,
			}
			r.Add(f.events(c, &b.ErrorFrames))
			return
		}
		if whose, share, lost := c.losses(b); lost > 0 {
			f := Finding{
				Rule: "capture/frames-lost", Verdict: Review, Bus: b.Interface, Count: lost,
				Text:     fmt.Sprintf("%.1f %% of the frames of %s are missing, each in gaps of whole cycles: the recording lost them, not the senders", 100*share, whose),
				NextStep: captureAgain,
			}
			r.Add(f.measured(100*share, 0, "% of frames", CommonPractice))
			return
		}
	}
}

// overflowed reports whether the first error frames of a bus tell of a receiver
// overflow (controller detail 0x01, linux/can/error.h).
func overflowed(b *evidence.Bus) bool {
	for i := range b.ErrorFrames.First {
		f := &b.ErrorFrames.First[i].Frame
		if f.ID&0x004 != 0 && f.Data[1]&0x01 != 0 {
			return true
		}
	}
	return false
}

// Recording judges the recording alone, whatever the car, by the capture rules:
// is it fit to judge by, or to learn from?
func Recording(c *Case) []Finding {
	r := &Results{}
	for _, rule := range captureRules() {
		rule.Judge(c, r)
	}
	return r.Findings
}

// losses returns of how many units, or where nobody names them of how many
// messages, a similar share of frames is missing in gaps of whole cycles.
func (c *Case) losses(b *evidence.Bus) (whose string, share float64, lost uint64) {
	missing, seen, unnamed := map[string]uint64{}, map[string]uint64{}, 0
	pauses := c.pauses()
	for _, m := range c.Setting.Messages {
		ev := c.Evidence.Messages[m.Name]
		if ev.Seen() < 100 || ev.Stream.Bus != b || !cyclic(m) || ev.Stream.Lost > ev.Seen()/2 {
			continue
		}
		sender := m.Sender
		if !c.oneUnit(sender) { // each message may be another unit's
			sender = "\x00" + m.Name
			unnamed++
		}
		n := ev.Stream.Lost - min(ev.Stream.Lost, c.notSent(m, pauses))
		missing[sender] += n
		seen[sender] += ev.Seen() + n
	}
	low, high := 1.0, 0.0
	var total uint64
	for sender, n := range seen {
		part := float64(missing[sender]) / float64(n)
		if missing[sender] < leastLost {
			part = 0
		}
		low, high = min(low, part), max(high, part)
		lost += missing[sender]
		total += n
	}
	// One sender's trouble is its own; all of them alike is the recording. Two
	// messages whose senders are not known may be one unit's, four hardly all are.
	if len(seen) < 2 || unnamed == len(seen) && unnamed < leastUnnamed || low < 0.005 || high > 4*low {
		return "", 0, 0
	}
	whose = fmt.Sprintf("%d units", len(seen))
	if unnamed > 0 {
		whose = fmt.Sprintf("%d messages", len(seen))
	}
	return whose, float64(lost) / float64(total), lost
}

// notSent counts the frames that a message misses because nobody sent, or nobody
// recorded: while the key was off between two drives, while the starter took the
// supply away, and in the pauses, of which judgePaused speaks.
func (c *Case) notSent(m *profiles.MessageFacts, pauses []evidence.Event) (n uint64) {
	s := c.Evidence.Messages[m.Name].Stream
	for i := range s.LongGaps.Worst {
		gap := &s.LongGaps.Worst[i]
		if c.away(m.Name, gap) || c.cranking(gap.Frame.Time) || slices.ContainsFunc(pauses, func(p evidence.Event) bool { return overlap(gap, &p) }) {
			n += uint64(gap.Gap / int64(m.Cycle.Value))
		}
	}
	return n
}

// judgeErrorsOff says that wires cannot be judged where nobody recorded errors.
func judgeErrorsOff(c *Case, r *Results) {
	if c.ErrorsRecorded {
		return
	}
	for _, b := range c.Evidence.Buses {
		if b.ErrorFrames.Count > 0 {
			return
		}
	}
	r.Add(Finding{
		Rule: "capture/errors-not-recorded", Verdict: NotTestable,
		Text:     "the capture holds no error frames, and nobody says that they were recorded: nothing is said about wires",
		NextStep: "record error frames too (candump: -e), or say --errors-recorded",
	})
}

// judgeOwnFrames finds frames that the recording computer sent itself.
func judgeOwnFrames(c *Case, r *Results) {
	if c.Evidence.Sent == 0 || c.Played {
		return
	}
	r.Add(Finding{
		Rule: "capture/own-frames", Verdict: Review, Count: c.Evidence.Sent,
		Text:     fmt.Sprintf("%d frames were sent by the recording computer itself", c.Evidence.Sent),
		NextStep: "record with a second adapter that only listens",
	})
}

// judgeStages says which stages would make more functions testable.
func judgeStages(c *Case, r *Results) {
	for _, stage := range c.missingStages() {
		names := c.unexercised(stage)
		f := Finding{
			Rule: "capture/stage-missing", Verdict: NotTestable, Stage: stage, Functions: names,
			Text:     fmt.Sprintf("the stage %s is not in the capture", stage),
			NextStep: howTo[stage],
		}
		if len(names) > 0 {
			f.Function = names[0]
		}
		r.Add(f)
	}
}

// howTo says how each stage is exercised (the capture script, trade practice).
var howTo = map[string]string{
	"asleep":  "let the bus sleep for 5 s, then unlock a door",
	"key-on":  "key on, engine off, touch nothing for 60 s",
	"pedal":   "key on, engine off: pedal to its stop and back, three times, 2 s each",
	"brake":   "press the brake three times, then the clutch three times",
	"lever":   "foot on the brake, wheels chocked: lever through all positions, 5 s each",
	"crank":   "crank for 10 s with the fuel off",
	"idle":    "start, and idle for 2 minutes",
	"warm-up": "idle until the fan has run",
	"air-con": "switch the air-con on and off three times, 10 s each, engine idling",
	"cruise":  "press the cruise switches, standing",
	"rev":     "out of gear: raise the engine to 2500, then 3500 rpm, and let it fall",
	"in-gear": "a licensed person, foot hard on the brake, wheels chocked: lever through the driving positions, 5 s each",
	"road":    "on a hoist or rollers, by a licensed person: accelerate through the gears",
	"key-off": "key off, and record until the bus sleeps",
}
