package identify

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles"
)

// Plan is a library compiled for identifying: built once, never written to.
type Plan struct {
	settings  []*car
	keys      []*keyPlan // sorted by bus and identifier
	at        map[place]*keyPlan
	questions map[profiles.ID]*questions
	classes   [][]int // settings that no frame of the other modules tells apart
}

// place is an identifier on a bus.
type place struct {
	bus string
	id  profiles.ID
}

// keyPlan is an identifier on a bus, with all that the settings say of it.
type keyPlan struct {
	bus     string
	id      profiles.ID
	message string // by the first setting that has it
	sender  string
	echo    echo
	option  bool     // of some setting: its absence or presence proves nothing
	kinds   []fact   // distinct ones; the first is "not sent"
	of      []uint16 // index into kinds, by setting
	stage   string   // of the capture script, in which it shows first
	index   map[string]uint16
}

// echo says why an identifier is no evidence on the car.
type echo uint8

const (
	own     echo = iota // a module's own
	relayed             // a gateway's copy
	ofECU               // of the replaced unit
)

// fact is what settings say of an identifier.
type fact struct {
	sent      bool
	m         *profiles.MessageFacts
	laws      []lawFact
	constants []constantFact
	pages     *pagesFact
}

type lawFact struct {
	part     string // "counter", "checksum", ...
	question int
}

type constantFact struct {
	signal   string
	question int
	value    uint64
	says     string
}

type pagesFact struct {
	question int
	values   []uint64
}

// questions are what has to be looked at in the frames of an identifier, each
// once whatever the number of settings that ask it.
type questions struct {
	fields []fieldQuestion
	laws   []lawQuestion
	index  map[string]int
}

// fieldQuestion asks for the values of a field.
type fieldQuestion struct {
	field  field
	on     *field // multiplexer; nil: always there
	pages  []dbc.MuxRange
	ignore uint64 // raw start value, which says nothing yet
	hasIgn bool
}

// lawQuestion asks whether a law of protection holds.
type lawQuestion struct {
	guard   *guard.Guard
	cycle   int64 // ns
	content bool  // looks at one frame by itself
}

// NewPlan compiles the settings. The error says which protection cannot be.
func NewPlan(settings []*profiles.Setting) (*Plan, error) {
	p := &Plan{questions: map[profiles.ID]*questions{}, at: map[place]*keyPlan{}}
	for _, s := range settings {
		if err := p.add(s); err != nil {
			return nil, err
		}
	}
	return p, p.finish()
}

// Load compiles every setting of a library, parts left out, one after the other:
// of each only what tells it from others is kept. The error is that of the first
// setting that cannot be loaded, for without it another would be taken for the car.
func Load(lib *profiles.Library) (*Plan, error) {
	p := &Plan{questions: map[profiles.ID]*questions{}, at: map[place]*keyPlan{}}
	for _, name := range lib.Files() {
		s, err := lib.Load(name)
		if err != nil {
			if c, _ := lib.Compose(name); c != nil && c.Part {
				continue // by itself a part need not make sense
			}
			return nil, err
		}
		if s.Part {
			continue
		}
		if err := p.add(s); err != nil {
			return nil, err
		}
	}
	return p, p.finish()
}

// add takes over what a setting says.
func (p *Plan) add(s *profiles.Setting) error {
	i := len(p.settings)
	p.settings = append(p.settings, newCar(s))
	echoed := s.Echoed()
	for _, m := range s.Messages {
		if !m.Expected {
			continue
		}
		at := place{m.Bus, m.ID}
		k := p.at[at]
		if k == nil {
			k = &keyPlan{
				bus: m.Bus, id: m.ID, message: m.Name, sender: m.Sender, stage: s.ShownIn(m),
				kinds: []fact{{}}, index: map[string]uint16{},
			}
			p.at[at] = k
			p.keys = append(p.keys, k)
		}
		k.mark(s, m)
		if err := p.take(k, i, m, echoed); err != nil {
			return fmt.Errorf("%s: message %s: %w", s.Name, m.Name, err)
		}
	}
	return nil
}

