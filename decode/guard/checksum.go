package guard

import (
	"errors"
	"fmt"

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
	Checksum
	summer summer
	own    [can.MaxFDLen]byte // bits of the field itself
	minLen int
}

func (c Checksum) compile() (checksum, error) {
	k := checksum{Checksum: c}
	if err := c.Field.check(); err != nil {
		return k, err
	}
	var err error
	if k.summer, err = c.Law.compile(); err != nil {
		return k, err
	}
	if len(c.Over) == 0 {
		return k, errors.New("it covers nothing")
	}
	c.Field.mask(&k.own)
	covered := 0
	for _, p := range c.Over {
		n, err := p.check()
		if err != nil {
			return k, err
		}
		covered += n
		k.minLen = max(k.minLen, p.minLen())
	}
	if covered > maxCovered {
		return k, fmt.Errorf("it covers up to %d bytes, more than %d", covered, maxCovered)
	}
	return k, nil
}

// check returns how many bytes the part may come to.
func (p Part) check() (int, error) {
	switch p.Kind {
	case PartData:
		if p.From < 0 || p.To < 0 || p.From >= can.MaxFDLen || p.To > can.MaxFDLen || p.To != 0 && p.To <= p.From {
			return 0, fmt.Errorf("bytes %d to %d: no such part of a payload", p.From, p.To)
		}
		if p.To != 0 {
			return p.To - p.From, nil
		}
		return can.MaxFDLen - p.From, nil
	case PartID, PartIDReverse:
		return 4, nil
	case PartIDLow, PartLength:
		return 1, nil
	case PartBytes:
		return len(p.Bytes), nil
	case PartListed:
		return 1, p.Index.check()
	}
	return 0, fmt.Errorf("part kind %d: no such kind", p.Kind)
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

// compute returns the checksum that the frame should hold. It is false where a
// list has no byte for the frame.
func (c *checksum) compute(f *can.Frame) (uint64, bool) {
	var buf [maxCovered]byte
	b, payload := buf[:0], f.Payload()
	for i := range c.Over {
		p := &c.Over[i]
		switch p.Kind {
		case PartData:
			to := p.To
			if to == 0 {
				to = len(payload)
			}
			b = c.appendData(b, payload, p.From, to)
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
			b = append(b, p.Bytes...)
		case PartListed:
			i := p.Index.read(payload)
			if i >= uint64(len(p.Bytes)) {
				return 0, false
			}
			b = append(b, p.Bytes[i])
		}
	}
	return c.summer.sum(b) & c.Field.max(), true
}

func (c *checksum) appendData(b, payload []byte, from, to int) []byte {
	for i := from; i < to; i++ {
		if own := c.own[i]; own != 0xFF {
			b = append(b, payload[i]&^own)
		}
	}
	return b
}
