package compare

import (
	"encoding/binary"
	"slices"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/guard"
	"plugproof/decode/survey"
	"plugproof/profiles"
)

// expected is what the capture before says of an identifier: what the capture
// after is held against frame by frame.
type expected struct {
	length    int    // payload bytes of most frames; -1: any
	mask      uint64 // bits of the first eight bytes that never changed; byte 0 lowest
	constants uint64
	guard     *guard.Guard  // learned; nil: no law was found
	fields    []guard.Field // of that law
	cycle     int64         // ns; 0: none
}

// event is the first of some frames, and how many there were.
type event struct {
	count uint64
	first can.Frame
}

func (e *event) add(f *can.Frame) {
	if e.count == 0 {
		e.first = *f
	}
	e.count++
}

func (e *event) merge(next *event) {
	if e.count == 0 {
		e.first = next.first
	}
	e.count += next.count
}

// gapEvent is a frame and the gap before it, ns.
type gapEvent struct {
	frame can.Frame
	gap   int64
}

// faultKinds is how many kinds of guard.Faults there are.
const faultKinds = 9

// stream gathers the frames of one identifier on one bus.
type stream struct {
	id      profiles.ID
	plan    *messagePlan
	defined bool
	want    *expected
	watch   *guard.Watch
	sample  *guard.Sample // to learn from; nil: not wanted

	frames      uint64
	first, last can.Frame
	worst       []gapEvent // longest first, those of the whole bus left out
	misfits     event      // frames of another length than expected
	differs     event      // frames with another constant than expected
	faults      [faultKinds]event
	judged      uint64 // frames that watch saw
	valid       event  // frames in which every signal was available

	word    uint64 // first eight bytes of the last frame
	pending uint64 // frames since then with the same payload in the same state
	values  []decode.Value
	signals []signalSeen
	states  []*stateSeen // by the collector's states
	current *stateSeen
	state   int
}

// signalSeen is what one signal did over the whole capture.
type signalSeen struct {
	has      bool
	raw      uint64 // the latest
	distinct []uint64
	more     bool // than maxValues of them
	outside  event
	na       event
	ones     event
	changes  *survey.Changes // raw values, of those that complain; nil: not kept
	flagged  can.Frame       // where it last began to complain
}

// stateSeen is a message in one state.
type stateSeen struct {
	frames uint64
	first  can.Frame
	cells  []cell // by decode.Signal.Index
}

// cell is one signal in one state.
type cell struct {
	n, na         uint64
	min, max, sum float64
}

func newStream(m *messagePlan, defined bool, id profiles.ID) *stream {
	s := &stream{id: id, plan: m, defined: defined, state: -1, signals: make([]signalSeen, len(m.signals))}
	for i := range m.signals {
		if len(m.signals[i].flags) > 0 {
			s.signals[i].changes = survey.NewChanges(maxChanges)
		}
	}
	return s
}

// wants sets what the frames are held against; nil: nothing, and laws are to be
// learned where none is stated.
func (s *stream) wants(want *expected) {
	s.want = want
	switch {
	case s.plan.guard != nil:
		s.watch = s.plan.guard.Watch(s.plan.cycle)
	case want == nil && s.learns():
		s.sample = &guard.Sample{}
	case want != nil && want.guard != nil:
		s.watch = want.guard.Watch(want.cycle)
	}
}

// learns reports whether the law of a message is to be learned: a profile that has
// the message has said how it is guarded.
func (s *stream) learns() bool { return !s.plan.profile }

func (s *stream) add(c *collector, b *bus, f *can.Frame) {
	word := binary.LittleEndian.Uint64(f.Data[:8])
	if s.frames == 0 {
		s.first = *f
	} else {
		s.follow(b, f)
	}
	if s.want != nil {
		s.hold(f, word)
	}
	if s.watch != nil {
		s.guard(f)
	}
	if s.sample != nil {
		s.sample.Add(f)
	}
	same := s.frames > 0 && word == s.word && f.Len == s.last.Len && f.Len <= 8 && s.state == c.state
	s.frames++
	s.last, s.word = *f, word
	if same {
		s.pending++
		c.touch(s.plan.axes, f.Time)
		for i := range s.values {
			s.answers(c, f, &s.values[i])
		}
		return
	}
	s.settle()
	s.values, _ = s.plan.decoder.Decode(f, s.values[:0])
	for i := range s.values {
		s.take(c, f, &s.values[i])
	}
	s.count(c.state, f)
}

