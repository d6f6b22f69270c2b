package evidence

import (
	"encoding/binary"
	"math"
	"math/bits"

	"plugproof/decode/can"
	"plugproof/decode/survey"
	"plugproof/profiles"
)

// trackLimit is the number of buckets of a stream's track and of the signals
// that a profile names; other signals have fewer.
const (
	trackLimit      = 1024
	smallTrackLimit = 64

	// coarse makes the narrowest bucket 16 ms, two cycles of the fastest messages:
	// finer ones only cost memory until a capture has lasted for 16 s.
	coarse = 4
)

func (p *Plan) newBus(name string) *bus {
	b := &bus{
		Bus: Bus{
			Interface: name, Errors: survey.NewCoarseTrack(trackLimit, coarse), ErrorClass: map[string]uint64{},
			Load: survey.Windows{Nominal: 1, Data: 1},
		},
		standard: make([]*stream, can.MaxStandardID+1),
		extended: map[uint32]*stream{},
	}
	if p.opts.Series {
		b.Course = survey.NewCourse(trackLimit)
	}
	standsFor := name
	if mapped, ok := p.opts.Map[name]; ok {
		standsFor = mapped
	}
	for _, facts := range p.opts.Setting.Buses {
		if facts.Name == standsFor {
			b.Facts = facts
		}
	}
	b.plans = p.byBus[standsFor]
	b.longest = b.wireTime(head{len: can.MaxClassicLen})
	return b
}

func (b *bus) addError(f *can.Frame) {
	b.Errors.Add(f.Time, 1)
	b.ErrorFrames.add(f, 0)
	for class := range f.ErrorClasses() {
		b.ErrorClass[class.String()]++
	}
}

// add counts a frame of a stream, which is nil where there are too many.
func (b *bus) add(f *can.Frame, s *stream) {
	nominal, data := s.wireBits(f)
	b.Load.Add(f.Time, f.File, uint64(nominal), uint64(data))
	if b.Course != nil {
		b.Course.Add(f.Time, uint64(nominal), uint64(data))
	}
	if b.Frames == 0 {
		b.First, b.Last, b.first = f.Time, f.Time, *f
	} else {
		b.follow(b.last, f)
	}
	b.Frames++
	b.First, b.Last = min(b.First, f.Time), max(b.Last, f.Time)
	b.last = headOf(f)
}

// follow looks at two consecutive frames of one bus.
func (b *bus) follow(last head, f *can.Frame) {
	gap := f.Time - last.time
	switch {
	case f.File != last.file:
	case gap > SilenceLimit:
		b.Silences.add(f, gap)
	case gap >= b.longest || gap < 0: // the usual case
	case gap < min(b.wireTime(last), b.wireTime(headOf(f))): // stamps may be of a frame's start or end
		b.Clumped++
	}
}

// wireTime returns the shortest time, in ns, that a frame of this length takes
// at 1 Mbit/s, or at the bus's own rate where that is known. An 11-bit frame has
// at least 47 bits and 8 a byte (kernel can/length.h).
func (b *bus) wireTime(f head) int64 {
	rate := int64(1_000_000)
	if b.Facts != nil && b.Facts.Bitrate > 0 {
		rate = b.Facts.Bitrate
	}
	n := int64(47)
	if f.flags&(can.Remote|can.FD) == 0 {
		n += 8 * int64(f.len)
	}
	// Stamps have a resolution of 1 us at best: leave 2 us.
	return n*1_000_000_000/rate - 2000
}

