package guard

import (
	"fmt"
	"math/bits"

	"plugproof/decode/can"
)

// Toggle is a bit that flips with every so many frames.
type Toggle struct {
	Field Field // one bit
	Every int   // frames from flip to flip; 0: 1
}

// toggle is a checked Toggle.
type toggle struct {
	at    spot
	every uint64
}

func (t Toggle) compile() (toggle, error) {
	at, err := t.Field.compile()
	switch {
	case err != nil:
	case t.Field.Length != 1:
		err = fmt.Errorf("bits %v: a toggle bit has the length 1", t.Field)
	case t.Every < 0:
		err = fmt.Errorf("it cannot flip every %d frames", t.Every)
	}
	return toggle{at, uint64(max(t.Every, 1))}, err
}

// verify judges a bit that flips with every frame. As for a counter, one flip is
// always right.
func (t *toggle) verify(last, f *can.Frame, steps int) Faults {
	if t.at.read(last.Payload()) == t.at.read(f.Payload()) && steps&1 == 1 {
		return WrongToggle
	}
	return 0
}

// Parity is a bit that makes the number of set bits even, or odd.
type Parity struct {
	Field Field   // one bit
	Over  []Field // the bits counted with it; none: all of the payload
	Odd   bool
}

// parity is a checked Parity.
type parity struct {
	at     spot
	over   []spot
	fixed  uint64 // 1: an odd number of bits is right
	own    uint64 // how often the parity bit itself lies among those counted
	minLen int
}

func (c Parity) compile() (parity, error) {
	var k parity
	var err error
	if k.at, err = c.Field.compile(); err != nil {
		return k, err
	}
	if c.Field.Length != 1 {
		return k, fmt.Errorf("bits %v: a parity bit has the length 1", c.Field)
	}
	if c.Odd {
		k.fixed = 1
	}
	if len(c.Over) == 0 {
		k.own = 1
	}
	k.minLen = k.at.stop
	for _, f := range c.Over {
		s, err := f.compile()
		if err != nil {
			return k, err
		}
		var marked [can.MaxFDLen]byte
		s.write(marked[:], s.mask)
		k.own += k.at.read(marked[:])
		k.over = append(k.over, s)
		k.minLen = max(k.minLen, s.stop)
	}
	return k, nil
}

// compute returns what the parity bit should be.
func (c *parity) compute(p []byte) uint64 {
	ones := c.fixed - c.own*c.at.read(p)
	for i := range c.over {
		ones += uint64(bits.OnesCount64(c.over[i].read(p)))
	}
	if len(c.over) == 0 {
		for _, b := range p {
			ones += uint64(bits.OnesCount8(b))
		}
	}
	return ones & 1
}