// follow looks at the gap between two consecutive frames.
func (s *stream) follow(b *bus, f *can.Frame) {
	gap := f.Time - s.last.Time
	if f.File != s.last.File || len(s.worst) == worstGaps && gap <= s.worst[worstGaps-1].gap || gap <= 0 {
		return
	}
	if !b.silent(f, gap) {
		s.keepGap(gapEvent{*f, gap})
	}
}

// keepGap keeps a gap when it is among the longest.
func (s *stream) keepGap(g gapEvent) {
	at, _ := slices.BinarySearchFunc(s.worst, g.gap, func(have gapEvent, gap int64) int {
		if have.gap >= gap {
			return -1 // the earlier of equal ones first
		}
		return 1
	})
	s.worst = slices.Insert(s.worst, at, g)
	s.worst = s.worst[:min(len(s.worst), worstGaps)]
}

// hold compares a frame with what the capture before had.
func (s *stream) hold(f *can.Frame, word uint64) {
	if s.want.length >= 0 && int(f.Len) != s.want.length {
		s.misfits.add(f)
		return
	}
	if (word^s.want.constants)&s.want.mask != 0 {
		s.differs.add(f)
	}
}

func (s *stream) guard(f *can.Frame) {
	s.judged++
	faults := s.watch.Add(f)
	for i := 0; faults != 0 && i < faultKinds; i++ {
		if faults>>i&1 != 0 {
			s.faults[i].add(f)
		}
	}
}

// take follows one value of a frame whose payload or state is new.
func (s *stream) take(c *collector, f *can.Frame, v *decode.Value) {
	plan := &s.plan.signals[v.Signal.Index]
	if plan.skip {
		return
	}
	seen := &s.signals[v.Signal.Index]
	raw := v.Raw & plan.mask
	if !seen.has || raw != seen.raw {
		seen.has, seen.raw = true, raw
		seen.see(raw)
		if seen.changes != nil {
			seen.changes.Add(f.Time, raw)
			if plan.complains(raw) {
				seen.flagged = *f
			}
		}
	}
	for _, axis := range plan.axes {
		bin := uint8(notKnown)
		if !plan.none(raw) {
			bin = c.p.axes[axis].bin(v)
		}
		c.coordinate(axis, bin, f)
	}
	if plan.none(raw) {
		return
	}
	for _, i := range plan.stims {
		c.pairs[i].stimulus(&c.p.pairs[i], f, v.Phys)
	}
	s.answers(c, f, v)
}

// answers hands a value to the pairs that it answers in.
func (s *stream) answers(c *collector, f *can.Frame, v *decode.Value) {
	plan := &s.plan.signals[v.Signal.Index]
	if len(plan.answers) == 0 || plan.none(v.Raw&plan.mask) {
		return
	}
	for _, i := range plan.answers {
		c.pairs[i].reply(&c.p.pairs[i], f, v.Phys)
	}
}

// complains reports whether a raw value is one by which a unit complains.
func (s *signalPlan) complains(raw uint64) bool {
	return slices.ContainsFunc(s.flags, func(f flagPlan) bool {
		return slices.ContainsFunc(f.Values, func(v int64) bool { return uint64(v)&s.mask == raw })
	})
}

// none reports whether a raw value is no number.
func (s *signalPlan) none(raw uint64) bool {
	return slices.Contains(s.na, raw) || slices.Contains(s.words, raw)
}

// see counts distinct values.
func (s *signalSeen) see(raw uint64) {
	switch {
	case s.more || slices.Contains(s.distinct, raw):
	case len(s.distinct) < maxValues:
		s.distinct = append(s.distinct, raw)
	default:
		s.more = true
	}
}

// count files the values of a frame under its state.
func (s *stream) count(state int, f *can.Frame) {
	if state != s.state {
		for state >= len(s.states) {
			s.states = append(s.states, nil)
		}
		if s.states[state] == nil {
			s.states[state] = &stateSeen{first: *f, cells: make([]cell, len(s.plan.signals))}
		}
		s.state, s.current = state, s.states[state]
	}
	available := s.file(1, f)
	if available {
		s.valid.add(f)
	}
}

