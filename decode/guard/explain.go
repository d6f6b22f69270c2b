package guard

import (
	"fmt"
	"strings"

	"plugproof/decode/can"
)

// Explain says what the guarded fields of f hold and what they should hold, for
// those that are wrong; last is the frame before it, or nil. It judges as Verify
// does with steps 1.
func (g *Guard) Explain(last, f *can.Frame) string {
	p := f.Payload()
	if len(p) < g.minLen {
		return fmt.Sprintf("%d bytes, the protection needs %d", len(p), g.minLen)
	}
	if last != nil && len(last.Payload()) < g.minLen {
		last = nil
	}
	parts := g.explainContent(f)
	for i := range g.counters {
		if text := g.counters[i].explain(last, f); text != "" {
			parts = append(parts, text)
		}
	}
	for i := range g.toggles {
		t := &g.toggles[i]
		if last != nil && t.every == 1 && t.verify(last, f, 1) != 0 {
			parts = append(parts, fmt.Sprintf("toggle bit is %d again", t.at.read(p)))
		}
	}
	return strings.Join(parts, "; ")
}

func (g *Guard) explainContent(f *can.Frame) (parts []string) {
	p := f.Payload()
	for i := range g.checksums {
		c := &g.checksums[i]
		want, ok := c.compute(f)
		switch got := c.at.read(p); {
		case !ok:
			parts = append(parts, fmt.Sprintf("checksum is %#x, not defined for this counter value", got))
		case got != want:
			parts = append(parts, fmt.Sprintf("checksum is %#x, computed %#x", got, want))
		}
	}
	for i := range g.parities {
		c := &g.parities[i]
		if got, want := c.at.read(p), c.compute(p); got != want {
			parts = append(parts, fmt.Sprintf("parity bit is %d, computed %d", got, want))
		}
	}
	for i := range g.constants {
		c := &g.constants[i]
		if got := c.at.read(p); got != c.value {
			parts = append(parts, fmt.Sprintf("bits %v hold %#x, always %#x", c.at.Field, got, c.value))
		}
	}
	return parts
}

func (c *counter) explain(last, f *can.Frame) string {
	now := c.at.read(f.Payload())
	if c.verifyFirst(now) != 0 {
		return fmt.Sprintf("counter is %d, a value that is never sent", now)
	}
	if last == nil {
		return ""
	}
	before := c.at.read(last.Payload())
	if c.verify(before, now, 1) == 0 {
		return ""
	}
	return fmt.Sprintf("counter is %d after %d, expected %d", now, before, c.next(before))
}
