package guard

import (
	"errors"
	"fmt"
	"slices"
)

// Counter is a rolling counter: each frame of the message holds the next value.
type Counter struct {
	Field    Field
	Modulo   uint64   // values are 0 to Modulo-1; 0: all that the field can hold
	Step     uint64   // added from frame to frame; 0: 1
	Reserved []uint64 // values below Modulo that are skipped
}

// counter is a checked Counter. It works on places: the position of a value
// among those that are sent. Modulo 2^64 is written as 0: uint64 wraps there.
type counter struct {
	Counter
	at     spot
	places uint64 // how many values are sent; 0: 2^64
	plain  bool   // every value is sent, one after the other
}

func (c Counter) compile() (counter, error) {
	k := counter{Counter: c}
	var err error
	if k.at, err = c.Field.compile(); err != nil {
		return k, err
	}
	k.Reserved = slices.Clone(c.Reserved)
	slices.Sort(k.Reserved)
	k.Reserved = slices.Compact(k.Reserved)
	if k.Modulo == 0 {
		k.Modulo = c.Field.max() + 1
	}
	if k.Step == 0 {
		k.Step = 1
	}
	k.places = k.Modulo - uint64(len(k.Reserved))
	k.plain = len(k.Reserved) == 0 && k.Step == 1
	switch {
	case k.Modulo-1 > c.Field.max():
		return k, fmt.Errorf("modulo %d does not fit into %d bits", k.Modulo, c.Field.Length)
	case len(k.Reserved) > 0 && k.Reserved[len(k.Reserved)-1] > k.Modulo-1:
		return k, fmt.Errorf("reserved value %d is not below modulo %d", k.Reserved[len(k.Reserved)-1], k.Modulo)
	case k.places == 1 || len(k.Reserved) > 0 && k.places == 0:
		return k, errors.New("a counter needs two values that are sent")
	case k.places != 0 && k.Step >= k.places:
		return k, fmt.Errorf("step %d is not below the %d values that are sent", k.Step, k.places)
	}
	return k, nil
}

// place returns the place of a value, and whether it is one that is sent.
func (c *counter) place(v uint64) (uint64, bool) {
	below, reserved := slices.BinarySearch(c.Reserved, v)
	return v - uint64(below), !reserved && v <= c.Modulo-1
}

// value is the inverse of place.
func (c *counter) value(place uint64) uint64 {
	for _, r := range c.Reserved {
		if r > place {
			break
		}
		place++
	}
	return place
}

func (c *counter) first() uint64 { return c.value(0) }

// next returns the value that follows v, or the first one where v is never sent.
func (c *counter) next(v uint64) uint64 {
	place, ok := c.place(v)
	if !ok {
		return c.first()
	}
	return c.value(c.advance(place, 1))
}

// advance goes on by a number of frames.
func (c *counter) advance(place, frames uint64) uint64 {
	if c.places == 0 {
		return place + c.Step*frames
	}
	// Both factors are below places: no overflow for counters of up to 32 bits.
	return (place + c.Step*(frames%c.places)) % c.places
}

// verifyFirst judges a value with nothing before it.
func (c *counter) verifyFirst(now uint64) Faults {
	if _, ok := c.place(now); !ok {
		return ReservedCounter
	}
	return 0
}

// verify judges a value given the one before it.
func (c *counter) verify(before, now uint64, steps int) Faults {
	if c.plain && now == before+1 && now <= c.Modulo-1 { // the usual case
		return 0
	}
	place, ok := c.place(now)
	if !ok {
		return ReservedCounter
	}
	from, ok := c.place(before)
	switch {
	case !ok, place == c.advance(from, 1), place == c.advance(from, uint64(max(steps, 1))):
		return 0
	case place == from:
		return FrozenCounter
	}
	return WrongStep
}
