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
//
// Watch verifies a message over time, with what the last frame alone does not
// tell. Learn works out from a good capture how its messages are guarded.
package guard

import (
	"errors"
	"fmt"
	"strings"

	"plugproof/decode/can"
)

// Protection is how one message is guarded. The zero value guards nothing.
type Protection struct {
	Counters  []Counter
	Toggles   []Toggle
	Constants []Constant
	Parities  []Parity
	Checksums []Checksum // later ones may cover earlier ones
}

// Empty reports whether it guards nothing.
func (p Protection) Empty() bool {
	return len(p.Counters)+len(p.Toggles)+len(p.Constants)+len(p.Parities)+len(p.Checksums) == 0
}

// Fields returns where it stands.
func (p Protection) Fields() (list []Field) {
	for _, c := range p.Counters {
		list = append(list, c.Field)
	}
	for _, t := range p.Toggles {
		list = append(list, t.Field)
	}
	for _, c := range p.Constants {
		list = append(list, c.Field)
	}
	for _, c := range p.Parities {
		list = append(list, c.Field)
	}
	for _, c := range p.Checksums {
		list = append(list, c.Field)
	}
	return list
}

// Constant is a field that always holds the same value: part of an identifier,
// a length, the mark of a variant.
type Constant struct {
	Field Field
	Value uint64
}

// constant is a checked Constant.
type constant struct {
	at    spot
	value uint64
}

func (c Constant) compile() (constant, error) {
	at, err := c.Field.compile()
	if err == nil && c.Value > at.mask {
		err = fmt.Errorf("value %#x does not fit into %d bits", c.Value, c.Field.Length)
	}
	return constant{at, c.Value}, err
}

// Faults are the ways in which a frame breaks its protection.
type Faults uint16

// The faults.
const (
	Short           Faults = 1 << iota // too few bytes for a guarded field; nothing else was looked at
	WrongChecksum                      // not what the law gives
	WrongParity                        // an odd number of bits where it must be even, or the reverse
	WrongConstant                      // not the value it always has
	FrozenCounter                      // the same value again
	WrongStep                          // a value that neither follows nor is explained by lost frames
	ReservedCounter                    // a value that is never sent
	WrongToggle                        // flipped too early, or not when it had to
	SecondSender                       // goes on where an earlier frame left off, beside another run (Watch only)
)

var faultNames = []string{
	"frame too short", "wrong checksum", "wrong parity", "wrong constant", "counter frozen",
	"wrong counter step", "reserved counter value", "wrong toggle bit", "second sender",
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
	toggles   []toggle
	constants []constant
	parities  []parity
	checksums []checksum
	minLen    int
}

