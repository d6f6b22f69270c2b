package evidence

import (
	"maps"
	"math"
	"math/bits"
	"slices"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/decode/survey"
)

// message is a Message being gathered.
type message struct {
	Message
	plan    *messagePlan
	watch   *guard.Watch
	signals []signal
	calm    calm
}

// add looks into one frame. values is room for what it decodes; it is returned.
func (m *message) add(f *can.Frame, values []decode.Value, fits []fit) []decode.Value {
	if m.watch != nil {
		m.Judged++
		if faults := m.watch.Add(f); faults != 0 {
			m.fault(f, faults)
		}
	}
	if m.plan.decoder == nil {
		return values
	}
	if m.addCalm(f, fits) {
		if len(m.plan.talks) > 0 { // they hear every frame
			values, _ = m.plan.decoder.Decode(f, values)
		}
		return values
	}
	m.wake()
	values, complete := m.plan.decoder.Decode(f, values)
	if !complete {
		m.Incomplete++
	}
	available := len(values) > 0
	for i := range values {
		v := &values[i]
		if !m.signals[v.Signal.Index].take(f, v, fits) {
			available = false
		}
		if v.Signal.Index == m.plan.page {
			m.page(v.Raw)
		}
	}
	if available && !m.HasValid {
		m.HasValid, m.FirstValid = true, f.Time
	}
	m.calmDown(f, complete)
	return values
}

func (m *message) page(raw uint64) {
	if _, ok := m.Pages[raw]; ok || len(m.Pages) < MaxValues {
		m.Pages[raw]++
	}
}

// fault files a frame under each of its faults.
func (m *message) fault(f *can.Frame, faults guard.Faults) {
	for faults != 0 {
		one := faults & -faults
		faults &^= one
		if m.Faults[one] == nil {
			m.Faults[one] = &Events{}
		}
		m.Faults[one].add(f, 0)
		if m.FaultTracks != nil {
			m.faultTrack(one).Add(f.Time, 1)
		}
	}
}

// faultTrack returns the track of one fault, made when it is new.
func (m *message) faultTrack(one guard.Faults) *survey.Track {
	if m.FaultTracks[one] == nil {
		m.FaultTracks[one] = fineGrain.count.newTrack(true)
	}
	return m.FaultTracks[one]
}

// merge takes over what followed; first is the frame behind the seam.
func (m *message) merge(next *message, first *can.Frame) {
	m.wake()
	next.wake()
	m.calm = calm{}
	if m.watch != nil && next.Judged > 0 && m.Judged > 0 {
		m.seam(first)
		m.LostByCount += m.watch.Lost
		m.watch = next.watch
	}
	m.Judged += next.Judged
	m.LostByCount += next.LostByCount
	for kind, events := range next.Faults {
		if m.Faults[kind] == nil {
			m.Faults[kind] = &Events{}
		}
		m.Faults[kind].merge(events)
	}
	for kind, track := range next.FaultTracks {
		m.faultTrack(kind).Merge(track)
	}
	for _, page := range slices.Sorted(maps.Keys(next.Pages)) {
		if _, ok := m.Pages[page]; ok || len(m.Pages) < MaxValues {
			m.Pages[page] += next.Pages[page]
		}
	}
	if !m.HasValid {
		m.HasValid, m.FirstValid = next.HasValid, next.FirstValid
	}
	m.Incomplete += next.Incomplete
	for i := range m.signals {
		m.signals[i].merge(&next.signals[i])
	}
}

// seam judges the step over the seam of two stretches, as it would have been
// judged without one. Only the step: what the frame holds by itself was judged
// already.
func (m *message) seam(first *can.Frame) {
	const stepFaults = guard.FrozenCounter | guard.WrongStep | guard.WrongToggle | guard.SecondSender
	if faults := m.watch.Add(first) & stepFaults; faults != 0 {
		m.fault(first, faults)
	}
}

func (m *message) finish() {
	m.wake()
	if m.watch != nil {
		m.LostByCount += m.watch.Lost
	}
	for i := range m.signals {
		s := &m.signals[i]
		s.settle()
		s.flush()
		s.setValues()
		s.Rises = float64(s.rises) * s.plan.quantum
		m.Signals[s.Def.Name] = &s.Signal
	}
}

