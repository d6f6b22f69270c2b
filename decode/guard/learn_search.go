package guard

import (
	"slices"

	"plugproof/decode/can"
)

// stretch is a run of covered bytes with the checksum's own bits taken out.
type stretch struct {
	from, to int
	own      *[can.MaxFDLen]byte
}

// append appends what is covered of a payload.
func (r stretch) append(b, payload []byte) []byte {
	for i := r.from; i < r.to; i++ {
		if r.own[i] != 0xFF {
			b = append(b, payload[i]&^r.own[i])
		}
	}
	return b
}

// searcher tries laws for a checksum in one place.
type searcher struct {
	s    *study
	at   spot
	own  [can.MaxFDLen]byte
	seen map[relation]bool
	fits []fit
}

// relation is what a law without direction says: these bits add up to a
// constant. Each of its bytes could be the checksum of the others.
type relation struct {
	rank int
	bits [can.MaxFDLen]byte
}

// fits returns the checksum laws that hold for all payloads.
func (s *study) fits(all []family) []fit {
	n := s.lesson.Length
	search := searcher{s: s, seen: make(map[relation]bool)}
	for _, width := range []int{8, 4, 16} {
		for _, field := range places(width, n) {
			at, err := field.compile()
			if err != nil || !s.free(&at) || !s.noisy(&at) || s.copied(&at) {
				continue
			}
			search.aim(at)
			search.everywhere(all)
		}
	}
	if len(search.fits) == 0 {
		search.listed()
	}
	return search.fits
}

// aim turns the search to another place.
func (c *searcher) aim(at spot) {
	c.at, c.own = at, [can.MaxFDLen]byte{}
	at.write(c.own[:], at.mask)
}

// noisy reports whether a field takes as many values as it has bits: a checksum
// does, a flag does not.
func (s *study) noisy(at *spot) bool {
	var values valueSet
	for _, f := range s.payloads {
		values.add(at.read(f.Payload()))
	}
	return values.count >= uint64(at.Length)
}

// copied reports whether another field of that size follows this one bit by bit
// or as a sum or difference that stays the same: a copy, no checksum.
func (s *study) copied(at *spot) bool {
	first := s.payloads[0].Payload()
	for start := 0; start+at.Length <= 8*s.lesson.Length; start += at.Length {
		other, err := Field{start, at.Length, Intel}.compile()
		if err != nil || start == at.Start || other.read(s.varies[:]) == 0 {
			continue
		}
		a, b := at.read(first), other.read(first)
		xor, sum, sub := true, true, true
		for _, f := range s.payloads {
			v, w := at.read(f.Payload()), other.read(f.Payload())
			xor = xor && v^w == a^b
			sum = sum && (v+w)&at.mask == (a+b)&at.mask
			sub = sub && (v-w)&at.mask == (a-b)&at.mask
		}
		if xor || sum || sub {
			return true
		}
	}
	return false
}

// everywhere tries all laws of the field's width on all stretches.
func (c *searcher) everywhere(all []family) {
	n := c.s.lesson.Length
	for from := range n {
		for to := from + 1; to <= n; to++ {
			r := stretch{from, to, &c.own}
			if c.worth(r) {
				c.try(r, all)
			}
		}
	}
}

// worth leaves out stretches that cover the same as another one, and most of
// those of long payloads.
func (c *searcher) worth(r stretch) bool {
	n := c.s.lesson.Length
	if r.from > 0 && c.own[r.from-1] == 0xFF || r.to < n && c.own[r.to] == 0xFF {
		return false
	}
	if n > can.MaxClassicLen && (r.from > 4 && r.from != c.at.stop || r.to < n-4 && r.to != c.at.first) {
		return false
	}
	return c.moving(r) > 0
}

// moving counts the covered bytes that vary.
func (c *searcher) moving(r stretch) (count int) {
	for _, b := range r.append(nil, c.s.varies[:]) {
		if b != 0 {
			count++
		}
	}
	return count
}

func (c *searcher) try(r stretch, all []family) {
	p := c.probe(r)
	moving := c.moving(r)
	for i := range all {
		fam := &all[i]
		if fam.bits != c.at.Length || fam.Kind != CRC && moving < 2 {
			continue
		}
		for _, tail := range tails {
			if tail > 0 && fam.Kind != CRC {
				break
			}
			if !p.agrees(fam, tail) {
				continue
			}
			if constant, ok := c.always(fam, r, tail); ok && c.isNew(fam, r) {
				c.fits = append(c.fits, fit{
					shape: c.shape(fam.Law, r, tail), constant: constant, width: r.to - r.from, rank: fam.rank,
				})
			}
		}
	}
}

// probe is what a few payloads hold: enough to turn down most laws. Room for a
// tail of zeros stands behind each row.
type probe struct {
	mask   uint64
	length int
	rows   [3][can.MaxFDLen + maxTail]byte
	stored [3]uint64
	// All but the first combined with the first bit by bit. CRC and XOR are linear:
	// of combined rows they give the combined results.
	xored       [3][can.MaxFDLen + maxTail]byte
	storedXored [3]uint64
}

