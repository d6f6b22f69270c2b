package guard

import (
	"errors"
	"fmt"
	"slices"

	"plugproof/decode/can"
)

// Checksum is a field that is worked out from the rest of the frame.
type Checksum struct {
	Field Field
	Law   Law
	Over  []Part // what goes into it, in this order
}

// PartKind says what kind of bytes goes into a checksum.
type PartKind uint8

// The kinds.
const (
	PartData      PartKind = iota // payload bytes From to To-1; To 0: to the end
	PartID                        // the identifier, high byte first: 2 bytes, or 4 of a 29-bit one
	PartIDReverse                 // the identifier, low byte first
	PartIDLow                     // the identifier's low byte
	PartLength                    // the payload length in bytes
	PartBytes                     // the given Bytes, for example those of a data identifier
	PartListed                    // that one of Bytes whose index is the value of Index, usually the counter
)

// Part is one piece of what a checksum covers. Of the payload bytes, one that
// belongs to the checksum itself is left out, and its bits count as 0 where it
// shares a byte with something else.
type Part struct {
	Kind     PartKind
	From, To int
	Bytes    []byte
	Index    Field
}

// Data returns payload bytes from the first index to before the second; 0 as the
// second means to the end.
func Data(from, to int) Part { return Part{Kind: PartData, From: from, To: to} }

// ID returns the identifier, high byte first.
func ID() Part { return Part{Kind: PartID} }

// Length returns the payload length.
func Length() Part { return Part{Kind: PartLength} }

// Bytes returns bytes that are the same in every frame.
func Bytes(b ...byte) Part { return Part{Kind: PartBytes, Bytes: b} }

// Listed returns one byte of a list, picked by the value of a field.
func Listed(index Field, list ...byte) Part { return Part{Kind: PartListed, Index: index, Bytes: list} }

// maxCovered bounds the bytes that one checksum covers.
const maxCovered = 160

// checksum is a checked Checksum.
type checksum struct {
	at     spot
	parts  []part
	summer summer
	minLen int
}

// part is a checked Part. Data is cut so that what belongs to the checksum
// itself is left out.
type part struct {
	kind     PartKind
	from, to int
	mask     byte // of one data byte that is partly the checksum's own; 0: plain data
	bytes    []byte
	index    spot
}

func (c Checksum) compile() (checksum, error) {
	var k checksum
	var err error
	if k.at, err = c.Field.compile(); err != nil {
		return k, err
	}
	if k.summer, err = c.Law.compile(); err != nil {
		return k, err
	}
	if len(c.Over) == 0 {
		return k, errors.New("it covers nothing")
	}
	k.minLen = k.at.stop
	covered := 0
	for _, p := range c.Over {
		if err := p.check(); err != nil {
			return k, err
		}
		covered += p.size()
		k.minLen = max(k.minLen, p.minLen())
		k.parts = p.appendTo(k.parts, &k.at)
	}
	if covered > maxCovered {
		return k, fmt.Errorf("it covers up to %d bytes, more than %d", covered, maxCovered)
	}
	return k, nil
}

func (p Part) check() error {
	switch {
	case p.Kind > PartListed:
		return fmt.Errorf("part kind %d: no such kind", p.Kind)
	case p.Kind == PartListed:
		return p.Index.check()
	case p.Kind != PartData:
	case p.From < 0 || p.From >= can.MaxFDLen || p.To < 0 || p.To > can.MaxFDLen || p.To != 0 && p.To <= p.From:
		return fmt.Errorf("bytes %d to %d: no such part of a payload", p.From, p.To)
	}
	return nil
}

// size returns how many bytes the part may come to.
func (p Part) size() int {
	switch p.Kind {
	case PartData:
		return p.end() - p.From
	case PartID, PartIDReverse:
		return 4
	case PartBytes:
		return len(p.Bytes)
	}
	return 1
}

// end returns where a data part ends in the longest payload.
func (p Part) end() int {
	if p.To == 0 {
		return can.MaxFDLen
	}
	return p.To
}

// minLen returns how many payload bytes the part needs.
func (p Part) minLen() int {
	switch p.Kind {
	case PartData:
		return max(p.To, p.From)
	case PartListed:
		return p.Index.end()
	}
	return 0
}

// appendTo adds the part to those of a checksum at own.
func (p Part) appendTo(parts []part, own *spot) []part {
	if p.Kind != PartData {
		index, _ := p.Index.compile() // of a list only, and checked there
		return append(parts, part{kind: p.Kind, bytes: slices.Clone(p.Bytes), index: index})
	}
	var mask [can.MaxFDLen]byte
	own.write(mask[:], own.mask)
	data := func(from, to int, mask byte) {
		if from < to {
			parts = append(parts, part{kind: PartData, from: from, to: to, mask: mask})
		}
	}
	from := p.From
	for i := own.first; i < own.stop; i++ {
		if i < p.From || i >= p.end() {
			continue
		}
		data(from, i, 0)
		if mask[i] != 0xFF {
			data(i, i+1, ^mask[i])
		}
		from = i + 1
	}
	data(from, p.end(), 0)
	return parts
}

// compute returns the checksum that the frame should hold. It is false where a
// list has no byte for the frame.
func (c *checksum) compute(f *can.Frame) (uint64, bool) {
	var few [4]byte
	r, payload := c.summer.start, f.Payload()
	for i := range c.parts {
		p := &c.parts[i]
		b := few[:0]
		switch p.kind {
		case PartData:
			b = p.data(b, payload)
		case PartID:
			if f.Flags&can.Extended != 0 {
				b = append(b, byte(f.ID>>24), byte(f.ID>>16))
			}
			b = append(b, byte(f.ID>>8), byte(f.ID))
		case PartIDReverse:
			b = append(b, byte(f.ID), byte(f.ID>>8))
			if f.Flags&can.Extended != 0 {
				b = append(b, byte(f.ID>>16), byte(f.ID>>24))
			}
		case PartIDLow:
			b = append(b, byte(f.ID))
		case PartLength:
			b = append(b, byte(len(payload)))
		case PartBytes:
			b = p.bytes
		case PartListed:
			i := p.index.read(payload)
			if i >= uint64(len(p.bytes)) {
				return 0, false
			}
			b = p.bytes[i : i+1]
		}
		r = c.summer.take(r, b)
	}
	return c.summer.end(r) & c.at.mask, true
}

// data returns the bytes of a data part; room is for one that is masked.
func (p *part) data(room, payload []byte) []byte {
	switch {
	case p.mask != 0:
		return append(room, payload[p.from]&p.mask)
	case p.from >= len(payload):
		return nil
	}
	return payload[p.from:min(p.to, len(payload))]
}
