package guard

import (
	"cmp"
	"slices"

	"plugproof/decode/can"
)

// How a checksum law is searched for: for every place and every stretch of
// covered bytes, each family is computed from zero and compared with what is
// stored. Start value, final xor and what goes in before the data only add a
// constant to that (what goes in behind the data of a CRC shifts it as well), so
// a law fits when the difference is the same for all payloads. What the constant
// stands for is asked afterwards, of the siblings too.

// fit is a law found to hold for all payloads of a sample.
type fit struct {
	shape
	constant uint64 // what is stored less (xor for CRC and XOR) what a start at zero gives
	width    int    // bytes covered
	rank     int    // of the family: how common it is
	list     *Part  // instead of the constant: one byte per value of the counter
}

// shape is where a checksum lies and what it covers, in a way that carries over
// to messages of another length.
type shape struct {
	law     Law // starting at zero
	field   Field
	fromEnd int // bytes by which field lies before the end; 0: field counts from the start
	from    int // first byte covered
	cut     int // bytes at the end that are not covered
	behind  int // CRC: bytes that go in behind the data
}

// at returns the field in a payload of n bytes.
func (s *shape) at(n int) Field {
	f := s.field
	if s.fromEnd != 0 {
		f.Start += 8 * (n - s.fromEnd)
	}
	return f
}

// mix is how identifier and length go into a checksum beside the data.
type mix uint8

const (
	alone mix = iota
	lengthAndID
	idBefore
	reversedIDBefore
	lowIDBefore
	lengthBefore
	idBehind
	reversedIDBehind
	lowIDBehind
)

// around puts identifier and length around the data.
func (m mix) around(data Part) []Part {
	switch m {
	case lengthAndID:
		return []Part{Length(), ID(), data}
	case idBefore:
		return []Part{ID(), data}
	case reversedIDBefore:
		return []Part{{Kind: PartIDReverse}, data}
	case lowIDBefore:
		return []Part{{Kind: PartIDLow}, data}
	case lengthBefore:
		return []Part{Length(), data}
	case idBehind:
		return []Part{data, ID()}
	case reversedIDBehind:
		return []Part{data, {Kind: PartIDReverse}}
	case lowIDBehind:
		return []Part{data, {Kind: PartIDLow}}
	}
	return []Part{data}
}

// usesID reports whether the identifier goes in.
func (m mix) usesID() bool { return m != alone && m != lengthBefore }

// family is a law to be tried, ready to work.
type family struct {
	summer
	bits int // width of the field
	rank int // 0 for the commonest
}

// tails are the numbers of bytes that are tried behind the data of a CRC: none,
// a constant or the identifier's low byte, an 11-bit identifier, a 29-bit one.
var tails = [...]int{0, 1, 2, 4}

const maxTail = 4

// families returns all laws that are tried, the common ones first.
func families() []family {
	var all []family
	add := func(bits int, laws ...Law) {
		for _, l := range laws {
			if s, err := l.compile(); err == nil {
				all = append(all, family{s, bits, len(all)})
			}
		}
	}
	add(8, Law{Kind: Sum}, Law{Kind: XOR}, Law{Kind: Sum, Subtract: true})
	add(8, CRC8(0x1D, 0, 0), CRC8(0x2F, 0, 0), CRC8(0x07, 0, 0))
	add(4, Law{Kind: NibbleSum, Subtract: true}, Law{Kind: NibbleSum})
	add(16, CRC16(0x1021, 0, 0), CRC16(0x8005, 0, 0), Law{Kind: Sum}, Law{Kind: Sum, Subtract: true})
	for _, reflect := range []bool{false, true} {
		for poly := uint64(3); poly < 256; poly += 2 { // with 1 it would be XOR
			if reflect || poly != 0x1D && poly != 0x2F && poly != 0x07 {
				add(8, Law{Kind: CRC, Width: 8, Poly: poly, Reflect: reflect})
			}
		}
		// Other 16-bit polynomials of the CRC catalogue, from memory.
		for _, poly := range []uint64{0x1021, 0x8005, 0x0589, 0x3D65, 0x8BB7, 0xA097, 0xC867} {
			if reflect || poly != 0x1021 && poly != 0x8005 {
				add(16, Law{Kind: CRC, Width: 16, Poly: poly, Reflect: reflect})
			}
		}
	}
	return all
}

// difference takes the computed value out of the stored one.
func (l *Law) difference(stored, computed uint64) uint64 {
	if l.Kind == CRC || l.Kind == XOR {
		return stored ^ computed
	}
	return stored - computed
}

