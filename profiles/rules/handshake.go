package rules

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// handshakeRules ask whether the units get on with each other: requests and
// their answers, permits, and what the replaced unit itself must hear.
func handshakeRules() []Rule {
	return slices.Concat([]Rule{
		{"handshake/reduction-refused", "stability lamp, no traction control", judgeRefusal},
		{"handshake/torque-cut-ignored", "harsh or flaring shifts, later the emergency program", judgeTorqueCut},
		{"handshake/torque-stays-cut", "the engine hangs after each shift", judgeRecovery},
		{"handshake/no-acknowledge", "harsh shifts and a code of the gearbox", judgeAcknowledge},
		{"handshake/generator-command", "battery lamp, 12.2 V", judgeGenerator},
		{"handshake/torque-implausible", "the emergency program after a hard pull", judgeBounds},
		{"handshake/limp", "stuck in one gear, gearbox lamp", judgeLimp},
	}, permitRules(), needRules())
}

// Limits of the torque dialogue, common practice.
const (
	leastRequests   = 5                      // to judge a dialogue by
	missedShare     = 0.20                   // of the requests
	shortRequest    = 20 * time.Millisecond  // no unit needs to answer a shorter one
	usualLag        = 100 * time.Millisecond // until the torque has fallen, and until the answer
	slowerFactor    = 2.0                    // than in the baseline: worth a look
	slowerBy        = 20e6                   // ns, and by so much at least: two cycles
	refusalTime     = 2e9                    // ns for which reduction is not allowed
	copyOff         = 0.10                   // of the greatest torque
	copyOffTime     = 500e6                  // ns
	usualBoundTime  = 500e6                  // ns
	quantaOfStep    = 20                     // a smaller step is not judged
	fellFurther     = 0.25                   // of the step below what was asked for: the driver let go as well
	answersExpected = "the gearbox times how fast torque follows: "
)

// dialogue is one dialogue of the setting that can be judged.
type dialogue struct {
	*profiles.Dialogue
	name  string
	talk  *evidence.Talk
	base  *evidence.Talk // nil: none
	asker *profiles.MessageFacts
}

// dialogues calls judge for every dialogue whose request came and passed so far.
func (c *Case) dialogues(r *Results, judge func(d *dialogue)) {
	if unjudgeable(r) || c.Scope != Car || c.timeless(r) {
		return
	}
	for i := range c.Evidence.Talks {
		talk := &c.Evidence.Talks[i]
		d := &dialogue{Dialogue: c.Setting.Dialogues[talk.Name], name: talk.Name, talk: talk}
		message, _ := d.Asked.Signal.Split()
		d.asker = c.Setting.Message(message)
		if c.Evidence.Messages[message].Seen() == 0 || r.blocked(message) {
			continue
		}
		if c.Baseline != nil && len(c.Baseline.Talks) > i {
			d.base = &c.Baseline.Talks[i]
		}
		judge(d)
	}
}

// about starts a finding about one signal of the dialogue.
func (d *dialogue) about(c *Case, rule string, verdict Verdict, ref profiles.SignalRef) Finding {
	message, signal := ref.Split()
	f := About(rule, verdict, c.Setting.Message(message))
	f.Signal, f.Listener = signal, d.asker.Sender
	if d.Function != "" {
		f.Function, f.Functions = d.Function, []string{d.Function}
	}
	return f
}

// title names the dialogue in a sentence.
func (d *dialogue) title() string { return cmp.Or(d.Title, "requests of "+d.name) }

// place puts the first of some exchanges on a finding.
func (d *dialogue) place(c *Case, f Finding, list []*evidence.Exchange) Finding {
	f.Count = uint64(len(list))
	if len(list) == 0 {
		return f
	}
	f.FirstTime, f.HasTime = list[0].Frame.Time, true
	if !d.Secret {
		f.Example = c.example(&list[0].Frame)
	}
	return f
}

// shown reports whether the value that must fall is fit to be judged.
func (d *dialogue) shown(c *Case, r *Results) bool {
	message, _ := d.Given.Split()
	return d.Given != "" && c.Evidence.Messages[message].Seen() > 0 && !r.blocked(message) && !r.hasOn(d.Given)
}

// steps returns the requests for a step that is large enough to be judged.
func (d *dialogue) steps(c *Case, talk *evidence.Talk) (list []*evidence.Exchange) {
	_, def := c.Setting.Signal(d.Given)
	least := d.Least
	if least == 0 && def != nil {
		least = quantaOfStep * math.Abs(def.Factor)
	}
	for i := range talk.Exchanges {
		x := &talk.Exchanges[i]
		if x.Lasted >= int64(shortRequest) && x.Step() >= least && !x.Refused && !math.IsNaN(x.Least) {
			list = append(list, x)
		}
	}
	return list
}

