package guard

import (
	"cmp"
	"slices"

	"plugproof/decode/can"
)

// What a law must hold on to be learned.
const (
	minFrames   = 64
	minPayloads = 16 // that differ; fewer where a sibling has the same law
	// maxPayloads bounds the different payloads that laws are tried on. What is
	// found is then held against every frame.
	maxPayloads = 512
)

// Lesson is what a good capture teaches about one message.
type Lesson struct {
	Protection Protection
	Length     int // payload bytes of the frames looked at: the commonest length
	Frames     int // of that length
	Payloads   int // different ones among them

	// Alternatives is how many other checksum laws fit to all frames as well: 0 is
	// certainty, a large number says that the frames varied too little.
	Alternatives int
	// Sibling is the index of the sample whose checksum law was found to hold here
	// too, where the payloads alone were too few; otherwise -1.
	Sibling int
}

// Learn works out how messages are guarded. Each sample is the frames of one
// message in the order of time, from a capture in which all is well; samples
// given together are siblings: messages of one sender, which as a rule guards
// all of them by the same law.
//
// A law is accepted when it holds on every frame, for at least 64 frames with at
// least 16 different payloads. Fewer payloads are enough for a checksum law that
// mixes in the identifier and was accepted on a sibling with the sibling's own.
// Lessons come in the order of the samples. A counter cannot be told from a
// multiplexor that steps with every frame.
func Learn(samples [][]can.Frame) []Lesson {
	studies := make([]*study, len(samples))
	for i, frames := range samples {
		studies[i] = newStudy(frames)
		studies[i].findCounters()
		studies[i].findToggles()
	}
	learnChecksums(studies)
	lessons := make([]Lesson, len(samples))
	for i, s := range studies {
		s.findParity()
		s.confirm()
		lessons[i] = s.lesson
	}
	return lessons
}

// study is one sample being looked at.
type study struct {
	lesson   Lesson
	frames   []*can.Frame // of the commonest length
	cycle    int64        // median gap, nanoseconds
	payloads []*can.Frame // the first frame with each payload
	varies   [can.MaxFDLen]byte
	taken    [can.MaxFDLen]byte // bits whose purpose is known
}

func newStudy(frames []can.Frame) *study {
	s := &study{}
	s.lesson.Sibling = -1
	var count [can.MaxFDLen + 1]int
	for i := range frames {
		if frames[i].Flags&(can.Error|can.Remote) == 0 {
			count[frames[i].Len]++
		}
	}
	length := 0
	for n, c := range count {
		if c > count[length] {
			length = n
		}
	}
	seen := make(map[[can.MaxFDLen]byte]bool)
	var gaps []int64
	for i := range frames {
		f := &frames[i]
		if int(f.Len) != length || f.Flags&(can.Error|can.Remote) != 0 {
			continue
		}
		if len(s.frames) != 0 {
			gaps = append(gaps, f.Time-s.frames[len(s.frames)-1].Time)
		}
		s.frames = append(s.frames, f)
		for k := range length {
			s.varies[k] |= f.Data[k] ^ s.frames[0].Data[k]
		}
		if !seen[f.Data] {
			seen[f.Data] = true
			s.payloads = append(s.payloads, f)
		}
	}
	if len(gaps) != 0 {
		slices.Sort(gaps)
		s.cycle = gaps[len(gaps)/2]
	}
	s.lesson.Length, s.lesson.Frames, s.lesson.Payloads = length, len(s.frames), len(s.payloads)
	s.payloads = s.payloads[:min(len(s.payloads), maxPayloads)]
	return s
}

// strong reports whether the frames can prove a law by themselves.
func (s *study) strong() bool {
	return s.lesson.Frames >= minFrames && s.lesson.Payloads >= minPayloads
}

// take marks the bits of a field as known.
func (s *study) take(at *spot) { at.write(s.taken[:], at.mask) }

// free reports whether a field varies, and none of its bits is known.
func (s *study) free(at *spot) bool {
	return at.stop <= s.lesson.Length && at.read(s.varies[:]) != 0 && at.read(s.taken[:]) == 0
}

// confirm holds what was found against every frame and drops what fails.
func (s *study) confirm() {
	g, err := s.lesson.Protection.Compile()
	if err != nil {
		s.lesson.Protection = Protection{}
		return
	}
	w := g.Watch(s.cycle)
	var faults Faults
	for _, f := range s.frames {
		faults |= w.Add(f)
	}
	p := &s.lesson.Protection
	if faults&(FrozenCounter|WrongStep|ReservedCounter|SecondSender) != 0 {
		p.Counters = nil
	}
	if faults&WrongToggle != 0 {
		p.Toggles = nil
	}
	if faults&WrongParity != 0 {
		p.Parities = nil
	}
	if faults&WrongChecksum != 0 {
		p.Checksums, s.lesson.Alternatives, s.lesson.Sibling = nil, 0, -1
	}
}