// learnChecksums finds a checksum for each study that has one.
func learnChecksums(studies []*study) {
	all := families()
	fits := make([][]fit, len(studies))
	for i, s := range studies {
		if s.strong() {
			fits[i] = s.fits(all)
		}
	}
	var accepted []law
	for i, s := range studies {
		if len(fits[i]) == 0 {
			continue
		}
		l := s.choose(fits[i], i, studies)
		s.accept(l, len(fits[i])-1, -1)
		accepted = append(accepted, l)
	}
	for _, s := range studies {
		if s.lesson.Frames >= minFrames && len(s.lesson.Protection.Checksums) == 0 {
			s.adopt(accepted)
		}
	}
}

// law is a fit with its constant explained.
type law struct {
	fit
	full   Law // shape.law with start value and final xor
	mix    mix
	before []Part // bytes of the message's own, outside of identifier and length
	after  []Part
	owner  int  // index of the study
	own    bool // the constant is one of the message's own
}

// checksum spells a law out for a payload of n bytes.
func (l *law) checksum(n int) Checksum {
	to := n - l.cut
	if l.cut == 0 {
		to = 0
	}
	over := slices.Concat(l.before, l.mix.around(Data(l.from, to)), l.after)
	return Checksum{Field: l.at(n), Law: l.full, Over: over}
}

func (s *study) accept(l law, alternatives, sibling int) {
	c := l.checksum(s.lesson.Length)
	at, err := c.Field.compile()
	if err != nil {
		return
	}
	s.take(&at)
	s.lesson.Protection.Checksums = []Checksum{c}
	s.lesson.Alternatives, s.lesson.Sibling = alternatives, sibling
}

// adopt takes over the first law of a sibling that holds here with this
// message's own identifier.
func (s *study) adopt(laws []law) {
	var held []law
	for i := range laws {
		l := &laws[i]
		known := slices.ContainsFunc(held, func(h law) bool {
			return h.shape == l.shape && h.full == l.full && h.mix == l.mix
		})
		if l.mix.usesID() && !known && s.holds(l) {
			held = append(held, *l)
		}
	}
	if len(held) != 0 {
		s.accept(held[0], len(held)-1, held[0].owner)
	}
}

// holds reports whether a law gives what is stored in every payload.
func (s *study) holds(l *law) bool {
	n := s.lesson.Length
	if n-l.cut <= l.from || l.fromEnd > n {
		return false
	}
	c, err := l.checksum(n).compile()
	if err != nil || c.minLen > n || len(s.payloads) == 0 {
		return false
	}
	for _, f := range s.payloads {
		if want, ok := c.compute(f); !ok || c.at.read(f.Payload()) != want {
			return false
		}
	}
	return true
}

// choose picks the fit and the explanation of its constant that hold on most
// siblings; among equals the widest coverage, the commonest family, the simplest
// explanation.
func (s *study) choose(fits []fit, index int, studies []*study) law {
	slices.SortStableFunc(fits, func(a, b fit) int {
		return cmp.Or(cmp.Compare(b.width, a.width), cmp.Compare(a.rank, b.rank))
	})
	var best law
	bestVotes := -1
	for i := range fits {
		for _, l := range s.explain(&fits[i]) {
			votes := 0
			for k, sibling := range studies {
				if k != index && sibling.strong() && !l.own && sibling.holds(&l) {
					votes++
				}
			}
			if votes == 0 && !l.credible() {
				continue
			}
			if votes > bestVotes {
				best, bestVotes = l, votes
				best.owner = index
			}
		}
	}
	return best
}

// credible reports whether an explanation is to be believed without a sibling.
// With many explanations tried, one fits by chance: only those remain that are
// common, and "a constant of this message's own", which is always true.
func (l *law) credible() bool {
	switch {
	case l.own:
		return true
	case l.mix == alone:
		return l.field.Length >= 8 || l.full.Init == 0
	}
	return l.full.Kind == Sum && l.full.Init == 0 && (l.mix == lengthAndID || l.mix == idBefore)
}

// explain lists what the constant of a fit may stand for; last, always, a value
// of the message's own.
func (s *study) explain(f *fit) []law {
	if f.list != nil {
		own := law{fit: *f, full: f.law, own: true}
		if own.before, own.after = []Part{*f.list}, nil; f.behind > 0 {
			own.before, own.after = nil, own.before
		}
		return []law{own}
	}
	var out []law
	variants := f.variants()
	for _, m := range f.mixes() {
		for _, v := range variants {
			if l := (law{fit: *f, full: v, mix: m}); s.holds(&l) {
				out = append(out, l)
			}
		}
	}
	return append(out, s.ownConstant(f))
}

