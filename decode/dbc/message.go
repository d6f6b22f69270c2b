package dbc

import (
	"fmt"
	"math"
	"strconv"
)

const (
	extendedFlag = 1 << 31    // of the identifiers in a DBC file
	maxStandard  = 0x7FF      // 11 bits
	maxExtended  = 0x1FFFFFFF // 29 bits

	// independent is the identifier of the pseudo message that editors keep signals in
	// which belong to no message.
	independent = 0xC0000000

	// maxLength bounds messages, in bytes. A transport protocol on CAN moves 4095
	// bytes (ISO 15765-2, first frame with a 12-bit length); 64 KiB leaves room for
	// what else files hold, and keeps bit positions small.
	maxLength = 65535
)

// frameKeyOf returns the identifier of a frame from that of the file. ok is false when it fits no frame.
func frameKeyOf(id uint64) (key frameKey, ok bool) {
	switch {
	case id > math.MaxUint32 || id&^extendedFlag > maxExtended:
		return frameKey{}, false
	case id&extendedFlag != 0 || id > maxStandard:
		return frameKey{id: uint32(id &^ extendedFlag), extended: true}, true
	}
	return frameKey{id: uint32(id)}, true
}

// readMessage reads a BO_ line. The signal lines below it belong to the message,
// and share its fate when it is refused.
func (p *parser) readMessage(st statement, c *cursor) {
	p.message, p.refusal = nil, len(p.db.Diagnostics)
	place := c.here()
	id := c.uint("the identifier")
	m := &Message{Pos: p.position(st.start)}
	m.Name = c.word("the message's name")
	c.need(':')
	m.Length = c.size("the length in bytes", maxLength)
	if c.more() && c.peek() != ';' {
		m.Senders = nodeList(c, "the sender")
	}
	c.end()
	if c.failed() {
		return
	}
	if id == independent {
		p.note(st.start,
			say("message/independent-signals", "%q holds signals that belong to no frame: not used", m.Name))
		p.message, p.refusal = m, -1
		p.messages[frameKey{id: independent}] = m
		return
	}
	key, ok := frameKeyOf(id)
	if !ok {
		p.setAside(st, place, say("identifier", "identifier %d (%#x) does not fit 29 bits", id, id))
		return
	}
	if first := p.messages[key]; first != nil {
		p.setAside(st, st.start,
			say("duplicate-identifier", "identifier %d of %q is already that of %q on line %d",
				id, m.Name, first.Name, first.Pos.Line).
				try("remove one of them"))
		return
	}
	if key.extended && id&extendedFlag == 0 {
		p.warn(place,
			say("message/no-extended-bit", "identifier %d of %q does not fit 11 bits: taken as a 29-bit identifier",
				id, m.Name).
				try(fmt.Sprintf("write %d", id|extendedFlag)))
	}
	m.ID, m.Extended = key.id, key.extended
	p.message, p.refusal = m, -1
	p.messages[key] = m
	p.db.Messages = append(p.db.Messages, m)
}

// nodeList reads names up to the end, divided by commas or blanks. The name that means nobody is left out.
func nodeList(c *cursor, what string) []string {
	var names []string
	for c.more() && c.peek() != ';' {
		if c.take(',') {
			continue
		}
		name := c.word(what)
		if name != nobody && !c.failed() {
			names = append(names, name)
		}
	}
	return names
}

// muxMark is the multiplexing mark of an SG_ line: M, m, m3, m3M.
type muxMark struct {
	multiplexer bool
	multiplexed bool
	paged       bool
	page        uint64
	place       int
}

func (m muxMark) same(other muxMark) bool {
	m.place, other.place = 0, 0
	return m == other
}

// readSignal reads an SG_ line.
func (p *parser) readSignal(st statement, c *cursor) {
	if p.message == nil {
		p.strayLine(st)
		return
	}
	s := &Signal{Pos: p.position(st.start)}
	place := c.here()
	s.Name = c.word("the signal's name")
	mark := readMark(c)
	c.need(':')
	readLayout(c, s)
	c.need('(')
	s.Factor = c.float("the factor")
	c.need(',')
	s.Offset = c.float("the offset")
	c.need(')')
	c.need('[')
	p.readRange(c, s)
	c.need(']')
	s.Unit = c.quoted("the unit")
	s.Receivers = nodeList(c, "a receiver")
	c.end()
	if c.failed() {
		return
	}
	switch {
	case s.Length == 0:
		p.setAside(st, place,
			say("zero-length", "signal %q has no bits", s.Name).try("give it a length of 1 or more"))
	case math.IsInf(s.Factor, 0) || math.IsInf(s.Offset, 0):
		p.setAside(st, place, say("scale", "factor or offset of %q is too large", s.Name))
	default:
		p.addSignal(st, s, mark)
	}
}

