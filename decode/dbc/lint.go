package dbc

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Lint returns what Parse found and what is doubtful about the definitions
// themselves: layouts, scales and ranges, names and units, times. It changes
// nothing in db. The diagnostics are sorted by position; of several that say the
// same of one line, one is left.
func Lint(db *Database) []Diagnostic {
	l := &linter{db: db, found: slices.Clone(db.Diagnostics), budget: overlapBudget}
	l.content()
	l.identifiers()
	l.nodes()
	l.messageNames()
	for _, m := range db.Messages {
		l.message(m)
		l.layout(m)
		for _, s := range m.Signals {
			l.signal(s)
		}
	}
	found := append(l.found, unsaid(l.found, secondOpinion(db))...)
	slices.SortStableFunc(found, compareDiagnostics)
	return slices.CompactFunc(found, func(a, b Diagnostic) bool { return a == b })
}

// unsaid returns the findings of a second reader whose rule has not spoken of the line before.
func unsaid(found, second []Diagnostic) []Diagnostic {
	type claim struct {
		line int
		rule string
	}
	claimed := map[claim]bool{}
	for _, d := range found {
		claimed[claim{d.Pos.Line, d.Rule}] = true
	}
	return slices.DeleteFunc(second, func(d Diagnostic) bool { return claimed[claim{d.Pos.Line, d.Rule}] })
}

type linter struct {
	db     *Database
	found  []Diagnostic
	budget int // steps left for comparing signals
}

func (l *linter) add(severity Severity, pos Position, r remark) {
	l.found = append(l.found, r.at(pos, severity))
}

// content reports a file that defines no message: with it nothing is decoded.
func (l *linter) content() {
	if len(l.db.Messages) == 0 {
		l.add(Warning, Position{File: l.db.File, Line: 1, Col: 1},
			say("file/no-message", "not one message is defined").try("is it the right file, and whole?"))
	}
}

// nodes reports each node that is used but not listed, where it is used first. A
// file that lists no node at all makes no claim about them.
func (l *linter) nodes() {
	known := map[string]bool{}
	for _, n := range l.db.Nodes {
		known[n.Name] = true
	}
	if len(known) == 0 {
		return
	}
	check := func(names []string, pos Position, what string) {
		for _, name := range names {
			if !known[name] {
				known[name] = true
				l.add(Warning, pos, say("node/undeclared", "%s %q is not listed under BU_", what, name))
			}
		}
	}
	for _, m := range l.db.Messages {
		check(m.Senders, m.Pos, "sender")
		for _, s := range m.Signals {
			check(s.Receivers, s.Pos, "receiver")
		}
	}
}

func (l *linter) messageNames() {
	first := map[string]*Message{}
	for _, m := range l.db.Messages {
		if other := first[m.Name]; other != nil {
			l.add(Warning, m.Pos,
				say("message/duplicate-name", "message name %q is also on line %d", m.Name, other.Pos.Line).
					try("rename one of them"))
			continue
		}
		first[m.Name] = m
	}
}

// identifiers reports, once for the file, names that are no plain identifiers:
// other programs may not read them.
func (l *linter) identifiers() {
	var odd []Diagnostic
	check := func(pos Position, name string) {
		if !IsIdentifier(name) {
			odd = append(odd,
				say("name/not-identifier", "name %q is not a plain identifier", name).at(pos, Note))
		}
	}
	for _, n := range l.db.Nodes {
		check(n.Pos, n.Name)
	}
	for _, m := range l.db.Messages {
		check(m.Pos, m.Name)
		for _, s := range m.Signals {
			check(s.Pos, s.Name)
		}
	}
	if len(odd) == 0 {
		return
	}
	if len(odd) > 1 {
		odd[0].Text += fmt.Sprintf(", nor are %d more", len(odd)-1)
	}
	l.found = append(l.found, odd[0])
}

// IsIdentifier reports whether a name is made of letters, digits and _, no digit first.
func IsIdentifier(name string) bool {
	for i := range len(name) {
		if c := name[i]; c >= 0x80 || !wordByte(c) || i == 0 && c >= '0' && c <= '9' {
			return false
		}
	}
	return true
}

func (l *linter) message(m *Message) {
	if !m.J1939 && m.Length > 8 && !fitsFD(m.Length) {
		l.add(Warning, m.Pos,
			say("message/length", "no CAN frame has the %d bytes of %q", m.Length, m.Name).
				try("it needs a transport protocol, or another length"))
	}
	if format := m.Attributes["VFrameFormat"].Text; strings.HasPrefix(format, "Standard") && m.Extended ||
		strings.HasPrefix(format, "Extended") && !m.Extended {
		l.add(Warning, m.Pos,
			say("message/format", "VFrameFormat of %q is %s, but its identifier has %d bits",
				m.Name, format, bitsOf(m)))
	}
	cyclic := strings.HasPrefix(strings.ToLower(m.Attributes["GenMsgSendType"].Text), "cyclic")
	switch {
	case cyclic && m.CycleTime == 0:
		l.add(Warning, m.Pos,
			say("message/cycle", "%q is sent cyclically, but has no cycle time", m.Name).
				try("state GenMsgCycleTime in ms"))
	case m.CycleTime > 0 && m.CycleTime < time.Millisecond:
		l.add(Warning, m.Pos,
			say("message/cycle", "cycle time %v of %q: no bus is that fast", m.CycleTime, m.Name).
				try("GenMsgCycleTime is in ms"))
	case m.CycleTime > time.Minute:
		l.add(Warning, m.Pos,
			say("message/cycle", "cycle time %v of %q is very long", m.CycleTime, m.Name).
				try("GenMsgCycleTime is in ms"))
	}
}

