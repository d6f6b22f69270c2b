package evidence

import (
	"encoding/binary"
	"math"
	"math/bits"

	"plugproof/decode"
	"plugproof/decode/can"
)

// Most signals of most frames repeat the value before, about which there is
// nothing to say. A frame that follows a calm one therefore has only those
// signals looked at whose bits changed, or of which every frame counts; the
// others are counted when they are looked at next.

// calmPlan is what the calm way needs to know of a message: each of its signals
// is always there, within the first 8 bytes.
type calmPlan struct {
	need    uint8     // bytes of a frame with all of them
	touches [8]uint64 // by byte: the signals with bits in it
	bits    []uint64  // by signal: its bits in the first 8 bytes, byte 0 lowest
}

// newCalmPlan returns nil for a message of another kind.
func newCalmPlan(plan *messagePlan) *calmPlan {
	if plan.page >= 0 || len(plan.signals) == 0 || len(plan.signals) > 64 {
		return nil
	}
	c := &calmPlan{bits: make([]uint64, len(plan.signals))}
	for i := range plan.signals {
		in, rest := bitsOf(plan.signals[i].sig)
		if in == 0 || rest {
			return nil
		}
		c.bits[i] = in
		c.need = max(c.need, uint8(bits.Len64(in)+7)/8)
		if plan.signals[i].guards {
			continue
		}
		for b := range c.touches {
			if in>>(8*b)&0xFF != 0 {
				c.touches[b] |= 1 << i
			}
		}
	}
	return c
}

// bitsOf returns the bits of the first 8 bytes that a signal takes, byte 0 lowest,
// and whether it has others. A signal wider than 64 bits has none.
func bitsOf(sig *decode.Signal) (in uint64, others bool) {
	if sig.Wide() {
		return 0, true
	}
	raw := ^uint64(0) // which is -1
	if !sig.Signed() {
		raw >>= 64 - sig.Def.Length
	}
	f := can.Frame{Len: can.MaxFDLen, Flags: can.FD}
	if sig.Put(&f, raw) != nil {
		return 0, true
	}
	in = binary.LittleEndian.Uint64(f.Data[:8])
	return in, bits.OnesCount64(in) != sig.Def.Length
}

// calm is what a message remembers of its last frame, and of those that its
// signals have not counted yet.
type calm struct {
	on     bool // the last frame was complete, and was looked at in full or in the calm way
	len    uint8
	word   uint64 // its first 8 bytes
	time   int64
	until  int64  // when the first of the buckets ends in which calm values lie
	frames uint64 // in the calm way since one was looked at in full
	awake  uint64 // signals that want every frame
}

// addCalm is the calm way of looking into a frame. It reports whether it took it.
func (m *message) addCalm(f *can.Frame, fits []fit) bool {
	c, plan := &m.calm, m.plan.calm
	if !c.on || f.Len != c.len || f.Time < c.time || f.Time >= c.until {
		return false
	}
	word := binary.LittleEndian.Uint64(f.Data[:8])
	changed := word ^ c.word
	look := c.awake
	for rest := changed; rest != 0; {
		b := bits.TrailingZeros64(rest) >> 3
		look |= plan.touches[b]
		rest &^= 0xFF << (8 * b)
	}
	for look != 0 {
		i := bits.TrailingZeros64(look)
		look &= look - 1
		if changed&plan.bits[i] == 0 && c.awake>>i&1 == 0 {
			continue
		}
		s := &m.signals[i]
		s.catchUp(c)
		v, _ := s.plan.sig.Read(f)
		s.take(f, &v, fits)
		s.seen = c.frames + 1
		m.settleDown(i)
	}
	c.frames++
	c.word, c.time = word, f.Time
	return true
}

// calmDown prepares the calm way after a frame that was looked at in full.
func (m *message) calmDown(f *can.Frame, complete bool) {
	c, plan := &m.calm, m.plan.calm
	if plan == nil {
		return
	}
	*c = calm{
		on: complete && m.HasValid && f.Len >= plan.need && f.Len <= can.MaxClassicLen, len: f.Len,
		word: binary.LittleEndian.Uint64(f.Data[:8]), time: f.Time, until: math.MaxInt64,
	}
	for i := range m.signals {
		m.signals[i].seen = 0
		m.settleDown(i)
	}
}

// settleDown finds out whether a signal may be left alone until it changes.
func (m *message) settleDown(i int) {
	c, s := &m.calm, &m.signals[i]
	if s.plan.guards {
		return
	}
	if s.plain {
		c.until = min(c.until, s.until)
	}
	if s.plain && !s.paired {
		c.awake &^= 1 << i
	} else {
		c.awake |= 1 << i
	}
}

// wake counts for all signals the frames that the calm way left to be counted.
func (m *message) wake() {
	if m.calm.frames == 0 {
		return
	}
	for i := range m.signals {
		m.signals[i].catchUp(&m.calm)
		m.signals[i].seen = 0
	}
	m.calm.frames = 0
}

// catchUp counts the frames since the signal was looked at: each repeated its value.
func (s *signal) catchUp(c *calm) {
	if n := c.frames - s.seen; s.plan.guards {
		s.Frames += n
	} else if n > 0 {
		s.repeats += n
		s.pending += n
		s.time = c.time
	}
	s.seen = c.frames
}