func (b *bus) merge(next *bus) {
	if next.Frames > 0 {
		if b.Frames > 0 {
			b.follow(b.last, &next.first)
			b.First, b.Last = min(b.First, next.First), max(b.Last, next.Last)
		} else {
			b.First, b.Last, b.first = next.First, next.Last, next.first
		}
		b.last = next.last
	}
	b.Frames += next.Frames
	b.Load.Merge(&next.Load)
	if b.Course != nil {
		b.Course.Merge(next.Course)
	}
	b.Errors.Merge(next.Errors)
	b.ErrorFrames.merge(&next.ErrorFrames)
	for class, n := range next.ErrorClass {
		b.ErrorClass[class] += n
	}
	b.Silences.merge(&next.Silences)
	b.Clumped += next.Clumped
	b.TooMany += next.TooMany
	for _, s := range next.streams {
		have := b.extended[s.ID.Value]
		if !s.ID.Extended {
			have = b.standard[s.ID.Value&can.MaxStandardID]
		}
		switch {
		case have != nil:
			have.merge(s)
		case len(b.streams) < MaxStreams:
			s.Bus = &b.Bus
			b.put(s)
		default:
			b.TooMany += s.Frames + s.Remote
		}
	}
}

// stream is a Stream being gathered.
type stream struct {
	Stream
	msg    *message // nil: not in the setting
	cycle  int64    // ns; 0: not known
	length int      // bytes that the setting wants; -1: any
	ignore uint64   // bits of the first 8 bytes that protection and pages use

	word    uint64 // first 8 bytes of the last frame
	before  uint64 // of the frame before it
	history int    // frames that word and before stand for, up to 2
	full    bool   // as many payloads as are told apart came before this stretch

	wire wire
}

// wire is how many bits the last frame took.
type wire struct {
	word          uint64 // its first 8 bytes
	shape         uint32 // flags, length and its code; 0: there was none
	nominal, data int32
}

// wireBits is that of the frame. Most frames repeat the last one of their stream
// and take as many bits. A nil stream remembers nothing.
func (s *stream) wireBits(f *can.Frame) (nominal, data int) {
	if s == nil || f.Len > 8 {
		return f.WireBits()
	}
	word := binary.LittleEndian.Uint64(f.Data[:8])
	shape := 1<<31 | uint32(f.Flags)<<8 | uint32(f.DLC&15)<<4 | uint32(f.Len)
	if w := &s.wire; w.word != word || w.shape != shape {
		nominal, data := f.WireBits()
		*w = wire{word, shape, int32(nominal), int32(data)}
	}
	return int(s.wire.nominal), int(s.wire.data)
}

func newStream(b *Bus, id profiles.ID, plan *messagePlan, g *streamGrain) *stream {
	s := &stream{
		Stream: Stream{Bus: b, ID: id, Count: g.count.withLimit(trackLimit), payloads: map[uint64]struct{}{}},
		length: -1, full: g.payloads,
	}
	if plan != nil {
		s.msg = plan.new(g)
		s.cycle, s.length, s.ignore = plan.cycle, plan.length, plan.ignore
	}
	return s
}

func (s *stream) add(f *can.Frame) {
	if f.Flags&can.Remote != 0 {
		s.Remote++
		return
	}
	word := binary.LittleEndian.Uint64(f.Data[:8])
	if s.Frames == 0 {
		s.First, s.Last, s.FirstFrame = f.Time, f.Time, *f
		s.Count.Add(f.Time, 0)
	} else {
		s.follow(&s.LastFrame, f, word)
	}
	s.Frames++
	s.First, s.Last = min(s.First, f.Time), max(s.Last, f.Time)
	s.Lengths[f.Len]++
	if s.length >= 0 && int(f.Len) != s.length {
		s.Misfits.add(f, 0)
	}
	s.Ones |= word
	s.Zeros |= ^word
	s.see(word)
	s.LastFrame.Assign(f)
}

// see keeps what is counted about payloads.
func (s *stream) see(word uint64) {
	if s.history > 0 && word == s.word {
		s.before, s.history = s.word, 2
		return
	}
	if !s.full {
		s.payloads[word] = struct{}{}
		s.full = len(s.payloads) >= MaxValues
	}
	s.before, s.word = s.word, word
	s.history = min(2, s.history+1)
}

