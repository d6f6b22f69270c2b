package socketcan

import "math"

// adapterClock turns the stamps of an adapter's own clock, which starts anywhere,
// into time since the epoch. The kernel stamps the same frames, but later, by
// what the cable and the interrupt took: the least difference seen is nearest to
// the truth.
type adapterClock struct {
	known  bool
	offset int64 // ns to add to the adapter's stamp
	before int64 // adapter's stamp of the frame before, ns
	last   int64 // time given last, ns
}

const (
	// Two crystals, each off by up to 100 ppm (common practice for CAN).
	clockDrift = 200e-6
	// The adapter was plugged in anew, or somebody set this machine's clock.
	clockStep = 1_000_000_000 // ns
)

// wall returns the time of a frame in ns since the epoch. It never goes back,
// except where one of the clocks was set.
func (c *adapterClock) wall(kernel, adapter int64) int64 {
	off := kernel - adapter
	switch {
	case !c.known || off > c.offset+clockStep || off < c.offset-clockStep:
		*c = adapterClock{known: true, offset: off, last: math.MinInt64}
	case off < c.offset:
		c.offset = off
	default:
		drift := int64(float64(max(0, adapter-c.before)) * clockDrift)
		c.offset += min(off-c.offset, drift)
	}
	c.before = adapter
	c.last = max(c.last, adapter+c.offset)
	return c.last
}
