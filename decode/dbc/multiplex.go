package dbc

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
)

// maxNesting bounds how many multiplexers a signal may depend on, one through
// the other. Files in use have two or three.
const maxNesting = 32

// readMultiplexing reads SG_MUL_VAL_: for which values of which multiplexer a
// signal is present. It overrides the marks of the SG_ lines.
func (p *parser) readMultiplexing(st statement, c *cursor) {
	m, s := p.readSignalOf(st, c)
	if s == nil {
		return
	}
	place := c.here()
	name := c.word("the name of the multiplexer")
	pages := readPages(c)
	c.end()
	if c.failed() {
		return
	}
	by := p.signals[signalKey{m, name}]
	switch {
	case by == nil:
		p.setAside(st, place, say("no-signal", "message %q has no signal %q", m.Name, name))
		return
	case s.Switch != nil && s.Switch != by:
		p.setAside(st, place, say("two-multiplexers", "signal %q depends on %q already", s.Name, s.Switch.Name))
		return
	}
	by.Multiplexer = true
	s.Switch = by
	s.Pages = append(s.Pages, pages...)
}

// readPages reads "1-1, 3-5" to the end.
func readPages(c *cursor) []MuxRange {
	var pages []MuxRange
	for c.more() && c.peek() != ';' {
		if c.take(',') {
			continue
		}
		w := c.word("a range of values")
		from, to, _ := strings.Cut(w, "-")
		a, errA := strconv.ParseUint(from, 10, 64)
		b, errB := strconv.ParseUint(to, 10, 64)
		if !c.failed() && (errA != nil || errB != nil || a > b) {
			c.fail(c.at-len(w), "%q is not a range of values", clip(w))
		}
		pages = append(pages, MuxRange{From: a, To: b})
	}
	if len(pages) == 0 {
		c.expected("a range of values")
	}
	return pages
}

// linkMultiplexers turns the marks of SG_ lines into links, where SG_MUL_VAL_
// has not done so, and sets aside the signals of which nobody can say when they
// are present.
func (p *parser) linkMultiplexers() {
	for _, m := range p.db.Messages {
		lost := p.linkMessage(m)
		for _, s := range m.Signals {
			if r := unreachable(s, lost); r.rule != "" && lost[s].rule == "" {
				lost[s] = r
			}
			s.Pages = merge(s.Pages)
		}
		m.Signals = slices.DeleteFunc(m.Signals, func(s *Signal) bool {
			if lost[s].rule == "" {
				return false
			}
			delete(p.signals, signalKey{m, s.Name})
			line := s.Pos.Line - 1
			p.setAside(statement{kw: kwSignal, line: line, last: line}, s.Pos.Offset, lost[s])
			return true
		})
	}
}

// linkMessage links the signals of one message to its multiplexer and returns
// those that have none, with the reason.
func (p *parser) linkMessage(m *Message) map[*Signal]remark {
	lost := map[*Signal]remark{}
	root := p.rootMultiplexer(m)
	for _, s := range m.Signals {
		mark := p.marks[s]
		s.Multiplexer = s.Multiplexer || mark.multiplexer
		switch {
		case !mark.multiplexed || s.Switch != nil:
		case !mark.paged:
			p.warn(mark.place,
				say("signal/page", "%q is marked m without a page: taken as always present", s.Name).
					try("write m and the multiplexer's value"))
		case root == nil:
			lost[s] = say("multiplexer", "%q is on page %d, but %q has no multiplexer", s.Name, mark.page, m.Name)
		default:
			s.Switch = root
			s.Pages = []MuxRange{{mark.page, mark.page}}
		}
	}
	return lost
}

// rootMultiplexer returns the multiplexer that plain marks refer to: the first
// marked M and nothing else.
func (p *parser) rootMultiplexer(m *Message) *Signal {
	var root *Signal
	for _, s := range m.Signals {
		mark := p.marks[s]
		switch {
		case !mark.multiplexer || mark.multiplexed:
		case root == nil:
			root = s
		case !p.explained(m):
			p.warn(mark.place,
				say("signal/multiplexer", "%q has two multiplexers, %q and %q: pages are taken as those of the first",
					m.Name, root.Name, s.Name).
					try("say with SG_MUL_VAL_ which signal depends on which"))
			return root
		}
	}
	return root
}

// explained says whether SG_MUL_VAL_ covers every marked signal of a message.
func (p *parser) explained(m *Message) bool {
	return !slices.ContainsFunc(m.Signals, func(s *Signal) bool {
		return p.marks[s].multiplexed && s.Switch == nil
	})
}

// unreachable says why a signal can never be found, nothing when it can: its chain of
// multiplexers must end, soon, and hold none that is lost.
func unreachable(s *Signal, lost map[*Signal]remark) remark {
	at := s
	for range maxNesting {
		if at.Switch == nil {
			return remark{}
		}
		at = at.Switch
		if lost[at].rule != "" {
			return say("multiplexer", "%q depends on %q, which is set aside", s.Name, at.Name)
		}
	}
	return say("multiplexer", "multiplexers of %q form a loop, or nest over %d deep", s.Name, maxNesting)
}

// merge sorts ranges and joins those that touch.
func merge(pages []MuxRange) []MuxRange {
	if len(pages) < 2 {
		return pages
	}
	slices.SortFunc(pages, func(a, b MuxRange) int {
		return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To))
	})
	kept := pages[:1]
	for _, r := range pages[1:] {
		last := &kept[len(kept)-1]
		if r.From <= last.To || r.From == last.To+1 {
			last.To = max(last.To, r.To)
		} else {
			kept = append(kept, r)
		}
	}
	return kept
}
