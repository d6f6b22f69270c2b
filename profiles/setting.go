package profiles

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"time"

	"plugproof/decode/dbc"
)

// Setting is a composed profile joined with its DBC files: the facts that rules,
// scoring and sending go by. Every fact says where it was read.
type Setting struct {
	*Composed
	Buses    []*BusFacts     // sorted by name
	Messages []*MessageFacts // sorted by bus, then identifier

	byName map[string]*MessageFacts
}

// BusFacts is one bus of a setting.
type BusFacts struct {
	Name        string
	Bitrate     int64 // bit/s; 0: not known
	DataBitrate int64
	Databases   []*dbc.Database
}

// Stated is a fact with the place that states it: a profile, a DBC file, or
// common practice.
type Stated[T any] struct {
	Value T
	From  string // "lowan-2.yaml:12:5"; "" when nobody states it
}

// MessageFacts is what a setting says of one message.
type MessageFacts struct {
	Name      string
	Bus       string
	ID        ID
	Sender    string // "": not known
	Length    Stated[int]
	Kind      Kind
	Cycle     Stated[time.Duration] // 0: not cyclic or not known
	Tolerance float64               // of the cycle
	Option    bool                  // its absence proves nothing
	Expected  bool                  // its sender is fitted and sends it in this setting
	Relayed   bool
	Def       *dbc.Message    // nil: no DBC has it
	Own       *Message        // what the profile adds; never nil
	Listeners []ListenerFacts // sorted by node
}

// ListenerFacts is one listener of a message.
type ListenerFacts struct {
	Node    string
	Timeout Stated[time.Duration] // 0: nobody states one
	Grace   time.Duration
	Listener
}

// Defaults where a profile is silent; common practice.
const (
	DefaultTolerance = 0.10
	DefaultGrace     = 2 * time.Second
)

// Message returns the facts of a message by name, nil when there is none.
func (s *Setting) Message(name string) *MessageFacts { return s.byName[name] }

// Sources returns for each gateway's copy in the chain of a function the signals
// that it is copied from, the sender's own first.
func (s *Setting) Sources() map[SignalRef][]SignalRef {
	sources := map[SignalRef][]SignalRef{}
	for _, name := range slices.Sorted(maps.Keys(s.Functions)) {
		chain := s.Functions[name].Chain
		for i := 1; i < len(chain); i++ {
			sources[chain[i]] = chain[:i]
		}
	}
	return sources
}

// Echoed returns the signals that, by the chains of functions, are a gateway's
// copies of what the replaced node sends: whatever they show is the setting that
// was chosen, not the car.
func (s *Setting) Echoed() map[SignalRef]bool {
	echoed := map[SignalRef]bool{}
	for _, f := range s.Functions {
		if len(f.Chain) == 0 {
			continue
		}
		if m, _ := s.Signal(f.Chain[0]); m == nil || m.Sender == "" || m.Sender != s.Replaced {
			continue
		}
		for _, ref := range f.Chain[1:] {
			echoed[ref] = true
		}
	}
	return echoed
}

// Signal returns the definition of a signal, nil when no DBC has it.
func (s *Setting) Signal(ref SignalRef) (*MessageFacts, *dbc.Signal) {
	message, signal := ref.Split()
	m := s.byName[message]
	if m == nil {
		return nil, nil
	}
	return m, m.Signal(signal)
}

// Signal returns the definition of a signal of the message, nil when the DBC has none.
func (m *MessageFacts) Signal(name string) *dbc.Signal {
	if m.Def == nil {
		return nil
	}
	for _, s := range m.Def.Signals {
		if s.Name == name {
			return s
		}
	}
	return nil
}

