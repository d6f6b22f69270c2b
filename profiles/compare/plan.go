package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles"
	"plugproof/profiles/rules"
)

// plan is what the collectors of both captures go by. It is not written to while
// they gather.
type plan struct {
	mode    Mode
	setting *profiles.Setting // nil: no profile
	decoder *decode.Decoder   // ByDBC

	axes  []axis
	pairs []pairPlan

	byBus   map[string]map[profiles.ID]*messagePlan // ByProfile
	byDef   map[*decode.Message]*messagePlan        // ByDBC
	unknown *messagePlan                            // of identifiers that nobody defines: byte by byte

	secrets *rules.Secrets // what is never shown
}

// messagePlan is what is known of one message.
type messagePlan struct {
	facts   *profiles.MessageFacts // nil: nothing
	profile bool                   // a profile has it
	own     bool                   // of the replaced unit, or a copy of what it says
	decoder *decode.Message
	guard   *guard.Guard // by the profile; nil: none stated
	cycle   int64        // ns, for counters; 0: not known
	signals []signalPlan // by decode.Signal.Index
	axes    []int        // told by this message
}

// signalPlan is what is known of one signal.
type signalPlan struct {
	def     *dbc.Signal
	skip    bool     // protection, multiplexer, or wider than a number: not compared
	hidden  bool     // its values are never shown: only whether its bits stand is compared
	counts  bool     // rolls: only whether it moves is compared
	list    bool     // a list of states or a bit; else a quantity
	na      []uint64 // raw patterns that are no value
	words   []uint64 // raw patterns that are no number
	mask    uint64
	ones    uint64  // the pattern of all ones where nobody says what it means; 0: not looked at
	quantum float64 // smallest step
	room    float64 // what the raw field can hold, from least to greatest
	low     float64 // outside of low..high no listener can use it
	high    float64 // NaN: nobody states it
	bandBy  string  // who states the band

	axes    []int // told by this signal
	flags   []flagPlan
	stims   []int // pairs that it drives
	answers []int // pairs that it answers in
}

// flagPlan says by which values another unit complains.
type flagPlan struct {
	profiles.Flag
	node   string
	guess  bool // by the name of the signal alone
	severe bool // a fault or an emergency program, not just a lamp
}

// newPlan compiles what is known of the car. dbcs is only looked at without a
// setting; marked says that both captures have their stages marked.
func newPlan(setting *profiles.Setting, dbcs []decode.Mapping, marked bool) (*plan, error) {
	p := &plan{mode: ByBits, setting: setting, byBus: map[string]map[profiles.ID]*messagePlan{}, byDef: map[*decode.Message]*messagePlan{}, secrets: rules.SecretsOf()}
	p.unknown = &messagePlan{decoder: bytewise()}
	p.unknown.signals = p.unknown.plan(&profiles.Message{}, nil)
	for i := range p.unknown.signals {
		p.unknown.signals[i].ones = 0 // one byte of all ones says nothing
	}
	var err error
	switch {
	case setting != nil:
		p.mode = ByProfile
		p.secrets = rules.SecretsOf(setting)
		err = p.takeSetting()
	case len(dbcs) > 0:
		p.mode = ByDBC
		p.takeDefinitions(dbcs)
	}
	if err != nil {
		return nil, err
	}
	p.findAxes()
	if marked {
		p.markStages()
	}
	p.findFlags()
	p.findPairs()
	return p, nil
}

// bytewise returns the layout of a message that nobody defines: one signal a byte.
func bytewise() *decode.Message {
	def := &dbc.Message{Name: "bytes", Length: can.MaxClassicLen}
	for i := range can.MaxClassicLen {
		def.Signals = append(def.Signals, &dbc.Signal{
			Name: fmt.Sprintf("byte %d", i), Start: 8 * i, Length: 8, Order: dbc.Intel, Factor: 1,
		})
	}
	return compiled(def)
}