// mark notes why the identifier is no evidence, if it is none.
func (k *keyPlan) mark(s *profiles.Setting, m *profiles.MessageFacts) {
	switch {
	case m.Sender != "" && m.Sender == s.Replaced:
		k.echo = ofECU
	case m.Relayed && k.echo == own:
		k.echo = relayed
	}
	k.option = k.option || m.Option
}

// take adds what setting i says of a message; echoed signals are no evidence.
func (p *Plan) take(k *keyPlan, i int, m *profiles.MessageFacts, echoed map[profiles.SignalRef]bool) error {
	f, describe, err := p.compile(m, echoed)
	if err != nil {
		return err
	}
	n, have := k.index[describe]
	if !have {
		n = uint16(len(k.kinds))
		if int(n) != len(k.kinds) {
			return errors.New("too many settings differ in it")
		}
		k.kinds = append(k.kinds, f)
		k.index[describe] = n
	}
	k.reach(i + 1)
	k.of[i] = n
	return nil
}

// reach makes room for n settings; those that do not have the identifier say
// "not sent".
func (k *keyPlan) reach(n int) {
	for len(k.of) < n {
		k.of = append(k.of, 0)
	}
}

// finish sorts the identifiers and the settings into classes.
func (p *Plan) finish() error {
	if len(p.settings) == 0 {
		return errors.New("no setting to identify by: the library is empty")
	}
	for _, k := range p.keys {
		k.reach(len(p.settings))
	}
	slices.SortFunc(p.keys, func(a, b *keyPlan) int {
		return cmp.Or(cmp.Compare(a.bus, b.bus), cmp.Compare(a.id.Value, b.id.Value), cmp.Compare(a.message, b.message))
	})
	p.classify()
	return nil
}

// compile returns what a setting says of a message, and a text that is the same
// for all that say the same.
func (p *Plan) compile(m *profiles.MessageFacts, echoed map[profiles.SignalRef]bool) (f fact, describe string, err error) {
	q := p.questions[m.ID]
	if q == nil {
		q = &questions{index: map[string]int{}}
		p.questions[m.ID] = q
	}
	f = fact{sent: true, m: m}
	var b strings.Builder
	fmt.Fprintf(&b, "length %d %v kind %s cycle %d tolerance %g", m.Length.Value, m.Length.From != "", m.Kind, m.Cycle.Value, m.Tolerance)
	protection, err := m.Protection()
	if err != nil {
		return f, "", err
	}
	for _, part := range parts(protection, m.Own.EndToEnd != nil) {
		n, err := q.law(part.Protection, int64(m.Cycle.Value), part.content)
		if err != nil {
			return f, "", err
		}
		f.laws = append(f.laws, lawFact{part.name, n})
		fmt.Fprintf(&b, " %s %d", part.name, n)
	}
	for _, name := range slices.Sorted(maps.Keys(m.Own.Constants)) {
		c := m.Own.Constants[name]
		def := m.Signal(name)
		if def == nil || def.Length > 64 || echoed[profiles.SignalRef(m.Name+"."+name)] {
			continue
		}
		n := q.field(def)
		value := uint64(c.Value) & q.fields[n].field.mask()
		says := fmt.Sprint(c.Value)
		if c.Means != "" {
			says += " (" + c.Means + ")"
		}
		f.constants = append(f.constants, constantFact{name, n, value, says})
		fmt.Fprintf(&b, " constant %d=%d", n, value)
	}
	if pages := m.Own.Pages; pages != nil && !echoed[profiles.SignalRef(m.Name+"."+pages.Signal)] {
		if def := m.Signal(pages.Signal); def != nil && def.Length <= 64 {
			values := slices.Sorted(slices.Values(pages.Values))
			f.pages = &pagesFact{q.field(def), values}
			fmt.Fprintf(&b, " pages %d %v", f.pages.question, values)
		}
	}
	return f, b.String(), nil
}

