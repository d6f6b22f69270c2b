// Package guard knows how messages protect themselves: rolling counters,
// checksums, constants. It verifies a frame given the last one of its kind, and
// fills in a frame about to be sent.
//
// A Protection says in plain values how one message is guarded; Compile makes a
// Guard of it, which works without allocating:
//
//	g, err := guard.Protection{
//		Counters:  []guard.Counter{{Field: guard.Nibble(1, 0), Modulo: 15}},
//		Checksums: []guard.Checksum{{Field: guard.Byte(0), Law: guard.CRC8(0x1D, 0xFF, 0xFF), Over: []guard.Part{guard.Data(0, 0)}}},
//	}.Compile()
//	faults := g.Verify(last, frame, 1)
//	err = g.Fill(last, frame)
package guard

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"plugproof/decode/can"
)

// Protection is how one message is guarded. The zero value guards nothing.
type Protection struct {
	Counters  []Counter
	Constants []Constant
	Checksums []Checksum // later ones may cover earlier ones
}

// Constant is a field that always holds the same value: part of an identifier,
// a length, the mark of a variant.
type Constant struct {
	Field Field
	Value uint64
}

// Faults are the ways in which a frame breaks its protection.
type Faults uint16

// The faults.
const (
	Short           Faults = 1 << iota // too few bytes for a guarded field; nothing else was looked at
	WrongChecksum                      // not what the law gives
	FrozenCounter                      // the same value again
	WrongStep                          // a value that neither follows nor is explained by lost frames
	ReservedCounter                    // a value that is never sent
	WrongConstant                      // not the value it always has
)

var faultNames = []string{
	"frame too short", "wrong checksum", "counter frozen", "wrong counter step",
	"reserved counter value", "wrong constant",
}

// String names the faults, or says "none".
func (f Faults) String() string {
	var names []string
	for i, name := range faultNames {
		if f>>i&1 != 0 {
			names = append(names, name)
		}
	}
	if names == nil {
		return "none"
	}
	return strings.Join(names, ", ")
}

// Guard verifies and fills in the frames of one message. It is never written to
// after Compile: several goroutines may use it at once.
type Guard struct {
	counters  []counter
	constants []Constant
	checksums []checksum
	minLen    int
}

// Compile checks the description and makes a Guard of it. Its error joins one
// error for each thing that no frame can carry.
func (p Protection) Compile() (*Guard, error) {
	g := &Guard{constants: slices.Clone(p.Constants)}
	var errs []error
	note := func(what string, i int, field Field, err error) {
		if err == nil {
			err = field.check()
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("%s %d: %w", what, i+1, err))
			return
		}
		g.minLen = max(g.minLen, field.end())
	}
	for i, c := range p.Counters {
		compiled, err := c.compile()
		g.counters = append(g.counters, compiled)
		note("counter", i, c.Field, err)
	}
	for i, c := range p.Constants {
		var err error
		if c.Value&^c.Field.max() != 0 {
			err = fmt.Errorf("value %#x does not fit into %d bits", c.Value, c.Field.Length)
		}
		note("constant", i, c.Field, err)
	}
	for i, c := range p.Checksums {
		compiled, err := c.compile()
		g.checksums = append(g.checksums, compiled)
		g.minLen = max(g.minLen, compiled.minLen)
		note("checksum", i, c.Field, err)
	}
	if len(errs) != 0 {
		return nil, errors.Join(errs...)
	}
	return g, nil
}

// MinLen returns how many payload bytes the protection needs.
func (g *Guard) MinLen() int { return g.minLen }

// Verify returns the faults of f given the last frame of the same message, nil
// for the first. steps is how many cycles went by since then, as the time tells:
// 1 unless frames were lost in between. A single counter step is always right: a
// late frame looks like a lost one.
func (g *Guard) Verify(last, f *can.Frame, steps int) Faults {
	p := f.Payload()
	if len(p) < g.minLen {
		return Short
	}
	var faults Faults
	for i := range g.checksums {
		c := &g.checksums[i]
		if want, ok := c.compute(f); !ok || c.Field.read(p) != want {
			faults |= WrongChecksum
		}
	}
	for i := range g.constants {
		if c := &g.constants[i]; c.Field.read(p) != c.Value {
			faults |= WrongConstant
		}
	}
	var before []byte
	if last != nil {
		before = last.Payload()
	}
	for i := range g.counters {
		c := &g.counters[i]
		now := c.Field.read(p)
		if len(before) < g.minLen {
			faults |= c.verifyFirst(now)
			continue
		}
		faults |= c.verify(c.Field.read(before), now, steps)
	}
	return faults
}

// Fill sets the guarded fields of a frame about to be sent. A counter follows
// that of the last frame; with last nil it starts at its lowest value. A frame
// too short for the protection is an error and stays as it was.
func (g *Guard) Fill(last, f *can.Frame) error {
	p := f.Payload()
	if len(p) < g.minLen {
		return fmt.Errorf("frame of %d bytes: its protection needs %d", len(p), g.minLen)
	}
	for i := range g.constants {
		g.constants[i].Field.write(p, g.constants[i].Value)
	}
	for i := range g.counters {
		c := &g.counters[i]
		next := c.first()
		if last != nil && len(last.Payload()) >= g.minLen {
			next = c.next(c.Field.read(last.Payload()))
		}
		c.Field.write(p, next)
	}
	for i := range g.checksums {
		c := &g.checksums[i]
		sum, ok := c.compute(f)
		if !ok {
			return fmt.Errorf("checksum %d: no byte is listed for this counter value", i+1)
		}
		c.Field.write(p, sum)
	}
	return nil
}

// Explain says what the guarded fields of f hold and what they should hold, for
// those that are wrong; last is the frame before it, or nil.
func (g *Guard) Explain(last, f *can.Frame) string {
	p := f.Payload()
	if len(p) < g.minLen {
		return fmt.Sprintf("%d bytes, the protection needs %d", len(p), g.minLen)
	}
	var parts []string
	for i := range g.checksums {
		c := &g.checksums[i]
		want, ok := c.compute(f)
		switch got := c.Field.read(p); {
		case !ok:
			parts = append(parts, fmt.Sprintf("checksum is %#x, not defined for this counter value", got))
		case got != want:
			parts = append(parts, fmt.Sprintf("checksum is %#x, computed %#x", got, want))
		}
	}
	for _, c := range g.constants {
		if got := c.Field.read(p); got != c.Value {
			parts = append(parts, fmt.Sprintf("constant is %#x, always %#x before", got, c.Value))
		}
	}
	for i := range g.counters {
		c := &g.counters[i]
		now := c.Field.read(p)
		if last == nil || len(last.Payload()) < g.minLen {
			if c.verifyFirst(now) != 0 {
				parts = append(parts, fmt.Sprintf("counter is %d, a value that is never sent", now))
			}
			continue
		}
		if before := c.Field.read(last.Payload()); c.verify(before, now, 1) != 0 {
			parts = append(parts, fmt.Sprintf("counter is %d after %d, expected %d", now, before, c.next(before)))
		}
	}
	return strings.Join(parts, "; ")
}