// findCounters looks for counters of 2 to 8 bits inside a byte and of 16 bits.
func (s *study) findCounters() {
	if s.lesson.Frames < minFrames {
		return
	}
	var found []Counter
	try := func(f Field) {
		if c, ok := s.counterAt(f); ok {
			found = append(found, c)
		}
	}
	for i := range s.lesson.Length {
		for low := range 8 {
			for length := 2; low+length <= 8; length++ {
				try(Field{8*i + low, length, Intel})
			}
		}
		if i+1 < s.lesson.Length {
			try(Field{8 * i, 16, Intel})
			try(bigEndian(i, 2))
		}
	}
	// The lower bits of a counter count as well: the longest is the real one.
	slices.SortStableFunc(found, func(a, b Counter) int { return cmp.Compare(b.Field.Length, a.Field.Length) })
	for _, c := range found {
		if at, err := c.Field.compile(); err == nil && s.free(&at) {
			s.lesson.Protection.Counters = append(s.lesson.Protection.Counters, c)
			s.take(&at)
		}
	}
	slices.SortFunc(s.lesson.Protection.Counters, func(a, b Counter) int { return cmp.Compare(a.Field.Start, b.Field.Start) })
}

// counterAt reports whether a field counts in every frame, and how.
func (s *study) counterAt(f Field) (Counter, bool) {
	at, err := f.compile()
	if err != nil || !s.free(&at) || at.read(s.varies[:])&1 == 0 {
		return Counter{}, false // the lowest bit of a counter moves
	}
	var values, uppers valueSet
	var highest, before uint64
	up, down := false, false
	for i, frame := range s.frames {
		v := at.read(frame.Payload())
		values.add(v)
		uppers.add(v >> 8)
		highest = max(highest, v)
		up, down = up || i > 0 && v > before, down || i > 0 && v < before
		before = v
	}
	c := Counter{Field: f}
	if wraps := up && down; wraps {
		if highest < at.mask {
			c.Modulo = highest + 1
		}
		if !values.has(0) {
			c.Reserved = []uint64{0}
		}
	} else if uppers.count < 3 {
		return Counter{}, false // no turn seen: only a wide one shows its width by its carries
	}
	// All of its values, or as many as one frame each can show of a long one.
	all := highest + 1 - uint64(len(c.Reserved))
	if values.count < 3 || values.count < min(all, minFrames) || f.Length <= 8 && highest>>(f.Length-1) == 0 {
		return Counter{}, false
	}
	return c, s.setStep(&c) && s.counts(c)
}

// valueSet is the values that a field of up to 16 bits takes.
type valueSet struct {
	bits  [1 << 16 / 64]uint64
	count uint64
}

func (s *valueSet) has(v uint64) bool { return s.bits[v/64]>>(v%64)&1 != 0 }

func (s *valueSet) add(v uint64) {
	if !s.has(v) {
		s.bits[v/64] |= 1 << (v % 64)
		s.count++
	}
}

// setStep sets the step to the one that most frames take.
func (s *study) setStep(c *Counter) bool {
	k, err := c.compile()
	if err != nil {
		return false
	}
	step := func(i int) uint64 {
		before, _ := k.place(k.at.read(s.frames[i-1].Payload()))
		now, _ := k.place(k.at.read(s.frames[i].Payload()))
		if now < before {
			now += k.places
		}
		return now - before
	}
	var best uint64
	votes := 0
	for i := 1; i < len(s.frames); i++ { // what outvotes all others together is left
		switch v := step(i); {
		case v == best:
			votes++
		case votes == 0:
			best, votes = v, 1
		default:
			votes--
		}
	}
	count := 0
	for i := 1; i < len(s.frames); i++ {
		if step(i) == best {
			count++
		}
	}
	if c.Step = best; best == 1 {
		c.Step = 0
	}
	// Lost frames may explain a few other steps, not most of them.
	return best != 0 && 10*count >= 9*(len(s.frames)-1)
}

// counts reports whether a counter fits to all frames.
func (s *study) counts(c Counter) bool {
	g, err := Protection{Counters: []Counter{c}}.Compile()
	if err != nil {
		return false
	}
	w := g.Watch(s.cycle)
	for _, f := range s.frames {
		if w.Add(f) != 0 {
			return false
		}
	}
	return true
}

// findToggles looks for bits that flip every so many frames.
func (s *study) findToggles() {
	if s.lesson.Frames < minFrames {
		return
	}
	for bit := range 8 * s.lesson.Length {
		t := Toggle{Field: Field{bit, 1, Intel}}
		at, err := t.Field.compile()
		if err != nil || !s.free(&at) {
			continue
		}
		if t.Every = s.cadence(&at); t.Every == 0 {
			continue
		}
		s.lesson.Protection.Toggles = append(s.lesson.Protection.Toggles, t)
		s.take(&at)
	}
}

// cadence returns the number of frames from flip to flip where it is the same at
// least eight times and never another one; otherwise 0. Runs with a pause in
// them do not count.
func (s *study) cadence(at *spot) int {
	var now flips
	var every uint64
	runs := 0
	for i, f := range s.frames {
		steps := 1
		if i != 0 && s.cycle > 0 && 2*(f.Time-s.frames[i-1].Time) >= 3*s.cycle {
			steps = 2 // or more
		}
		before := now
		now.add(at.read(f.Payload()), uint64(len(s.frames)), steps)
		switch {
		case now.bit == before.bit || !now.exact || !before.exact:
		case runs == 0 || before.frames == every:
			every = before.frames
			runs++
		default:
			return 0
		}
	}
	if runs < 8 {
		return 0
	}
	return int(every)
}
