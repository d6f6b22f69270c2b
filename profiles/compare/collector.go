package compare

import (
	"math"

	"plugproof/decode/can"
	"plugproof/decode/survey"
	"plugproof/profiles"
	"plugproof/profiles/stages"
)

// Caps that keep the memory of a collector bounded whatever the capture holds.
const (
	maxStates  = 512  // told apart; the frames of others are in no state
	maxStreams = 4096 // identifiers of one bus that are compared
	worstGaps  = 32   // kept of each identifier: one each time that the key is turned off, and some
	maxValues  = 16   // distinct raw values counted of a signal
	maxChanges = 256  // kept of a signal by which a unit complains, or the key is told
)

const (
	staleAfter   = int64(2e9)   // ns after which a state's signal no longer tells it
	settleAfter  = int64(300e6) // ns that the rest of the car is given to follow a new state
	silenceLimit = int64(50e6)  // ns without a frame of any sender
)

// address is an identifier on a bus.
type address struct {
	bus string
	id  profiles.ID
}

// stateKey holds the coordinate of each axis.
type stateKey [maxAxes]uint8

// collector gathers what is compared of one capture. It satisfies
// capture.Collector: a capture may be cut anywhere but for answers to a stimulus,
// which are lost at a cut.
type collector struct {
	p        *plan
	names    func(bus string) string // of an interface: the bus that it stands for
	expected map[address]*expected   // by the capture before; nil: this is that capture
	buses    *can.Buses
	survey   *survey.Collector

	byBus   []*bus // by can.Frame.Bus; nil: no frame yet
	states  []stateKey
	index   map[stateKey]int
	frames  []uint64 // by state
	now     stateKey
	state   int   // in states; between: the car is on its way to another one
	next    int   // the state that is on its way
	settled int64 // when it has arrived, ns
	axes    []axisSeen
	pairs   []pair
	nextDue int64 // when to look for stale coordinates, ns

	spans              stages.Spans // as marked; nil: none are
	spanFrom, spanUpTo int64        // in which the stage, the last axis, holds, ns

	any         bool
	first, last int64 // stamps, earliest and latest
	total       uint64
}

// between stands for no state: what comes while the car goes from one to another.
const between = 0

// axisSeen is when a state's signal came, and how it changed.
type axisSeen struct {
	first, last int64
	seen        bool
	changes     *survey.Changes // coordinates
}

// bus is one interface of the capture.
type bus struct {
	name     string
	standard []*stream
	extended map[uint32]*stream
	streams  []*stream
	tooMany  uint64
	clumped  uint64
	last     int64
	lastFile uint16
	lastLen  uint8
	any      bool
	first    can.Frame // head of the first frame
	silences [4]silence
	nSilence int
}

// silence is a stretch without a frame of any sender.
type silence struct{ from, to int64 }

// newCollector returns an empty collector. spans are the stages marked in the
// capture, by which the last axis goes where the plan has it.
func (p *plan) newCollector(buses *can.Buses, names func(string) string, spans stages.Spans, want map[address]*expected) *collector {
	c := &collector{
		p: p, names: names, spans: spans, expected: want, buses: buses, survey: survey.New(survey.Options{Buses: buses}),
		index: map[stateKey]int{}, axes: make([]axisSeen, len(p.axes)), pairs: make([]pair, len(p.pairs)),
	}
	for i := range c.axes {
		c.axes[i].changes = survey.NewChanges(maxChanges)
	}
	c.states, c.frames = []stateKey{{}}, []uint64{0} // between
	c.state = c.number(c.now)
	return c
}

// Add takes the frames of a batch in order. It keeps no reference to them.
func (c *collector) Add(batch []can.Frame) {
	c.survey.Add(batch)
	for i := range batch {
		if f := &batch[i]; f.Flags&(can.Error|can.Remote) == 0 {
			c.add(f)
		}
	}
}

