package replay

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/guard"
	"plugproof/replay/gate"
)

// Message is one identifier on one bus of a replay.
type Message struct {
	Bus int
	ID  gate.ID
}

// MessageOf returns the message of an item.
func MessageOf(i *Item) Message { return Message{i.Bus, gate.IDOf(&i.Frame)} }

// ChangeKind says what a Change does.
type ChangeKind int

// The kinds. Freeze and Break are faults made on purpose.
const (
	Set    ChangeKind = iota // Signal has the value From, or goes from there to To within Over and stays
	Drop                     // the message is not sent
	Delay                    // it is sent later by Over
	Freeze                   // its counters and toggle bits stand; the checksum is right
	Break                    // its checksum is wrong by one bit
)

// Change is one thing that a replay does otherwise than the stream it comes from.
type Change struct {
	Message
	Kind   ChangeKind
	Signal *decode.Signal
	From   float64 // physical
	To     float64 // physical; the same as From where it does not move
	Over   time.Duration

	// Begin and Length say when, by the offsets of the stream. Length 0: to the end.
	Begin, Length time.Duration
}

// Guards says how messages are protected.
type Guards map[Message]guard.Protection

// Changed is a stream with changes. Counters, checksums and the like of a message
// are filled in again from the first change on, and behind every seam, so that
// listeners accept what they should.
type Changed struct {
	stream   Stream
	seam     time.Duration // from here on every protected message is filled in again; 0: nowhere
	messages map[Message]*changing
	ahead    Item // the next one of stream
	has      bool // ahead is valid
	err      error
	delayed  []queue
}

// changing is the state of one message.
type changing struct {
	changes []Change
	guard   *guard.Guard // nil: not protected
	flip    int          // number of a bit of the checksum; -1: none
	touched bool         // filled in again from now on
	last    can.Frame    // as it was sent
	hasLast bool
	frozen  can.Frame // last, when a freeze began
	frozeOn bool
	queue   int // of delayed; -1: none
	slow    []slowToggle
}

// queue holds the frames of a delayed message, in order.
type queue struct {
	by    time.Duration
	items []Item
	head  int
}

// Change returns the stream with the changes. seam is where the stream repeats
// itself for the first time, 0 where it does not. The error names a change that
// cannot be.
func (g Guards) Change(stream Stream, changes []Change, seam time.Duration) (*Changed, error) {
	c := &Changed{stream: stream, seam: seam, messages: map[Message]*changing{}}
	for m := range g {
		if _, err := c.message(m, g); err != nil {
			return nil, err
		}
	}
	for _, change := range changes {
		m, err := c.message(change.Message, g)
		if err != nil {
			return nil, err
		}
		if err := change.check(m, g[change.Message]); err != nil {
			return nil, fmt.Errorf("%s: %w", change.ID, err)
		}
		m.changes = append(m.changes, change)
		if change.Kind == Delay {
			if m.queue >= 0 {
				return nil, fmt.Errorf("%s: delayed twice", change.ID)
			}
			m.queue = len(c.delayed)
			c.delayed = append(c.delayed, queue{by: change.Over, items: make([]Item, 0, delayedRoom)})
		}
	}
	return c, nil
}

// delayedRoom is for how many frames of a delayed message there is room without
// allocating.
const delayedRoom = 1024

func (c *Changed) message(m Message, g Guards) (*changing, error) {
	if have := c.messages[m]; have != nil {
		return have, nil
	}
	state := &changing{flip: -1, queue: -1}
	if p, ok := g[m]; ok {
		compiled, err := p.Compile()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", m.ID, err)
		}
		state.guard = compiled
		if len(p.Checksums) > 0 {
			state.flip = p.Checksums[len(p.Checksums)-1].Field.Start
		}
		for _, t := range p.Toggles {
			if t.Every > 1 {
				state.slow = append(state.slow, slowToggle{bit: t.Field.Start, every: t.Every})
			}
		}
	}
	c.messages[m] = state
	return state, nil
}

// check refuses what cannot be done to a message.
func (c *Change) check(m *changing, p guard.Protection) error {
	switch c.Kind {
	case Set:
		for _, v := range []float64{c.From, c.To} {
			if _, err := c.Signal.FromPhys(v); err != nil {
				return err
			}
		}
	case Delay:
		if c.Over <= 0 || c.Over > time.Minute {
			return fmt.Errorf("a delay of %v: more than 0 and at most %v", c.Over, time.Minute)
		}
	case Freeze:
		if len(p.Counters)+len(p.Toggles) == 0 {
			return errors.New("no counter or toggle bit of it is known")
		}
	case Break:
		if m.flip < 0 {
			return errors.New("no checksum of it is known")
		}
	}
	return nil
}

// holds reports whether the change applies at an offset.
func (c *Change) holds(at time.Duration) bool {
	return at >= c.Begin && (c.Length == 0 || at < c.Begin+c.Length)
}

// value is what the signal has at an offset.
func (c *Change) value(at time.Duration) float64 {
	done := at - c.Begin
	if c.Over <= 0 || done >= c.Over {
		return c.To
	}
	return c.From + (c.To-c.From)*float64(done)/float64(c.Over)
}

// Refill has every frame of a message filled in again from now on: for a stream
// that begins behind frames that were sent before. last is the last of those.
func (c *Changed) Refill(m Message, last *can.Frame) {
	if state := c.messages[m]; state != nil {
		state.touched, state.hasLast, state.last = true, true, *last
	}
}

