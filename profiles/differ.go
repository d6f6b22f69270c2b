package profiles

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"plugproof/decode/guard"
)

// Difference is one thing that tells two settings apart on the bus.
type Difference struct {
	Bus     string
	ID      ID
	HasID   bool
	Message string // its name in the first setting that has it
	Sender  string
	What    string // "sent", "length", "cycle", "counter", "checksum", "constant X", "pages", "bit rate"
	A, B    string // what each setting says
	Stage   string // the first stage of the capture script in which it shows
	Echo    bool   // of the replaced node, or relayed: shows the setting chosen, not the car
}

// Differ lists what tells two settings apart on the bus, sorted by bus and
// identifier. An empty list means that no capture can tell them apart.
func Differ(a, b *Setting) []Difference {
	var list []Difference
	for _, bus := range joined(a.Buses, b.Buses, func(x *BusFacts) string { return x.Name }) {
		list = append(list, differBus(bus[0], bus[1])...)
	}
	key := func(m *MessageFacts) string {
		return fmt.Sprintf("%s %v %08X", m.Bus, m.ID.Extended, m.ID.Value)
	}
	echoed := [2]map[SignalRef]bool{a.Echoed(), b.Echoed()}
	for _, pair := range joined(expected(a), expected(b), key) {
		found := differMessage(a, b, pair[0], pair[1])
		for i := range found {
			d := &found[i]
			for side, m := range pair {
				d.Echo = d.Echo || m != nil && echoed[side][m.differing(d.What)]
			}
		}
		list = append(list, found...)
	}
	slices.SortStableFunc(list, func(x, y Difference) int {
		return cmp.Or(cmp.Compare(x.Bus, y.Bus), cmp.Compare(x.ID.Value, y.ID.Value))
	})
	return list
}

// expected returns the messages that a setting sends.
func expected(s *Setting) (list []*MessageFacts) {
	for _, m := range s.Messages {
		if m.Expected && !m.Option {
			list = append(list, m)
		}
	}
	return list
}

// joined pairs the entries of two lists by key, in order of the key; one of a
// pair is nil when its list has no such entry.
func joined[T any](a, b []*T, key func(*T) string) [][2]*T {
	at := map[string]*[2]*T{}
	var keys []string
	for side, list := range [][]*T{a, b} {
		for _, x := range list {
			k := key(x)
			if at[k] == nil {
				at[k] = &[2]*T{}
				keys = append(keys, k)
			}
			at[k][side] = x
		}
	}
	slices.Sort(keys)
	pairs := make([][2]*T, len(keys))
	for i, k := range keys {
		pairs[i] = *at[k]
	}
	return pairs
}

func differBus(a, b *BusFacts) []Difference {
	name := func(x *BusFacts) string {
		switch {
		case x == nil:
			return "no such bus"
		case x.Bitrate == 0:
			return "bit rate not stated"
		}
		return Rate(x.Bitrate).String()
	}
	if name(a) == name(b) {
		return nil
	}
	bus := cmp.Or(a, b)
	return []Difference{{Bus: bus.Name, What: "bit rate", A: name(a), B: name(b), Stage: "key-on"}}
}

// differMessage compares one identifier of two settings; one of a, b may be nil.
func differMessage(sa, sb *Setting, a, b *MessageFacts) (list []Difference) {
	m, s := a, sa
	if m == nil {
		m, s = b, sb
	}
	add := func(what, inA, inB string) {
		if inA != inB {
			list = append(list, Difference{
				Bus: m.Bus, ID: m.ID, HasID: true, Message: m.Name, Sender: m.Sender, What: what, A: inA, B: inB,
				Stage: s.ShownIn(m), Echo: m.Relayed || m.Sender != "" && m.Sender == s.Replaced,
			})
		}
	}
	if a == nil || b == nil {
		sent := map[bool]string{true: "sent", false: "not sent"}
		add("sent", sent[a != nil], sent[b != nil])
		return list
	}
	add("length", fmt.Sprintf("%d bytes", a.Length.Value), fmt.Sprintf("%d bytes", b.Length.Value))
	add("kind", string(a.Kind), string(b.Kind))
	add("cycle", Time(a.Cycle.Value).String(), Time(b.Cycle.Value).String())
	add("counter", a.Own.Counter.describe(), b.Own.Counter.describe())
	add("checksum", a.Own.Checksum.describe(), b.Own.Checksum.describe())
	add("toggle bit", a.Own.Toggle.describe(), b.Own.Toggle.describe())
	add("parity", a.Own.Parity.describe(), b.Own.Parity.describe())
	add("end-to-end profile", a.Own.EndToEnd.describe(), b.Own.EndToEnd.describe())
	add("pages", a.Own.Pages.describe(), b.Own.Pages.describe())
	constants := map[string]bool{}
	for _, own := range []*Message{a.Own, b.Own} {
		for signal := range own.Constants {
			constants[signal] = true
		}
	}
	for _, signal := range slices.Sorted(maps.Keys(constants)) {
		add("constant "+signal, a.Own.Constants[signal].describe(), b.Own.Constants[signal].describe())
	}
	return list
}

