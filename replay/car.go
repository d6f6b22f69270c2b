package replay

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles"
	"plugproof/replay/gate"
)

// Car gives the messages of a replay their meaning. The zero value knows none.
type Car struct {
	Setting *profiles.Setting
	Buses   []string // the setting's name of each bus of the replay; "": not one of its own
}

func idOf(id profiles.ID) gate.ID { return gate.NewID(id.Value, id.Extended) }

// Facts returns what the setting says of a message, nil when it has none of that
// identifier on that bus.
func (c *Car) Facts(m Message) *profiles.MessageFacts {
	if c.Setting == nil || m.Bus < 0 || m.Bus >= len(c.Buses) {
		return nil
	}
	for _, facts := range c.Setting.Messages {
		if facts.Bus == c.Buses[m.Bus] && idOf(facts.ID) == m.ID && !facts.Own.Absent {
			return facts
		}
	}
	return nil
}

// Message returns the message of a name, or of Message.Signal, with its bus.
func (c *Car) Message(name string) (Message, *profiles.MessageFacts, error) {
	if c.Setting != nil {
		if facts := c.Setting.Message(name); facts != nil {
			bus := slices.Index(c.Buses, facts.Bus)
			if bus < 0 {
				return Message{}, nil, fmt.Errorf("message %s is on bus %s, which has no interface", name, facts.Bus)
			}
			return Message{bus, idOf(facts.ID)}, facts, nil
		}
	}
	return Message{}, nil, fmt.Errorf("no message %s is known", name)
}

// Guards returns how the messages on the buses of the replay are protected.
func (c *Car) Guards() (Guards, error) {
	guards := Guards{}
	if c.Setting == nil {
		return guards, nil
	}
	for _, facts := range c.Setting.Messages {
		bus := slices.Index(c.Buses, facts.Bus)
		if bus < 0 || facts.Own.Absent {
			continue
		}
		p, err := facts.Protection()
		if err != nil {
			return nil, fmt.Errorf("message %s: %w", facts.Name, err)
		}
		if len(p.Counters)+len(p.Toggles)+len(p.Constants)+len(p.Parities)+len(p.Checksums) > 0 {
			guards[Message{bus, idOf(facts.ID)}] = p
		}
	}
	return guards, nil
}

// Learn adds how messages protect themselves that the setting does not tell, as
// far as a capture of them teaches it: for a loop, whose seam must not show.
func (g Guards) Learn(stream Stream) {
	const enough = 2000 // frames of each message
	samples := map[Message][]can.Frame{}
	var item Item
	for stream.Next(&item) == nil {
		m := MessageOf(&item)
		if _, known := g[m]; !known && len(samples[m]) < enough && !item.Frame.Is(can.Remote) {
			samples[m] = append(samples[m], item.Frame)
		}
	}
	messages := slices.SortedFunc(maps.Keys(samples), compareMessages)
	list := make([][]can.Frame, len(messages))
	for i, m := range messages {
		list[i] = samples[m]
	}
	for i, lesson := range guard.Learn(list) {
		p := lesson.Protection
		if len(p.Counters)+len(p.Toggles)+len(p.Parities)+len(p.Checksums) > 0 {
			g[messages[i]] = p
		}
	}
}

func compareMessages(a, b Message) int {
	if a.Bus != b.Bus {
		return a.Bus - b.Bus
	}
	return int(a.ID) - int(b.ID)
}

// nodes returns the setting's units as the gate takes them.
func (c *Car) nodes() (nodes []gate.Node) {
	if c.Setting == nil {
		return nil
	}
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Nodes)) {
		n := gate.Node{Name: name, Bench: c.Setting.Nodes[name].Bench}
		for _, facts := range c.Setting.Messages {
			if facts.Sender == name && slices.Contains(c.Buses, facts.Bus) {
				n.Sends = append(n.Sends, idOf(facts.ID))
			}
		}
		nodes = append(nodes, n)
	}
	return nodes
}