func compiled(def *dbc.Message) *decode.Message {
	decoder, _ := decode.NewDecoder([]decode.Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{def}}}})
	messages := decoder.Bus("").Messages()
	if len(messages) == 0 {
		return nil
	}
	return messages[0]
}

func (p *plan) takeSetting() error {
	for _, facts := range p.setting.Messages {
		m := &messagePlan{facts: facts, profile: true, cycle: int64(facts.Cycle.Value)}
		m.own = facts.Sender != "" && facts.Sender == p.setting.Replaced || facts.Relayed
		protection, err := facts.Protection()
		if err != nil {
			return fmt.Errorf("message %s: %w", facts.Name, err)
		}
		if !protection.Empty() {
			if m.guard, err = protection.Compile(); err != nil {
				return fmt.Errorf("message %s: %w", facts.Name, err)
			}
		}
		m.decoder = p.unknown.decoder
		if facts.Def != nil {
			if m.decoder = compiled(facts.Def); m.decoder == nil {
				return fmt.Errorf("message %s: no frame has its identifier", facts.Name)
			}
		}
		m.signals = m.plan(facts.Own, facts.Guarding())
		m.hide(p.secrets)
		ids := p.byBus[facts.Bus]
		if ids == nil {
			ids = map[profiles.ID]*messagePlan{}
			p.byBus[facts.Bus] = ids
		}
		// Where two messages share an identifier, the one that this setting sends has it.
		if have := ids[facts.ID]; have == nil || !have.facts.Expected {
			ids[facts.ID] = m
		}
	}
	return nil
}

func (p *plan) takeDefinitions(dbcs []decode.Mapping) {
	p.decoder, _ = decode.NewDecoder(dbcs)
	for _, table := range p.decoder.Tables() {
		for _, msg := range table.Messages() {
			if p.byDef[msg] != nil {
				continue
			}
			m := &messagePlan{facts: profiles.Define("", msg.Def), decoder: msg}
			m.signals = m.plan(m.facts.Own, nil)
			p.secrets.Define(m.facts)
			m.hide(p.secrets)
			p.byDef[msg] = m
		}
	}
}

// plan says how to look at each signal.
func (m *messagePlan) plan(own *profiles.Message, guards map[string]bool) []signalPlan {
	list := make([]signalPlan, len(m.decoder.Signals))
	for i := range list {
		sig := &m.decoder.Signals[i]
		facts := own.Signals[sig.Def.Name]
		if facts == nil {
			facts = &profiles.Signal{}
		}
		list[i] = planSignal(sig, facts)
		list[i].skip = list[i].skip || guards[sig.Def.Name] || sig.Def.Multiplexer
		list[i].counts = facts.Counts
	}
	return list
}

// hide marks the signals whose values are never shown.
func (m *messagePlan) hide(secrets *rules.Secrets) {
	for i := range m.signals {
		s := &m.signals[i]
		s.hidden = secrets.HoldValue(profiles.SignalRef(m.facts.Name + "." + s.def.Name))
	}
}

func planSignal(sig *decode.Signal, facts *profiles.Signal) signalPlan {
	def := sig.Def
	s := signalPlan{def: def, quantum: math.Abs(def.Factor), low: math.NaN(), high: math.NaN()}
	if def.Length > 64 {
		s.skip = true
		return s
	}
	s.mask = ^uint64(0) >> (64 - def.Length)
	s.na, s.words = facts.NotAvailable(def), facts.Words(def)
	s.list = def.Length == 1 || def.Unit == "" && (len(def.Values) > 1 || def.Length <= 4)
	s.room = float64(s.mask) * s.quantum
	if sig.Float() {
		s.room, s.quantum = def.Max-def.Min, 0
	}
	named := slices.ContainsFunc(def.Values, func(v dbc.ValueText) bool { return uint64(v.Value)&s.mask == s.mask })
	if def.Length >= 8 && def.Type == dbc.Unsigned && len(s.na) == 0 && !named {
		s.ones = s.mask
	}
	switch {
	case facts.Accepted != nil:
		s.low, s.high, s.bandBy = facts.Accepted.From, facts.Accepted.To, "profile"
	case !s.list && def.Min < def.Max:
		s.low, s.high, s.bandBy = def.Min, def.Max, def.Pos.String()
	}
	return s
}

