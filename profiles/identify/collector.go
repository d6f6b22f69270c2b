package identify

import (
	"plugproof/decode/can"
	"plugproof/decode/guard"
	"plugproof/decode/survey"
	"plugproof/profiles"
)

// Caps that bound the memory and the time of a Collector.
const (
	maxStreams = 8192 // identifiers told apart per interface
	maxValues  = 16   // distinct values kept of a field
	maxJudged  = 2000 // frames that a law is tried on: enough to be sure
	maxPause   = 1e9  // ns; a longer gap is a pause, or the cycle of a slow message
)

// Collector gathers generic figures of every identifier in one pass. It
// satisfies capture.Collector[*Collector].
type Collector struct {
	plan  *Plan
	buses *can.Buses
	ports []*port // by Frame.Bus; nil until seen
}

// port is one interface of the capture.
type port struct {
	frames   uint64
	tooMany  uint64
	standard []*stream
	extended map[uint32]*stream
	streams  []*stream // in order of appearance
}

// stream is what the frames of one identifier showed.
type stream struct {
	id          profiles.ID
	ask         *questions // nil: no setting has the identifier
	frames      uint64
	first, last int64
	gaps        survey.Gaps
	active      int64  // ns, the gaps up to maxPause added up
	paced       uint64 // how many those are
	repeats     uint64 // frames with the payload of the one before; where ask is not nil
	lengths     [can.MaxFDLen + 1]uint32
	fields      []values // as ask.fields
	laws        []trial  // as ask.laws
	payload     [can.MaxFDLen]byte
}

// values are the values that a field had.
type values struct {
	list []valueCount
	more bool
}

type valueCount struct {
	value uint64
	n     uint64
}

// trial is a law being tried.
type trial struct {
	watch        *guard.Watch
	judged, held uint32
}

// New returns an empty collector; buses are the names that Frame.Bus stands for.
func (p *Plan) New(buses *can.Buses) *Collector { return &Collector{plan: p, buses: buses} }

// Add takes the frames of a batch in order. It keeps no reference to them.
func (c *Collector) Add(batch []can.Frame) {
	for i := range batch {
		f := &batch[i]
		if f.Flags&(can.Error|can.Remote) != 0 {
			continue
		}
		p := c.port(f.Bus)
		p.frames++
		s := p.stream(f)
		if s == nil {
			if s = p.fresh(f, c.plan); s == nil {
				p.tooMany++
				continue
			}
		}
		s.add(f)
	}
}

func (c *Collector) port(index uint16) *port {
	for len(c.ports) <= int(index) {
		c.ports = append(c.ports, nil)
	}
	if c.ports[index] == nil {
		c.ports[index] = &port{standard: make([]*stream, can.MaxStandardID+1), extended: map[uint32]*stream{}}
	}
	return c.ports[index]
}

func (p *port) stream(f *can.Frame) *stream {
	if f.Flags&can.Extended == 0 {
		return p.standard[f.ID&can.MaxStandardID]
	}
	return p.extended[f.ID]
}

// fresh begins the stream of an identifier; nil when there are too many.
func (p *port) fresh(f *can.Frame, plan *Plan) *stream {
	if len(p.streams) >= maxStreams {
		return nil
	}
	s := &stream{id: profiles.ID{Value: f.ID, Extended: f.Flags&can.Extended != 0}}
	if s.ask = plan.questions[s.id]; s.ask != nil {
		s.fields = make([]values, len(s.ask.fields))
		s.laws = make([]trial, len(s.ask.laws))
		for i := range s.laws {
			s.laws[i].watch = s.ask.laws[i].guard.Watch(s.ask.laws[i].cycle)
		}
	}
	p.put(s)
	return s
}

func (p *port) put(s *stream) {
	p.streams = append(p.streams, s)
	if s.id.Extended {
		p.extended[s.id.Value] = s
	} else {
		p.standard[s.id.Value&can.MaxStandardID] = s
	}
}

func (s *stream) add(f *can.Frame) {
	changed := s.frames == 0 || s.payload != f.Data
	if s.frames == 0 {
		s.first = f.Time
	} else {
		s.gap(f.Time - s.last)
	}
	s.frames++
	s.last = f.Time
	s.lengths[min(f.Len, can.MaxFDLen)]++
	if s.ask == nil {
		return
	}
	if !changed {
		s.repeats++
	}
	for i := range s.laws {
		// The same payload again says nothing new of a checksum.
		if t := &s.laws[i]; t.judged < maxJudged && (changed || !s.ask.laws[i].content) {
			t.judged++
			if t.watch.Add(f) == 0 {
				t.held++
			}
		}
	}
	for i := range s.fields {
		s.fields[i].add(&s.ask.fields[i], f.Payload())
	}
	s.payload = f.Data
}

// gap takes the time since the frame before; a clock that stepped back gives none.
func (s *stream) gap(ns int64) {
	if ns < 0 {
		return
	}
	s.gaps.Add(ns)
	if ns <= maxPause {
		s.active += ns
		s.paced++
	}
}

func (v *values) add(q *fieldQuestion, p []byte) {
	if q.on != nil {
		page, ok := q.on.read(p)
		if !ok || !onPage(q, page) {
			return
		}
	}
	value, ok := q.field.read(p)
	if !ok || q.hasIgn && value == q.ignore {
		return
	}
	v.count(value, 1)
}

func onPage(q *fieldQuestion, page uint64) bool {
	for _, r := range q.pages {
		if r.From <= page && page <= r.To {
			return true
		}
	}
	return false
}

func (v *values) count(value, n uint64) {
	for i := range v.list {
		if v.list[i].value == value {
			v.list[i].n += n
			return
		}
	}
	if len(v.list) >= maxValues {
		v.more = true
		return
	}
	v.list = append(v.list, valueCount{value, n})
}

// Merge takes over what the collector of the following stretch gathered; next is
// not to be used afterwards. Laws are not judged across the seam.
func (c *Collector) Merge(next *Collector) {
	for i, from := range next.ports {
		if from == nil {
			continue
		}
		to := c.port(uint16(i))
		to.frames += from.frames
		to.tooMany += from.tooMany
		for _, s := range from.streams {
			have := to.standardOrExtended(s.id)
			switch {
			case have != nil:
				have.merge(s)
			case len(to.streams) < maxStreams:
				to.put(s)
			default:
				to.tooMany += s.frames
			}
		}
	}
}

func (p *port) standardOrExtended(id profiles.ID) *stream {
	if id.Extended {
		return p.extended[id.Value]
	}
	return p.standard[id.Value&can.MaxStandardID]
}

func (s *stream) merge(next *stream) {
	s.gap(next.first - s.last)
	s.gaps.Merge(&next.gaps)
	s.active += next.active
	s.paced += next.paced
	s.repeats += next.repeats
	s.frames += next.frames
	s.last, s.payload = next.last, next.payload
	for i, n := range next.lengths {
		s.lengths[i] += n
	}
	for i := range next.laws {
		s.laws[i].judged += next.laws[i].judged
		s.laws[i].held += next.laws[i].held
	}
	for i := range next.fields {
		for _, v := range next.fields[i].list {
			s.fields[i].count(v.value, v.n)
		}
		s.fields[i].more = s.fields[i].more || next.fields[i].more
	}
}

// length returns the commonest payload length.
func (s *stream) length() int {
	best := 0
	for n, count := range s.lengths {
		if count > s.lengths[best] {
			best = n
		}
	}
	return best
}