// mixes returns the ways in which identifier and length may have gone in, the
// simple ones first. Where order does not matter, one order is enough.
func (f *fit) mixes() []mix {
	switch {
	case f.law.Kind != CRC:
		return []mix{alone, idBefore, lengthAndID, lowIDBefore, lengthBefore}
	case f.behind == 0:
		return []mix{alone, idBefore, reversedIDBefore, lowIDBefore}
	case f.behind == 1:
		return []mix{lowIDBehind}
	}
	return []mix{idBehind, reversedIDBehind}
}

// variants returns the law with the start values and final xors in use.
func (f *fit) variants() (out []Law) {
	full := uint64(1)<<f.field.Length - 1
	inits, xors := []uint64{0}, []uint64{0}
	switch {
	case f.law.Kind == CRC:
		inits, xors = []uint64{full, 0}, []uint64{full, 0}
	case f.law.Kind == NibbleSum && f.law.Subtract: // 8, and 11 for 29-bit identifiers: commaai/opendbc
		inits = []uint64{0, 8, 11, full}
	case f.law.Subtract: // full: the complement of the sum
		inits = []uint64{0, full}
	}
	for _, init := range inits {
		for _, xor := range xors {
			v := f.law
			v.Init, v.XorOut = init, xor
			out = append(out, v)
		}
	}
	return out
}

// ownConstant explains a fit by a constant of the message's own: bytes behind the
// data, as the end-to-end profiles have them, else in the start value or final xor.
func (s *study) ownConstant(f *fit) law {
	l := law{fit: *f, full: f.law, own: true}
	if f.law.Kind != CRC && f.law.Kind != XOR {
		l.full.Init = f.constant
		return l
	}
	if l.after = s.dataID(f); l.after != nil {
		l.full = f.withDataID()
		return l
	}
	l.full.XorOut = f.constant
	if f.behind > 0 {
		l.after = []Part{Bytes(make([]byte, f.behind)...)}
	}
	return l
}

// withDataID returns the law as profiles 2 (8 bits) and 5 (16 bits) have it.
func (f *fit) withDataID() Law {
	l := f.law
	l.Init = 1<<l.Width - 1
	if l.Width == 8 {
		l.XorOut = l.Init
	}
	return l
}

// dataID returns the bytes behind the data, low byte first, that give what is
// stored: as many as the checksum is wide, then there is one solution. Otherwise
// it returns nil.
func (s *study) dataID(f *fit) []Part {
	sum, err := f.withDataID().compile()
	if err != nil || f.behind == 0 || 8*f.behind != f.field.Length {
		return nil
	}
	n, first := s.lesson.Length, s.payloads[0].Payload()
	at, err := f.at(n).compile()
	if err != nil {
		return nil
	}
	var own [can.MaxFDLen]byte
	at.write(own[:], at.mask)
	row := stretch{f.from, n - f.cut, &own}.append(nil, first)
	for id := range 1 << f.field.Length {
		behind := []byte{byte(id), byte(id >> 8)}[:f.behind]
		if sum.sum(append(row, behind...)) == at.read(first) {
			return []Part{Bytes(behind...)}
		}
	}
	return nil
}

// places returns the fields of a payload of n bytes that may hold a checksum of
// so many bits, the likely ones first.
func places(bits, n int) []Field {
	var bytes []int
	for i := range n {
		if n <= can.MaxClassicLen || i < 4 || i >= n-4 {
			bytes = append(bytes, i)
		}
	}
	slices.SortStableFunc(bytes, func(a, b int) int { // the last byte, the first, the others
		rank := func(i int) int { return slices.Index([]int{n - 1, 0}, i) & 3 }
		return cmp.Compare(rank(a), rank(b))
	})
	var out []Field
	switch bits {
	case 16:
		for _, i := range slices.Compact([]int{n - 2, 0}) {
			if i >= 0 {
				out = append(out, bigEndian(i, 2), Field{8 * i, 16, Intel})
			}
		}
		return out
	case 4:
		for _, i := range bytes {
			out = append(out, Nibble(i, 0), Nibble(i, 1))
		}
		return out
	}
	for _, i := range bytes {
		out = append(out, Byte(i))
	}
	return out
}