// message returns what is known of the message of a frame on a bus; nil: nothing.
func (p *plan) message(bus string, f *can.Frame) *messagePlan {
	switch p.mode {
	case ByProfile:
		return p.byBus[bus][profiles.ID{Value: f.ID, Extended: f.Is(can.Extended)}]
	case ByDBC:
		return p.byDef[p.decoder.Bus(bus).Lookup(f)]
	}
	return nil
}

// all lists the defined messages, in the order of the setting or the DBC files.
func (p *plan) all() (list []*messagePlan) {
	switch p.mode {
	case ByProfile:
		for _, facts := range p.setting.Messages {
			if m := p.byBus[facts.Bus][facts.ID]; m.facts == facts {
				list = append(list, m)
			}
		}
	case ByDBC:
		for _, table := range p.decoder.Tables() {
			for _, msg := range table.Messages() {
				list = append(list, p.byDef[msg])
			}
		}
	}
	return list
}

// find returns a signal of a setting; nil where it is not defined, or not sent.
func (p *plan) find(ref profiles.SignalRef) (*messagePlan, *signalPlan) {
	message, signal := ref.Split()
	facts := p.setting.Message(message)
	if facts == nil || !facts.Expected {
		return nil, nil
	}
	m := p.byBus[facts.Bus][facts.ID]
	if m == nil || m.facts != facts {
		return nil, nil
	}
	for i := range m.signals {
		if m.signals[i].def.Name == signal && !m.signals[i].skip {
			return m, &m.signals[i]
		}
	}
	return nil, nil
}

// names returns what a message and its sender are called.
func (m *messagePlan) names() (message, sender string) {
	if m == nil || m.facts == nil {
		return "", ""
	}
	return m.facts.Name, m.facts.Sender
}

// findFlags finds the bits by which units complain: those that the profile names,
// else those that sound like it.
func (p *plan) findFlags() {
	if p.mode == ByDBC {
		for _, m := range p.all() {
			for i := range m.signals {
				m.guessFlags(&m.signals[i])
			}
		}
		return
	}
	if p.setting == nil {
		return
	}
	for name, node := range p.setting.Nodes {
		if name == p.setting.Replaced || !node.IsFitted() {
			continue
		}
		for _, flag := range node.Flags {
			if _, s := p.find(flag.Signal); s != nil {
				lamp := flag.BulbCheck > 0
				s.flags = append(s.flags, flagPlan{Flag: flag, node: name, severe: !lamp})
			}
		}
	}
}

// Words in the names of signals and values that sound like a complaint.
var (
	severeWords = []string{"fault", "fail", "limp", "emergency", "malfunction", "error", "missing", "absent"}
	lampWords   = []string{"lamp", "warning"}
)

// guessFlags takes a bit, or a named value, for a complaint by its name.
func (m *messagePlan) guessFlags(s *signalPlan) {
	if s.skip || !s.list {
		return
	}
	add := func(value int64, text string) {
		severe, lamp := sounds(text, severeWords), sounds(text, lampWords)
		if !severe && !lamp {
			return
		}
		flag := profiles.Flag{
			Signal: profiles.SignalRef(m.facts.Name + "." + s.def.Name), Values: []int64{value}, Says: text,
		}
		s.flags = append(s.flags, flagPlan{Flag: flag, node: m.facts.Sender, guess: true, severe: severe && !lamp})
	}
	if s.def.Length == 1 {
		add(1, s.def.Name)
		return
	}
	for _, v := range s.def.Values {
		if v.Value != 0 {
			add(v.Value, v.Text)
		}
	}
}

func sounds(text string, words []string) bool {
	text = strings.ToLower(text)
	return slices.ContainsFunc(words, func(w string) bool { return strings.Contains(text, w) })
}
