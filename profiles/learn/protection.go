package learn

import (
	"cmp"
	"fmt"
	"maps"
	"math/bits"
	"slices"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles"
)

// learnProtection works out counters and checksums from the samples. Messages of
// one unit are siblings. Where nobody names the units all of a bus are: a maker
// has a law for its cars rather than for a unit.
func (d *draft) learnProtection(samples map[address]*guard.Sample) {
	groups := map[string][]*entry{}
	for _, e := range d.entries {
		key := e.bus + "\x00" + e.unit
		groups[key] = append(groups[key], e)
	}
	for _, key := range slices.Sorted(maps.Keys(groups)) {
		var frames [][]can.Frame
		var list []*entry
		for _, e := range groups[key] {
			if s := samples[e.address]; s != nil {
				frames, list = append(frames, s.Frames()), append(list, e)
			}
		}
		for i, lesson := range guard.Learn(frames) {
			list[i].lesson = lesson
			sibling := ""
			if lesson.Sibling >= 0 {
				sibling = list[lesson.Sibling].name
			}
			list[i].describeProtection(sibling)
		}
	}
}

// describeProtection takes over what was learned, as far as a profile can say it.
func (e *entry) describeProtection(sibling string) {
	p, m := &e.lesson.Protection, &e.message
	proof := fmt.Sprintf("holds on all %d frames, looked for in %d of them with %d payloads",
		e.seen.Frames, e.lesson.Frames, e.lesson.Payloads)
	p.Counters = slices.DeleteFunc(p.Counters, e.isPage)
	if len(p.Counters) > 0 {
		c := p.Counters[0]
		m.Counter = &profiles.Counter{Field: field(narrowed(c)), Step: int(c.Step), Modulo: int(c.Modulo), Reserved: c.Reserved}
		e.note("counter", "%s; a multiplexer that steps with every frame looks the same", proof)
	}
	if len(p.Toggles) > 0 {
		m.Toggle = &profiles.Toggle{Field: field(p.Toggles[0].Field), Every: p.Toggles[0].Every}
		e.note("toggle", "%s", proof)
	}
	if len(p.Parities) > 0 {
		e.describeParity(p.Parities[0])
		e.note("parity", "%s", proof)
	}
	if len(p.Checksums) > 0 {
		m.Checksum = checksum(p.Checksums[0], e.lesson.Length)
		if sibling != "" {
			proof += "; too few by themselves, but it is the law of " + sibling
		}
		if e.lesson.Alternatives > 0 {
			proof += fmt.Sprintf("; %d other laws fit as well", e.lesson.Alternatives)
		}
		e.note("checksum", "%s", proof)
	}
	e.mentionMore(p)
}

// narrowed is the field of a counter without the high bits that it never sets:
// they may mean something else in another capture.
func narrowed(c guard.Counter) guard.Field {
	f := c.Field
	if c.Modulo == 0 {
		return f
	}
	for f.Length > bits.Len64(c.Modulo-1) && f.Length > 1 {
		f.Length--
		switch {
		case f.Order != guard.Motorola: // starts at its lowest bit
		case f.Start%8 == 0:
			f.Start += 15
		default:
			f.Start--
		}
	}
	return f
}

// isPage reports whether a counter is a multiplexer by the definition: one that
// steps with every frame.
func (e *entry) isPage(c guard.Counter) bool {
	return e.def != nil && slices.ContainsFunc(e.def.Signals, func(sig *dbc.Signal) bool {
		inside := c.Field.Start >= sig.Start && c.Field.Start < sig.Start+sig.Length
		return sig.Multiplexer && (inside || c.Field.Start == sig.Start)
	})
}

// mentionMore names what a profile has no room for: it knows one of each.
func (e *entry) mentionMore(p *guard.Protection) {
	for _, c := range p.Counters[min(1, len(p.Counters)):] {
		e.about = append(e.about, fmt.Sprintf("bits %s count too", c.Field))
	}
	for _, t := range p.Toggles[min(1, len(p.Toggles)):] {
		e.about = append(e.about, fmt.Sprintf("bit %d toggles too", t.Field.Start))
	}
	for _, c := range p.Parities[min(1, len(p.Parities)):] {
		e.about = append(e.about, fmt.Sprintf("bit %d is a parity bit too", c.Field.Start))
	}
}

// describeParity takes over a parity bit. It counts whole bytes in a row.
func (e *entry) describeParity(p guard.Parity) {
	parity := &profiles.Parity{Field: field(p.Field), Odd: p.Odd}
	if len(p.Over) > 0 {
		over := field(p.Over[0])
		over.Length = 8 * len(p.Over)
		parity.Over = &over
	}
	e.message.Parity = parity
}

// field gives where bits lie as a profile has it.
func field(f guard.Field) profiles.Field {
	out := profiles.Field{Start: &f.Start, Length: f.Length}
	if f.Order == guard.Motorola {
		out.Order = "motorola"
	}
	return out
}

// checksum gives a checksum as a profile has it, by the name of its law where
// that has one.
func checksum(c guard.Checksum, length int) *profiles.Checksum {
	out := &profiles.Checksum{Field: field(c.Field)}
	for _, name := range guard.Names() {
		if law, _ := guard.Named(name); law == c.Law {
			out.Law = name
			break
		}
	}
	if out.Law == "" {
		l := c.Law
		out.Kind, out.Width, out.Poly, out.Init, out.XorOut = l.Kind.String(), l.Width, l.Poly, l.Init, l.XorOut
		out.Reflect, out.Subtract = l.Reflect, l.Subtract
	}
	if len(c.Over) == 1 && c.Over[0].Kind == guard.PartData && c.Over[0].From == 0 && c.Over[0].To == 0 {
		return out
	}
	for _, part := range c.Over {
		if part.Kind == guard.PartData && part.From > 0 {
			part.To = cmp.Or(part.To, length) // a profile names both ends
		}
		out.Over = append(out.Over, profiles.Cover(part))
	}
	return out
}

// forget drops what a frame outside of the sample contradicts, and returns
// whether there was any.
func (e *entry) forget(faults guard.Faults) bool {
	m := &e.message
	counter := faults&(guard.FrozenCounter|guard.WrongStep|guard.ReservedCounter|guard.SecondSender) != 0
	short := faults&guard.Short != 0
	dropped := false
	drop := func(key string, wrong, there bool, remove func()) {
		if there && (wrong || short) {
			remove()
			delete(e.notes, key)
			e.about = append(e.about, fmt.Sprintf("a %s was found in %d frames, but not every frame obeys it: left out", key, e.lesson.Frames))
			dropped = true
		}
	}
	drop("counter", counter, m.Counter != nil, func() { m.Counter = nil })
	drop("toggle", faults&guard.WrongToggle != 0, m.Toggle != nil, func() { m.Toggle = nil })
	drop("parity", faults&guard.WrongParity != 0, m.Parity != nil, func() { m.Parity = nil })
	drop("checksum", faults&guard.WrongChecksum != 0, m.Checksum != nil, func() { m.Checksum = nil })
	return dropped
}
