package dbc

import (
	"cmp"
	"fmt"
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
		p.note(odd, "file/encoding", "not UTF-8: read as cp1252", "save it as UTF-8 if names or units look wrong")
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
			p.account(&st)
			p.statement(st)
			i = st.last + 1
		}
	}
}

// statement reads one statement, or keeps it for its phase.
func (p *parser) statement(st statement) {
	if st.kw.phase() != phaseDefinitions {
		p.later = append(p.later, st)
		return
	}
	p.read(st)
}

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
		p.setAside(st, st.unclosed, "syntax", "a string without closing quote", st.kw.shape())
		return
	}
	c := &cursor{text: p.text, at: st.from, to: st.to, kw: st.kw}
	p.readers(st, c)
	if c.failed() {
		p.setAside(st, c.place, "syntax", c.fault, st.kw.shape())
	}
}

func (p *parser) readers(st statement, c *cursor) {
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
		p.setAside(st, st.start, "unused", fmt.Sprintf("%q is not supported", clip(p.text[st.start:st.from])), "")
	}
}

// account marks the lines of a statement as understood; a fault found later
// sets them aside.
func (p *parser) account(st *statement) {
	for i := st.line; i <= st.last; i++ {
		p.db.Lines[i] = Understood
		if _, at, _ := p.keywordAt(i); at < 0 {
			p.db.Lines[i] = Blank
		}
	}
	if st.trailing != 0 {
		p.setAsideLine(*st, st.trailing, "trailing",
			fmt.Sprintf("%q after the \";\"", clip(p.text[st.trailing:p.lineEnd(st.last)])), "start it on a line of its own")
	}
	if st.endless && st.kw != kwUnused {
		p.warn(st.start, st.kw.subject()+"/no-semicolon", `no ";" at the end`, "")
	}
	if st.inComment != 0 {
		p.warn(p.starts[st.inComment], "comment/statement", "a comment that began on line "+fmt.Sprint(st.line+1)+
			" runs over what looks like a statement", `is its closing '";' missing?`)
	}
}

// foreignLines sets aside the lines from i on that start with no keyword.
func (p *parser) foreignLines(i, at int) int {
	first := i
	for kw := notKeyword; kw == notKeyword && at >= 0 && i < len(p.starts); {
		i++
		if i < len(p.starts) {
			kw, at, _ = p.keywordAt(i)
		}
	}
	_, at, _ = p.keywordAt(first)
	p.setAside(statement{kw: notKeyword, line: first, last: i - 1}, at, "foreign",
		fmt.Sprintf("%q starts with no known keyword", clip(p.text[at:p.lineEnd(first)])), "")
	return i
}

// setAside records that a statement has no effect.
func (p *parser) setAside(st statement, place int, rule, text, hint string) {
	p.report(Error, place, st.kw.subject()+"/"+rule, text, hint)
	p.cover(len(p.db.Diagnostics)-1, st.line, st.last)
}

// setAsideLine records that something on one line of a statement has no effect.
func (p *parser) setAsideLine(st statement, place int, rule, text, hint string) {
	if line := p.position(place).Line - 1; p.db.Lines[line] != Blank {
		st.line, st.last = line, line
	}
	p.setAside(st, place, rule, text, hint)
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

func (p *parser) warn(place int, rule, text, hint string) { p.report(Warning, place, rule, text, hint) }
func (p *parser) note(place int, rule, text, hint string) { p.report(Note, place, rule, text, hint) }

func (p *parser) report(sev Severity, place int, rule, text, hint string) {
	p.db.Diagnostics = append(p.db.Diagnostics, diagnose(sev, p.position(place), rule, text, hint))
}

// diagnose makes a diagnostic that covers one line.
func diagnose(sev Severity, pos Position, rule, text, hint string) Diagnostic {
	return Diagnostic{Pos: pos, Severity: sev, Rule: rule, Text: text, Hint: hint, FirstLine: pos.Line, LastLine: pos.Line}
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
		p.warn(place, "bit-timing/kilobit", fmt.Sprintf("bit rate %g: taken as kbit/s", rate), "state it in bit/s")
		rate *= 1000
	case !(rate >= 0 && rate <= 1e8):
		p.warn(place, "bit-timing/bit-rate", fmt.Sprintf("bit rate %g is no bit rate of a CAN bus", rate), "")
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
			p.warn(place, "node/duplicate", fmt.Sprintf("node %q is listed twice", name), "")
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
		p.note(st.start, "environment/unused", "environment variables are no part of frames: not used", "")
	}
	p.variable[name] = true
}
