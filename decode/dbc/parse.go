package dbc

import (
	"cmp"
	"slices"
)

// Parse reads a DBC file. file is the name for positions, src the content as it
// lies on disk: UTF-8 (a byte order mark is skipped), UTF-16 with its mark, else
// cp1252. Parse never fails and never returns nil: what it cannot use is set
// aside with a diagnostic, and everything beside it is kept.
func Parse(file string, src []byte) *Database {
	text, odd := transcode(src)
	source := newSource(file, text)
	p := &parser{
		splitter:    newSplitter(source),
		db:          &Database{File: file, Lines: make([]LineUse, len(source.starts)), source: source},
		later:       make([]statement, 0, len(source.starts)/2),
		messages:    map[frameKey]*Message{},
		signals:     map[signalKey]*Signal{},
		copies:      map[signalKey]int{},
		nodes:       map[string]*Node{},
		tables:      map[string]*ValueTable{},
		variable:    map[string]bool{},
		marks:       map[*Signal]muxMark{},
		comments:    map[*string][]string{},
		valued:      map[*Signal]int{},
		definitions: map[definitionKey]*AttributeDefinition{},
		entries:     map[entryKey]int{},
		undefined:   map[definitionKey]bool{},
		refusal:     -1,
	}
	if odd >= 0 {
		p.note(odd,
			say("file/encoding", "not UTF-8: read as cp1252").
				try("save it as UTF-8 if names or units look wrong"))
	}
	p.readDefinitions()
	p.readPhase(phaseDefaults)
	p.linkMultiplexers()
	p.readPhase(phaseDescriptions)
	p.derive()
	slices.SortStableFunc(p.db.Diagnostics, compareDiagnostics)
	return p.db
}

func compareDiagnostics(a, b Diagnostic) int {
	return cmp.Or(cmp.Compare(a.Pos.Offset, b.Pos.Offset), -cmp.Compare(a.Severity, b.Severity),
		cmp.Compare(a.Rule, b.Rule), cmp.Compare(a.Text, b.Text))
}

// Statements are read in phases, because files put them in any order: what
// they define comes first, then what says how to read the others, then what is said of
// messages, signals and nodes.
type phase uint8

const (
	phaseDefinitions phase = iota
	phaseDefaults
	phaseDescriptions
)

func (k keyword) phase() phase {
	switch k {
	case kwDefault, kwRelationDefault, kwMultiplexing:
		return phaseDefaults
	case kwComment, kwAttribute, kwRelation, kwValues, kwFloat, kwSenders, kwGroup:
		return phaseDescriptions
	}
	return phaseDefinitions
}

type frameKey struct {
	id       uint32
	extended bool
}

type signalKey struct {
	message *Message
	name    string
}

// parser holds what Parse knows while it reads. Objects are found by the names
// that the statements use; long names come in at the very end.
type parser struct {
	*splitter
	db          *Database
	later       []statement
	messages    map[frameKey]*Message // with the pseudo message for signals without a frame
	signals     map[signalKey]*Signal
	copies      map[signalKey]int // how often a signal's name came again
	nodes       map[string]*Node
	tables      map[string]*ValueTable
	variable    map[string]bool // environment variables
	definitions map[definitionKey]*AttributeDefinition
	entries     map[entryKey]int
	undefined   map[definitionKey]bool // attributes without a definition that were reported
	marks       map[*Signal]muxMark
	comments    map[*string][]string // what CM_ statements say, by where it goes
	valued      map[*Signal]int      // offset of the VAL_ statement of a signal

	message *Message // the one that SG_ lines belong to; nil: none yet, or refused
	refusal int      // index of the diagnostic that refused the message SG_ lines belong to; -1: none
}

// readDefinitions cuts the text into statements, reads those of the first phase and
// keeps the others.
func (p *parser) readDefinitions() {
	for i := 0; i < len(p.starts); {
		kw, at, behind := p.keywordAt(i)
		switch {
		case at < 0:
			p.db.Lines[i] = Blank
			i++
		case kw == notKeyword:
			i = p.foreignLines(i, at)
		default:
			st := p.cut(i, kw, at, behind)
			p.account(st)
			if kw.phase() == phaseDefinitions {
				p.read(st)
			} else {
				p.later = append(p.later, st)
			}
			i = st.last + 1
		}
	}
}

// readPhase reads the statements that were kept for a phase.
func (p *parser) readPhase(ph phase) {
	for _, st := range p.later {
		if st.kw.phase() == ph {
			p.read(st)
		}
	}
}

// read reads one statement and sets it aside where it has a fault.
func (p *parser) read(st statement) {
	if st.unclosed != 0 {
		p.setAside(st, st.unclosed, say("syntax", "a string without closing quote").try(st.kw.shape()))
		return
	}
	c := &cursor{text: p.text, at: st.from, to: st.to, kw: st.kw}
	p.dispatch(st, c)
	if c.failed() {
		p.setAside(st, c.place, remark{rule: "syntax", text: c.fault, hint: st.kw.shape()})
	}
}

func (p *parser) dispatch(st statement, c *cursor) {
	switch st.kw {
	case kwVersion:
		p.version(st, c)
	case kwBitTiming:
		p.bitTiming(st, c)
	case kwNodes:
		p.readNodes(st, c)
	case kwMessage:
		p.readMessage(st, c)
	case kwSignal:
		p.readSignal(st, c)
	case kwSenders:
		p.readSenders(st, c)
	case kwEnvironment:
		p.readVariable(st, c)
	case kwValueTable:
		p.readValueTable(st, c)
	case kwComment:
		p.readComment(st, c)
	case kwDefinition, kwRelationDefinition:
		p.readDefinition(st, c)
	case kwDefault, kwRelationDefault:
		p.readDefault(st, c)
	case kwAttribute:
		p.readAttribute(st, c)
	case kwRelation:
		p.readRelation(st, c)
	case kwValues:
		p.readValues(st, c)
	case kwFloat:
		p.readFloat(st, c)
	case kwMultiplexing:
		p.readMultiplexing(st, c)
	case kwGroup:
		p.readGroup(st, c)
	case kwUnused:
		p.setAside(st, st.start, say("unused", "%q is not supported", p.text[st.start:st.from]))
	}
}