// signal is a Signal being gathered. What a value that repeats the one before
// touches lies together at its start: most values of most signals do.
type signal struct {
	plan    *signalPlan
	raw     uint64  // of the last frame
	phys    float64 // last available value
	time    int64   // of the last available value
	until   int64   // end of the bucket that it lies in
	repeats uint64  // values like it that followed and are not counted yet
	pending uint64  // those of them that the track does not have
	plain   bool    // the last frame had an available value about which there is nothing to say
	odd     bool    // the last frame was no value, or zero between others
	atTop   bool
	paired  bool // it is the value or the reference of a fit

	Signal
	seen       uint64     // frames of message.calm that it has counted
	na         trackGrain // of NATrack when it is made
	tallies    []uint64   // of a short field: frames by raw bits; Values is made of it
	distinct   int        // of them not 0
	before     float64    // the available value before it
	beforeOK   bool
	running    uint64 // raw value of the run not yet counted
	run        uint64
	topSince   int64
	topFirst   bool   // the stretch begins with a stay at the top
	topStays   bool   // and that stay lasts on
	topEnd     int64  // its end, as far as seen
	rises      uint64 // Rises, raw: sums of whole numbers do not depend on the seams
	firstRaw   uint64
	firstPhys  float64
	firstFrame can.Frame // of the first available value
}

func (s *signal) init(plan *signalPlan, g signalGrain) {
	s.plan, s.paired, s.na = plan, len(plan.asX)+len(plan.asY) > 0, g.na
	s.Signal = Signal{
		Def: plan.sig.Def, Own: plan.own, Track: g.track.newTrack(plan.named), MoreValues: g.values,
		SwappedMin: math.Inf(1), SwappedMax: math.Inf(-1),
	}
	switch {
	case plan.guards || g.values:
	case plan.short:
		s.tallies = make([]uint64, 1<<plan.sig.Def.Length)
	default:
		s.Values = map[uint64]uint64{}
	}
	switch {
	case plan.named && g.changes:
		s.Changes = survey.NewChanges(1) // the one at the seam and the count of all
	case plan.named:
		s.Changes = survey.NewChanges(MaxChanges)
	}
}

// bitsOf returns the raw bits of a value without its sign extension.
func (s *signal) bitsOf(raw uint64) uint64 { return raw & (^uint64(0) >> (64 - min(64, s.Def.Length))) }

// take looks at a value and reports whether it is available.
func (s *signal) take(f *can.Frame, v *decode.Value, fits []fit) bool {
	if s.plan.guards {
		s.Frames++
		return true
	}
	if s.again(f, v, fits) {
		return true
	}
	number, available := s.add(f, v)
	if number {
		s.pair(f, v, fits)
	}
	return available
}

// add counts a value by itself and reports whether it is available.
func (s *signal) add(f *can.Frame, v *decode.Value) (number, available bool) {
	s.settle()
	s.plain = false
	s.Frames++
	pattern := s.bitsOf(v.Raw)
	if s.Changes != nil {
		s.Changes.Add(f.Time, v.Raw)
	}
	s.value(v.Raw)
	if slices.Contains(s.plan.na, pattern) {
		s.NA++
		s.NAFirst.add(f, 0)
		if s.NATrack == nil {
			s.NATrack = s.na.newTrack(s.plan.named)
		}
		s.NATrack.Add(f.Time, 1)
		s.odd = s.Available > 0
		s.leaveTop(f.Time)
		return false, false
	}
	if math.IsNaN(v.Phys) {
		return false, false
	}
	if slices.Contains(s.plan.words, pattern) {
		s.Worded++
		s.leaveTop(f.Time)
		return false, true
	}
	if s.plan.ones != 0 && pattern == s.plan.ones {
		s.AllOnes++
		s.OnesFirst.add(f, 0)
	}
	s.Available++
	s.Track.Add(f.Time, v.Phys)
	if s.Available == 1 {
		s.Min, s.Max, s.First, s.FirstTime = v.Phys, v.Phys, v.Phys, f.Time
		s.firstRaw, s.firstPhys, s.firstFrame = v.Raw, v.Phys, *f
	}
	s.Min, s.Max, s.Last, s.LastTime = min(s.Min, v.Phys), max(s.Max, v.Phys), v.Phys, f.Time
	if !s.inBand(v.Phys) {
		s.OutOfBand.add(f, 0)
	}
	s.top(f.Time, pattern)
	if s.plan.swap > 0 {
		swapped := float64(s.swapped(pattern))
		s.SwappedMin, s.SwappedMax = min(s.SwappedMin, swapped), max(s.SwappedMax, swapped)
	}
	return true, true
}

