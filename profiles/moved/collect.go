package moved

import (
	"cmp"
	"math"
	"slices"

	"plugproof/decode/can"
	"plugproof/decode/guard"
	"plugproof/profiles"
)

// Limits of what is held, whatever the length of a capture.
const (
	maxIDs     = 1024
	maxReel    = 2048    // payloads kept of an identifier, in the windows and outside them each
	maxHeld    = 128e6   // bytes in reels; identifiers that come later are counted only
	maxSamples = 1 << 18 // frames kept in all to learn counters and checksums from: 27 MB
)

// idKey is an identifier on a bus, by can.Frame.Bus.
type idKey struct {
	id  uint32 // with extendedBit
	bus uint16
}

const extendedBit = 1 << 31

// collector gathers what is kept of each identifier. It satisfies capture.Collector.
type collector struct {
	focus []Span // where payloads are kept more densely
	moved []Span // where joints are counted apart: elsewhere there are start values and "not available"
	ids   map[idKey]*identifier
	kept  int // frames in samples
	held  int // bytes that reels may grow to
	left  uint64
}

func newCollector(p *plan) *collector {
	return &collector{focus: p.focus, moved: p.stretches(), ids: map[idKey]*identifier{}}
}

// within reports whether the thing was moved from one time to another.
func (c *collector) within(before, t int64) bool {
	return inside(c.moved, before) && inside(c.moved, t)
}

// identifier is what is known of one.
type identifier struct {
	bus    string
	id     profiles.ID
	length int // of its longest frame, bytes
	frames uint64

	first, last can.Frame
	joints      [2][]joint         // by bit: everywhere, and where the thing was moved
	taken       [can.MaxFDLen]byte // bits of counters and checksums
	varies      [can.MaxFDLen]byte // bits that changed where it was moved
	sample      *guard.Sample
	in, out     reel
	span        [2]int64 // first and last stamp
}

// joint counts what a bit did together with the next lower one in either byte order.
type joint struct {
	flips uint32    // frames in which it changed
	carry [2]uint32 // of them, those in which the lower bit changed the other way, by dbc.ByteOrder
	same  [2]uint32 // and those in which it changed the same way: a sign
}

// Add takes the frames of a batch in order. It keeps no reference to them.
func (c *collector) Add(batch []can.Frame) {
	for i := range batch {
		f := &batch[i]
		if f.Flags&(can.Error|can.Remote) != 0 || f.Len == 0 {
			continue
		}
		key := idKey{id: f.ID, bus: f.Bus}
		if f.Flags&can.Extended != 0 {
			key.id |= extendedBit
		}
		id := c.ids[key]
		if id == nil {
			if id = c.begin(f); id == nil {
				c.left++
				continue
			}
			c.ids[key] = id
		}
		id.see(f, inside(c.focus, f.Time), c.within(id.last.Time, f.Time))
		if c.kept < maxSamples {
			c.kept += id.sample.Add(f)
		}
	}
}

// begin makes room for one more identifier, nil when there is none.
func (c *collector) begin(f *can.Frame) *identifier {
	size := 2 * maxReel * (8 + strideOf(int(f.Len)))
	if len(c.ids) >= maxIDs || c.held+size > maxHeld {
		return nil
	}
	c.held += size
	return &identifier{first: *f, span: [2]int64{f.Time, f.Time}, sample: &guard.Sample{}}
}

func (id *identifier) see(f *can.Frame, focused, moved bool) {
	id.widen(int(f.Len))
	if id.frames++; id.frames > 1 {
		id.step(&id.last, f, moved)
	}
	id.last.Assign(f)
	id.span = [2]int64{min(id.span[0], f.Time), max(id.span[1], f.Time)}
	if focused {
		id.in.add(f.Time, f.Payload())
	} else {
		id.out.add(f.Time, f.Payload())
	}
}

// widen makes room for the bits of a longer frame.
func (id *identifier) widen(length int) {
	if length > id.length {
		id.length = length
		for i := range id.joints {
			id.joints[i] = append(id.joints[i], make([]joint, 8*length-len(id.joints[i]))...)
		}
	}
}

// step counts what changed from one frame to the next, in the bytes that both have.
func (id *identifier) step(before, f *can.Frame, moved bool) {
	n := int(min(before.Len, f.Len))
	for i := range n {
		changed := before.Data[i] ^ f.Data[i]
		for k := 0; changed>>k != 0; k++ {
			if changed>>k&1 == 0 {
				continue
			}
			j := flip(before, f, 8*i+k, 8*n)
			id.joints[0][8*i+k].add(&j)
			if moved {
				id.joints[1][8*i+k].add(&j)
			}
		}
	}
}

// flip says what the next lower bits did when a bit of frames with n bits changed.
func flip(before, f *can.Frame, bit, n int) joint {
	j := joint{flips: 1}
	for order := range 2 {
		low := lower(bit, order)
		if low < 0 || low >= n || bitOf(before.Data[:], low) == bitOf(f.Data[:], low) {
			continue
		}
		if bitOf(f.Data[:], low) == bitOf(f.Data[:], bit) {
			j.same[order]++
		} else {
			j.carry[order]++
		}
	}
	return j
}

func (j *joint) add(other *joint) {
	j.flips += other.flips
	for o := range 2 {
		j.carry[o] += other.carry[o]
		j.same[o] += other.same[o]
	}
}