// limit returns within what time something must happen: as the profile says, else
// as it did in the baseline, else as is common practice.
func (d *dialogue) limit(c *Case, key string, stated profiles.Time, times []int64) (limit int64, from string) {
	switch {
	case stated > 0:
		return int64(stated), c.Setting.Origin("$.dialogues." + d.name + "." + key).String()
	case len(times) >= leastRequests:
		return max(quantile(times, 0.95), int64(shortRequest)), FromBaseline
	}
	return int64(usualLag), CommonPractice
}

// quantile sorts and returns one of the values.
func quantile(values []int64, share float64) int64 {
	slices.Sort(values)
	return values[min(len(values)-1, int(share*float64(len(values))))]
}

// fallTimes lists how long the value took to fall; those that never fell are left out.
func (d *dialogue) fallTimes(c *Case, talk *evidence.Talk) (times []int64) {
	if talk == nil {
		return nil
	}
	for _, x := range d.steps(c, talk) {
		if x.Fell != evidence.Never {
			times = append(times, x.Fell)
		}
	}
	return times
}

// judgeTorqueCut finds torque that does not follow the requests.
func judgeTorqueCut(c *Case, r *Results) {
	c.dialogues(r, func(d *dialogue) {
		if !d.shown(c, r) {
			return
		}
		limit, from := d.limit(c, "lag", d.Lag, d.fallTimes(c, d.base))
		var late []*evidence.Exchange
		judged := 0
		for _, x := range d.steps(c, d.talk) {
			if x.Fell == evidence.Never && x.Lasted < limit {
				continue // withdrawn before it was due
			}
			judged++
			if x.Fell == evidence.Never || x.Fell > limit {
				late = append(late, x)
			}
		}
		f := d.about(c, "handshake/torque-cut-ignored", Fail, d.Given)
		f.NextStep = "enable torque intervention in the new ECU, and check its torque model; harsh shifts wear the gearbox"
		share := float64(len(late)) / float64(max(1, judged))
		if !d.enough(c, r, f, tally{judged, share}) {
			return
		}
		if share <= missedShare {
			d.slower(c, r)
			return
		}
		depth := cmp.Or(d.Depth, profiles.DefaultDepth)
		f.Text = fmt.Sprintf("%s does not follow the %s: in %d of %d it did not fall by %s of the step asked for within %.0f ms",
			d.Given, d.title(), len(late), judged, depth, inMS(limit))
		r.Add(d.place(c, f, late).measured(100*share, 100*missedShare, "% of the requests within "+fmt.Sprintf("%.0f ms", inMS(limit)), from))
	})
}

// tally counts requests that were judged, and the share of them that were not met.
type tally struct {
	judged int
	missed float64
}

// enough reports whether there were enough requests to judge by. Where there were
// few and most were not met it asks for a second look; where the stage that brings
// them about is in the capture, for more of them.
func (d *dialogue) enough(c *Case, r *Results, f Finding, t tally) bool {
	judged, share := t.judged, t.missed
	switch {
	case judged >= leastRequests:
		return true
	case d.talk.Asked == 0 && !slices.ContainsFunc(d.Stages, c.Stages.Has):
		return false // nobody asked, and nothing in the capture makes them
	}
	if judged < 2 {
		share = 0 // one alone proves nothing
	}
	if share <= 0.5 && len(d.Stages) > 0 && !slices.ContainsFunc(d.Stages, c.Stages.Has) {
		return false
	}
	f.Verdict, f.Count = NotTestable, uint64(judged)
	f.Text = fmt.Sprintf("only %d of the %s can be judged; it takes %d", judged, d.title(), leastRequests)
	f.NextStep = "capture more shifts"
	if len(d.Stages) > 0 {
		f.Stage = d.Stages[0]
		f.NextStep = fmt.Sprintf("capture the stage %s with at least %d shifts", f.Stage, leastRequests)
	}
	if share > 0.5 {
		f.Verdict = Review
		f.Text += fmt.Sprintf(", and %.0f %% of them were not met", 100*share)
	}
	r.Add(f.measured(float64(judged), leastRequests, "requests", CommonPractice))
	return false
}

// slower asks for a second look where torque follows, but clearly slower than
// with the factory ECU.
func (d *dialogue) slower(c *Case, r *Results) {
	was, now := d.fallTimes(c, d.base), d.fallTimes(c, d.talk)
	if len(was) < leastRequests || len(now) < leastRequests {
		return
	}
	before, after := quantile(was, 0.5), quantile(now, 0.5)
	if float64(after) <= slowerFactor*float64(before) || after-before <= slowerBy {
		return
	}
	f := d.about(c, "handshake/torque-cut-ignored", Review, d.Given)
	f.Text = fmt.Sprintf("%s follows the %s within %.0f ms; in the baseline it took %.0f ms", d.Given, d.title(), inMS(after), inMS(before))
	f.NextStep = answersExpected + "let spark, not the throttle, take the torque away"
	r.Add(d.place(c, f, d.steps(c, d.talk)).measured(inMS(after), slowerFactor*inMS(before), "ms", FromBaseline))
}