// value counts a raw value. A run of one value is counted when it ends, and past
// MaxValues nothing is counted any more: most signals stand still or never do.
func (s *signal) value(raw uint64) {
	if s.MoreValues {
		return
	}
	if s.run > 0 && raw == s.running {
		s.run++
		return
	}
	s.flush()
	s.running, s.run = raw, 1
}

func (s *signal) flush() {
	if s.run > 0 {
		s.tally(s.running, s.run)
	}
	s.run = 0
}

func (s *signal) tally(raw, n uint64) {
	if s.tallies != nil {
		at := &s.tallies[s.bitsOf(raw)]
		if *at == 0 {
			s.distinct++
			s.MoreValues = s.distinct > MaxValues
		}
		*at += n
		return
	}
	if _, ok := s.Values[raw]; ok || len(s.Values) < MaxValues {
		s.Values[raw] += n
	} else {
		s.MoreValues = true
	}
}

// shortBits is the greatest length of a field whose values are counted in an array.
const shortBits = 8

// setValues makes Values what it is in the end.
func (s *signal) setValues() {
	switch {
	case s.MoreValues:
		s.Values = nil
		return
	case s.tallies != nil:
		s.Values = map[uint64]uint64{}
	}
	for pattern, n := range s.tallies {
		if n > 0 {
			s.Values[s.extended(uint64(pattern))] = n
		}
	}
}

// extended returns the raw value of a pattern: the inverse of bitsOf.
func (s *signal) extended(pattern uint64) uint64 {
	if s.Def.Type == dbc.Signed {
		unused := 64 - s.Def.Length
		return uint64(int64(pattern<<unused) >> unused)
	}
	return pattern
}

// Within counts the entries of a track in [from, to), by whole buckets; a nil
// track has none.
func Within(t *survey.Track, from, to int64) (n uint64) {
	if t == nil {
		return 0
	}
	for i := range t.Buckets() {
		if b := &t.Buckets()[i]; b.FirstTime >= from && b.LastTime < to {
			n += b.N
		}
	}
	return n
}

// swapped returns the pattern read in the other byte order.
func (s *signal) swapped(pattern uint64) uint64 {
	return bits.ReverseBytes64(pattern) >> (64 - 8*s.plan.swap)
}

// top follows how long the field stands at its greatest value.
func (s *signal) top(now int64, pattern uint64) {
	if s.plan.top == 0 {
		return
	}
	if pattern < s.plan.top-1 {
		s.leaveTop(now)
		return
	}
	if !s.atTop {
		s.atTop, s.topSince, s.topStays = true, now, s.Frames == 1
		s.topFirst = s.topFirst || s.topStays
	}
	s.AtTop = max(s.AtTop, now-s.topSince)
	if s.topStays {
		s.topEnd = now
	}
}

func (s *signal) leaveTop(now int64) {
	if s.atTop {
		s.AtTop = max(s.AtTop, now-s.topSince)
		if s.topStays {
			s.topEnd = now
		}
		s.atTop, s.topStays = false, false
	}
}

// pair compares an available value with the ones before it.
func (s *signal) pair(f *can.Frame, v *decode.Value, fits []fit) {
	if s.Available > 1 {
		s.step(f, v.Raw, v.Phys)
	}
	s.outlier(f, v.Phys)
	s.raw, s.time, s.until = v.Raw, f.Time, s.Track.Until()
	s.plain = !s.atTop && (s.plan.ones == 0 || s.bitsOf(v.Raw) != s.plan.ones) && s.inBand(v.Phys)
	s.fit(f, v, fits)
}

// fit hands an available value to the pairs that it belongs to.
func (s *signal) fit(f *can.Frame, v *decode.Value, fits []fit) {
	for _, i := range s.plan.asX {
		fits[i].reference(f.Time, v.Phys)
	}
	for _, i := range s.plan.asY {
		fits[i].value(f.Time, v.Phys)
	}
}

// again is add and pair for a value that is the one before over again, and about
// which there is nothing to say. It reports whether it took it.
func (s *signal) again(f *can.Frame, v *decode.Value, fits []fit) bool {
	if !s.plain || v.Raw != s.raw {
		return false
	}
	if f.Time < s.until && f.Time >= s.time {
		s.pending++
		s.time = f.Time
	} else {
		s.Track.Repeat(s.pending, s.time)
		s.pending = 0
		s.Track.Add(f.Time, v.Phys)
		s.time, s.until = f.Time, s.Track.Until()
	}
	s.repeats++
	if s.paired {
		s.fit(f, v, fits)
	}
	return true
}