// addSignal adds a signal to the current message. A second one of the same name
// is kept under a name of its own where it stands elsewhere in the frame: names
// that an editor cut to 32 characters become the same.
func (p *parser) addSignal(st statement, s *Signal, mark muxMark) {
	first := p.signals[signalKey{p.message, s.Name}]
	if first != nil {
		if first.Start == s.Start && first.Length == s.Length && p.marks[first].same(mark) {
			p.setAside(st, s.Pos.Offset,
				say("duplicate", "signal %q is already on line %d", s.Name, first.Pos.Line).
					try("remove one of them"))
			return
		}
		name := p.freeName(s.Name)
		p.warn(s.Pos.Offset,
			say("signal/duplicate", "another signal %q is on line %d: this one is named %q",
				s.Name, first.Pos.Line, name).
				try("rename one of them"))
		s.Name = name
	}
	p.signals[signalKey{p.message, s.Name}] = s
	p.message.Signals = append(p.message.Signals, s)
	if mark.multiplexer || mark.multiplexed {
		p.marks[s] = mark
	}
}

// freeName returns a name that no signal of the current message has so far.
func (p *parser) freeName(name string) string {
	for {
		p.copies[signalKey{p.message, name}]++
		free := fmt.Sprintf("%s_%d", name, p.copies[signalKey{p.message, name}]+1)
		if p.signals[signalKey{p.message, free}] == nil {
			return free
		}
	}
}

// strayLine sets aside a signal line that has no message to belong to.
func (p *parser) strayLine(st statement) {
	if p.refusal < 0 {
		p.refusal = len(p.db.Diagnostics)
		p.setAside(st, st.start,
			say("stray", "a signal before the first message").try("put it below its BO_ line"))
		return
	}
	p.cover(p.refusal, st.line, st.last)
}

// readMark reads the multiplexing mark between a signal's name and the colon.
func readMark(c *cursor) muxMark {
	if c.peek() == ':' || c.failed() {
		return muxMark{}
	}
	w := c.word("a multiplexing mark")
	mark := muxMark{place: c.at - len(w)}
	rest := w
	if n := len(rest); n > 0 && rest[n-1] == 'M' {
		mark.multiplexer = true
		rest = rest[:n-1]
	}
	if rest == "" {
		return mark
	}
	if rest[0] != 'm' {
		c.fail(mark.place, "%q is not a multiplexing mark", clip(w))
		return mark
	}
	mark.multiplexed = true
	if rest != "m" {
		page, err := strconv.ParseUint(rest[1:], 10, 64)
		if err != nil {
			c.fail(mark.place, "%q is not a multiplexing mark", clip(w))
		}
		mark.paged, mark.page = true, page
	}
	return mark
}

// readLayout reads "start|length@order sign".
func readLayout(c *cursor, s *Signal) {
	s.Start = c.size("the start bit", 8*maxLength-1)
	c.need('|')
	s.Length = c.size("the length in bits", 8*maxLength)
	c.need('@')
	switch {
	case c.take('0'):
		s.Order = Motorola
	case c.take('1'):
		s.Order = Intel
	case !c.failed():
		c.expected("the byte order, 0 or 1")
	}
	switch {
	case c.take('-'):
		s.Type = Signed
	case !c.take('+') && !c.failed():
		c.expected("the sign, + or -")
	}
}

// readRange reads "min|max". A range that is not made of numbers says nothing of
// how to decode the signal, so it costs the range only.
func (p *parser) readRange(c *cursor, s *Signal) {
	if c.failed() {
		return
	}
	at := c.at
	s.Min = c.float("the minimum")
	c.need('|')
	s.Max = c.float("the maximum")
	if !c.failed() {
		return
	}
	for at < c.to && p.text[at] != ']' {
		at++
	}
	if at == c.to {
		return
	}
	p.warn(c.place, say("signal/range-unreadable", "range of %q: %s: taken as not stated", s.Name, c.fault))
	c.fault, c.at = "", at
	s.Min, s.Max = 0, 0
}