// Next gives the next item: of the stream, or one that was held back.
func (c *Changed) Next(item *Item) error {
	for {
		c.fetch()
		if q := c.earliest(); q != nil && (!c.has || q.items[q.head].Offset <= c.ahead.Offset) {
			*item = q.items[q.head]
			q.pop()
			return nil
		}
		if !c.has {
			return c.err
		}
		*item, c.has = c.ahead, false
		m := c.messages[MessageOf(item)]
		if m == nil {
			return nil
		}
		send, err := m.apply(item, c.seam > 0 && item.Offset >= c.seam)
		if err != nil {
			return fmt.Errorf("%s: %w", gate.IDOf(&item.Frame), err)
		}
		if !send {
			continue
		}
		if c.hold(m, item) {
			continue
		}
		return nil
	}
}

// hold queues an item of a delayed message; false when it is due at once. One
// that is not delayed any more does not overtake those that were.
func (c *Changed) hold(m *changing, item *Item) bool {
	if m.queue < 0 {
		return false
	}
	q := &c.delayed[m.queue]
	if m.delays(item.Offset) {
		item.Offset += q.by
	} else if q.head == len(q.items) {
		return false
	}
	if n := len(q.items); n > q.head {
		item.Offset = max(item.Offset, q.items[n-1].Offset)
	}
	q.items = append(q.items, *item)
	return true
}

// fetch looks one item ahead.
func (c *Changed) fetch() {
	if c.has || c.err != nil {
		return
	}
	c.err = c.stream.Next(&c.ahead)
	c.has = c.err == nil
	if c.err != nil && !errors.Is(c.err, io.EOF) {
		for i := range c.delayed { // an error comes at once
			c.delayed[i].items = c.delayed[i].items[:c.delayed[i].head]
		}
	}
}

func (c *Changed) earliest() *queue {
	var first *queue
	for i := range c.delayed {
		q := &c.delayed[i]
		if q.head < len(q.items) && (first == nil || q.items[q.head].Offset < first.items[first.head].Offset) {
			first = q
		}
	}
	return first
}

func (q *queue) pop() {
	q.head++
	switch {
	case q.head == len(q.items):
		q.head, q.items = 0, q.items[:0]
	case q.head >= delayedRoom/2:
		n := copy(q.items, q.items[q.head:])
		q.head, q.items = 0, q.items[:n]
	}
}

// delays reports whether the message is delayed at an offset.
func (m *changing) delays(at time.Duration) bool {
	return slices.ContainsFunc(m.changes, func(c Change) bool { return c.Kind == Delay && c.holds(at) })
}

// apply changes one frame in place; false when it is not sent.
func (m *changing) apply(item *Item, behindSeam bool) (send bool, err error) {
	f, at := &item.Frame, item.Offset
	freeze, wrong := false, false
	for i := range m.changes {
		c := &m.changes[i]
		if !c.holds(at) {
			continue
		}
		switch c.Kind {
		case Drop:
			return false, nil
		case Freeze:
			freeze = true
		case Break:
			wrong = true
		case Set:
			if err := c.put(f, at); err != nil {
				return false, err
			}
			m.touched = true
		}
	}
	m.touched = m.touched || freeze || behindSeam
	if err := m.fill(f, freeze); err != nil {
		return false, err
	}
	m.note(f)
	if wrong && m.flip/8 < int(f.Len) {
		f.Data[m.flip/8] ^= 1 << (m.flip % 8)
	}
	return true, nil
}

// put writes the value into a frame that has the signal: the right page, long
// enough.
func (c *Change) put(f *can.Frame, at time.Duration) error {
	if _, present := c.Signal.Read(f); !present {
		return nil
	}
	raw, err := c.Signal.FromPhys(c.value(at))
	if err != nil {
		return err
	}
	return c.Signal.Put(f, raw)
}

// fill fills the protection in again. A frozen counter follows, again and again,
// the frame before the freeze.
func (m *changing) fill(f *can.Frame, freeze bool) error {
	if m.guard == nil || !m.touched || !m.fits(f) {
		return nil
	}
	if freeze != m.frozeOn {
		m.frozeOn, m.frozen = freeze, m.last
	}
	if !m.hasLast {
		return m.guard.Fill(nil, f)
	}
	if freeze {
		return m.guard.Fill(&m.frozen, f)
	}
	for i := range m.slow {
		m.slow[i].due(&m.last)
	}
	return m.guard.Fill(&m.last, f)
}

// fits reports whether the protection has room in the frame.
func (m *changing) fits(f *can.Frame) bool {
	return int(f.Len) >= m.guard.MinLen() && !f.Is(can.Remote)
}

// note remembers what the next frame has to follow.
func (m *changing) note(f *can.Frame) {
	if m.guard != nil && !m.fits(f) {
		return
	}
	for i := range m.slow {
		m.slow[i].note(f)
	}
	m.last, m.hasLast = *f, true
}

// slowToggle is a toggle bit that flips more slowly than with every frame, which
// the last frame alone does not tell.
type slowToggle struct {
	bit, every int
	value      byte // of the last frame
	run        int  // frames that had it
}

func (t *slowToggle) note(f *can.Frame) {
	v := f.Data[t.bit/8] >> (t.bit % 8) & 1
	if v != t.value {
		t.value, t.run = v, 0
	}
	t.run++
}

// due writes what the bit has in the next frame into a copy of the last one, from
// which guard takes it over.
func (t *slowToggle) due(last *can.Frame) {
	v := t.value
	if t.run >= t.every {
		v ^= 1
	}
	last.Data[t.bit/8] = last.Data[t.bit/8]&^(1<<(t.bit%8)) | v<<(t.bit%8)
}