// settle counts the values that again took.
func (s *signal) settle() {
	if s.repeats == 0 {
		return
	}
	s.Track.Repeat(s.pending, s.time)
	s.Frames += s.repeats
	s.Available += s.repeats
	s.Steps += s.repeats
	if !s.MoreValues {
		s.run += s.repeats
	}
	s.LastTime = s.time
	s.before, s.beforeOK = s.phys, true
	s.repeats, s.pending = 0, 0
}

// inBand reports whether a listener accepts a value.
func (s *signal) inBand(phys float64) bool {
	a := s.Own.Accepted
	return a == nil || phys >= a.From && phys <= a.To
}

// step compares two consecutive available values.
func (s *signal) step(f *can.Frame, raw uint64, phys float64) {
	s.Steps++
	if raw == s.raw {
		return
	}
	s.Moved++
	from, to := s.bitsOf(s.raw), s.bitsOf(raw)
	jump := math.Abs(float64(int64(raw)) - float64(int64(s.raw)))
	if s.plan.swap > 0 {
		s.Rough += jump
		s.RoughSwapped += math.Abs(float64(s.swapped(to)) - float64(s.swapped(from)))
	}
	if s.plan.half > 0 && jump > s.plan.half && !s.Own.Counts {
		s.HalfJumps.add(f, 0)
	}
	if slew := s.Own.Slew; slew > 0 {
		dt := float64(f.Time-s.time) / 1e9
		if dt > 0 && math.Abs(phys-s.phys)-s.plan.quantum > slew*dt {
			s.TooFast.add(f, f.Time-s.time)
			if math.Abs(phys-s.phys)-s.plan.quantum > LeapFactor*slew*dt {
				s.Leaps.add(f, f.Time-s.time)
			}
		}
	}
	if s.Own.Counts {
		s.count(from, to)
	}
}

// count adds the step of a rolling signal: a small one forward or backward modulo
// its width. A large one is neither: its sender started anew.
func (s *signal) count(from, to uint64) {
	width := ^uint64(0) >> (64 - s.Def.Length)
	forward, backward := (to-from)&width, (from-to)&width
	switch {
	case forward <= width/64:
		s.rises += forward
	case backward <= width/64:
		s.Falls++
	}
}

// outlier looks for one odd frame between two values that agree.
func (s *signal) outlier(f *can.Frame, phys float64) {
	near := func(a, b float64) bool { return math.Abs(a-b) <= 0.05*max(math.Abs(a), math.Abs(b)) }
	zero := func(x float64) bool { return math.Abs(x) <= s.plan.quantum }
	far := func(x float64) bool { return math.Abs(x) > max(10*s.plan.quantum, 0.05*(s.Max-s.Min)) }
	switch {
	case s.Available <= 1:
	case s.odd: // the frame before was "not available"
		if near(s.phys, phys) && far(phys) {
			s.Outliers.add(f, 0)
		}
	case s.beforeOK && zero(s.phys) && far(s.before) && far(phys) && near(s.before, phys):
		s.Outliers.add(f, 0)
	}
	s.odd = false
	s.before, s.beforeOK = s.phys, s.Available > 1
	s.phys = phys
}

// merge takes over what followed.
func (s *signal) merge(next *signal) {
	s.settle()
	next.settle()
	s.plain = false
	if next.Available > 0 && s.Available > 0 {
		s.step(&next.firstFrame, next.firstRaw, next.firstPhys)
	}
	s.addSums(next)
	if s.Changes != nil {
		s.Changes.Merge(next.Changes)
	}
	s.flush()
	next.flush()
	s.MoreValues = s.MoreValues || next.MoreValues
	for pattern, n := range next.tallies {
		if n > 0 && !s.MoreValues {
			s.tally(uint64(pattern), n)
		}
	}
	for _, raw := range slices.Sorted(maps.Keys(next.Values)) { // sorted: the cap must not fall on chance
		s.tally(raw, next.Values[raw])
	}
	if next.Available == 0 {
		return
	}
	if s.Available == 0 {
		s.Min, s.Max, s.First, s.FirstTime = next.Min, next.Max, next.First, next.FirstTime
		s.firstRaw, s.firstPhys, s.firstFrame = next.firstRaw, next.firstPhys, next.firstFrame
	}
	s.Available += next.Available
	s.Min, s.Max, s.Last, s.LastTime = min(s.Min, next.Min), max(s.Max, next.Max), next.Last, next.LastTime
	s.raw, s.phys, s.before, s.beforeOK, s.time, s.odd = next.raw, next.phys, next.before, next.beforeOK, next.time, next.odd
	s.mergeTop(next)
}

