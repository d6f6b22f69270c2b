package survey

import (
	"math"
	"math/bits"
)

// trackBase is the smallest width of a Track's buckets, in ns.
const trackBase = 1_000_000

// Track is the course of a value over time in a fixed number of buckets. When
// the time seen no longer fits, the buckets double in width and pairs of them
// are joined; they stay aligned to whole multiples of their width. So width and
// content depend only on what was added, not on where the stretches of a
// capture were cut. Make one with NewTrack.
type Track struct {
	limit   int
	width   int64 // ns
	low     int64 // number of the first bucket: its start / width
	buckets []Bucket
	room    int // buckets to make room for at first
	nans    uint64

	at          int   // bucket of the latest value
	from, until int64 // and its time range
}

// Bucket is what a Track knows of one stretch of time. First and Last are the
// values with the earliest and the latest stamp, for equal stamps the first and
// the last one added.
type Bucket struct {
	N                   uint64 // values; with 0 the rest means nothing
	Min, Max            float64
	First, Last         float64
	FirstTime, LastTime int64 // ns
}

// firstRoom is the number of buckets that a track begins with room for.
const firstRoom = 16

// NewTrack returns an empty track of at most limit buckets, at least four.
func NewTrack(limit int) *Track { return &Track{limit: max(4, limit), width: trackBase} }

// NewCoarseTrack returns an empty track whose buckets are never smaller than
// 1 ms doubled so many times.
func NewCoarseTrack(limit, doublings int) *Track {
	t := NewTrack(limit)
	t.width <<= doublings
	return t
}

// Expect says for about how many ns values will come, so that an empty track makes
// room for them at once.
func (t *Track) Expect(span int64) {
	t.room = int(min(span/t.width+2, int64(t.limit)))
}

// farTime bounds the stamps that a Track tells apart: 146 years around 0, so
// that no width overflows.
const farTime = 1 << 62

// Add takes a value at a time in ns. NaN is counted apart.
func (t *Track) Add(time int64, value float64) {
	if time >= t.from && time < t.until && value == value { // most values fall into the bucket of the one before
		if b := &t.buckets[t.at]; time >= b.LastTime {
			b.N++
			b.Last, b.LastTime = value, time
			if value < b.Min {
				b.Min = value
			} else if value > b.Max {
				b.Max = value
			}
			return
		}
	}
	t.add(time, value)
}

// Repeat takes n more of the latest value added, all of them before Until and
// none earlier than that value; last is the time of the last.
func (t *Track) Repeat(n uint64, last int64) {
	if n > 0 {
		b := &t.buckets[t.at]
		b.N += n
		b.LastTime = last
	}
}

// Until returns when, in ns, the bucket of the latest value added ends.
func (t *Track) Until() int64 { return t.until }

// add is Add for the first value of a bucket, and for what is out of order.
func (t *Track) add(time int64, value float64) {
	time = min(max(time, -farTime), farTime)
	if math.IsNaN(value) {
		t.nans++
		return
	}
	if time < t.from || time >= t.until {
		t.seek(time)
	}
	t.buckets[t.at].join(&Bucket{1, value, value, value, value, time, time})
}

// seek makes the bucket of a time the current one.
func (t *Track) seek(time int64) {
	number := floorDiv(time, t.width)
	for !t.fits(number, number) {
		t.widen()
		number >>= 1
	}
	t.cover(number, number)
	t.at = int(number - t.low)
	t.from = number * t.width
	t.until = t.from + t.width
}

// fits reports whether the buckets with the given numbers can be added.
func (t *Track) fits(low, high int64) bool {
	if len(t.buckets) > 0 {
		low = min(low, t.low)
		high = max(high, t.low+int64(len(t.buckets))-1)
	}
	return uint64(high)-uint64(low) < uint64(t.limit)
}

// cover makes the buckets from low to high exist; they must fit.
func (t *Track) cover(low, high int64) {
	if len(t.buckets) == 0 {
		t.low = low
	}
	if low < t.low {
		t.buckets = append(make([]Bucket, t.low-low, t.limit), t.buckets...)
		t.low = low
	}
	n := int(high - t.low + 1)
	if n > cap(t.buckets) { // few steps up to the limit: most tracks get there
		t.buckets = append(make([]Bucket, 0, min(t.limit, max(n, t.room, firstRoom, 4*cap(t.buckets)))), t.buckets...)
	}
	if n > len(t.buckets) {
		from := len(t.buckets)
		t.buckets = t.buckets[:n]
		clear(t.buckets[from:]) // widen leaves used ones behind the end
	}
}

// widen doubles the width and joins pairs of buckets. There is no current one after it.
func (t *Track) widen() {
	low := t.low >> 1
	used := 0
	for i := range t.buckets {
		b := t.buckets[i]
		to := int((t.low+int64(i))>>1 - low)
		if to == used {
			t.buckets[to] = b
			used++
		} else {
			t.buckets[to].join(&b)
		}
	}
	t.buckets = t.buckets[:used]
	t.low = low
	t.width *= 2
}

// Merge adds the values of the following stretch.
func (t *Track) Merge(next *Track) {
	t.nans += next.nans
	if len(next.buckets) == 0 {
		return
	}
	for t.width < next.width || !t.fits(next.numbers(t.width)) {
		t.widen()
	}
	t.cover(next.numbers(t.width))
	shift := 0
	for w := next.width; w < t.width; w *= 2 {
		shift++
	}
	for i := range next.buckets {
		number := (next.low + int64(i)) >> shift
		t.buckets[number-t.low].join(&next.buckets[i])
	}
	t.from, t.until = 0, 0
}

// numbers returns the numbers of the first and last bucket at another width.
func (t *Track) numbers(width int64) (low, high int64) {
	return floorDiv(t.low*t.width, width), floorDiv((t.low+int64(len(t.buckets))-1)*t.width, width)
}

// Width returns the width of the buckets in ns.
func (t *Track) Width() int64 { return t.width }

// Doublings returns how often the width was doubled; see NewCoarseTrack.
func (t *Track) Doublings() int { return bits.TrailingZeros64(uint64(t.width / trackBase)) }

// Start returns the time, in ns, at which the first bucket begins.
func (t *Track) Start() int64 { return t.low * t.width }

// Buckets returns the buckets in order of time, those without values among
// them. The caller must not write to them.
func (t *Track) Buckets() []Bucket { return t.buckets }

// NaNs returns how many values were not a number.
func (t *Track) NaNs() uint64 { return t.nans }

// join adds what a later bucket, or one of an equal stretch, knows.
func (b *Bucket) join(next *Bucket) {
	if next.N == 0 {
		return
	}
	if b.N == 0 {
		*b = *next
		return
	}
	b.N += next.N
	if next.Min < b.Min {
		b.Min = next.Min
	}
	if next.Max > b.Max {
		b.Max = next.Max
	}
	if next.FirstTime < b.FirstTime {
		b.First, b.FirstTime = next.First, next.FirstTime
	}
	if next.LastTime >= b.LastTime {
		b.Last, b.LastTime = next.Last, next.LastTime
	}
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
