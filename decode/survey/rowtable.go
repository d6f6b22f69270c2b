package survey

import (
	"cmp"
	"slices"

	"plugproof/decode/can"
)

// MaxIDs is how many identifiers of one bus have a row of their own, MaxRows
// how many of all buses together; the frames of the others are added up in one
// row for each bus. Which ones have their own depends on the identifiers only,
// not on when they came: first those that the DBC defines, then those of 11
// bits, then those of 29 bits, the lowest of each first. So a fuzzed capture
// leaves what is defined in place, and the result is the same however the
// capture is cut. (The first to come would not do: a stretch cannot know which
// identifiers an earlier stretch has room for.)
const (
	MaxIDs  = 8192
	MaxRows = 16384
)

// Bits of a key over the identifier.
const (
	keyExtended = 1 << 29
	keyRemote   = 1 << 30
)

// keyOf tells identifiers and formats apart. Classic and FD frames of one
// identifier share a row.
func keyOf(f *can.Frame) uint32 {
	key := f.ID & can.MaxExtendedID
	if f.Flags&can.Extended != 0 {
		key |= keyExtended
	}
	if f.Flags&can.Remote != 0 {
		key |= keyRemote
	}
	return key
}

// rankOf orders rows by their claim to be kept, the lowest first.
func rankOf(key uint32, defined bool) uint64 {
	class := uint64(2)
	switch {
	case defined:
		class = 1
	case key&keyExtended != 0:
		class = 3
	}
	return class<<32 | uint64(key)
}

// rowTable finds the row of a key: data frames of 11 bits by index, all others
// by a hash table with linear probing.
type rowTable struct {
	standard [can.MaxStandardID + 1]*row
	slots    []*row
	n        int // rows in slots
}

func (t *rowTable) find(key uint32) *row {
	if key <= can.MaxStandardID {
		return t.standard[key]
	}
	if t.n == 0 {
		return nil
	}
	for i := int(spread(uint64(key))); ; i++ {
		r := t.slots[i&(len(t.slots)-1)]
		if r == nil || r.key == key {
			return r
		}
	}
}

// put enters a row whose key is not there yet.
func (t *rowTable) put(r *row) {
	if r.key <= can.MaxStandardID {
		t.standard[r.key] = r
		return
	}
	if 2*t.n >= len(t.slots) {
		old := t.slots
		t.slots, t.n = make([]*row, max(16, 2*len(old))), 0
		for _, o := range old {
			if o != nil {
				t.put(o)
			}
		}
	}
	i := int(spread(uint64(r.key)))
	for t.slots[i&(len(t.slots)-1)] != nil {
		i++
	}
	t.slots[i&(len(t.slots)-1)] = r
	t.n++
}

// others adds up the frames of identifiers without a row of their own. The
// order of those frames is not known, so first and last go by their stamps.
type others struct {
	frames, nominal, data uint64
	first, last           int64
}

func (o *others) add(time int64, nominal, data uint64) {
	o.include(&others{frames: 1, nominal: nominal, data: data, first: time, last: time})
}

func (o *others) include(more *others) {
	if more.frames == 0 {
		return
	}
	if o.frames == 0 {
		o.first, o.last = more.first, more.last
	}
	o.first, o.last = min(o.first, more.first), max(o.last, more.last)
	o.frames += more.frames
	o.nominal += more.nominal
	o.data += more.data
}

// limitRows gives up rows beyond MaxIDs of a bus and MaxRows of all. A row
// that is given up has more than enough of lower rank in the capture as far as
// it is known, so it can never come back: its bus keeps the highest rank that
// still has a claim.
func (c *Collector) limitRows() {
	c.rows = 0
	for _, b := range c.buses {
		if b != nil {
			b.limitRows()
			c.rows += len(b.rows)
		}
	}
	if c.rows <= MaxRows {
		return
	}
	type claim struct {
		rank uint64
		bus  string
	}
	claims := make([]claim, 0, c.rows)
	for _, b := range c.buses {
		if b != nil {
			for _, r := range b.rows {
				claims = append(claims, claim{r.rank, b.name})
			}
		}
	}
	slices.SortFunc(claims, func(x, y claim) int {
		return cmp.Or(cmp.Compare(x.rank, y.rank), cmp.Compare(x.bus, y.bus))
	})
	last := claims[MaxRows-1]
	for _, b := range c.buses {
		switch {
		case b == nil:
		case b.name <= last.bus:
			b.setLimit(last.rank)
		default:
			b.setLimit(last.rank - 1)
		}
	}
	c.rows = MaxRows
}

// limitRows gives up rows beyond MaxIDs.
func (b *bus) limitRows() {
	if len(b.rows) <= MaxIDs {
		return
	}
	slices.SortFunc(b.rows, func(x, y *row) int { return cmp.Compare(x.rank, y.rank) })
	b.setLimit(b.rows[MaxIDs-1].rank)
}

// setLimit gives up the rows whose rank is over the given one.
func (b *bus) setLimit(rank uint64) {
	b.limit = rank
	kept := b.rows[:0]
	for _, r := range b.rows {
		if r.rank <= b.limit {
			kept = append(kept, r)
			continue
		}
		b.others.include(&others{r.frames, r.nominal, r.data, r.earliest, r.latest})
	}
	if len(kept) == len(b.rows) {
		return
	}
	clear(b.rows[len(kept):])
	b.rows = kept
	b.table = rowTable{}
	for _, r := range kept {
		b.table.put(r)
	}
}