func (c *collector) add(f *can.Frame) {
	first := !c.any
	if first {
		c.any, c.first, c.last = true, f.Time, f.Time
		c.nextDue = f.Time + staleAfter
	}
	if c.spans != nil && (f.Time < c.spanFrom || f.Time >= c.spanUpTo) {
		c.stage(f, first)
	}
	c.first, c.last = min(c.first, f.Time), max(c.last, f.Time)
	c.total++
	if f.Time >= c.nextDue {
		c.stale(f.Time)
	}
	if c.state == between && f.Time >= c.settled {
		c.state = c.next
	}
	if int(f.Bus) >= len(c.byBus) || c.byBus[f.Bus] == nil {
		c.addBus(f.Bus)
	}
	b := c.byBus[f.Bus]
	b.follow(f)
	s := b.find(f)
	if s == nil {
		if s = c.addStream(b, f); s == nil {
			b.tooMany++
			return
		}
	}
	s.add(c, b, f)
	c.frames[c.state]++
}

func (c *collector) addBus(index uint16) {
	for int(index) >= len(c.byBus) {
		c.byBus = append(c.byBus, nil)
	}
	c.byBus[index] = &bus{
		name: c.names(c.buses.Name(index)), standard: make([]*stream, can.MaxStandardID+1), extended: map[uint32]*stream{},
	}
}

func (c *collector) addStream(b *bus, f *can.Frame) *stream {
	if len(b.streams) >= maxStreams {
		return nil
	}
	m := c.p.message(b.name, f)
	defined := m != nil
	if !defined {
		m = c.p.unknown
	}
	s := newStream(m, defined, profiles.ID{Value: f.ID, Extended: f.Is(can.Extended)})
	if c.expected == nil {
		s.wants(nil)
	} else {
		s.wants(c.expected[address{b.name, s.id}])
	}
	b.put(s)
	return s
}

// follow looks at two consecutive frames of one bus.
func (b *bus) follow(f *can.Frame) {
	if !b.any {
		b.any, b.first = true, *f
	} else {
		b.step(f)
	}
	b.last, b.lastFile, b.lastLen = f.Time, f.File, f.Len
}

func (b *bus) step(f *can.Frame) {
	gap := f.Time - b.last
	switch {
	case f.File != b.lastFile:
	case gap > silenceLimit:
		b.silences[b.nSilence%len(b.silences)] = silence{b.last, f.Time}
		b.nSilence++
	case gap >= 0 && gap < 47_000+8_000*int64(min(f.Len, b.lastLen))-2_000 && f.Flags&can.FD == 0:
		// Closer than its own bits take at 1 Mbit/s: an 11-bit frame has at least
		// 47, and 8 a byte (kernel can/length.h). 2 us are the stamps' own.
		b.clumped++
	}
}

// silent reports whether most of the gap before a frame was one of the whole bus.
func (b *bus) silent(f *can.Frame, gap int64) bool {
	for _, s := range b.silences {
		if shared := min(s.to, f.Time) - max(s.from, f.Time-gap); float64(shared) > 0.6*float64(gap) {
			return true
		}
	}
	return false
}

func (b *bus) find(f *can.Frame) *stream {
	if f.Flags&can.Extended == 0 {
		return b.standard[f.ID&can.MaxStandardID]
	}
	return b.extended[f.ID]
}

func (b *bus) put(s *stream) {
	b.streams = append(b.streams, s)
	if s.id.Extended {
		b.extended[s.id.Value] = s
		return
	}
	b.standard[s.id.Value&can.MaxStandardID] = s
}

// coordinate sets where on an axis the car is.
func (c *collector) coordinate(axis int, bin uint8, f *can.Frame) {
	a := &c.axes[axis]
	if !a.seen {
		a.seen, a.first = true, f.Time
	}
	a.last = f.Time
	a.changes.Add(f.Time, uint64(bin))
	if c.now[axis] != bin {
		first := c.now[axis] == notYet
		c.now[axis] = bin
		c.enter(f.Time, first)
	}
}

// stage finds the marked stage of a frame. The first frame begins no new state.
func (c *collector) stage(f *can.Frame, first bool) {
	bin := uint8(notKnown)
	c.spanFrom, c.spanUpTo = math.MinInt64, math.MaxInt64
	for i := range c.spans {
		s := &c.spans[i]
		switch {
		case f.Time >= s.End:
			c.spanFrom = max(c.spanFrom, s.End)
		case f.Time < s.Start:
			c.spanUpTo = min(c.spanUpTo, s.Start)
		case bin == notKnown:
			bin = stageBin(s.Stage)
			c.spanFrom, c.spanUpTo = max(c.spanFrom, s.Start), min(c.spanUpTo, s.End)
		}
	}
	axis := len(c.axes) - 1
	c.axes[axis].seen, c.axes[axis].last = true, f.Time
	if c.now[axis] != bin {
		c.now[axis] = bin
		c.enter(f.Time, first)
	}
}