// Merge takes over what the collector of the following stretch gathered.
func (c *collector) Merge(next *collector) {
	c.left += next.left
	keys := make([]idKey, 0, len(next.ids))
	for key := range next.ids {
		keys = append(keys, key)
	}
	slices.SortFunc(keys, func(a, b idKey) int {
		return cmp.Or(cmp.Compare(next.ids[a].first.Record, next.ids[b].first.Record), cmp.Compare(a.id, b.id))
	})
	for _, key := range keys {
		n := next.ids[key]
		id := c.ids[key]
		if id == nil {
			if id = c.begin(&n.first); id == nil {
				c.left += n.frames
				continue
			}
			c.ids[key] = n
			c.kept += len(n.sample.Frames())
			continue
		}
		id.widen(n.length)
		id.step(&id.last, &n.first, c.within(id.last.Time, n.first.Time))
		c.kept += id.merge(n, c.kept < maxSamples)
	}
}

func (id *identifier) merge(n *identifier, sampled bool) (grown int) {
	id.widen(n.length)
	for set := range id.joints {
		for i := range n.joints[set] {
			id.joints[set][i].add(&n.joints[set][i])
		}
	}
	id.frames += n.frames
	id.last = n.last
	id.span = [2]int64{min(id.span[0], n.span[0]), max(id.span[1], n.span[1])}
	id.in.merge(&n.in)
	id.out.merge(&n.out)
	if sampled {
		grown = id.sample.Merge(n.sample)
	}
	return grown
}

// sorted returns the identifiers by bus name and number.
func (c *collector) sorted(buses *can.Buses) []*identifier {
	list := make([]*identifier, 0, len(c.ids))
	for key, id := range c.ids {
		id.bus = buses.Name(key.bus)
		id.id = profiles.ID{Value: key.id & can.MaxExtendedID, Extended: key.id&extendedBit != 0}
		list = append(list, id)
	}
	slices.SortFunc(list, func(a, b *identifier) int {
		return cmp.Or(cmp.Compare(a.bus, b.bus), cmp.Compare(a.id.Value, b.id.Value), cmp.Compare(bool2int(a.id.Extended), bool2int(b.id.Extended)))
	})
	return list
}

func bool2int(b bool) int {
	if b {
		return 1
	}
	return 0
}

// learnGuarded marks the bits of counters, checksums and the like as taken, and
// returns how many identifiers have some.
func learnGuarded(list []*identifier) (guarded int) {
	samples := make([][]can.Frame, len(list))
	for i, id := range list {
		samples[i] = some(id.sample.Frames())
	}
	for i, lesson := range guard.Learn(samples) {
		p := lesson.Protection
		if p.Empty() {
			continue
		}
		guarded++
		for _, f := range p.Fields() {
			for _, bit := range guardedBits(f) {
				list[i].taken[bit/8] |= 1 << (bit % 8)
			}
		}
	}
	return guarded
}

// some returns three stretches of a long sample: enough to learn from, and a
// quarter of the work. Laws see the gap between them.
func some(frames []can.Frame) []can.Frame {
	const part = 256
	if n := len(frames); n > 4*part {
		return slices.Concat(frames[:part], frames[n/2:n/2+part], frames[n-part:])
	}
	return frames
}

// reel is payloads at times, the first in each of equal stretches of time, which
// double when there are too many: what is kept does not depend on where the
// capture was cut.
type reel struct {
	times  []int64
	data   []byte
	lens   []uint8
	stride int
	width  int64 // ns
	number int64 // of the latest stretch
}

const reelBase = 1_000_000 // ns

func strideOf(length int) int {
	if length > can.MaxClassicLen {
		return can.MaxFDLen
	}
	return can.MaxClassicLen
}

func (r *reel) add(time int64, payload []byte) {
	if r.width == 0 {
		r.width, r.stride, r.number = reelBase, can.MaxClassicLen, math.MinInt64
	}
	number := floorDiv(time, r.width)
	if number == r.number {
		return
	}
	if s := strideOf(len(payload)); s > r.stride {
		r.restride(s)
	}
	r.number = number
	r.times = append(r.times, time)
	r.lens = append(r.lens, uint8(len(payload)))
	at := len(r.data)
	r.data = append(r.data, make([]byte, r.stride)...)
	copy(r.data[at:], payload)
	for len(r.times) > maxReel && r.width < math.MaxInt64/4 {
		r.widen()
	}
}

func (r *reel) restride(stride int) {
	data := make([]byte, 0, len(r.times)*stride)
	for i := range r.times {
		data = append(data, r.data[i*r.stride:(i+1)*r.stride]...)
		data = append(data, make([]byte, stride-r.stride)...)
	}
	r.data, r.stride = data, stride
}

func (r *reel) widen() {
	r.width *= 2
	used, number := 0, int64(math.MinInt64)
	for i, t := range r.times {
		n := floorDiv(t, r.width)
		if n == number {
			continue
		}
		number = n
		r.times[used], r.lens[used] = t, r.lens[i]
		copy(r.data[used*r.stride:(used+1)*r.stride], r.data[i*r.stride:(i+1)*r.stride])
		used++
	}
	r.times, r.lens, r.data = r.times[:used], r.lens[:used], r.data[:used*r.stride]
	r.number = number
}

func (r *reel) merge(next *reel) {
	for len(next.times) > 0 && len(r.times) > 0 && r.width < next.width {
		r.widen()
	}
	if len(r.times) == 0 {
		*r = *next
		return
	}
	for i, t := range next.times {
		r.add(t, next.data[i*next.stride:i*next.stride+int(next.lens[i])])
	}
}

// inside reports whether a time lies in one of the spans, which are sorted.
func inside(spans []Span, time int64) bool {
	for _, s := range spans {
		if time >= s.Start && time < s.End {
			return true
		}
	}
	return false
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
