package rules

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"plugproof/profiles"
	"plugproof/profiles/evidence"
	"plugproof/profiles/stages"
)

// needRules ask what the replaced unit must hear, and what depends on its
// commands besides the gearbox.
func needRules() []Rule {
	return []Rule{
		{"handshake/ecu-starved", "the engine derates or misfires after the swap", judgeNeeds},
		{"handshake/immobiliser", "cranks and does not start, or starts and dies", judgeImmobiliser},
		{"handshake/fan-fail-safe", "the fans run flat out from key-on", judgeFan},
		{"handshake/wheel-speeds", "gearbox or stability control complain on the hoist only", judgeWheels},
	}
}

// judgeNeeds finds messages that the replaced unit needs and does not hear.
func judgeNeeds(c *Case, r *Results) {
	if unjudgeable(r) || c.Scope != Car {
		return
	}
	told := map[string]bool{} // senders that are silent as a whole
	for _, need := range c.Setting.Needs() {
		m := need.Message
		rule, failed := r.notHeard(m.Name)
		never := need.Listener.Needed && !m.Expected && c.Evidence.Messages[m.Name].Seen() == 0
		switch {
		case !failed && !never, told[m.Sender]:
			continue
		case rule == "message/sender-silent":
			told[m.Sender] = true
		}
		f := About("handshake/ecu-starved", Fail, m)
		f.Listener = c.Setting.Replaced
		if names := c.endingAt(c.Setting.Replaced, m.Name); len(names) > 0 {
			f.Functions = names
		}
		does := cmp.Or(need.Listener.Substitute, "it does not work properly without")
		if never {
			f.Text = fmt.Sprintf("the %s needs %s, which this car never sends: %s", c.titleOf(c.Setting.Replaced), m.Name, does)
			f.NextStep = "choose the series of the car, or set a stand-in for that message in the new ECU"
		} else {
			f.Text = fmt.Sprintf("the %s does not hear %s of %s (%s): %s", c.titleOf(c.Setting.Replaced), m.Name, c.titleOf(m.Sender), rule, does)
			f.NextStep = "restore the message; or choose the series in which the ECU does without, or set a stand-in for it in the new ECU"
		}
		f.Count = 1
		r.Add(f)
	}
}

// notHeard returns the rule by which a message does not reach its listeners: it is
// missing, or they reject it. A gap is not that.
func (r *Results) notHeard(message string) (rule string, failed bool) {
	for _, rule := range r.failed[message] {
		if rule != "message/long-gap" && rule != "message/late-start" && rule != "message/early-stop" && !strings.HasPrefix(rule, "signal/") {
			return rule, true
		}
	}
	return "", false
}

// judgeImmobiliser judges an exchange of which only order and time may be looked at.
func judgeImmobiliser(c *Case, r *Results) {
	c.dialogues(r, func(d *dialogue) {
		if !d.Secret || d.Answer == nil {
			return
		}
		if _, failed := r.notHeard(c.messageOf(d.Answer.Signal)); failed {
			return // the unit is silent as a whole, or is not believed
		}
		limit, from := d.limit(c, "answer_in", d.AnswerIn, nil)
		var late, none []*evidence.Exchange
		row, most := 0, 0 // questions in a row without an answer
		for i := range d.talk.Exchanges {
			x := &d.talk.Exchanges[i]
			if x.Frame.Time+limit > c.Evidence.End {
				continue
			}
			row++
			switch most = max(most, row); {
			case x.Answered == evidence.Never:
				none = append(none, x)
			case x.Answered > limit:
				late = append(late, x)
				row = 0
			default:
				row = 0
			}
		}
		f := d.about(c, "handshake/immobiliser", Fail, d.Answer.Signal)
		f.Sender, f.Listener = c.Setting.Replaced, d.asker.Sender
		f.NextStep = "match keys and ECU the lawful way; answers depend on the key, so a replayed one proves nothing"
		switch {
		case len(none) > 0 && (row > 0 || d.Asks > 0 && most >= d.Asks):
			f.Text = fmt.Sprintf("%d of %d questions of the %s had no answer", len(none), len(d.talk.Exchanges), c.titleOf(d.asker.Sender))
			f = d.place(c, f, none).measured(float64(most), float64(max(1, d.Asks)), "questions in a row", from)
		case len(late) > 0:
			worst := slices.MaxFunc(late, func(a, b *evidence.Exchange) int { return cmp.Compare(a.Answered, b.Answered) })
			f.Text = fmt.Sprintf("the answer to the question of the %s took %.0f ms", c.titleOf(d.asker.Sender), inMS(worst.Answered))
			f = d.place(c, f, late).measured(inMS(worst.Answered), inMS(limit), "ms", from)
		default:
			return
		}
		r.Add(f)
	})
}

// Limits of the other commands, common practice.
const (
	fanFull      = 0.9  // of its greatest speed
	fanTime      = 3e9  // ns
	chargeVolts  = 13.0 // with the engine turning fast enough to charge
	chargeTime   = 5e9  // ns
	wheelOff     = 0.13 // of the average
	wheelTime    = 1e9  // ns
	leastKph     = 10   // below it the wheels say nothing
	constantSpan = 0.05 // V: a command that moves less stands still
)