func (c *searcher) probe(r stretch) *probe {
	last := len(c.s.payloads) - 1
	p := &probe{mask: c.at.mask}
	for i, k := range []int{0, last / 2, last} {
		payload := c.s.payloads[k].Payload()
		p.length = len(r.append(p.rows[i][:0], payload))
		p.stored[i] = c.at.read(payload)
		p.storedXored[i] = p.stored[i] ^ p.stored[0]
		for k := range p.length {
			p.xored[i][k] = p.rows[i][k] ^ p.rows[0][k]
		}
	}
	return p
}

// agrees reports whether a law gives the same difference for all rows.
func (p *probe) agrees(fam *family, tail int) bool {
	n := p.length + tail
	if fam.Kind == CRC || fam.Kind == XOR {
		return fam.sum(p.xored[1][:n]) == p.storedXored[1] && fam.sum(p.xored[2][:n]) == p.storedXored[2]
	}
	constant := (p.stored[0] - fam.sum(p.rows[0][:n])) & p.mask
	return (p.stored[1]-fam.sum(p.rows[1][:n]))&p.mask == constant &&
		(p.stored[2]-fam.sum(p.rows[2][:n]))&p.mask == constant
}

// always reports whether the difference is the same for all payloads, and which
// one it is.
func (c *searcher) always(fam *family, r stretch, tail int) (constant uint64, ok bool) {
	var buf [can.MaxFDLen + maxTail]byte
	for i, f := range c.s.payloads {
		n := len(r.append(buf[:0], f.Payload()))
		d := fam.difference(c.at.read(f.Payload()), fam.sum(buf[:n+tail])) & c.at.mask
		if i == 0 {
			constant = d
		}
		if d != constant {
			return 0, false
		}
	}
	return constant, true
}

// isNew reports whether a law says something that no earlier one does.
func (c *searcher) isNew(fam *family, r stretch) bool {
	if fam.Kind != XOR && !fam.Subtract {
		return true
	}
	rel := relation{rank: fam.rank, bits: c.own}
	for i := r.from; i < r.to; i++ {
		rel.bits[i] = 0xFF
	}
	if c.seen[rel] {
		return false
	}
	c.seen[rel] = true
	return true
}

// shape writes places near the end as counted from there.
func (c *searcher) shape(l Law, r stretch, behind int) shape {
	n := c.s.lesson.Length
	s := shape{law: l, field: c.at.Field, from: r.from, cut: n - r.to, behind: behind}
	if c.at.first >= (n+1)/2 {
		s.fromEnd = n - c.at.first
		s.field.Start -= 8 * c.at.first
	}
	return s
}

// listed tries the common CRC-8s over everything with a byte before or behind the
// data that depends on the counter: end-to-end profiles 2 and 22, and the
// alternating mode of profile 1.
func (c *searcher) listed() {
	s, n := c.s, c.s.lesson.Length
	if len(s.lesson.Protection.Counters) == 0 {
		return
	}
	counter, err := s.lesson.Protection.Counters[0].compile()
	if err != nil || counter.at.Length > 4 || s.lesson.Payloads < int(counter.places)+minPayloads {
		return
	}
	for _, field := range []Field{Byte(0), Byte(n - 1)} {
		at, err := field.compile()
		if err != nil || !s.free(&at) {
			continue
		}
		c.aim(at)
		for rank, poly := range []uint8{0x2F, 0x1D, 0x07} {
			// As the profiles have it: behind the data from FF, before it from 0.
			for behind, law := range []Law{CRC8(poly, 0, 0), CRC8(poly, 0xFF, 0xFF)} {
				if list := c.list(&counter, law, behind == 1); list != nil {
					c.fits = append(c.fits, fit{
						shape: c.shape(law, stretch{0, n, &c.own}, behind), width: n, rank: rank, list: list,
					})
				}
			}
		}
	}
}

// list returns the part, a byte for each value of the counter, with which the law
// gives what is stored; nil if there is none.
func (c *searcher) list(counter *counter, law Law, behind bool) *Part {
	sum, err := law.compile()
	if err != nil {
		return nil
	}
	list := make([]byte, counter.at.mask+1)
	known := make(map[uint64]bool)
	r := stretch{0, c.s.lesson.Length, &c.own}
	for _, f := range c.s.payloads {
		v, stored := counter.at.read(f.Payload()), c.at.read(f.Payload())
		row, at := r.append(nil, f.Payload()), 0
		if behind {
			at = len(row)
		}
		row = slices.Insert(row, at, list[v])
		for b := 0; !known[v] && b < 256 && sum.sum(row) != stored; b++ {
			row[at] = byte(b)
		}
		if sum.sum(row) != stored {
			return nil
		}
		list[v], known[v] = row[at], true
	}
	if uint64(len(known)) < counter.places {
		return nil
	}
	return byParity(Listed(counter.Field, list...), counter)
}

// byParity makes a list of two, for even and odd counters, of one that holds no
// more than that.
func byParity(p Part, counter *counter) *Part {
	for v, b := range p.Bytes {
		if _, sent := counter.place(uint64(v)); sent && b != p.Bytes[v&1] {
			return &p
		}
	}
	if counter.Field.Order == Intel {
		p.Index.Length, p.Bytes = 1, p.Bytes[:2]
	}
	return &p
}