// Load composes the profile of that name and joins it with its DBC files. The
// error is Problems, or wraps ErrNoProfile.
func (l *Library) Load(name string) (*Setting, error) {
	c, err := l.composed(name)
	if err != nil {
		return nil, err
	}
	s := &Setting{Composed: c, byName: map[string]*MessageFacts{}}
	problems := s.openBuses()
	for _, name := range slices.Sorted(maps.Keys(c.Profile.Messages)) {
		problems = append(problems, s.takeProfile(name, c.Profile.Messages[name])...)
	}
	for _, m := range s.byName {
		s.Messages = append(s.Messages, m)
	}
	slices.SortFunc(s.Messages, func(a, b *MessageFacts) int {
		return cmp.Or(cmp.Compare(a.Bus, b.Bus), cmp.Compare(a.ID.Value, b.ID.Value), cmp.Compare(a.Name, b.Name))
	})
	for _, m := range s.Messages {
		s.finish(m)
	}
	if problems = append(problems, s.validate()...); len(problems) > 0 {
		return nil, problems.cut()
	}
	return s, nil
}

// openBuses reads the DBC files of the buses and takes over their messages.
func (s *Setting) openBuses() (problems Problems) {
	for _, name := range slices.Sorted(maps.Keys(s.Profile.Buses)) {
		bus := s.Profile.Buses[name]
		facts := &BusFacts{Name: name, Bitrate: int64(bus.Bitrate), DataBitrate: int64(bus.DataBitrate)}
		s.Buses = append(s.Buses, facts)
		for _, file := range bus.DBC {
			db, err := s.lib.database(file)
			if err != nil {
				hint := ""
				if errors.Is(err, fs.ErrNotExist) {
					hint = "the path counts from the profiles' folder"
				}
				problems = append(problems, s.problem("$.buses."+name+".dbc", "dbc", err.Error(), hint))
				continue
			}
			facts.Databases = append(facts.Databases, db)
			facts.Bitrate = cmp.Or(facts.Bitrate, db.Bitrate)
			problems = append(problems, s.takeDefinitions(name, db)...)
		}
	}
	return problems
}

// takeDefinitions takes over the messages of one DBC file of a bus. They replace
// those of the bus's earlier files that have the same name or identifier.
func (s *Setting) takeDefinitions(bus string, db *dbc.Database) (problems Problems) {
	fresh := map[string]*MessageFacts{}
	for _, def := range db.Messages {
		if have := s.byName[def.Name]; have != nil && have.Bus != bus {
			problems = append(problems, s.problem("$.buses."+bus+".dbc", "same-name",
				fmt.Sprintf("%s: message %s is also on bus %s (%s)", def.Pos, def.Name, have.Bus, have.Def.Pos),
				"name them apart in the DBC files"))
			continue
		}
		fresh[def.Name] = newFacts(bus, def)
	}
	for _, m := range fresh {
		maps.DeleteFunc(s.byName, func(_ string, have *MessageFacts) bool {
			return have.Bus == bus && have.ID == m.ID
		})
	}
	maps.Copy(s.byName, fresh)
	return problems
}

// nobody is what public DBC files write where the sender or the receivers are not
// known: all the messages of such a file have it, so it is no unit.
const nobody = "XXX"

// newFacts returns what a DBC file says of a message.
func newFacts(bus string, def *dbc.Message) *MessageFacts {
	m := &MessageFacts{
		Name: def.Name, Bus: bus, ID: ID{def.ID, def.Extended}, Def: def, Own: &Message{},
		Length: Stated[int]{def.Length, def.Pos.String()},
		Kind:   sendKind(def),
	}
	if len(def.Senders) > 0 && def.Senders[0] != nobody {
		m.Sender = def.Senders[0]
	}
	if def.CycleTime > 0 {
		m.Cycle = Stated[time.Duration]{def.CycleTime, def.Pos.String()}
	}
	return m
}

// Define returns what a DBC file alone says of a message on a bus.
func Define(bus string, def *dbc.Message) *MessageFacts {
	m := newFacts(bus, def)
	(&Setting{Composed: &Composed{}}).finish(m)
	return m
}

