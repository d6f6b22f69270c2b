package exercise

import (
	"fmt"
	"math"

	"plugproof/profiles/rules"
)

// conclude says what the answers mean together.
func (g *guide) conclude() {
	control, own := g.worst("factory frame"), g.worst("steady value")
	o := &g.out
	switch {
	case own == none:
		o.Verdict, o.Text, o.NextStep = rules.NotTestable, "no steady value was answered", "repeat it, with somebody who sees the "+o.Title
	case own == works && control == broken:
		o.Verdict = rules.Review
		o.Text = fmt.Sprintf("the %s shows our frames, but not those of the factory capture: it may be of another car, or cut between counters", o.Title)
		o.NextStep = "check that the baseline is of this car"
	case own == works:
		g.starvation()
	case control == works:
		o.Verdict = rules.Fail
		o.Text = fmt.Sprintf("the %s is fine: it shows the factory's frame; our frame was wrong%s", o.Title, g.scale())
		o.NextStep = fmt.Sprintf("compare %s of the profile with the capture: identifier, length, counter, checksum, scale", g.x.facts.Name)
	case control == broken:
		o.Verdict = rules.Fail
		o.Text = fmt.Sprintf("the %s does not react to a right frame: the factory's own moves it no more than ours", o.Title)
		o.NextStep = "check supply, key and wake-up inputs, termination and wiring of the listener; then the listener itself"
	default:
		o.Verdict = rules.Fail
		o.Text = fmt.Sprintf("the %s does not show what was sent%s; whether it or the frame is to blame cannot be told without the factory's own frame", o.Title, g.scale())
		o.NextStep = "repeat it with --baseline CAPTURE of the factory unit"
	}
}

// starvation judges what was seen without a value, where the steps with values
// were right.
func (g *guide) starvation() {
	o := &g.out
	for _, s := range o.Steps {
		if s.Verdict != rules.Fail {
			continue
		}
		o.Verdict = rules.Review
		if s.What == "steady value" {
			o.Text = fmt.Sprintf("the %s shows what it is sent, but one reading was off: %s instead of %s", o.Title, s.Seen, s.Expected)
			o.NextStep = "repeat it, and look twice"
			continue // what follows is worth more
		}
		o.Text = fmt.Sprintf("the %s shows what it is sent, but not what the profile says when its value is %s", o.Title, map[string]string{
			"not available": "not available", "stopped": "missing", "back again": "back again",
		}[s.What])
		o.NextStep = "compare with the factory cluster, or correct the profile"
		if s.What == "back again" {
			o.Verdict = rules.Fail
			o.Text = fmt.Sprintf("the %s does not come back after its message was missing", o.Title)
			o.NextStep = "turn the listener off and on; if it must, a single gap in the car will do the same"
		}
		return
	}
	if o.Verdict != rules.Pass {
		return
	}
	o.Text = fmt.Sprintf("the %s shows what it is sent, and reacts when that is missing", o.Title)
	if !g.answered("stopped") {
		o.Text = fmt.Sprintf("the %s shows what it is sent", o.Title)
	}
}

// result is what steps of one kind say together.
type result int

const (
	none result = iota
	works
	broken
)

// worst sums up the answered steps of a kind. One wrong reading of four is a slip
// of the eye; one of three or fewer is not.
func (g *guide) worst(what string) result {
	good, bad := 0, 0
	for _, s := range g.out.Steps {
		switch {
		case s.What != what || s.Verdict == rules.NotTestable || s.Verdict == rules.Review:
		case s.Verdict == rules.Fail:
			bad++
		default:
			good++
		}
	}
	switch {
	case good+bad == 0:
		return none
	case bad > 1 || bad == 1 && good < hiddenSteps-1:
		return broken
	}
	return works
}

func (g *guide) answered(what string) bool {
	for _, s := range g.out.Steps {
		if s.What == what && s.Verdict != rules.NotTestable {
			return true
		}
	}
	return false
}

// scale names the factor by which all readings are off, "" when there is none:
// half, double, or another unit.
func (g *guide) scale() string {
	least, most := math.Inf(1), math.Inf(-1)
	for _, p := range g.pairs {
		if p[0] == 0 {
			continue
		}
		least, most = min(least, p[1]/p[0]), max(most, p[1]/p[0])
	}
	switch mean := (least + most) / 2; {
	case len(g.pairs) < 2 || most-least > 0.1*math.Abs(mean):
		return ""
	case math.Abs(mean) < 0.05:
		return " (the needle does not move)"
	default:
		return fmt.Sprintf(" (all readings are %.2g times what was sent)", mean)
	}
}