func bitsOf(m *Message) int {
	if m.Extended {
		return 29
	}
	return 11
}

// fitsFD says whether a CAN FD frame can have that many bytes (kernel can/length.h).
func fitsFD(length int) bool {
	return slices.Contains([]int{12, 16, 20, 24, 32, 48, 64}, length)
}

func (l *linter) signal(s *Signal) {
	l.unit(s)
	if s.Factor == 0 {
		l.add(Warning, s.Pos, say("signal/factor-zero", "factor 0: %q has one value only", s.Name))
	}
	low, high := rawLimits(s)
	l.physicalRange(s, low, high)
	if s.Length > 64 {
		l.add(Note, s.Pos,
			say("signal/wide", "%q has %d bits: its value is bytes, not a number", s.Name, s.Length))
		return
	}
	if s.Start0 != nil && (*s.Start0 < low || *s.Start0 > high) {
		l.add(Warning, s.Pos,
			say("signal/start-value", "start value %g of %q is not among its raw values, %g to %g",
				*s.Start0, s.Name, low, high).
				try("GenSigStartValue is raw"))
	}
	l.values(s)
	l.pages(s)
}

// rawLimits returns the least and the greatest raw value that the bits can hold.
func rawLimits(s *Signal) (low, high float64) {
	switch s.Type {
	case Float32:
		return -math.MaxFloat32, math.MaxFloat32
	case Float64:
		return -math.MaxFloat64, math.MaxFloat64
	case Signed:
		half := math.Ldexp(1, s.Length-1)
		return -half, half - 1
	}
	return 0, math.Ldexp(1, s.Length) - 1
}

// physicalRange checks [min|max] against what the bits can hold, give or take one step
// of rounding.
func (l *linter) physicalRange(s *Signal, low, high float64) {
	if s.Min > s.Max {
		l.add(Warning, s.Pos,
			say("signal/range-inverted", "range of %q: minimum %g is over maximum %g", s.Name, s.Min, s.Max).
				try("swap them"))
		return
	}
	if s.Min == 0 && s.Max == 0 || s.Factor == 0 {
		return
	}
	a, b := low*s.Factor+s.Offset, high*s.Factor+s.Offset
	step := math.Abs(s.Factor)
	if least, most := min(a, b), max(a, b); s.Min < least-step || s.Max > most+step {
		l.add(Note, s.Pos,
			say("signal/range", "range %g to %g of %q: its bits hold %g to %g", s.Min, s.Max, s.Name, least, most))
	}
}

// unit reports units that went through a wrong encoding, or carry blanks.
func (l *linter) unit(s *Signal) {
	switch {
	case strings.Contains(s.Unit, "\u00C2") || strings.Contains(s.Unit, "\uFFFD"):
		l.add(Warning, s.Pos,
			say("signal/unit-encoding", "unit %q of %q went through a wrong encoding", s.Unit, s.Name).
				try("write the unit anew and save as UTF-8"))
	case strings.TrimSpace(s.Unit) != s.Unit:
		l.add(Note, s.Pos, say("signal/unit-blank", "unit %q of %q has blanks at its ends", s.Unit, s.Name))
	}
}

// values reports named values that the bits cannot hold.
func (l *linter) values(s *Signal) {
	if s.Type == Float32 || s.Type == Float64 {
		return
	}
	for _, v := range s.Values {
		if holds(s, v.Value) {
			continue
		}
		hint := ""
		if s.Type == Signed && v.Value>>s.Length == 0 {
			hint = fmt.Sprintf("the signal is signed: those bits are %d", v.Value-1<<s.Length)
		}
		l.add(Warning, s.Pos,
			say("values/outside", "no %d bits of %q make the value %d, %q", s.Length, s.Name, v.Value, v.Text).
				try(hint))
		return
	}
}

// holds says whether the bits of an integer signal of at most 64 bits can hold a raw value.
func holds(s *Signal, v int64) bool {
	if s.Type == Signed {
		return v>>(s.Length-1) == 0 || v>>(s.Length-1) == -1
	}
	return s.Length == 64 || uint64(v)>>s.Length == 0
}

// pages reports pages that the multiplexer can never select.
func (l *linter) pages(s *Signal) {
	if s.Switch == nil || len(s.Pages) == 0 {
		return
	}
	if s.Switch.Length > 64 {
		l.add(Error, s.Pos,
			say("signal/multiplexer", "multiplexer %q of %q is wider than 64 bits", s.Switch.Name, s.Name))
		return
	}
	if last := s.Pages[len(s.Pages)-1].From; s.Switch.Length < 64 && last>>s.Switch.Length != 0 {
		l.add(Warning, s.Pos,
			say("signal/multiplexer", "page %d of %q does not fit the %d bits of its multiplexer %q",
				last, s.Name, s.Switch.Length, s.Switch.Name))
	}
}
