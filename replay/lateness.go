package replay

import (
	"math/bits"
	"time"
)

// Lateness counts how late frames were. It does not allocate and is exact to
// 1.6 %; the greatest value is exact. Frames cannot be early.
type Lateness struct {
	count  uint64
	max    time.Duration
	counts [buckets]uint64
}

// A value below 64 ns has a bucket of its own; above, every doubling is cut into
// 64 equal buckets.
const (
	subBits = 6
	buckets = (63 - subBits + 1) << subBits
)

// Add counts one frame.
func (l *Lateness) Add(late time.Duration) {
	late = max(late, 0)
	l.count++
	l.max = max(l.max, late)
	l.counts[bucket(uint64(late))]++
}

func bucket(v uint64) int {
	shift := bits.Len64(v) - 1 - subBits
	if shift < 0 {
		return int(v)
	}
	return (shift+1)<<subBits + int(v>>shift) - 1<<subBits
}

// upper returns the greatest value of a bucket.
func upper(b int) time.Duration {
	if b < 1<<subBits {
		return time.Duration(b)
	}
	shift := b>>subBits - 1
	mantissa := uint64(b&(1<<subBits-1) + 1<<subBits)
	return time.Duration((mantissa+1)<<shift - 1)
}

// Max returns the greatest lateness.
func (l *Lateness) Max() time.Duration { return l.max }

// Quantile returns the lateness that a share q of the frames, 0 to 1, did not
// exceed; 0 without frames.
func (l *Lateness) Quantile(q float64) time.Duration {
	if l.count == 0 {
		return 0
	}
	rank := uint64(q * float64(l.count))
	if float64(rank) < q*float64(l.count) {
		rank++
	}
	rank = max(rank, 1)
	var seen uint64
	for b := range l.counts {
		if seen += l.counts[b]; seen >= rank {
			return min(upper(b), l.max)
		}
	}
	return l.max
}
