package evidence

import (
	"cmp"
	"slices"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/profiles"
)

// Options of New.
type Options struct {
	Setting *profiles.Setting
	Buses   *can.Buses        // the names that Frame.Bus stands for
	Map     map[string]string // interface -> bus of the setting; an interface not in it stands for the bus of its own name
	Series  bool              // gather also what only a drawn report shows: Bus.Course, Message.FaultTracks
}

// Plan is what collectors of one setting share: compiled once, never written to.
type Plan struct {
	opts     Options
	named    map[profiles.SignalRef]bool // signals that the profile speaks of
	messages []*messagePlan
	byBus    map[string]map[profiles.ID]*messagePlan
	fits     []Fit
	talks    []talk // unheard: what New copies
}

// Collector gathers Evidence. It satisfies capture.Collector[*Collector].
type Collector struct {
	plan  *Plan
	grain *grain // of the capture that this is a stretch of; nil: it stands alone
	buses []*bus // by Frame.Bus; nil until seen

	frames     uint64
	sent       uint64
	start, end int64
	first      can.Frame // in order of the capture
	last       head
	pauses     Events
	backward   Events
	fits       []fit
	talks      []talk
	values     []decode.Value
}

// bus is a Bus being gathered.
type bus struct {
	Bus
	standard []*stream // by 11-bit identifier
	extended map[uint32]*stream
	streams  []*stream // in order of first appearance
	first    can.Frame
	last     head
	plans    map[profiles.ID]*messagePlan
	index    uint16 // its Frame.Bus
	longest  int64  // ns that the longest classic frame takes at least
	grain    *grain
}

// head is what tells whether and how a frame follows another.
type head struct {
	time  int64
	file  uint16
	flags can.Flags
	len   uint8
}

func headOf(f *can.Frame) head { return head{f.Time, f.File, f.Flags, f.Len} }

// Stretches returns what makes the collectors of one capture's stretches, for
// capture.Fold. They share what a later stretch can go by.
func (p *Plan) Stretches() func() *Collector {
	shared := &grain{}
	return func() *Collector {
		c := p.New()
		c.grain = shared
		return c
	}
}

// New returns an empty collector.
func (p *Plan) New() *Collector {
	c := &Collector{plan: p, fits: make([]fit, len(p.fits)), talks: slices.Clone(p.talks)}
	for i := range c.fits {
		c.fits[i].Fit = p.fits[i]
	}
	return c
}

// Add takes the frames of a batch in order. It keeps no reference to them.
func (c *Collector) Add(batch []can.Frame) {
	for i := range batch {
		c.add(&batch[i])
	}
}

func (c *Collector) add(f *can.Frame) {
	b := c.bus(f.Bus)
	if c.frames == 0 {
		c.start, c.end, c.first = f.Time, f.Time, *f
	} else {
		c.follow(c.last, f)
		c.start, c.end = min(c.start, f.Time), max(c.end, f.Time)
	}
	c.frames++
	if f.Flags&can.Tx != 0 {
		c.sent++
	}
	c.last = headOf(f)
	if f.Flags&can.Error != 0 {
		b.addError(f)
		return
	}
	s := b.stream(f)
	b.add(f, s)
	if s == nil {
		b.TooMany++
		return
	}
	s.add(f)
	if s.msg != nil && f.Flags&can.Remote == 0 {
		c.values = s.msg.add(f, c.values[:0], c.fits)
		for i := range s.msg.plan.talks {
			part := &s.msg.plan.talks[i]
			c.talks[part.talk].hear(f, c.values, part)
		}
	}
}

// follow looks at two consecutive frames of the capture. What lies between two
// captures that are read together is no gap.
func (c *Collector) follow(last head, f *can.Frame) {
	if f.File != last.file {
		return
	}
	switch gap := f.Time - last.time; {
	case gap > PauseLimit:
		c.pauses.add(f, gap)
	case gap < 0:
		c.backward.add(f, gap)
	}
}

// bus returns the bus of an index, made when it is new.
func (c *Collector) bus(index uint16) *bus {
	if int(index) < len(c.buses) && c.buses[index] != nil {
		return c.buses[index]
	}
	for len(c.buses) <= int(index) {
		c.buses = append(c.buses, nil)
	}
	b := c.plan.newBus(c.plan.opts.Buses.Name(index))
	b.index, b.grain = index, c.grain
	c.buses[index] = b
	return b
}

// stream returns the stream of a frame's identifier, nil when there are too many.
func (b *bus) stream(f *can.Frame) *stream {
	if f.Flags&can.Extended == 0 {
		if s := b.standard[f.ID&can.MaxStandardID]; s != nil {
			return s
		}
	} else if s := b.extended[f.ID]; s != nil {
		return s
	}
	if len(b.streams) >= MaxStreams {
		return nil
	}
	id := profiles.ID{Value: f.ID, Extended: f.Flags&can.Extended != 0}
	s := newStream(&b.Bus, id, b.plans[id], b.grain.of(place{b.index, id}))
	b.put(s)
	return s
}

func (b *bus) put(s *stream) {
	b.streams = append(b.streams, s)
	if s.ID.Extended {
		b.extended[s.ID.Value] = s
	} else {
		b.standard[s.ID.Value&can.MaxStandardID] = s
	}
}

