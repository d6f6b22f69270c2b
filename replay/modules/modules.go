// Package modules is test support: control units of the demo car that listen to
// the network and complain as real ones do. A cluster with its gateway reports
// each message that it lost, a gearbox goes into its emergency program and stays
// there until a key cycle, stability control, body and climate control react to
// what reaches them. For tests only; what they send is made by package standin.
//
// A Car is deterministic: it is told what is on the bus with Hear, and gives its
// own frames in the order of their times with Next.
package modules

import (
	"math"
	"slices"
	"sync"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/replay"
	"plugproof/replay/standin"
)

// Key positions, as on the bus.
const (
	Locked = 0
	On     = 2
)

// Car is some units of the demo car on one clock. Several goroutines may use it.
type Car struct {
	mu    sync.Mutex
	buses *can.Buses
	units []*unit
	key   int
	keyAt time.Duration // of the last turn
	now   time.Duration
	waits bool // for a frame from elsewhere, to turn the key on
}

// unit is one control unit: what it sends, what it listens to, how it reacts.
type unit struct {
	*standin.Standin
	node   string
	ears   map[ear]*watch
	think  func(c *Car, u *unit)
	next   replay.Item // made ahead
	limp   bool
	missed time.Duration // since when torque is missing; -1: it is not
}

// ear is where a unit hears a message.
type ear struct {
	bus      string
	id       uint32
	extended bool
}

// New puts units of a setting of the demo car on a bench, with the key on from
// time 0. buses is shared with whoever feeds them: Item.Bus and the bus of Hear
// point into it.
func New(setting *profiles.Setting, buses *can.Buses, nodes ...string) (*Car, error) {
	c := &Car{buses: buses, key: On}
	for _, node := range nodes {
		u, err := newUnit(setting, node)
		if err != nil {
			return nil, err
		}
		if err := u.Next(&u.next); err != nil {
			return nil, err
		}
		c.units = append(c.units, u)
	}
	return c, nil
}

func newUnit(setting *profiles.Setting, node string) (*unit, error) {
	s, err := standin.New(standin.Config{Setting: setting, Nodes: []string{node}})
	if err != nil {
		return nil, err
	}
	u := &unit{Standin: s, node: node, ears: map[ear]*watch{}, think: minds()[node], missed: -1}
	for ref, v := range usual()[node] {
		if err := s.Bind(ref); err != nil {
			return nil, err
		}
		if err := s.Set(ref, v); err != nil {
			return nil, err
		}
	}
	for _, m := range setting.Messages {
		for i := range m.Listeners {
			if m.Listeners[i].Node != node || m.Def == nil {
				continue
			}
			w, err := newWatch(m, &m.Listeners[i])
			if err != nil {
				return nil, err
			}
			u.ears[ear{m.Bus, m.ID.Value, m.ID.Extended}] = w
		}
	}
	return u, nil
}

// Ignore makes a unit deaf to a message, however right its frames are.
func (c *Car) Ignore(node, message string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, u := range c.units {
		for _, w := range u.ears {
			w.deaf = w.deaf || u.node == node && w.facts.Name == message
		}
	}
}

// Hear tells the units of a frame that is on a bus.
func (c *Car) Hear(bus int, f *can.Frame, at time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	e := ear{c.buses.Name(uint16(bus)), f.ID, f.Is(can.Extended)}
	for _, u := range c.units {
		w := u.ears[e]
		if w == nil {
			continue
		}
		if c.waits && !c.has(w.facts.Sender) {
			c.waits, c.key, c.keyAt = false, On, at
		}
		w.hear(f, at)
	}
}

func (c *Car) has(node string) bool {
	return slices.ContainsFunc(c.units, func(u *unit) bool { return u.node == node })
}

// Next gives the next frame of any unit. It is a replay.Stream without an end.
func (c *Car) Next(item *replay.Item) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	first := c.units[0]
	for _, u := range c.units {
		if u.next.Offset < first.next.Offset {
			first = u
		}
	}
	*item = first.next
	c.now = item.Offset
	bus, _ := c.buses.Intern([]byte(first.Buses().Name(uint16(first.next.Bus))))
	item.Bus = int(bus)
	for _, u := range c.units {
		if u.think != nil {
			u.think(c, u)
		}
	}
	return first.Standin.Next(&first.next)
}

// Turn turns the key.
func (c *Car) Turn(key int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.key, c.keyAt = key, c.now
	for _, u := range c.units {
		if key == Locked {
			u.limp, u.missed = false, -1
		}
		for _, w := range u.ears {
			w.last = c.now // it is not judged while the key is off
		}
	}
}

// Limp reports whether the gearbox is in its emergency program.
func (c *Car) Limp() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, u := range c.units {
		if u.limp {
			return true
		}
	}
	return false
}

// on reports whether the key has been on for at least so long.
func (c *Car) on(since time.Duration) bool { return c.key == On && c.now-c.keyAt >= since }

// say sets a signal; a value that cannot be is a fault of this package.
func (u *unit) say(ref profiles.SignalRef, v float64) {
	if err := u.Set(ref, v); err != nil {
		panic("internal error: " + err.Error())
	}
}

func (u *unit) flag(ref profiles.SignalRef, on bool) { u.say(ref, bit(on)) }

func bit(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// lost reports whether the unit does without a message: none that it believes has
// come for so long; 0: as the profile says.
func (u *unit) lost(c *Car, message string, patience time.Duration) bool {
	for _, w := range u.ears {
		if w.facts.Name == message {
			return w.lost(c, patience)
		}
	}
	return false
}

// hears reports whether a message came that the unit believed.
func (u *unit) hears(message string) bool {
	for _, w := range u.ears {
		if w.facts.Name == message {
			return w.heard
		}
	}
	return false
}

// value returns a signal as the unit heard it last, NaN when the message is lost.
func (u *unit) value(c *Car, ref profiles.SignalRef, patience time.Duration) float64 {
	name, signal := ref.Split()
	for _, w := range u.ears {
		if w.facts.Name == name {
			if w.lost(c, patience) || !w.heard {
				return math.NaN()
			}
			return w.read(signal)
		}
	}
	return math.NaN()
}