// account marks the lines of a statement as understood; a fault found later
// sets them aside.
func (p *parser) account(st statement) {
	for i := st.line; i <= st.last; i++ {
		p.db.Lines[i] = Understood
		if _, at, _ := p.keywordAt(i); at < 0 {
			p.db.Lines[i] = Blank
		}
	}
	if st.trailing != 0 {
		p.setAsideLine(st, st.trailing,
			say("trailing", "%q after the \";\"", p.text[st.trailing:p.lineEnd(st.last)]).
				try("start it on a line of its own"))
	}
	if st.endless && st.kw != kwUnused {
		p.warn(st.start, say(st.kw.subject()+"/no-semicolon", `no ";" at the end`))
	}
	if st.inComment != 0 {
		p.warn(p.starts[st.inComment], say("comment/statement",
			"a comment that began on line %d runs over what looks like a statement", st.line+1).
			try(`is its closing '";' missing?`))
	}
}

// foreignLines sets aside the lines from first on, up to the next blank line or
// statement. at is the offset of their first word.
func (p *parser) foreignLines(first, at int) (next int) {
	i := first + 1
	for ; i < len(p.starts); i++ {
		if kw, word, _ := p.keywordAt(i); kw != notKeyword || word < 0 {
			break
		}
	}
	p.setAside(statement{kw: notKeyword, line: first, last: i - 1}, at,
		say("foreign", "%q starts with no known keyword", p.text[at:p.lineEnd(first)]))
	return i
}

// setAside records that a statement has no effect.
func (p *parser) setAside(st statement, place int, r remark) {
	r.rule = st.kw.subject() + "/" + r.rule
	p.report(Error, place, r)
	p.cover(len(p.db.Diagnostics)-1, st.line, st.last)
}

// setAsideLine records that something on one line of a statement has no effect.
func (p *parser) setAsideLine(st statement, place int, r remark) {
	if line := p.position(place).Line - 1; p.db.Lines[line] != Blank {
		st.line, st.last = line, line
	}
	p.setAside(st, place, r)
}

// cover makes a diagnostic cover the lines with these indexes, and sets them aside.
func (p *parser) cover(diagnostic, first, last int) {
	for i := first; i <= last; i++ {
		if p.db.Lines[i] != Blank {
			p.db.Lines[i] = SetAside
		}
	}
	d := &p.db.Diagnostics[diagnostic]
	d.FirstLine, d.LastLine = min(d.FirstLine, first+1), max(d.LastLine, last+1)
}

func (p *parser) warn(place int, r remark) { p.report(Warning, place, r) }
func (p *parser) note(place int, r remark) { p.report(Note, place, r) }

func (p *parser) report(severity Severity, place int, r remark) {
	p.db.Diagnostics = append(p.db.Diagnostics, r.at(p.position(place), severity))
}

func (p *parser) version(st statement, c *cursor) {
	v := c.quoted("the version")
	c.end()
	if !c.failed() {
		p.db.Version = v
	}
}

// bitTiming reads BS_, which is obsolete but for a bit rate that a few files state.
func (p *parser) bitTiming(st statement, c *cursor) {
	c.take(':')
	if !c.more() {
		return
	}
	rate := c.uint("the bit rate")
	if c.take(':') {
		c.uint("timing register 0")
		c.need(',')
		c.uint("timing register 1")
	}
	c.end()
	if !c.failed() {
		p.db.Bitrate = p.bitrate(st.start, float64(rate))
	}
}

// bitrate returns a bit rate in bit/s. No CAN bus is slower than 1 kbit/s, so a
// smaller number was meant in kbit/s.
func (p *parser) bitrate(place int, rate float64) int64 {
	switch {
	case rate >= 1 && rate <= 1000:
		p.warn(place, say("bit-timing/kilobit", "bit rate %g: taken as kbit/s", rate).try("state it in bit/s"))
		rate *= 1000
	case !(rate >= 0 && rate <= 1e8):
		p.warn(place, say("bit-timing/bit-rate", "bit rate %g is no bit rate of a CAN bus", rate))
		return 0
	}
	return int64(rate)
}

func (p *parser) readNodes(st statement, c *cursor) {
	c.take(':')
	for c.more() {
		if c.take(',') || c.take(';') {
			continue
		}
		place := c.at
		name := c.word("a node name")
		switch {
		case c.failed():
			return
		case name == nobody:
			continue
		case p.nodes[name] != nil:
			p.warn(place, say("node/duplicate", "node %q is listed twice", name))
			continue
		}
		n := &Node{Name: name, Pos: p.position(place)}
		p.nodes[name] = n
		p.db.Nodes = append(p.db.Nodes, n)
	}
}

// nobody stands in a DBC file where a node name must, but no node is meant.
const nobody = "Vector__XXX"

// readVariable accounts for an environment variable. It is no part of any frame;
// its name is kept so that what is said of it elsewhere is not called dangling.
func (p *parser) readVariable(st statement, c *cursor) {
	name := c.word("the name of an environment variable")
	c.need(':')
	if c.failed() {
		return
	}
	if len(p.variable) == 0 {
		p.note(st.start, say("environment/unused", "environment variables are no part of frames: not used"))
	}
	p.variable[name] = true
}