// Merge takes over what the collector of the following stretch gathered; next is
// not to be used afterwards.
func (c *Collector) Merge(next *Collector) {
	if next.frames == 0 {
		return
	}
	span := next.end - next.start
	defer func() { c.grain.tell(c, span) }()
	if c.frames == 0 {
		*c = *next
		return
	}
	c.follow(c.last, &next.first)
	c.pauses.merge(&next.pauses)
	c.backward.merge(&next.backward)
	c.start, c.end = min(c.start, next.start), max(c.end, next.end)
	c.frames += next.frames
	c.sent += next.sent
	c.last = next.last
	for i := range c.fits {
		c.fits[i].merge(&next.fits[i])
	}
	for i := range c.talks {
		c.talks[i].merge(&next.talks[i])
	}
	for i, nb := range next.buses {
		switch {
		case nb == nil:
		case i < len(c.buses) && c.buses[i] != nil:
			c.buses[i].merge(nb)
		default:
			for len(c.buses) <= i {
				c.buses = append(c.buses, nil)
			}
			c.buses[i] = nb
		}
	}
}

// Evidence returns what was gathered. The collector is not to be used afterwards.
func (c *Collector) Evidence() *Evidence {
	ev := &Evidence{
		Setting: c.plan.opts.Setting, Frames: c.frames, Sent: c.sent, Start: c.start, End: c.end,
		Messages: map[string]*Message{}, Pauses: c.pauses, Backward: c.backward,
	}
	for _, plan := range c.plan.messages {
		ev.Messages[plan.facts.Name] = plan.empty()
	}
	for _, b := range c.buses {
		if b == nil {
			continue
		}
		b.Silences.cut()
		ev.Buses = append(ev.Buses, &b.Bus)
		ev.Clumped += b.Clumped
		for _, s := range b.streams {
			ev.take(s)
		}
	}
	for i := range c.fits {
		ev.Fits = append(ev.Fits, c.fits[i].Fit)
	}
	for i := range c.talks {
		ev.Talks = append(ev.Talks, c.talks[i].finish())
	}
	slices.SortFunc(ev.Buses, func(a, b *Bus) int { return cmp.Compare(a.Interface, b.Interface) })
	slices.SortFunc(ev.Others, compareStreams)
	for _, m := range ev.Messages {
		ev.findElsewhere(m, c.buses)
	}
	return ev
}

// take files a stream under its message, or among the others.
func (ev *Evidence) take(s *stream) {
	s.finish()
	if s.msg == nil {
		ev.Others = append(ev.Others, &s.Stream)
		return
	}
	have := ev.Messages[s.msg.Facts.Name]
	if have.Stream == nil {
		s.msg.finish()
		s.msg.Message.Stream = &s.Stream
		ev.Messages[s.msg.Facts.Name] = &s.msg.Message
		return
	}
	have.Elsewhere = append(have.Elsewhere, &s.Stream) // two interfaces stand for one bus
}

// findElsewhere looks for a message's identifier on other buses and in the other format.
func (ev *Evidence) findElsewhere(m *Message, buses []*bus) {
	for _, b := range buses {
		if b == nil {
			continue
		}
		own := b.Facts != nil && b.Facts.Name == m.Facts.Bus
		for _, s := range b.streams {
			switch {
			case s.ID.Value != m.Facts.ID.Value || s.msg != nil && s.msg.Facts.Name == m.Facts.Name:
			case own && s.ID.Extended != m.Facts.ID.Extended:
				m.OtherKind = &s.Stream
			case !own && s.ID == m.Facts.ID && s.msg == nil:
				m.Elsewhere = append(m.Elsewhere, &s.Stream)
			}
		}
	}
	slices.SortFunc(m.Elsewhere, compareStreams)
}

func compareStreams(a, b *Stream) int {
	return cmp.Or(cmp.Compare(a.Bus.Interface, b.Bus.Interface), cmp.Compare(a.ID.Value, b.ID.Value))
}

func (e *Events) add(f *can.Frame, gap int64) {
	e.Count++
	if len(e.First) < MaxEvents {
		e.First = append(e.First, Event{Frame: *f, Gap: gap})
	}
}

func (e *Events) merge(next *Events) {
	e.Count += next.Count
	e.First = append(e.First, next.First[:min(len(next.First), MaxEvents-len(e.First))]...)
}

func (e *LongEvents) add(f *can.Frame, gap int64) {
	e.Events.add(f, gap)
	e.Worst = append(e.Worst, Event{Frame: *f, Gap: gap})
	if len(e.Worst) >= 2*MaxGaps {
		e.cut()
	}
}

func (e *LongEvents) merge(next *LongEvents) {
	e.Events.merge(&next.Events)
	e.Worst = append(e.Worst, next.Worst...)
	e.cut()
}

// cut leaves the longest gaps, wherever stretches were cut the same ones.
func (e *LongEvents) cut() {
	if len(e.Worst) <= MaxGaps {
		return
	}
	order := make([]int, len(e.Worst))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(e.Worst[b].Gap, e.Worst[a].Gap) })
	order = order[:MaxGaps]
	slices.Sort(order)
	for to, from := range order {
		e.Worst[to] = e.Worst[from]
	}
	e.Worst = e.Worst[:MaxGaps]
}
