package dbc

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
)

// target is the object that a statement speaks of. Exactly one field is set, or
// signal and message; none for the network itself or an environment variable.
type target struct {
	object  string // the keyword: "", BU_, BO_, SG_, EV_
	node    *Node
	message *Message
	signal  *Signal
}

// readMessageOf reads the identifier of a message that must exist.
func (p *parser) readMessageOf(st statement, c *cursor) *Message {
	place := c.here()
	id := c.uint("the identifier of a message")
	if c.failed() {
		return nil
	}
	key, ok := frameKeyOf(id)
	if id == independent {
		key, ok = frameKey{id: independent}, true
	}
	if m := p.messages[key]; ok && m != nil {
		return m
	}
	p.setAside(st, place, say("no-message", "no message has identifier %d", id))
	return nil
}

// readSignalOf reads identifier and name of a signal that must exist.
func (p *parser) readSignalOf(st statement, c *cursor) (*Message, *Signal) {
	m := p.readMessageOf(st, c)
	if m == nil {
		return nil, nil
	}
	place := c.here()
	name := c.word("the name of a signal")
	if c.failed() {
		return nil, nil
	}
	s := p.signals[signalKey{m, name}]
	if s == nil {
		p.setAside(st, place, say("no-signal", "message %q has no signal %q", m.Name, name))
	}
	return m, s
}

// readTarget reads the object of a CM_ or BA_ statement. ok is false when there
// is no such object (then the statement is set aside).
func (p *parser) readTarget(st statement, c *cursor) (t target, ok bool) {
	if first := c.peek(); first < 'A' || first > 'Z' {
		return t, true // a number or a quote: the network's
	}
	place := c.here()
	switch t.object = c.word("a kind of object"); t.object {
	case "BO_":
		t.message = p.readMessageOf(st, c)
		return t, t.message != nil
	case "SG_":
		t.message, t.signal = p.readSignalOf(st, c)
		return t, t.signal != nil
	case "BU_":
		t.node = p.readNodeOf(st, c)
		return t, t.node != nil
	case "EV_":
		place = c.here()
		name := c.word("the name of an environment variable")
		if !c.failed() && !p.variable[name] {
			p.setAside(st, place, say("no-variable", "no environment variable is named %q", name))
		}
		return t, p.variable[name]
	}
	c.fail(place, "%q is no kind of object", clip(t.object))
	return t, false
}

func (p *parser) readNodeOf(st statement, c *cursor) *Node {
	place := c.here()
	name := c.word("the name of a node")
	if c.failed() {
		return nil
	}
	n := p.nodes[name]
	if n == nil {
		p.setAside(st, place, say("no-node", "no node is named %q", name).try("list it under BU_"))
	}
	return n
}

func (p *parser) readComment(st statement, c *cursor) {
	t, ok := p.readTarget(st, c)
	if !ok {
		return
	}
	text := c.quoted("the comment")
	c.end()
	if c.failed() {
		return
	}
	switch {
	case t.signal != nil:
		p.comment(&t.signal.Comment, text)
	case t.message != nil:
		p.comment(&t.message.Comment, text)
	case t.node != nil:
		p.comment(&t.node.Comment, text)
	case t.object == "":
		p.networkComment(st, text)
	}
}

// comment keeps a text for an object; several for one are joined at the end.
func (p *parser) comment(to *string, text string) {
	p.comments[to] = append(p.comments[to], text)
}

// networkComment keeps a comment on the network. One that starts with IMPORT asks,
// by a convention of open vehicle databases, for another file.
func (p *parser) networkComment(st statement, text string) {
	name, isImport := strings.CutPrefix(text, "IMPORT ")
	if !isImport {
		p.comment(&p.db.Comment, text)
		return
	}
	p.db.Imports = append(p.db.Imports, strings.TrimSpace(name))
	p.note(st.start,
		say("file/import", "asks for %q, which is not read with it", name).try("give that file as well"))
}

func (p *parser) readValueTable(st statement, c *cursor) {
	place := c.here()
	t := &ValueTable{Name: c.word("the name of a value table"), Pos: p.position(st.start)}
	t.Values = p.readValuePairs(st, c)
	c.end()
	switch {
	case c.failed():
	case p.tables[t.Name] != nil:
		p.setAside(st, place,
			say("duplicate", "value table %q is already on line %d", t.Name, p.tables[t.Name].Pos.Line).
				try("rename one of them"))
	default:
		p.tables[t.Name] = t
		p.db.ValueTables = append(p.db.ValueTables, t)
	}
}