// describe fills in what the setting says of a message.
func (c *Car) describe(m *gate.Message) {
	facts := c.Facts(Message{m.Bus, m.ID})
	if facts == nil {
		return
	}
	m.Name, m.Sender, m.Cycle = facts.Name, facts.Sender, facts.Cycle.Value
	for _, l := range facts.Listeners {
		m.Listeners = append(m.Listeners, l.Node)
	}
	if facts.Def != nil {
		for _, s := range facts.Def.Signals {
			m.Words = append(m.Words, s.Name)
		}
	}
	m.Listed = slices.ContainsFunc(c.Setting.MaySend, func(ref profiles.SignalRef) bool {
		name, _ := ref.Split()
		return name == facts.Name
	})
	for _, never := range c.Setting.NeverSent {
		if never.Holds(facts.ID) {
			m.Never = never.String()
		}
	}
}

// compiled returns the compiled form of a message.
func compiled(facts *profiles.MessageFacts) *decode.Message {
	if facts.Def == nil {
		return nil
	}
	decoder, _ := decode.NewDecoder([]decode.Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{facts.Def}}}})
	messages := decoder.Bus("").Messages()
	if len(messages) == 0 {
		return nil
	}
	return messages[0]
}

// Withheld returns why a physical interface would not carry a message to the unit
// on the bench, nil when it would.
func (c *Car) Withheld(m Message, onBench string) *gate.Refusal {
	asked := gate.Message{Bus: m.Bus, ID: m.ID, Frames: 1}
	c.describe(&asked)
	plan := gate.Plan{}
	if c.Setting != nil {
		plan.Profile = c.Setting.Name
	}
	return gate.Withheld(&asked, &plan, gate.Policy{OnBench: onBench, Nodes: c.nodes()})
}

// Signal returns a signal by Message.Signal, or by its own name where one message
// on the buses of the replay has it.
func (c *Car) Signal(ref string) (Message, *decode.Signal, error) {
	message, signal := profiles.SignalRef(ref).Split()
	if signal == "" {
		var err error
		if message, signal, err = c.only(ref); err != nil {
			return Message{}, nil, err
		}
	}
	m, facts, err := c.Message(message)
	if err != nil {
		return Message{}, nil, err
	}
	if d := compiled(facts); d != nil {
		if s := d.Signal(signal); s != nil {
			return m, s, nil
		}
	}
	return Message{}, nil, fmt.Errorf("message %s has no signal %q", message, signal)
}

// only finds the message that alone has a signal of that name.
func (c *Car) only(signal string) (message, name string, err error) {
	var found []string
	if c.Setting != nil {
		for _, facts := range c.Setting.Messages {
			if slices.Contains(c.Buses, facts.Bus) && !facts.Own.Absent && facts.Signal(signal) != nil {
				found = append(found, facts.Name)
			}
		}
	}
	switch len(found) {
	case 0:
		return "", "", fmt.Errorf("no signal %s is known", signal)
	case 1:
		return found[0], signal, nil
	}
	return "", "", fmt.Errorf("%s have a signal %s: write Message.Signal", strings.Join(found, " and "), signal)
}

// Neutral frames go out three times, at the pace of slow messages.
const (
	neutralTimes = 3
	neutralPace  = 100 * time.Millisecond
)

// neutral returns the frames that leave a listener with the setting's neutral
// values: each follows the last one of its message that was sent.
func (c *Car) neutral(sent map[Message]*can.Frame, guards Guards) ([]Item, error) {
	var items []Item
	for turn := range neutralTimes {
		for _, m := range slices.SortedFunc(maps.Keys(sent), compareMessages) {
			f, facts := sent[m], c.Facts(m)
			if facts == nil || !neutralise(facts, f) {
				continue
			}
			if p, ok := guards[m]; ok {
				g, err := p.Compile()
				if err != nil {
					return nil, err
				}
				last := *f
				if err := g.Fill(&last, f); err != nil {
					return nil, err
				}
			}
			items = append(items, Item{Offset: time.Duration(turn) * neutralPace, Bus: m.Bus, Frame: *f})
		}
	}
	return items, nil
}

// neutralise writes the neutral values of a message into a frame; false when it
// has none.
func neutralise(facts *profiles.MessageFacts, f *can.Frame) bool {
	d, found := compiled(facts), false
	if d == nil {
		return false
	}
	for _, name := range slices.Sorted(maps.Keys(facts.Own.Signals)) {
		own, s := facts.Own.Signals[name], d.Signal(name)
		if own.Neutral == nil || s == nil {
			continue
		}
		if _, present := s.Read(f); !present {
			continue
		}
		raw, err := s.FromPhys(*own.Neutral)
		if err == nil && s.Put(f, raw) == nil {
			found = true
		}
	}
	return found
}
