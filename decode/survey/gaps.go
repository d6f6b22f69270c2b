package survey

import (
	"math"
	"math/bits"
	"slices"
)

// GapErrorPercent bounds how far a quantile of Gaps is from the exact one, in
// percent of it: half a bucket, 1/128. Below 1024 ns the bound is 8 ns.
const GapErrorPercent = 100.0 / 128

// The buckets of Gaps: page 0 holds gaps below 2^10 ns in steps of 16 ns, page
// p the octave from 2^(9+p) ns in 64 equal steps. Gaps past the last octave
// (2^43 ns, 2.4 hours) fall into its last bucket.
const (
	slotBits  = 6 // 64 buckets on a page; a bucket's number is page<<slotBits | slot
	slotMask  = 1<<slotBits - 1
	firstBits = 10
	pages     = 34
)

// fewGaps is how many gaps are kept one by one before pages are made: a capture
// of many identifiers, or a short stretch, has few for each.
const fewGaps = 32

type page [1 << slotBits]uint32

// Gaps is the distribution of time gaps in nanoseconds: exact count, sum,
// smallest and largest, and quantiles within GapErrorPercent from a histogram
// of fixed logarithmic buckets. Pages are made when a gap needs them, 256 bytes
// each; a cyclic message needs one or two. The zero value is ready for use.
type Gaps struct {
	n        uint64
	sum      uint64
	min, max int64
	few      []uint16 // buckets of the first gaps
	pages    *[pages]*page
}

// Add counts one gap; it must not be negative.
func (g *Gaps) Add(gap int64) {
	if g.n == 0 || gap < g.min {
		g.min = gap
	}
	g.max = max(g.max, gap)
	g.n++
	g.sum = addSum(g.sum, uint64(gap))
	g.count(bucket(gap), 1)
}

// count adds n gaps to bucket b.
func (g *Gaps) count(b int, n uint32) {
	if g.pages == nil {
		if len(g.few)+int(n) <= fewGaps {
			for range n {
				g.few = append(g.few, uint16(b))
			}
			return
		}
		g.pages = new([pages]*page)
		for _, b := range g.few {
			g.count(int(b), 1)
		}
		g.few = nil
	}
	p := &g.pages[b>>slotBits]
	if *p == nil {
		*p = new(page)
	}
	bump(&(*p)[b&slotMask], n)
}

// Merge adds the gaps counted by other.
func (g *Gaps) Merge(other *Gaps) {
	if other.n == 0 {
		return
	}
	if g.n == 0 || other.min < g.min {
		g.min = other.min
	}
	g.max = max(g.max, other.max)
	g.n += other.n
	g.sum = addSum(g.sum, other.sum)
	for b, n := range other.buckets {
		g.count(b, n)
	}
}

// buckets yields the buckets that hold gaps, in order, and how many; one bucket
// may come several times.
func (g *Gaps) buckets(yield func(b int, n uint32) bool) {
	few := slices.Sorted(slices.Values(g.few))
	for _, b := range few {
		if !yield(int(b), 1) {
			return
		}
	}
	if g.pages == nil {
		return
	}
	for p, counts := range g.pages {
		if counts == nil {
			continue
		}
		for slot, n := range counts {
			if n > 0 && !yield(p<<slotBits|slot, n) {
				return
			}
		}
	}
}

// Count returns the number of gaps.
func (g *Gaps) Count() uint64 { return g.n }

// Sum returns the sum of all gaps, in ns; it stops at the largest value.
func (g *Gaps) Sum() uint64 { return g.sum }

// Min returns the smallest gap, in ns; 0 when there is none.
func (g *Gaps) Min() int64 { return g.min }

// Max returns the largest gap, in ns; 0 when there is none.
func (g *Gaps) Max() int64 { return g.max }

// Quantile returns the gap, in ns, that has the share q (0..1) of all gaps at
// or below it: the one of rank ceil(q*n), at least the first. It is exact for
// the first and the last rank, else within GapErrorPercent; 0 without gaps.
func (g *Gaps) Quantile(q float64) int64 {
	if g.n == 0 {
		return 0
	}
	rank := max(1, uint64(math.Ceil(q*float64(g.n))))
	if rank == 1 {
		return g.min
	}
	if rank >= g.n {
		return g.max
	}
	var seen uint64
	for b, n := range g.buckets {
		if seen += uint64(n); seen >= rank {
			return g.middle(b)
		}
	}
	return g.max
}

// Between returns how many gaps lie from lo to hi, both in ns, as far as the
// buckets tell: one counts when its middle is in the range.
func (g *Gaps) Between(lo, hi int64) uint64 {
	var total uint64
	for b, n := range g.buckets {
		if m := g.middle(b); lo <= m && m <= hi {
			total += uint64(n)
		}
	}
	return total
}

// middle returns the centre of a bucket, or what of it gaps were seen in, in ns.
func (g *Gaps) middle(b int) int64 { return min(max(middle(b), g.min), g.max) }

// bucket returns the bucket that counts a gap.
func bucket(gap int64) int {
	top := bits.Len64(uint64(gap))
	switch {
	case top <= firstBits:
		return int(gap >> (firstBits - slotBits))
	case top-firstBits >= pages:
		return pages<<slotBits - 1
	}
	return (top-firstBits)<<slotBits | int(gap>>(top-1-slotBits))&slotMask
}

// middle returns the centre of a bucket, in ns.
func middle(b int) int64 {
	p, slot := b>>slotBits, b&slotMask
	shift := firstBits - slotBits
	if p > 0 {
		shift = firstBits + p - 1 - slotBits
		slot += 1 << slotBits
	}
	return int64(slot)<<shift + int64(1)<<shift/2
}

// bump adds n to a bucket, which stops at its largest value: no count wraps.
func bump(slot *uint32, n uint32) {
	if sum := *slot + n; sum >= n {
		*slot = sum
		return
	}
	*slot = ^uint32(0)
}

func addSum(a, b uint64) uint64 {
	if sum := a + b; sum >= a {
		return sum
	}
	return math.MaxUint64
}