// readValues reads VAL_: value and text pairs, or the name of a value table, for
// a signal; or for an environment variable.
func (p *parser) readValues(st statement, c *cursor) {
	var s *Signal
	if first := c.peek(); first >= '0' && first <= '9' || first == '+' {
		if _, s = p.readSignalOf(st, c); s == nil {
			return
		}
	} else if !p.readVariableOf(st, c) {
		return
	}
	var values []ValueText
	if first := c.peek(); wordByte(first) && (first < '0' || first > '9') {
		values = p.readTableName(st, c)
	} else {
		values = p.readValuePairs(st, c)
	}
	c.end()
	if s == nil || c.failed() {
		return
	}
	if first, twice := p.valued[s]; twice {
		p.setAside(st, st.start,
			say("duplicate", "values of %q are already on line %d", s.Name, p.position(first).Line).
				try("merge the two"))
		return
	}
	p.valued[s] = st.start
	s.Values = values
}

func (p *parser) readVariableOf(st statement, c *cursor) bool {
	place := c.here()
	name := c.word("the identifier of a message")
	if c.failed() {
		return false
	}
	if !p.variable[name] {
		p.setAside(st, place,
			say("no-variable", "%q is neither an identifier nor an environment variable", name))
	}
	return p.variable[name]
}

func (p *parser) readTableName(st statement, c *cursor) []ValueText {
	place := c.here()
	name := c.word("the name of a value table")
	t := p.tables[name]
	if t == nil {
		p.setAside(st, place, say("no-table", "no value table is named %q", name))
		return nil
	}
	return t.Values
}

// readValuePairs reads value and text pairs to the end. One bad value does not cost the others.
func (p *parser) readValuePairs(st statement, c *cursor) []ValueText {
	var values []ValueText
	for c.more() && c.peek() != ';' {
		place := c.here()
		word := c.word("a value")
		text := c.quoted("the text of a value")
		if c.failed() {
			return nil
		}
		if v, ok := rawValue(word); ok {
			values = append(values, ValueText{Value: v, Text: text})
		} else {
			p.setAsideLine(st, place, say("value", "%q is not a whole number of 64 bits", word))
		}
	}
	slices.SortStableFunc(values, func(a, b ValueText) int { return cmp.Compare(a.Value, b.Value) })
	kept := values[:0]
	for _, v := range values {
		n := len(kept)
		if n == 0 || kept[n-1].Value != v.Value {
			kept = append(kept, v)
		} else if kept[n-1].Text != v.Text {
			p.warn(st.start,
				say("values/two-texts", "value %d is both %q and %q: the first is kept",
					v.Value, kept[n-1].Text, v.Text))
		}
	}
	return kept
}

// rawValue reads a raw value: a whole number that fits int64 or uint64, maybe
// written as a decimal fraction.
func rawValue(word string) (int64, bool) {
	if v, err := strconv.ParseInt(word, 10, 64); err == nil {
		return v, true
	}
	if v, err := strconv.ParseUint(word, 10, 64); err == nil {
		return int64(v), true
	}
	f, err := parseFloat(word)
	if err != nil || f != math.Trunc(f) || math.Abs(f) > 1<<53 {
		return 0, false
	}
	return int64(f), true
}

// readFloat reads SIG_VALTYPE_: 0 is an integer, 1 a float of 32 bits, 2 one of 64.
func (p *parser) readFloat(st statement, c *cursor) {
	_, s := p.readSignalOf(st, c)
	if s == nil {
		return
	}
	c.take(':')
	kind := c.size("the value type", 3)
	c.end()
	if c.failed() || kind == 0 {
		return
	}
	switch {
	case kind == 1 && s.Length == 32:
		s.Type = Float32
	case kind == 2 && s.Length == 64:
		s.Type = Float64
	default:
		p.setAside(st, st.start,
			say("length", "value type %d does not fit the %d bits of %q: read as an integer", kind, s.Length, s.Name).
				try("a float has 32 bits (type 1) or 64 (type 2)"))
	}
}

// readSenders reads BO_TX_BU_, which adds senders to the one on the BO_ line.
func (p *parser) readSenders(st statement, c *cursor) {
	m := p.readMessageOf(st, c)
	if m == nil {
		return
	}
	c.need(':')
	names := nodeList(c, "a sender")
	c.end()
	if c.failed() {
		return
	}
	known := map[string]bool{}
	for _, name := range m.Senders {
		known[name] = true
	}
	for _, name := range names {
		if !known[name] {
			known[name] = true
			m.Senders = append(m.Senders, name)
		}
	}
}

func (p *parser) readGroup(st statement, c *cursor) {
	m := p.readMessageOf(st, c)
	if m == nil {
		return
	}
	g := SignalGroup{Name: c.word("the group's name"), Repetitions: c.size("repetitions", math.MaxInt32)}
	c.need(':')
	for c.more() && c.peek() != ';' {
		if c.take(',') {
			continue
		}
		place := c.here()
		name := c.word("the name of a signal")
		if p.signals[signalKey{m, name}] == nil && !c.failed() {
			p.setAsideLine(st, place, say("no-signal", "message %q has no signal %q", m.Name, name))
			continue
		}
		g.Signals = append(g.Signals, name)
	}
	c.end()
	if !c.failed() {
		m.Groups = append(m.Groups, g)
	}
}
