package rules

import (
	"fmt"
	"math/bits"
	"strings"

	"plugproof/profiles"
)

// leastStill is how many frames must agree for a bit to be called still.
const leastStill = 10

// judgeStillBits finds bits that stood in the capture that a profile was learned
// from, and stand otherwise now. Nobody knows what they mean: it may be the
// configuration of another car, or a door. Bits that move now are no sign of
// either.
func judgeStillBits(c *Case, r *Results) {
	if unjudgeable(r) {
		return
	}
	for _, m := range c.Setting.Messages {
		s := c.Evidence.Messages[m.Name].Stream
		if s == nil || s.Frames < leastStill || r.blocked(m.Name) {
			continue
		}
		want := m.Own.Still
		differ := want.Stood & s.Constant() & (s.Ones ^ want.Ones)
		if n := s.Length(); n < 8 {
			differ &= 1<<(8*n) - 1
		}
		if differ == 0 {
			continue
		}
		f := About("signal/still-bits", Review, m)
		f.Listener = firstListener(m)
		f.Text = fmt.Sprintf("%s stands otherwise than in the capture that the profile was learned from: %s", m.Name, bitNames(m, differ))
		f.NextStep = "find out what they mean: a door or a light is no fault, a code of engine, gearbox or market is"
		f.Count, f.FirstTime, f.HasTime = s.Frames, s.First, true
		f.Example = c.example(&s.FirstFrame)
		from := c.origin("$.messages." + m.Name + ".still")
		r.Add(f.measured(float64(bits.OnesCount64(differ)), 0, "bits", from))
	}
}

// mostNames is how many bits or signals a sentence names.
const mostNames = 4

// bitNames lists bits of the first 8 bytes by the signals that hold them, else as
// byte.bit, "2 of byte 5".
func bitNames(m *profiles.MessageFacts, mask uint64) string {
	var names []string
	if m.Def != nil {
		for _, sig := range m.Def.Signals {
			if held := sig.Mask(); held&mask != 0 {
				names = append(names, sig.Name)
				mask &^= held
			}
		}
	}
	for i := range 8 {
		for bit := range 8 {
			if mask>>(8*i+bit)&1 != 0 {
				names = append(names, fmt.Sprintf("bit %d of byte %d", bit, i))
			}
		}
	}
	if more := len(names) - mostNames; more > 1 {
		names = append(names[:mostNames], fmt.Sprintf("%d more", more))
	}
	return strings.Join(names, ", ")
}