// touch notes that the signals of axes came again with the same value.
func (c *collector) touch(axes []int, now int64) {
	for _, i := range axes {
		c.axes[i].last = now
	}
}

// stale drops coordinates whose signal has not come for a while.
func (c *collector) stale(now int64) {
	c.nextDue = now + staleAfter/4
	changed := false
	for i := range c.axes {
		if c.p.axes[i].marked {
			continue
		}
		since := c.axes[i].last
		if !c.axes[i].seen {
			since = c.first
		}
		if now-since > staleAfter && c.now[i] != notKnown {
			c.now[i] = notKnown
			c.axes[i].changes.Add(now, notKnown)
			changed = true
		}
	}
	if changed {
		c.enter(now, false)
	}
}

// enter begins the state of the current coordinates. One of which only more has
// become known is there at once.
func (c *collector) enter(now int64, known bool) {
	c.next = c.number(c.now)
	if known && c.state != between {
		c.state = c.next
		return
	}
	c.state, c.settled = between, now+settleAfter
}

// number returns the index of a state, which is made where there is room.
func (c *collector) number(key stateKey) int {
	if i, ok := c.index[key]; ok {
		return i
	}
	if len(c.states) >= maxStates {
		for i := range c.p.axes {
			key[i] = notKnown
		}
		if i, ok := c.index[key]; ok {
			return i
		}
	}
	c.index[key] = len(c.states)
	c.states = append(c.states, key)
	c.frames = append(c.frames, 0)
	return len(c.states) - 1
}

// Merge takes over what the collector of the following stretch gathered; next is
// not to be used afterwards. Coordinates that next had not heard yet are those
// that this one knew last.
func (c *collector) Merge(next *collector) {
	c.survey.Merge(next.survey)
	if !next.any {
		return
	}
	states := make([]int, len(next.states)) // of next, as this one numbers them
	for i, key := range next.states {
		if i != between {
			states[i] = c.number(c.resolve(key))
		}
		c.frames[states[i]] += next.frames[i]
	}
	if !c.any {
		c.first, c.last = next.first, next.last
	}
	c.any = true
	c.first, c.last = min(c.first, next.first), max(c.last, next.last)
	c.total += next.total
	for index, from := range next.byBus {
		if from == nil {
			continue
		}
		if index >= len(c.byBus) || c.byBus[index] == nil {
			c.addBus(uint16(index))
		}
		c.byBus[index].merge(from, states)
	}
	for i := range c.pairs {
		c.pairs[i].merge(&next.pairs[i])
	}
	for i := range c.axes {
		c.axes[i].merge(&next.axes[i])
	}
	c.now = c.resolve(next.now)
	c.state = c.number(c.now)
}

// resolve fills in what a following stretch had not heard yet.
func (c *collector) resolve(key stateKey) stateKey {
	for i := range c.p.axes {
		if key[i] == notYet {
			key[i] = c.now[i]
		}
	}
	return key
}

func (a *axisSeen) merge(next *axisSeen) {
	a.changes.Merge(next.changes)
	if !next.seen {
		return
	}
	if !a.seen {
		a.seen, a.first = true, next.first
	}
	a.last = next.last
}

func (b *bus) merge(next *bus, states []int) {
	if b.any && next.any {
		b.step(&next.first)
	} else {
		b.first = next.first
	}
	b.any = b.any || next.any
	b.last, b.lastFile, b.lastLen = next.last, next.lastFile, next.lastLen
	b.clumped += next.clumped
	b.tooMany += next.tooMany
	for i := max(0, next.nSilence-len(next.silences)); i < next.nSilence; i++ {
		b.silences[b.nSilence%len(b.silences)] = next.silences[i%len(next.silences)]
		b.nSilence++
	}
	for _, s := range next.streams {
		have := b.extended[s.id.Value]
		if !s.id.Extended {
			have = b.standard[s.id.Value&can.MaxStandardID]
		}
		switch {
		case have != nil:
			have.merge(s, b, states)
		case len(b.streams) < maxStreams:
			s.renumber(states)
			b.put(s)
		default:
			b.tooMany += s.frames
		}
	}
}
