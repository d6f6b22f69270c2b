package profiles

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"plugproof/decode/guard"
)

// Protection returns how a message is guarded, as decode/guard takes it. The
// error names what the profile says that cannot be.
func (m *MessageFacts) Protection() (guard.Protection, error) {
	var p guard.Protection
	own := m.Own
	if own.EndToEnd != nil {
		return own.EndToEnd.protection(m.Length.Value)
	}
	if c := own.Counter; c != nil {
		field, err := m.field(&c.Field)
		if err != nil {
			return p, fmt.Errorf("counter: %w", err)
		}
		p.Counters = []guard.Counter{{Field: field, Modulo: uint64(c.Modulo), Step: uint64(c.Step), Reserved: c.Reserved}}
	}
	if t := own.Toggle; t != nil {
		field, err := m.field(&t.Field)
		if err != nil {
			return p, fmt.Errorf("toggle bit: %w", err)
		}
		p.Toggles = []guard.Toggle{{Field: field, Every: t.Every}}
	}
	if c := own.Parity; c != nil {
		field, err := m.field(&c.Field)
		if err != nil {
			return p, fmt.Errorf("parity: %w", err)
		}
		parity := guard.Parity{Field: field, Odd: c.Odd}
		if c.Over != nil {
			over, err := m.field(c.Over)
			if err != nil {
				return p, fmt.Errorf("what the parity covers: %w", err)
			}
			parity.Over = []guard.Field{over}
		}
		p.Parities = []guard.Parity{parity}
	}
	if c := own.Checksum; c != nil {
		sum, err := m.checksum(c)
		if err != nil {
			return p, fmt.Errorf("checksum: %w", err)
		}
		p.Checksums = []guard.Checksum{sum}
	}
	return p, nil
}

// checksum returns a profile's checksum as guard takes it.
func (m *MessageFacts) checksum(c *Checksum) (guard.Checksum, error) {
	field, err := m.field(&c.Field)
	if err != nil {
		return guard.Checksum{}, err
	}
	law, err := c.law()
	if err != nil {
		return guard.Checksum{}, err
	}
	sum := guard.Checksum{Field: field, Law: law}
	for _, part := range c.Over {
		sum.Over = append(sum.Over, guard.Part(part))
	}
	if len(sum.Over) == 0 {
		sum.Over = []guard.Part{guard.Data(0, 0)}
	}
	return sum, nil
}

// law returns the law by name or as spelled out.
func (c *Checksum) law() (guard.Law, error) {
	if c.Law != "" {
		law, ok := guard.Named(c.Law)
		if !ok {
			return law, fmt.Errorf("no law %q: one of %s, or spell it out with kind", c.Law, strings.Join(guard.Names(), ", "))
		}
		return law, nil
	}
	for _, kind := range []guard.Kind{guard.CRC, guard.Sum, guard.XOR, guard.NibbleSum} {
		if kind.String() == c.Kind {
			return guard.Law{
				Kind: kind, Width: c.Width, Poly: c.Poly, Init: c.Init, XorOut: c.XorOut,
				Reflect: c.Reflect, Subtract: c.Subtract,
			}, nil
		}
	}
	return guard.Law{}, fmt.Errorf("it names no law and no kind (%q)", c.Kind)
}

// field returns where a field lies, by its signal or its own numbers.
func (m *MessageFacts) field(f *Field) (guard.Field, error) {
	if f.Signal != "" {
		def := m.Signal(f.Signal)
		if def == nil {
			return guard.Field{}, fmt.Errorf("%s has no signal %q", m.Name, f.Signal)
		}
		return guard.Field{Start: def.Start, Length: def.Length, Order: guard.Order(def.Order)}, nil
	}
	if f.Start == nil {
		return guard.Field{}, fmt.Errorf("it does not say where it lies")
	}
	order := guard.Intel
	if f.Order == "motorola" {
		order = guard.Motorola
	}
	return guard.Field{Start: *f.Start, Length: f.Length, Order: order}, nil
}

// protection returns the end-to-end profile as guard takes it.
func (e *EndToEnd) protection(length int) (guard.Protection, error) {
	number := strings.TrimRight(e.Profile, "ABCL")
	profile, err := strconv.Atoi(number)
	if err != nil {
		return guard.Protection{}, fmt.Errorf("no end-to-end profile %q", e.Profile)
	}
	out := guard.EndToEnd{Profile: profile, Offset: e.Offset, Length: length, DataID: e.DataID}
	switch strings.TrimPrefix(e.Profile, number) {
	case "", "A":
	case "B":
		out.Mode = guard.Alternating
	case "L":
		out.Mode = guard.LowByte
	case "C":
		out.Mode = guard.LowNibble
	default:
		return guard.Protection{}, fmt.Errorf("no end-to-end profile %q", e.Profile)
	}
	for _, id := range e.DataIDs {
		if id > 0xFF {
			return guard.Protection{}, fmt.Errorf("data identifier %#x has more than 8 bits", id)
		}
		out.DataIDs = append(out.DataIDs, byte(id))
	}
	return out.Protection()
}

// Guarding returns the signals of a message that its protection uses.
func (m *MessageFacts) Guarding() map[string]bool {
	names := map[string]bool{}
	add := func(f *Field) {
		if f.Signal != "" {
			names[f.Signal] = true
		}
	}
	if m.Own.Counter != nil {
		add(&m.Own.Counter.Field)
	}
	if m.Own.Toggle != nil {
		add(&m.Own.Toggle.Field)
	}
	if m.Own.Parity != nil {
		add(&m.Own.Parity.Field)
	}
	if m.Own.Checksum != nil {
		add(&m.Own.Checksum.Field)
	}
	return names
}

// NamedSignals returns every signal that the profile speaks of: what the rules
// want to know more of than of the rest.
func (s *Setting) NamedSignals() map[SignalRef]bool {
	named := map[SignalRef]bool{}
	for _, ref := range s.Roles {
		named[ref] = true
	}
	for _, f := range s.Functions {
		for _, ref := range f.Chain {
			named[ref] = true
		}
		if f.Against != nil {
			named[f.Against.Signal] = true
		}
	}
	for _, stage := range s.Stages {
		for _, condition := range slices.Concat(stage.When, stage.Otherwise) {
			named[condition.Signal] = true
		}
	}
	for _, node := range s.Nodes {
		for _, flag := range node.Flags {
			named[flag.Signal] = true
		}
	}
	for name, m := range s.Profile.Messages {
		for signal := range m.Signals {
			named[SignalRef(name+"."+signal)] = true
		}
		for signal := range m.Constants {
			named[SignalRef(name+"."+signal)] = true
		}
	}
	for _, ref := range s.spokenOf() {
		if _, signal := ref.Split(); signal != "" {
			named[ref] = true
		}
	}
	return named
}