// follow looks at two consecutive frames of the stream.
func (s *stream) follow(last, f *can.Frame, word uint64) {
	gap := f.Time - last.Time
	s.pairs(word)
	if gap < 0 || f.File != last.File {
		s.Count.Add(f.Time, 0)
		return
	}
	s.Gaps.Add(gap)
	s.Count.Add(f.Time, float64(gap))
	if gap > s.MaxGap.Gap {
		s.MaxGap = Event{Frame: *f, Gap: gap}
	}
	if s.cycle == 0 {
		switch {
		case gap <= UnknownLong:
		case s.msg == nil: // of these there may be thousands
			s.LongGaps.Events.add(f, gap)
		default:
			s.LongGaps.add(f, gap)
		}
		return
	}
	switch {
	case float64(gap) > LongGap*float64(s.cycle):
		s.LongGaps.add(f, gap)
	case float64(gap) < ShortGap*float64(s.cycle):
		s.Short++
	}
	// A gap within a quarter cycle of a multiple is what lost frames leave.
	if n := math.Round(float64(gap) / float64(s.cycle)); n >= 2 && n < 50 &&
		math.Abs(float64(gap)-n*float64(s.cycle)) < 0.25*float64(s.cycle) {
		s.Lost += uint64(n) - 1
	}
}

// pairs compares a payload with those of the two frames before it.
func (s *stream) pairs(word uint64) {
	if word == s.word {
		s.Repeats++
		return
	}
	if s.history == 2 && (word^s.word)&^s.ignore != 0 && (word^s.before)&^s.ignore == 0 {
		s.Alternates++
	}
}

func (s *stream) merge(next *stream) {
	s.Remote += next.Remote
	if next.Frames == 0 {
		return
	}
	if s.Frames == 0 {
		remote, b := s.Remote, s.Bus
		*s = *next
		s.Remote, s.Bus = remote, b
		return
	}
	s.follow(&s.LastFrame, &next.FirstFrame, binary.LittleEndian.Uint64(next.FirstFrame.Data[:8]))
	if s.msg != nil {
		s.msg.merge(next.msg, &next.FirstFrame)
	}
	s.Frames += next.Frames
	s.First, s.Last = min(s.First, next.First), max(s.Last, next.Last)
	s.LastFrame = next.LastFrame
	s.Gaps.Merge(&next.Gaps)
	if next.MaxGap.Gap > s.MaxGap.Gap {
		s.MaxGap = next.MaxGap
	}
	s.LongGaps.merge(&next.LongGaps)
	s.Misfits.merge(&next.Misfits)
	s.Short += next.Short
	s.Lost += next.Lost
	s.Count.Merge(next.Count)
	for i, n := range next.Lengths {
		s.Lengths[i] += n
	}
	s.Ones |= next.Ones
	s.Zeros |= next.Zeros
	s.Repeats += next.Repeats
	s.Alternates += next.Alternates
	for word := range next.payloads {
		if s.full {
			break
		}
		s.payloads[word] = struct{}{}
		s.full = len(s.payloads) >= MaxValues
	}
	s.word, s.before, s.history = next.word, next.before, next.history
}

func (s *stream) finish() {
	s.Payloads = len(s.payloads)
	s.LongGaps.cut()
}

// Constant returns the bits of the first 8 bytes, byte 0 lowest, that never changed.
func (s *Stream) Constant() uint64 { return ^(s.Ones & s.Zeros) }

// Length returns the payload length that most frames had.
func (s *Stream) Length() int {
	best := 0
	for n, count := range s.Lengths {
		if count > s.Lengths[best] {
			best = n
		}
	}
	return best
}

// Busy returns how many of the first 64 bits changed.
func (s *Stream) Busy() int { return bits.OnesCount64(s.Ones & s.Zeros) }

// Coverage is the share of the frames expected in [from, to] that came, by the
// given cycle in ns; a stretch is judged by the buckets that lie in it.
func (s *Stream) Coverage(from, to, cycle int64) float64 {
	if s == nil || cycle <= 0 || to <= from {
		return 0
	}
	var n uint64
	width := s.Count.Width()
	for i := range s.Count.Buckets() {
		b := &s.Count.Buckets()[i]
		if start := s.Count.StartOf(b); start < to && start+width > from {
			n += b.N
		}
	}
	return float64(n) * float64(cycle) / float64(to-from)
}