// takeProfile lays what the profile says of a message over what the DBC says.
func (s *Setting) takeProfile(name string, own *Message) (problems Problems) {
	path := "$.messages." + name
	m := s.byName[name]
	if m == nil {
		if own.ID == nil || own.Bus == "" {
			return Problems{s.problem(path, "message", fmt.Sprintf("no DBC file has a message %s", name),
				"correct the name, or give its bus and id here")}
		}
		m = &MessageFacts{Name: name}
		s.byName[name] = m
	}
	m.Own = own
	if own.ID != nil {
		m.ID = *own.ID
	}
	if own.Length != nil {
		m.Length = Stated[int]{*own.Length, s.Origin(path + ".length").String()}
	}
	if own.Cycle != 0 {
		m.Cycle = Stated[time.Duration]{time.Duration(own.Cycle), s.Origin(path + ".cycle").String()}
	}
	m.Bus, m.Sender, m.Kind = cmp.Or(own.Bus, m.Bus), cmp.Or(own.Sender, m.Sender), cmp.Or(own.Kind, m.Kind)
	m.Option, m.Relayed = own.Option, own.Relayed
	return nil
}

// finish computes what follows from all that was taken over.
func (s *Setting) finish(m *MessageFacts) {
	m.Tolerance = cmp.Or(float64(m.Own.Tolerance), DefaultTolerance)
	if m.Kind == "" {
		m.Kind = OnChange
		if m.Cycle.Value > 0 {
			m.Kind = Cyclic
		}
	}
	m.Expected = !m.Own.Absent
	if node := s.Nodes[m.Sender]; node != nil {
		m.Expected = m.Expected && node.IsFitted()
		m.Option = m.Option || node.Option
	}
	m.Listeners = s.listeners(m)
}

// listeners joins the receivers and timeouts of the DBC with the profile's.
func (s *Setting) listeners(m *MessageFacts) []ListenerFacts {
	found := map[string]*ListenerFacts{}
	if m.Def != nil {
		for _, sig := range m.Def.Signals {
			for _, node := range sig.Receivers {
				if node == nobody {
					continue
				}
				l := found[node]
				if l == nil {
					l = &ListenerFacts{Node: node}
					found[node] = l
				}
				timeout := cmp.Or(sig.Timeouts[node], sig.Timeouts[""])
				if timeout > 0 && (l.Timeout.Value == 0 || timeout < l.Timeout.Value) {
					l.Timeout = Stated[time.Duration]{timeout, sig.Pos.String()}
				}
			}
		}
	}
	for node, own := range m.Own.Listeners {
		l := found[node]
		if l == nil {
			l = &ListenerFacts{Node: node}
			found[node] = l
		}
		l.Listener = *own
		if own.Timeout > 0 {
			from := s.Origin("$.messages." + m.Name + ".listeners." + node + ".timeout").String()
			l.Timeout = Stated[time.Duration]{time.Duration(own.Timeout), from}
		}
	}
	var list []ListenerFacts
	for _, node := range slices.Sorted(maps.Keys(found)) {
		if n := s.Nodes[node]; n != nil && !n.IsFitted() || node == m.Sender {
			continue
		}
		l := found[node]
		l.Grace = cmp.Or(time.Duration(l.Listener.Grace), DefaultGrace)
		list = append(list, *l)
	}
	return list
}

// sendKind reads the kind off GenMsgSendType. Its names differ from file to file
// (cyclic, Cyclic, spontaneous, IfActive, ...): only what is plain is taken.
func sendKind(def *dbc.Message) Kind {
	sendType := strings.ToLower(def.SendType)
	onChange := strings.Contains(sendType, "spontan") || strings.Contains(sendType, "change") ||
		strings.Contains(sendType, "event")
	switch {
	case onChange && def.CycleTime > 0:
		return Mixed
	case onChange:
		return OnChange
	case def.CycleTime > 0:
		return Cyclic
	}
	return ""
}
