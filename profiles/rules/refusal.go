package rules

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// judgeRefusal finds an engine that says it cannot reduce torque, and torque of
// which the asking unit received something else.
func judgeRefusal(c *Case, r *Results) {
	c.dialogues(r, func(d *dialogue) {
		if d.Allowed != nil {
			c.notAllowed(r, d)
		}
		if d.Refused != nil {
			c.refusedOften(r, d)
		}
		if d.Copy != "" && d.shown(c, r) {
			c.copyDiffers(r, d)
		}
	})
}

// notAllowed finds the flag that says reduction is not allowed, standing too long.
func (c *Case) notAllowed(r *Results, d *dialogue) {
	x := c.subject(d.Allowed.Signal, r)
	if x == nil || r.hasOn(d.Allowed.Signal) {
		return
	}
	judging := c.unbroken(x.m.Name, c.awake(x.m.Name).judging(), profiles.DefaultGrace)
	var lasted, first int64
	for _, raw := range slices.Sorted(maps.Keys(x.s.Values)) {
		if slices.Contains(d.Allowed.Is, int64(raw)) {
			continue
		}
		t, at := standing(x.s, int64(raw), judging)
		if lasted += t; t > 0 && (first == 0 || at < first) {
			first = at
		}
	}
	if lasted <= refusalTime {
		return
	}
	f := d.about(c, "handshake/reduction-refused", Fail, d.Allowed.Signal)
	f.Text = fmt.Sprintf("%s says for %.1f s that torque may not be reduced", d.Allowed.Signal, float64(lasted)/1e9)
	f.NextStep = "the engine says so when it has a fault of its own: read and clear the new ECU's codes first"
	f.FirstTime, f.HasTime, f.Count, f.Example = first, true, 1, c.example(&x.ev.Stream.LastFrame)
	r.Add(f.measured(float64(lasted)/1e9, refusalTime/1e9, "s", CommonPractice))
}

// refusedOften finds answers that it cannot be done.
func (c *Case) refusedOften(r *Results, d *dialogue) {
	var refused []*evidence.Exchange
	for i := range d.talk.Exchanges {
		if x := &d.talk.Exchanges[i]; x.Refused {
			refused = append(refused, x)
		}
	}
	n := len(d.talk.Exchanges)
	if n < leastRequests || float64(len(refused)) <= missedShare*float64(n) {
		return
	}
	f := d.about(c, "handshake/reduction-refused", Fail, d.Refused.Signal)
	f.Text = fmt.Sprintf("%s answers that it cannot comply, to %d of %d of the %s", d.Refused.Signal, len(refused), n, d.title())
	f.NextStep = "read the new ECU's own codes; then enable torque intervention in it"
	f = d.place(c, f, refused)
	r.Add(f.measured(100*float64(len(refused))/float64(n), 100*missedShare, "% of the requests", CommonPractice))
}

// copyDiffers finds torque that the asking unit received as something else.
func (c *Case) copyDiffers(r *Results, d *dialogue) {
	own, copied := c.subject(d.Given, r), c.subject(d.Copy, r)
	if own == nil || copied == nil || r.hasOn(d.Copy) {
		return
	}
	slack := max(copyOff*math.Max(math.Abs(own.s.Max), math.Abs(own.s.Min)), quantaOfStep/2*math.Abs(copied.s.Def.Factor))
	lasted, first := longest(own.s, func(at int64, low, high float64) bool {
		b := copied.s.Track.At(at)
		return b != nil && (b.Min > high+slack || b.Max < low-slack)
	})
	if lasted <= copyOffTime {
		return
	}
	f := d.about(c, "handshake/reduction-refused", Fail, d.Given)
	f.Text = fmt.Sprintf("%s and %s, as the %s received it, are apart by more than %.0f %s for %.1f s",
		d.Given, d.Copy, c.titleOf(d.asker.Sender), slack, own.s.Def.Unit, float64(lasted)/1e9)
	f.NextStep = "the asking unit computes with another torque: check the reference torque, which all torque values are a share of"
	f.FirstTime, f.HasTime, f.Count, f.Example = first, true, 1, c.example(&own.ev.Stream.FirstFrame)
	r.Add(f.measured(float64(lasted)/1e9, copyOffTime/1e9, "s", CommonPractice))
}