// part is one law of a protection.
type part struct {
	name string
	guard.Protection
	content bool
}

// parts splits a protection into laws that are judged apart.
func parts(p guard.Protection, endToEnd bool) (list []part) {
	if endToEnd {
		return []part{{"end-to-end profile", p, false}}
	}
	if len(p.Counters) > 0 {
		list = append(list, part{"counter", guard.Protection{Counters: p.Counters}, false})
	}
	if len(p.Toggles) > 0 {
		list = append(list, part{"toggle bit", guard.Protection{Toggles: p.Toggles}, false})
	}
	if len(p.Parities) > 0 {
		list = append(list, part{"parity", guard.Protection{Parities: p.Parities}, true})
	}
	if len(p.Checksums) > 0 {
		list = append(list, part{"checksum", guard.Protection{Checksums: p.Checksums}, true})
	}
	return list
}

// law returns the index of a question about a law.
func (q *questions) law(p guard.Protection, cycle int64, content bool) (int, error) {
	if content {
		cycle = 0 // it does not matter then
	}
	key := fmt.Sprintf("law %d %+v", cycle, p)
	if n, ok := q.index[key]; ok {
		return n, nil
	}
	g, err := p.Compile()
	if err != nil {
		return 0, err
	}
	q.laws = append(q.laws, lawQuestion{g, cycle, content})
	q.index[key] = len(q.laws) - 1
	return len(q.laws) - 1, nil
}

// field returns the index of a question about a signal's values.
func (q *questions) field(def *dbc.Signal) int {
	f := fieldQuestion{field: fieldOf(def)}
	key := fmt.Sprintf("field %+v", f.field)
	if def.Switch != nil {
		on := fieldOf(def.Switch)
		f.on, f.pages = &on, def.Pages
		key += fmt.Sprintf(" on %+v %v", on, def.Pages)
	}
	if def.Start0 != nil {
		f.ignore, f.hasIgn = uint64(int64(*def.Start0))&f.field.mask(), true
		key += fmt.Sprintf(" start %d", f.ignore)
	}
	if n, ok := q.index[key]; ok {
		return n
	}
	q.fields = append(q.fields, f)
	q.index[key] = len(q.fields) - 1
	return len(q.fields) - 1
}

// classify puts settings that the other modules' frames cannot tell apart together.
func (p *Plan) classify() {
	at := map[string]int{}
	for i, s := range p.settings {
		var b strings.Builder
		for _, bus := range slices.Sorted(maps.Keys(s.rates)) {
			fmt.Fprintf(&b, "%s %d;", bus, s.rates[bus])
		}
		for _, k := range p.keys {
			if k.evident() && k.of[i] != 0 {
				fmt.Fprintf(&b, "%s %v %d;", k.bus, k.id, k.of[i])
			}
		}
		n, ok := at[b.String()]
		if !ok {
			n = len(p.classes)
			at[b.String()] = n
			p.classes = append(p.classes, nil)
		}
		p.classes[n] = append(p.classes[n], i)
	}
}

// evident reports whether the identifier is evidence on the car.
func (k *keyPlan) evident() bool { return k.echo == own && !k.option }

// Classes returns the names of the settings that no frame of the other modules
// tells apart, in the order of the settings.
func (p *Plan) Classes() [][]string {
	var list [][]string
	for _, class := range p.classes {
		list = append(list, p.names(class))
	}
	return list
}

func (p *Plan) names(indexes []int) []string {
	names := make([]string, len(indexes))
	for i, n := range indexes {
		names[i] = p.settings[n].Name
	}
	return names
}

// Names lists the settings, in the order in which they were compiled.
func (p *Plan) Names() []string {
	names := make([]string, len(p.settings))
	for i, s := range p.settings {
		names[i] = s.Name
	}
	return names
}

// Title returns the title of a setting; "" when it has none.
func (p *Plan) Title(name string) string {
	if i := p.index(name); i >= 0 {
		return p.settings[i].Title
	}
	return ""
}
