package survey

import (
	"cmp"
	"math"
	"math/bits"
	"slices"
)

// trackBase is the smallest width of a Track's buckets, in ns.
const trackBase = 1_000_000

// Track is the course of a value over time in a limited number of buckets, of
// which only those exist that hold a value. When the time seen no longer fits,
// the buckets double in width and pairs of them are joined; they stay aligned to
// whole multiples of their width. So width and content depend only on what was
// added, not on where the stretches of a capture were cut. Make one with NewTrack.
type Track struct {
	limit     int
	width     int64    // ns
	low, high int64    // numbers of the first and the last bucket: their start / width
	buckets   []Bucket // in order of time
	room      int      // buckets to make room for at first
	nans      uint64

	at          int   // bucket of the latest value
	from, until int64 // and its time range
}

// Bucket is what a Track knows of one stretch of time. First and Last are the
// values with the earliest and the latest stamp, for equal stamps the first and
// the last one added.
type Bucket struct {
	N                   uint64 // values, at least one
	Min, Max            float64
	First, Last         float64
	FirstTime, LastTime int64 // ns
}

// firstBuckets is how many buckets a track begins with room for.
const firstBuckets = 8

// NewTrack returns an empty track of at most limit buckets, at least four.
func NewTrack(limit int) *Track {
	return &Track{limit: max(4, limit), width: trackBase, room: firstBuckets}
}

// NewCoarseTrack returns an empty track whose buckets are never smaller than
// 1 ms doubled so many times.
func NewCoarseTrack(limit, doublings int) *Track {
	t := NewTrack(limit)
	t.width <<= doublings
	return t
}

// Expect says that an empty track will have about as many buckets, so that room
// is made for them at once.
func (t *Track) Expect(buckets int) { t.room = min(max(buckets, firstBuckets), t.limit) }

// Expected returns how many buckets a track like this one will have for a
// stretch of so many ns.
func (t *Track) Expected(span int64) int {
	if len(t.buckets) == 0 {
		return 0
	}
	share := float64(span) / float64(t.End()-t.Start())
	return int(math.Ceil(min(1, share)*float64(len(t.buckets)))) + 1
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
	t.at = t.place(number)
	t.from = number * t.width
	t.until = t.from + t.width
}

// fits reports whether the buckets with the given numbers can be added.
func (t *Track) fits(low, high int64) bool {
	if len(t.buckets) > 0 {
		low, high = min(low, t.low), max(high, t.high)
	}
	return uint64(high)-uint64(low) < uint64(t.limit)
}

// place returns the index of the bucket with a number, which must fit; a new one
// is empty.
func (t *Track) place(number int64) int {
	at, found := len(t.buckets), false
	switch {
	case at == 0:
		t.low, t.high = number, number
	case number > t.high: // the usual case
		t.high = number
	default:
		at, found = t.find(number)
		t.low = min(t.low, number)
	}
	if !found {
		t.insert(at)
	}
	return at
}

// find returns the index that the bucket with a number has, or would have.
func (t *Track) find(number int64) (at int, found bool) {
	return slices.BinarySearchFunc(t.buckets, number, func(b Bucket, number int64) int {
		return cmp.Compare(floorDiv(b.FirstTime, t.width), number)
	})
}

// insert makes an empty bucket.
func (t *Track) insert(at int) {
	if n := len(t.buckets); n == cap(t.buckets) {
		t.buckets = append(make([]Bucket, 0, min(t.limit, max(t.room, 2*n))), t.buckets...)
	}
	t.buckets = t.buckets[:len(t.buckets)+1]
	copy(t.buckets[at+1:], t.buckets[at:])
	t.buckets[at] = Bucket{}
}

// widen doubles the width and joins pairs of buckets. There is no current one after it.
func (t *Track) widen() {
	t.width *= 2
	used := 0
	for i := range t.buckets {
		b := t.buckets[i]
		if number := floorDiv(b.FirstTime, t.width); used == 0 || number != t.high {
			t.buckets[used], t.high = b, number
			used++
		} else {
			t.buckets[used-1].join(&b)
		}
	}
	t.buckets = t.buckets[:used]
	t.low >>= 1
}

// Merge adds the values of the following stretch.
func (t *Track) Merge(next *Track) {
	t.nans += next.nans
	if len(next.buckets) == 0 {
		return
	}
	for t.width < next.width || !t.fits(floorDiv(next.Start(), t.width), floorDiv(next.End()-1, t.width)) {
		t.widen()
	}
	for i := range next.buckets {
		b := &next.buckets[i]
		t.buckets[t.place(floorDiv(b.FirstTime, t.width))].join(b)
	}
	t.from, t.until = 0, 0
}

// Width returns the width of the buckets in ns.
func (t *Track) Width() int64 { return t.width }

// Doublings returns how often the width was doubled; see NewCoarseTrack.
func (t *Track) Doublings() int { return bits.TrailingZeros64(uint64(t.width / trackBase)) }

// Start returns the time, in ns, at which the first bucket begins.
func (t *Track) Start() int64 { return t.low * t.width }

// End returns the time, in ns, at which the last bucket ends.
func (t *Track) End() int64 { return (t.high + 1) * t.width }

// StartOf returns the time, in ns, at which a bucket of the track begins.
func (t *Track) StartOf(b *Bucket) int64 { return floorDiv(b.FirstTime, t.width) * t.width }

// Buckets returns the buckets in order of time. There is none for a stretch
// without values. The caller must not write to them.
func (t *Track) Buckets() []Bucket { return t.buckets }

// At returns what is known of the stretch around a time, nil when it had no value.
func (t *Track) At(time int64) *Bucket {
	if at, found := t.find(floorDiv(time, t.width)); found {
		return &t.buckets[at]
	}
	return nil
}

// NaNs returns how many values were not a number.
func (t *Track) NaNs() uint64 { return t.nans }

// join adds what a later bucket, or one of an equal stretch, knows.
func (b *Bucket) join(next *Bucket) {
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