// mergeTop joins a stay at the top that goes on over the seam.
func (s *signal) mergeTop(next *signal) {
	on, end := s.atTop && next.topFirst, next.FirstTime
	if on {
		end = next.topEnd
	}
	if s.atTop {
		s.AtTop = max(s.AtTop, end-s.topSince)
	}
	if s.topStays {
		s.topEnd = end
	}
	if !on || !next.topStays {
		s.topSince = next.topSince
	}
	s.atTop, s.topStays = next.atTop, s.topStays && on && next.topStays
}

// addSums adds the sums that need no order.
func (s *signal) addSums(next *signal) {
	s.Frames += next.Frames
	s.NA += next.NA
	s.Worded += next.Worded
	s.AllOnes += next.AllOnes
	s.NAFirst.merge(&next.NAFirst)
	if s.NATrack == nil {
		s.NATrack = next.NATrack
	} else if next.NATrack != nil {
		s.NATrack.Merge(next.NATrack)
	}
	s.OnesFirst.merge(&next.OnesFirst)
	s.Track.Merge(next.Track)
	s.Steps += next.Steps
	s.Moved += next.Moved
	s.Rough += next.Rough
	s.RoughSwapped += next.RoughSwapped
	s.SwappedMin, s.SwappedMax = min(s.SwappedMin, next.SwappedMin), max(s.SwappedMax, next.SwappedMax)
	s.TooFast.merge(&next.TooFast)
	s.Leaps.merge(&next.Leaps)
	s.HalfJumps.merge(&next.HalfJumps)
	s.Outliers.merge(&next.Outliers)
	s.AtTop = max(s.AtTop, next.AtTop)
	s.OutOfBand.merge(&next.OutOfBand)
	s.rises += next.rises
	s.Falls += next.Falls
}

// fit is a Fit being gathered: a value is paired with the latest reference.
type fit struct {
	Fit
	ref     float64
	refTime int64
	hasRef  bool
}

func (p *fit) reference(now int64, x float64) { p.ref, p.refTime, p.hasRef = x, now, true }

func (p *fit) value(now int64, y float64) {
	if age := now - p.refTime; !p.hasRef || age < 0 || age > PairWindow {
		return
	}
	p.Pair(p.ref, y)
}

// Pair adds one pair of a reference and a value.
func (p *Fit) Pair(x, y float64) {
	if p.N == 0 {
		p.MinX, p.MaxX = x, x
	}
	p.N++
	p.MinX, p.MaxX = min(p.MinX, x), max(p.MaxX, x)
	p.SumX += x
	p.SumY += y
	p.SumXX += x * x
	p.SumXY += x * y
	p.SumYY += y * y
}

func (p *fit) merge(next *fit) {
	if next.N > 0 {
		if p.N == 0 {
			p.MinX, p.MaxX = next.MinX, next.MaxX
		}
		p.MinX, p.MaxX = min(p.MinX, next.MinX), max(p.MaxX, next.MaxX)
	}
	p.N += next.N
	p.SumX += next.SumX
	p.SumY += next.SumY
	p.SumXX += next.SumXX
	p.SumXY += next.SumXY
	p.SumYY += next.SumYY
	if next.hasRef {
		p.ref, p.refTime, p.hasRef = next.ref, next.refTime, true
	}
}

// Line returns the straight line y = a*x + b through the pairs and how much of
// the spread it explains (R squared). ok is false without enough spread.
func (p *Fit) Line() (a, b, r2 float64, ok bool) {
	n := float64(p.N)
	sxx := p.SumXX - p.SumX*p.SumX/n
	syy := p.SumYY - p.SumY*p.SumY/n
	sxy := p.SumXY - p.SumX*p.SumY/n
	if p.N < 10 || !(sxx > 1e-9*max(1, p.SumXX)) {
		return 0, 0, 0, false
	}
	a = sxy / sxx
	b = (p.SumY - a*p.SumX) / n
	if syy > 0 {
		r2 = sxy * sxy / (sxx * syy)
	}
	return a, b, r2, true
}
