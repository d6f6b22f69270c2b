package standin

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"plugproof/profiles"
	"plugproof/profiles/traffic"
)

// action is one thing that happens at a time of the script.
type action struct {
	at      time.Duration
	kind    kind
	cell    int           // of set and ramp
	value   float64       // of set and ramp
	over    time.Duration // of ramp
	message string        // of send
}

type kind uint8

const (
	set kind = iota
	ramp
	send
	powerOn
	powerOff
)

// timeline is a script as it is played: actions in the order of their times,
// and what is repeated for ever at its end.
type timeline struct {
	actions []action
	length  time.Duration // of all steps, one round of the endless repeat included
	endless bool          // no steps: nothing ends it
	loop    int           // first action of the endless repeat; -1: none
	loopAt  time.Duration // when that begins

	next  int           // action
	shift time.Duration // by the rounds of the endless repeat
}

// Limits of a script: what a person writes stays far below.
const (
	maxActions = 100_000
	maxLength  = 30 * 24 * time.Hour
)

// compiler turns steps into actions.
type compiler struct {
	script *Script
	line   *timeline
	target func(profiles.SignalRef) (int, error) // cell of a signal
	has    func(message string) bool
	value  func(ref profiles.SignalRef, text string) (float64, error)
}

func (c *compiler) compile() error {
	c.line.loop = -1
	c.line.endless = len(c.script.file.Steps) == 0
	for i := range c.script.file.Values {
		if err := c.assign(&c.script.file.Values[i], 0, set, 0); err != nil {
			return err
		}
	}
	end, err := c.steps(c.script.file.Steps, 0, true)
	c.line.length = end
	return err
}

// steps compiles a list of steps that begins at a time, and returns its end.
func (c *compiler) steps(list []step, begin time.Duration, top bool) (time.Duration, error) {
	now := begin
	for i := range list {
		s := &list[i]
		if s.At != nil {
			at := begin + time.Duration(*s.At)
			if at < now {
				return 0, c.problem(s.place, fmt.Sprintf("at: %v is before the step above ends (%v)", *s.At, now-begin), "steps stand in their order")
			}
			now = at
		}
		var err error
		if s.Repeat != nil || s.Steps != nil {
			now, err = c.repeat(s, now, top && i == len(list)-1)
		} else {
			now, err = c.step(s, now)
		}
		if err != nil {
			return 0, err
		}
		if now > maxLength || len(c.line.actions) > maxActions {
			return 0, c.problem(s.place, fmt.Sprintf("the script goes on for over %v or %d changes", maxLength, maxActions), "repeat: forever goes on without end")
		}
	}
	return now, nil
}

func (c *compiler) step(s *step, now time.Duration) (time.Duration, error) {
	if (s.Ramp == nil) != (s.Over == 0) {
		return 0, c.problem(s.place, "ramp and over belong together", "ramp: {EngineSpeed.EngineSpeedRpm: 6000}, over: 10s")
	}
	if s.Power != nil {
		c.add(action{at: now, kind: map[power]kind{true: powerOn, false: powerOff}[*s.Power]})
	}
	for i := range s.Set {
		if err := c.assign(&s.Set[i], now, set, 0); err != nil {
			return 0, err
		}
	}
	for _, m := range s.Send {
		if !c.has(m.name) {
			return 0, c.problem(m.place, fmt.Sprintf("message %s is not sent by this stand-in", m.name), "")
		}
		c.add(action{at: now, kind: send, message: m.name})
	}
	for i := range s.Ramp {
		if err := c.assign(&s.Ramp[i], now, ramp, time.Duration(s.Over)); err != nil {
			return 0, err
		}
	}
	return now + time.Duration(s.Over) + time.Duration(s.Hold), nil
}

// repeat compiles the rounds of a repeat; one round where it has no end.
func (c *compiler) repeat(s *step, now time.Duration, last bool) (time.Duration, error) {
	if s.Repeat == nil || len(s.Steps) == 0 {
		return 0, c.problem(s.place, "repeat and steps belong together", "repeat: 3, steps: [...]")
	}
	if s.Power != nil || s.Set != nil || s.Send != nil || s.Ramp != nil || s.Over != 0 || s.Hold != 0 {
		return 0, c.problem(s.place, "a repeat does nothing but repeat", "put the rest into a step of its own")
	}
	rounds := int(*s.Repeat)
	if *s.Repeat == forever {
		if !last {
			return 0, c.problem(s.place, "repeat: forever is not the last step", "nothing after it would ever happen")
		}
		c.line.loop, c.line.loopAt, rounds = len(c.line.actions), now, 1
	}
	for range rounds {
		end, err := c.steps(s.Steps, now, false)
		if err != nil {
			return 0, err
		}
		if end == now {
			return 0, c.problem(s.place, "a round of the repeat takes no time", "add a hold")
		}
		now = end
		if now > maxLength || len(c.line.actions) > maxActions {
			break // the caller says so
		}
	}
	return now, nil
}

func (c *compiler) assign(a *assignment, at time.Duration, k kind, over time.Duration) error {
	cell, err := c.target(a.ref)
	if err != nil {
		return c.problem(a.place, err.Error(), hintOf(err))
	}
	v, err := c.value(a.ref, a.value)
	if err != nil {
		return c.problem(a.place, err.Error(), "")
	}
	if k == ramp && math.IsNaN(v) {
		return c.problem(a.place, fmt.Sprintf("%s cannot go to %s by and by", a.ref, a.value), "set it")
	}
	c.add(action{at: at, kind: k, cell: cell, value: v, over: over})
	return nil
}

func hintOf(err error) string {
	switch {
	case errors.Is(err, traffic.ErrGuarded):
		return "counters and checksums are filled in by themselves"
	case errors.Is(err, traffic.ErrNoSignal):
		return "signals are named Message.Signal, and the stand-in must send the message"
	}
	return ""
}

func (c *compiler) add(a action) { c.line.actions = append(c.line.actions, a) }

func (c *compiler) problem(at profiles.Place, text, hint string) error {
	return c.script.doc.Problem(at, "step", text, hint)
}

// due returns the next action whose time has come, nil when there is none.
func (l *timeline) due(now time.Duration) *action {
	if l.next == len(l.actions) && l.loop >= 0 && now >= l.shift+l.length {
		l.next = l.loop
		l.shift += l.length - l.loopAt
	}
	if l.next == len(l.actions) || l.actions[l.next].at+l.shift > now {
		return nil
	}
	l.next++
	return &l.actions[l.next-1]
}

// ended reports whether the script is over.
func (l *timeline) ended(now time.Duration) bool {
	return !l.endless && l.loop < 0 && now >= l.length
}

// notAvailable is how a script writes a value that the sender does not have.
const notAvailable = "not-available"

// number reads a value of a script: a number, not-available (NaN), or a text of
// the signal's value table.
func number(setting *profiles.Setting, ref profiles.SignalRef, text string) (float64, error) {
	if text == notAvailable {
		return math.NaN(), nil
	}
	if v, err := strconv.ParseFloat(text, 64); err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
		return v, nil
	}
	_, def := setting.Signal(ref)
	if def != nil {
		for _, v := range def.Values {
			if v.Text == text {
				return float64(float64(v.Value)*def.Factor) + def.Offset, nil
			}
		}
	}
	return 0, fmt.Errorf("%s: %q is no number, no text of its value table, and not %s", ref, text, notAvailable)
}