// judgeRecovery finds torque that is slow to come back. It is at most worth a
// second look: how fast it may is the tuner's business.
func judgeRecovery(c *Case, r *Results) {
	c.dialogues(r, func(d *dialogue) {
		if d.Recovery == 0 || !d.shown(c, r) || r.Has("handshake/torque-cut-ignored", c.messageOf(d.Given)) {
			return
		}
		var slow []*evidence.Exchange
		judged := 0
		for _, x := range d.steps(c, d.talk) {
			if x.Fell == evidence.Never || x.Least < x.Wanted-fellFurther*x.Step() {
				continue // it did not fall, or the driver let go as well
			}
			judged++
			if x.Rose == evidence.Never || x.Rose > int64(d.Recovery) {
				slow = append(slow, x)
			}
		}
		share := float64(len(slow)) / float64(max(1, judged))
		if judged < leastRequests || share <= missedShare {
			return
		}
		f := d.about(c, "handshake/torque-stays-cut", Review, d.Given)
		f.Text = fmt.Sprintf("after %d of %d of the %s %s is not half way back within %v", len(slow), judged, d.title(), d.Given, d.Recovery)
		f.NextStep = "let the torque come back as soon as the request is withdrawn; the ramp is set in the new ECU"
		from := c.Setting.Origin("$.dialogues." + d.name + ".recovery").String()
		r.Add(d.place(c, f, slow).measured(100*share, 100*missedShare, "% of the requests", from))
	})
}

// messageOf returns the message part of a signal's name.
func (c *Case) messageOf(ref profiles.SignalRef) string {
	message, _ := ref.Split()
	return message
}

// judgeAcknowledge finds requests that nobody answers.
func judgeAcknowledge(c *Case, r *Results) {
	c.dialogues(r, func(d *dialogue) {
		if d.Answer == nil || d.Given == "" {
			return
		}
		message := c.messageOf(d.Answer.Signal)
		standsStill := r.hasFrozen(d.Answer.Signal) // an answer that never comes, or never goes, is this fault
		if c.Evidence.Messages[message].Seen() == 0 || r.blocked(message) || r.hasOn(d.Answer.Signal) && !standsStill {
			return
		}
		limit, from := d.limit(c, "answer_in", d.AnswerIn, answerTimes(d.base))
		var missing []*evidence.Exchange
		judged := 0
		for i := range d.talk.Exchanges {
			x := &d.talk.Exchanges[i]
			if x.Lasted < max(limit, int64(shortRequest)) || math.IsNaN(x.Least) { // or its message did not come
				continue
			}
			judged++
			if x.Already || x.Answered == evidence.Never || x.Answered > limit {
				missing = append(missing, x)
			}
		}
		share := float64(len(missing)) / float64(max(1, judged))
		f := d.about(c, "handshake/no-acknowledge", Fail, d.Answer.Signal)
		f.Function, f.Functions = "", nil // those whose chain has the answer
		if !d.enough(c, r, f, tally{judged, share}) || share <= missedShare {
			return
		}
		f.Text = fmt.Sprintf("%s does not answer %d of %d of the %s within %.0f ms", d.Answer.Signal, len(missing), judged, d.title(), inMS(limit))
		f.NextStep = "map the acknowledgement in the new ECU, and the answer that it cannot comply as well"
		r.instead("signal/frozen", d.place(c, f, missing).measured(100*share, 100*missedShare, "% of the requests", from))
	})
}

// hasFrozen reports whether a signal was found to stand still.
func (r *Results) hasFrozen(ref profiles.SignalRef) bool {
	message, signal := ref.Split()
	return slices.ContainsFunc(r.Findings, func(f Finding) bool {
		return f.Rule == "signal/frozen" && f.Message == message && f.Signal == signal
	})
}

func answerTimes(talk *evidence.Talk) (times []int64) {
	if talk == nil {
		return nil
	}
	for i := range talk.Exchanges {
		if x := &talk.Exchanges[i]; x.Answered != evidence.Never && !x.Already {
			times = append(times, x.Answered)
		}
	}
	return times
}

// titleOf returns what people call a node.
func (c *Case) titleOf(node string) string {
	if n := c.Setting.Nodes[node]; n != nil {
		return cmp.Or(n.Title, node)
	}
	return node
}