// judgeFan finds a fan that runs flat out because its command does not come.
func judgeFan(c *Case, r *Results) {
	asked, ok := c.Setting.Roles[profiles.FanAsked]
	ref := c.Setting.Roles[profiles.FanRuns] // not as a subject: it leans on what failed, which is the point
	runs := c.signalOf(ref)
	if !ok || runs == nil || runs.Available == 0 || unjudgeable(r) || c.Scope != Car {
		return
	}
	power := c.Evidence.Messages[c.messageOf(ref)]
	message, signal := asked.Split()
	rule, failed := r.notHeard(message)
	if !failed {
		return
	}
	full := fanFull * runs.Def.Max
	lasted, first := longest(runs, func(_ int64, low, _ float64) bool { return low >= full })
	if lasted < fanTime || full <= 0 {
		return
	}
	f := About("handshake/fan-fail-safe", Fail, c.Setting.Message(message))
	f.Signal, f.Listener = signal, power.Facts.Sender
	f.Text = fmt.Sprintf("the fan runs at %.0f %s for %.0f s (%s): its power stage is in fail-safe, because the command does not come (%s)",
		runs.Max, runs.Def.Unit, float64(lasted)/1e9, ref, rule)
	f.NextStep = fmt.Sprintf("restore %s; do not mend it with a relay", message)
	f.FirstTime, f.HasTime, f.Count = first, true, 1
	f.Example = c.example(&power.Stream.LastFrame)
	r.Add(f.measured(float64(lasted)/1e9, fanTime/1e9, "s", CommonPractice))
}

// judgeGenerator finds a battery that is not charged although the engine turns,
// by what other units say, and what the command to the generator was.
func judgeGenerator(c *Case, r *Results) {
	volts := c.role(profiles.Supply, r)
	ref, ok := c.Setting.Roles[profiles.GeneratorTo]
	if !ok || volts == nil || c.Scope != Car {
		return
	}
	var turns stages.Spans
	for _, condition := range c.Setting.EngineTurns {
		turns = append(turns, stages.Holding(c.Evidence, []profiles.Condition{condition})...)
	}
	lasted, first := longest(volts.s, func(at int64, _, high float64) bool { return high < chargeVolts && during(turns, at) })
	if lasted < chargeTime {
		return
	}
	message, signal := ref.Split()
	f := About("handshake/generator-command", Fail, c.Setting.Message(message))
	f.Signal, f.Listener = signal, volts.m.Sender
	f.Text = fmt.Sprintf("the battery is below %g V for %.0f s while the engine turns (%s)", chargeVolts, float64(lasted)/1e9, volts.ref)
	s := c.signalOf(ref)
	rule, failed := r.notHeard(message)
	switch {
	case failed || s == nil || s.Available == 0:
		f.Text += "; the command to the generator does not come (" + cmp.Or(rule, "no frame") + ")"
		f.NextStep = "restore " + message
	case s.Span() < constantSpan:
		f.Text += fmt.Sprintf("; the command to the generator stands at %g %s", s.Min, s.Def.Unit)
		f.NextStep = "switch the generator's control on in the new ECU"
	default:
		f.Verdict = Review
		f.Text += "; the command to the generator is there"
		f.NextStep = "measure at the generator: its wiring or the generator itself"
	}
	f.FirstTime, f.HasTime, f.Count = first, true, 1
	f.Example = c.example(&volts.ev.Stream.LastFrame)
	r.instead("signal/frozen", f.measured(float64(lasted)/1e9, chargeTime/1e9, "s", CommonPractice))
}

// judgeWheels finds wheels that turn at truly different speeds while stability
// control asks for less torque: a hoist or a roller does that, no frame.
func judgeWheels(c *Case, r *Results) {
	if len(c.Setting.Wheels) < 3 {
		return
	}
	wheels := make([]*subject, 0, len(c.Setting.Wheels))
	for _, ref := range c.Setting.Wheels {
		if x := c.subject(ref, r); x != nil {
			wheels = append(wheels, x)
		}
	}
	if len(wheels) < 3 {
		return
	}
	c.dialogues(r, func(d *dialogue) {
		if d.asker.Sender != wheels[0].m.Sender || len(d.talk.Exchanges) == 0 || r.Has("handshake/wheel-speeds", wheels[0].m.Name) {
			return
		}
		for i, x := range wheels {
			off, first, lasted := c.wheelOff(wheels, i)
			if lasted < wheelTime || !askedDuring(d.talk, first, first+lasted) {
				continue
			}
			f := x.about("handshake/wheel-speeds", Review)
			f.Text = fmt.Sprintf("%s is up to %.0f %% off the average of the wheels for %.1f s, and the %s asks for less torque",
				x.ref, 100*off, float64(lasted)/1e9, c.titleOf(d.asker.Sender))
			f.NextStep = "on a hoist or on two-wheel rollers that is as it must be, and no fault of the bus; on the road look at tyres and sensors"
			f.FirstTime, f.HasTime, f.Count, f.Example = first, true, 1, c.example(&x.ev.Stream.LastFrame)
			r.Add(f.measured(100*off, 100*wheelOff, "%", CommonPractice))
			return
		}
	})
}

// wheelOff returns for how long a wheel was off the average of all, since when,
// and by how much at the most.
func (c *Case) wheelOff(wheels []*subject, i int) (off float64, first, lasted int64) {
	lasted, first = longest(wheels[i].s, func(at int64, low, high float64) bool {
		sum, n := 0.0, 0
		for _, x := range wheels {
			if b := x.s.Track.At(at); b != nil {
				sum, n = sum+(b.Min+b.Max)/2, n+1
			}
		}
		average := sum / float64(max(1, n))
		if n < 3 || average < leastKph {
			return false
		}
		apart := math.Abs((low+high)/2/average - 1)
		if apart > wheelOff {
			off = max(off, apart)
		}
		return apart > wheelOff
	})
	return off, first, lasted
}

// askedDuring reports whether a request was made within a stretch, or a second
// around it.
func askedDuring(talk *evidence.Talk, from, to int64) bool {
	return slices.ContainsFunc(talk.Exchanges, func(x evidence.Exchange) bool {
		return x.Frame.Time >= from-1e9 && x.Frame.Time <= to+1e9
	})
}
