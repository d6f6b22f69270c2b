package decode

import (
	"cmp"
	"slices"
	"sort"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// page is what a message carries for one range of values of its root
// multiplexer: from this page's from up to the next one's.
type page struct {
	from        uint64
	signals     []*Signal
	need        int  // bytes of a frame that has them all
	conditional bool // some depend on further multiplexers
}

// A message gets pages by value only while they stay small: this many entries
// for each signal. A definition that is larger is decoded signal by signal.
const maxEntriesPerSignal = 64

// directBits is the length of a multiplexer up to which a page is found by
// index, not by search.
const directBits = 8

// page returns what the frame carries; when it is too short for the
// multiplexer, what it carries in any case.
func (m *Message) page(f *can.Frame, n int) *page {
	if m.root == nil || m.root.need > n {
		return &m.always
	}
	v := m.root.page(&f.Data)
	if m.direct != nil {
		return &m.pages[m.direct[v]]
	}
	return &m.pages[m.search(v)]
}

// search returns the index of the page that holds the value.
func (m *Message) search(v uint64) int {
	return sort.Search(len(m.pages), func(i int) bool { return m.pages[i].from > v }) - 1
}

// setPages sorts the signals into pages by the value of the multiplexer that
// most of them depend on. What depends on others besides is tested frame by frame.
func (m *Message) setPages() {
	m.root = m.busiest()
	m.always = m.collect(func(top *Signal) bool { return m.root == nil || top.parent != m.root })
	if m.root == nil {
		return
	}
	entries := 0
	for _, from := range m.bounds() {
		p := m.collect(func(top *Signal) bool { return top.parent != m.root || contains(top.pages, from) })
		p.from = from
		m.pages = append(m.pages, p)
		entries += len(p.signals)
		if entries > maxEntriesPerSignal*len(m.Signals) {
			m.root, m.pages = nil, nil
			m.always = m.collect(func(*Signal) bool { return true })
			return
		}
	}
	if length := m.root.Def.Length; length <= directBits {
		m.direct = make([]uint16, 1<<length)
		for v := range m.direct {
			m.direct[v] = uint16(m.search(uint64(v)))
		}
	}
}

// collect makes the page of the signals that are always there and of those for
// which on reports true; on is given the signal below the outermost multiplexer.
func (m *Message) collect(on func(top *Signal) bool) page {
	var p page
	for i := range m.Signals {
		s := &m.Signals[i]
		top := s.top()
		if top != nil && !on(top) {
			continue
		}
		settled := top == nil || s == top && top.parent == m.root
		p.conditional = p.conditional || !settled
		p.need = max(p.need, s.need)
		p.signals = append(p.signals, s)
	}
	return p
}

// busiest returns the multiplexer that is always there and decides on most signals.
func (m *Message) busiest() *Signal {
	counts := make([]int, len(m.Signals))
	var best *Signal
	for i := range m.Signals {
		top := m.Signals[i].top()
		if top == nil {
			continue
		}
		root := top.parent
		counts[root.Index]++
		if best == nil || counts[root.Index] > counts[best.Index] {
			best = root
		}
	}
	return best
}

// top goes up the multiplexers a signal depends on, to the one that depends
// only on a multiplexer that is always there; nil when the signal always is.
func (s *Signal) top() *Signal {
	if s.parent == nil {
		return nil
	}
	for s.parent.parent != nil {
		s = s.parent
	}
	return s
}

// bounds returns the values of the root multiplexer where a page begins.
func (m *Message) bounds() []uint64 {
	from := []uint64{0}
	for i := range m.Signals {
		top := m.Signals[i].top()
		if top == nil || top.parent != m.root {
			continue
		}
		for _, r := range top.pages {
			from = append(from, r.From)
			if r.To < m.root.mask {
				from = append(from, r.To+1)
			}
		}
	}
	from = slices.DeleteFunc(from, func(v uint64) bool { return v > m.root.mask })
	slices.Sort(from)
	return slices.Compact(from)
}

// tidy returns the ranges sorted, and those that meet as one.
func tidy(ranges []dbc.MuxRange) []dbc.MuxRange {
	sorted := slices.Clone(ranges)
	slices.SortFunc(sorted, func(a, b dbc.MuxRange) int { return cmp.Compare(a.From, b.From) })
	out := sorted[:0]
	for _, r := range sorted {
		switch last := len(out) - 1; {
		case r.From > r.To: // holds nothing
		case last >= 0 && r.From <= out[last].To:
			out[last].To = max(out[last].To, r.To)
		default:
			out = append(out, r)
		}
	}
	return out
}