// Compile checks the description and makes a Guard of it. Its error joins one
// error for each thing that no frame can carry.
func (p Protection) Compile() (*Guard, error) {
	g := &Guard{}
	var errs []error
	note := func(what string, i, minLen int, err error) {
		if err != nil {
			errs = append(errs, fmt.Errorf("%s %d: %w", what, i+1, err))
		}
		g.minLen = max(g.minLen, minLen)
	}
	for i, c := range p.Counters {
		compiled, err := c.compile()
		g.counters = append(g.counters, compiled)
		note("counter", i, compiled.at.stop, err)
	}
	for i, c := range p.Toggles {
		compiled, err := c.compile()
		g.toggles = append(g.toggles, compiled)
		note("toggle", i, compiled.at.stop, err)
	}
	for i, c := range p.Constants {
		compiled, err := c.compile()
		g.constants = append(g.constants, compiled)
		note("constant", i, compiled.at.stop, err)
	}
	for i, c := range p.Parities {
		compiled, err := c.compile()
		g.parities = append(g.parities, compiled)
		note("parity", i, compiled.minLen, err)
	}
	for i, c := range p.Checksums {
		compiled, err := c.compile()
		g.checksums = append(g.checksums, compiled)
		note("checksum", i, compiled.minLen, err)
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
//
// Toggle bits that flip more slowly than with every frame need more than the
// last frame, and two senders of one message need both their runs: see Watch.
func (g *Guard) Verify(last, f *can.Frame, steps int) Faults {
	faults := g.content(f)
	if faults&Short != 0 {
		return faults
	}
	if last == nil || len(last.Payload()) < g.minLen {
		return faults | g.begins(f)
	}
	faults |= g.follows(last, f, steps)
	for i := range g.toggles {
		if t := &g.toggles[i]; t.every == 1 {
			faults |= t.verify(last, f, steps)
		}
	}
	return faults
}

// content judges what needs no other frame.
func (g *Guard) content(f *can.Frame) (faults Faults) {
	p := f.Payload()
	if len(p) < g.minLen {
		return Short
	}
	for i := range g.checksums {
		c := &g.checksums[i]
		if want, ok := c.compute(f); !ok || c.at.read(p) != want {
			faults |= WrongChecksum
		}
	}
	for i := range g.parities {
		if c := &g.parities[i]; c.at.read(p) != c.compute(p) {
			faults |= WrongParity
		}
	}
	for i := range g.constants {
		if c := &g.constants[i]; c.at.read(p) != c.value {
			faults |= WrongConstant
		}
	}
	return faults
}

// begins judges the counters of a frame with nothing before it.
func (g *Guard) begins(f *can.Frame) (faults Faults) {
	for i := range g.counters {
		c := &g.counters[i]
		faults |= c.verifyFirst(c.at.read(f.Payload()))
	}
	return faults
}

// follows judges the counters of a frame after another.
func (g *Guard) follows(last, f *can.Frame, steps int) (faults Faults) {
	for i := range g.counters {
		c := &g.counters[i]
		faults |= c.verify(c.at.read(last.Payload()), c.at.read(f.Payload()), steps)
	}
	return faults
}

// Fill sets the guarded fields of a frame about to be sent. Counters and toggle
// bits follow those of the last frame; with last nil they start at their lowest
// value. A toggle bit that flips more slowly than with every frame stays as it
// was: FillNth knows when it flips. A frame too short for the protection is an
// error and stays as it was.
func (g *Guard) Fill(last, f *can.Frame) error {
	if last == nil || len(last.Payload()) < g.minLen {
		return g.FillNth(0, f)
	}
	p := f.Payload()
	if len(p) < g.minLen {
		return g.tooShort(p)
	}
	for i := range g.counters {
		c := &g.counters[i]
		c.at.write(p, c.next(c.at.read(last.Payload())))
	}
	for i := range g.toggles {
		t := &g.toggles[i]
		bit := t.at.read(last.Payload())
		if t.every == 1 {
			bit ^= 1
		}
		t.at.write(p, bit)
	}
	return g.fillContent(f)
}

// FillNth is Fill for frame n of a sender that started with frame 0.
func (g *Guard) FillNth(n uint64, f *can.Frame) error {
	p := f.Payload()
	if len(p) < g.minLen {
		return g.tooShort(p)
	}
	for i := range g.counters {
		c := &g.counters[i]
		c.at.write(p, c.value(c.advance(0, n)))
	}
	for i := range g.toggles {
		t := &g.toggles[i]
		t.at.write(p, n/t.every&1)
	}
	return g.fillContent(f)
}

// fillContent sets what does not depend on other frames, checksums last.
func (g *Guard) fillContent(f *can.Frame) error {
	p := f.Payload()
	for i := range g.constants {
		g.constants[i].at.write(p, g.constants[i].value)
	}
	for i := range g.parities {
		c := &g.parities[i]
		c.at.write(p, c.compute(p))
	}
	for i := range g.checksums {
		c := &g.checksums[i]
		sum, ok := c.compute(f)
		if !ok {
			return fmt.Errorf("checksum %d: no byte is listed for this counter value", i+1)
		}
		c.at.write(p, sum)
	}
	return nil
}

func (g *Guard) tooShort(p []byte) error {
	return fmt.Errorf("frame of %d bytes: its protection needs %d", len(p), g.minLen)
}