// file adds the latest values n times, and reports whether all were available.
// The frame is that of the first time; nil: they were filed before.
func (s *stream) file(n uint64, f *can.Frame) (available bool) {
	available = true
	s.current.frames += n
	for i := range s.values {
		v := &s.values[i]
		plan := &s.plan.signals[v.Signal.Index]
		if plan.skip {
			continue
		}
		at, seen, raw := &s.current.cells[v.Signal.Index], &s.signals[v.Signal.Index], v.Raw&plan.mask
		switch {
		case slices.Contains(plan.na, raw) || v.Phys != v.Phys:
			at.na += n
			available = false
			seen.na.more(n, f)
		case slices.Contains(plan.words, raw):
		default:
			at.add(v.Phys, n)
			if v.Phys < plan.low || v.Phys > plan.high {
				seen.outside.more(n, f)
			}
			if plan.ones != 0 && raw == plan.ones {
				seen.ones.more(n, f)
			}
		}
	}
	return available
}

// more counts n frames; f is the first one, nil when there were some before.
func (e *event) more(n uint64, f *can.Frame) {
	if e.count == 0 && f != nil {
		e.first = *f
	}
	e.count += n
}

func (c *cell) add(v float64, n uint64) {
	if c.n == 0 {
		c.min, c.max = v, v
	} else if v < c.min {
		c.min = v
	} else if v > c.max {
		c.max = v
	}
	c.n += n
	c.sum += v * float64(n)
}

func (c *cell) merge(next *cell) {
	switch {
	case next.n == 0:
	case c.n == 0:
		c.min, c.max = next.min, next.max
	default:
		c.min, c.max = min(c.min, next.min), max(c.max, next.max)
	}
	c.n += next.n
	c.na += next.na
	c.sum += next.sum
}

// settle files what came again and again.
func (s *stream) settle() {
	if s.pending == 0 {
		return
	}
	if s.file(s.pending, nil) {
		s.valid.count += s.pending
	}
	s.pending = 0
}

// renumber gives the states the numbers of another collector.
func (s *stream) renumber(states []int) {
	s.settle()
	old := s.states
	s.states = nil
	for i, from := range old {
		if from == nil {
			continue
		}
		to := states[i]
		for to >= len(s.states) {
			s.states = append(s.states, nil)
		}
		if s.states[to] == nil {
			s.states[to] = from
		} else {
			s.states[to].merge(from)
		}
	}
	s.state, s.current = -1, nil
}

func (s *stateSeen) merge(next *stateSeen) {
	s.frames += next.frames
	for i := range s.cells {
		s.cells[i].merge(&next.cells[i])
	}
}

// merge takes over what followed.
func (s *stream) merge(next *stream, b *bus, states []int) {
	s.settle()
	s.state, s.current = -1, nil
	next.renumber(states)
	if next.first.File == s.last.File {
		s.follow(b, &next.first)
	}
	for i := range next.worst {
		s.keepGap(next.worst[i])
	}
	if s.watch != nil && next.judged > 0 {
		s.seam(next)
	}
	s.frames += next.frames
	s.last, s.word = next.last, next.word
	s.misfits.merge(&next.misfits)
	s.differs.merge(&next.differs)
	s.valid.merge(&next.valid)
	if s.sample != nil {
		s.sample.Merge(next.sample)
	}
	for len(s.states) < len(next.states) {
		s.states = append(s.states, nil)
	}
	for i, from := range next.states {
		switch {
		case from == nil:
		case s.states[i] == nil:
			s.states[i] = from
		default:
			s.states[i].merge(from)
		}
	}
	for i := range s.signals {
		s.signals[i].merge(&next.signals[i])
	}
}

// seam adds up the faults. The first frame of next had no predecessor there: its
// counter is not held against the last one here.
func (s *stream) seam(next *stream) {
	s.judged += next.judged
	for i := range s.faults {
		s.faults[i].merge(&next.faults[i])
	}
	s.watch = next.watch
}

func (s *signalSeen) merge(next *signalSeen) {
	if !next.has {
		return
	}
	s.has, s.raw = true, next.raw
	for _, raw := range next.distinct {
		s.see(raw)
	}
	s.more = s.more || next.more
	s.outside.merge(&next.outside)
	s.na.merge(&next.na)
	s.ones.merge(&next.ones)
	if s.changes != nil {
		s.changes.Merge(next.changes)
		if next.flagged.Record > 0 {
			s.flagged = next.flagged
		}
	}
}

// span returns the range of a signal over all states.
func (s *stream) span(signal int) (all cell) {
	for _, st := range s.states {
		if st != nil {
			all.merge(&st.cells[signal])
		}
	}
	return all
}
