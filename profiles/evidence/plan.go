package evidence

import (
	"fmt"
	"maps"
	"slices"

	"plugproof/decode"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/decode/survey"
	"plugproof/profiles"
)

// messagePlan is what the collectors of a message share.
type messagePlan struct {
	facts   *profiles.MessageFacts
	decoder *decode.Message // nil: no DBC has it
	guard   *guard.Guard    // nil: it has no protection
	cycle   int64           // ns; 0: not cyclic
	length  int             // bytes; -1: any
	ignore  uint64
	page    int // index of the multiplexer in decoder.Signals; -1: none
	signals []signalPlan
	series  bool       // Options.Series
	talks   []talkPart // what it has to do with the dialogues
	calm    *calmPlan  // nil: each frame is looked at in full
}

// signalPlan is what the collectors of a signal share.
type signalPlan struct {
	sig     *decode.Signal
	own     *profiles.Signal
	na      []uint64 // declared patterns
	words   []uint64 // patterns that are no numbers
	ones    uint64   // the all-ones pattern to be counted; 0: not this signal
	top     uint64   // greatest raw value of an unsigned field of 8 bits and more; 0: not looked at
	swap    int      // bytes of a field that has another byte order; 0: none
	half    float64  // half the raw range; 0: not looked at
	quantum float64
	named   bool  // a profile names it
	short   bool  // few values: they are counted in an array
	guards  bool  // it protects the message, and no profile names it: only its frames are counted
	asY     []int // fits it is the value of
	asX     []int // fits it is the reference of
}

// NewPlan compiles a setting for collecting. The error says which protection or
// reference of the profile cannot be.
func NewPlan(opts Options) (*Plan, error) {
	p := &Plan{opts: opts, named: opts.Setting.NamedSignals(), byBus: map[string]map[profiles.ID]*messagePlan{}}
	p.planFits()
	p.planTalks()
	for _, facts := range opts.Setting.Messages {
		plan, err := p.planMessage(facts)
		if err != nil {
			return nil, fmt.Errorf("message %s: %w", facts.Name, err)
		}
		p.messages = append(p.messages, plan)
		if p.byBus[facts.Bus] == nil {
			p.byBus[facts.Bus] = map[profiles.ID]*messagePlan{}
		}
		// Where two messages share an identifier, the one that this setting sends has it.
		if have := p.byBus[facts.Bus][facts.ID]; have == nil || !have.facts.Expected {
			p.byBus[facts.Bus][facts.ID] = plan
		}
	}
	return p, nil
}

// planFits lists the pairs of signals that must follow each other.
func (p *Plan) planFits() {
	for _, name := range slices.Sorted(maps.Keys(p.opts.Setting.Functions)) {
		f := p.opts.Setting.Functions[name]
		for i := 1; i < len(f.Chain); i++ {
			p.fits = append(p.fits, Fit{Y: f.Chain[i], X: f.Chain[i-1], Function: name, Link: i})
		}
		if f.Against != nil {
			p.fits = append(p.fits, Fit{Y: f.Chain[0], X: f.Against.Signal, Function: name})
		}
	}
}

func (p *Plan) planMessage(facts *profiles.MessageFacts) (*messagePlan, error) {
	plan := &messagePlan{facts: facts, length: -1, page: -1, series: p.opts.Series}
	if facts.Kind == profiles.Cyclic || facts.Kind == profiles.Mixed {
		plan.cycle = int64(facts.Cycle.Value)
	}
	if facts.Length.From != "" {
		plan.length = facts.Length.Value
	}
	protection, err := facts.Protection()
	if err != nil {
		return nil, err
	}
	if !protection.Empty() {
		if plan.guard, err = protection.Compile(); err != nil {
			return nil, err
		}
	}
	if facts.Def == nil {
		plan.talks = p.partsOf(plan)
		return plan, nil
	}
	plan.decoder = decode.Compile(facts.Def)
	if plan.decoder == nil {
		return nil, fmt.Errorf("internal error: its definition cannot be compiled")
	}
	guarding := facts.Guarding()
	for i := range plan.decoder.Signals {
		sig := &plan.decoder.Signals[i]
		plan.signals = append(plan.signals, p.planSignal(facts, sig, guarding[sig.Def.Name]))
		if sig.Def.Multiplexer && plan.page < 0 {
			plan.page = i
		}
	}
	plan.ignore = ignoredBits(plan)
	plan.talks = p.partsOf(plan)
	plan.calm = newCalmPlan(plan)
	return plan, nil
}

// ignoredBits returns the bits of the first 8 bytes that counter, toggle bit,
// checksum and multiplexer take: they alternate by design.
func ignoredBits(plan *messagePlan) (mask uint64) {
	guards := plan.facts.Guarding()
	for i := range plan.signals {
		def := plan.signals[i].sig.Def
		if !guards[def.Name] && !def.Multiplexer {
			continue
		}
		in, _ := bitsOf(plan.signals[i].sig)
		mask |= in
	}
	return mask
}

func (p *Plan) planSignal(facts *profiles.MessageFacts, sig *decode.Signal, guards bool) signalPlan {
	def := sig.Def
	ref := profiles.SignalRef(facts.Name + "." + def.Name)
	own := facts.Own.Signals[def.Name]
	if own == nil {
		own = &profiles.Signal{}
	}
	s := signalPlan{sig: sig, own: own, na: own.NotAvailable(def), quantum: def.Factor, named: p.named[ref]}
	if s.quantum < 0 {
		s.quantum = -s.quantum
	}
	for i := range p.fits {
		if p.fits[i].Y == ref {
			s.asY = append(s.asY, i)
		}
		if p.fits[i].X == ref {
			s.asX = append(s.asX, i)
		}
	}
	s.short = def.Length <= shortBits && !sig.Float()
	s.guards = guards && !s.named && !def.Multiplexer
	guarding := guards || def.Multiplexer
	if def.Length < 8 || def.Length > 64 || sig.Float() || guarding {
		return s
	}
	s.half = float64(uint64(1) << (def.Length - 1))
	if def.Type == dbc.Unsigned {
		s.top = ^uint64(0) >> (64 - def.Length)
		if len(s.na) == 0 {
			s.ones = s.top
		}
	}
	s.words = own.Words(def)
	if slices.Contains(s.words, s.top) {
		s.top, s.ones = 0, 0 // the end of the field means something of its own
	}
	wholeBytes := def.Length > 8 && def.Length%8 == 0
	if wholeBytes && (def.Order == dbc.Intel && def.Start%8 == 0 || def.Order == dbc.Motorola && def.Start%8 == 7) {
		s.swap = def.Length / 8
	}
	return s
}

// empty returns the message as a capture without it shows it.
func (plan *messagePlan) empty() *Message {
	m := &Message{
		Facts: plan.facts, Faults: map[guard.Faults]*Events{}, Pages: map[uint64]uint64{}, Signals: map[string]*Signal{},
	}
	if plan.series {
		m.FaultTracks = map[guard.Faults]*survey.Track{}
	}
	return m
}

// new returns a message ready to gather.
func (plan *messagePlan) new(g *streamGrain) *message {
	m := &message{Message: *plan.empty(), plan: plan, signals: make([]signal, len(plan.signals))}
	if plan.guard != nil {
		m.watch = plan.guard.Watch(plan.cycle)
	}
	for i := range m.signals {
		m.signals[i].init(&plan.signals[i], g.signal(i))
	}
	return m
}