// differing returns the signal that a difference is about; no signal's name where
// it is about the message.
func (m *MessageFacts) differing(what string) SignalRef {
	signal, ok := strings.CutPrefix(what, "constant ")
	switch {
	case what == "pages" && m.Own.Pages != nil:
		signal = m.Own.Pages.Signal
	case !ok:
		return ""
	}
	return SignalRef(m.Name + "." + signal)
}

// ShownIn returns the first stage in which a message shows: key-on for what is
// sent on its own, else the first stage of a function that it serves.
func (s *Setting) ShownIn(m *MessageFacts) string {
	if m.Kind != OnChange {
		return "key-on"
	}
	first := len(StageNames())
	for _, f := range s.Functions {
		for _, ref := range f.Chain {
			if name, _ := ref.Split(); name != m.Name {
				continue
			}
			for _, stage := range f.Stages {
				if at := slices.Index(StageNames(), stage); at >= 0 {
					first = min(first, at)
				}
			}
		}
	}
	if first == len(StageNames()) {
		return "key-on"
	}
	return StageNames()[first]
}

func (c *Counter) describe() string {
	if c == nil {
		return "none"
	}
	text := fmt.Sprintf("%s step %d", c.where(), max(1, c.Step))
	if c.Modulo > 0 {
		text += fmt.Sprintf(" modulo %d", c.Modulo)
	}
	return text
}

func (c *Checksum) describe() string {
	if c == nil {
		return "none"
	}
	over := make([]string, len(c.Over))
	for i, part := range c.Over {
		over[i] = part.String()
	}
	law, err := c.law()
	if err != nil {
		return err.Error()
	}
	return fmt.Sprintf("%s: %s over %s", c.where(), lawName(law), cmp.Or(strings.Join(over, ", "), "data"))
}

// lawName returns the name of a law, or the law spelled out where it has none.
func lawName(law guard.Law) string {
	for _, name := range guard.Names() {
		if named, _ := guard.Named(name); named == law {
			return name
		}
	}
	return law.String()
}

func (p *Parity) describe() string {
	if p == nil {
		return "none"
	}
	over := "all"
	if p.Over != nil {
		over = p.Over.where()
	}
	return fmt.Sprintf("%s odd %v over %s", p.where(), p.Odd, over)
}

func (t *Toggle) describe() string {
	if t == nil {
		return "none"
	}
	return fmt.Sprintf("%s every %d frames", t.where(), max(1, t.Every))
}

func (e *EndToEnd) describe() string {
	if e == nil {
		return "none"
	}
	return strings.TrimRight(fmt.Sprintf("profile %s data id %#x %x", e.Profile, e.DataID, e.DataIDs), " []")
}

func (p *Pages) describe() string {
	if p == nil {
		return "none"
	}
	return fmt.Sprintf("%s %v", p.Signal, p.Values)
}

func (c *Constant) describe() string {
	switch {
	case c == nil:
		return "not fixed"
	case c.Means != "":
		return fmt.Sprintf("%d (%s)", c.Value, c.Means)
	}
	return fmt.Sprint(c.Value)
}

func (f *Field) where() string {
	if f.Signal != "" || f.Start == nil {
		return f.Signal
	}
	return fmt.Sprintf("%d|%d %s", *f.Start, f.Length, cmp.Or(f.Order, "intel"))
}
