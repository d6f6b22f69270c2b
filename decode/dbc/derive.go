package dbc

import (
	"strings"
	"time"
)

// derive works out what the fields of the database say from attributes, once all of them are known.
func (p *parser) derive() {
	for to, texts := range p.comments {
		*to = strings.Join(texts, "\n")
	}
	p.deriveNetwork()
	protocol, _ := p.attribute("", p.db.Attributes, "ProtocolType")
	j1939 := strings.EqualFold(protocol.Text, "J1939")
	for _, m := range p.db.Messages {
		p.deriveMessage(m, j1939)
		for _, s := range m.Signals {
			p.deriveSignal(s)
		}
	}
	p.applyLongNames()
}

// attribute returns the value of an attribute of an object: its own, else the default.
func (p *parser) attribute(object string, own Attributes, name string) (Attribute, bool) {
	if a, ok := own[name]; ok {
		return a, true
	}
	if d := p.definitions[definitionKey{object, name}]; d != nil && d.Default != nil {
		return *d.Default, true
	}
	return Attribute{}, false
}

func (p *parser) deriveNetwork() {
	if a, ok := p.attribute("", p.db.Attributes, "Baudrate"); ok && a.Number != 0 {
		p.db.Bitrate = p.bitrate(0, a.Number)
	}
	if a, ok := p.attribute("", p.db.Attributes, "BaudrateCANFD"); ok && a.Number != 0 {
		p.db.DataBitrate = p.bitrate(0, a.Number)
	}
}

func (p *parser) deriveMessage(m *Message, j1939 bool) {
	if a, ok := p.attribute("BO_", m.Attributes, "GenMsgCycleTime"); ok {
		m.CycleTime = p.milliseconds(m.Pos, "cycle time", m.Name, a.Number)
	}
	if a, ok := p.attribute("BO_", m.Attributes, "GenMsgSendType"); ok {
		m.SendType = a.Text
	}
	format := p.frameFormat(m)
	m.FD = strings.Contains(format, "FD")
	m.J1939 = m.Extended && (strings.HasPrefix(format, "J1939") || format == "" && j1939)
	if format == "" && !m.J1939 {
		m.FD = m.Length > 8 && m.Length <= 64
	}
}

// frameFormat returns the name of a message's frame format, "" when the file states
// none. Lists differ from file to file, so the name counts; where the attribute is
// a plain number, the usual list is meant.
func (p *parser) frameFormat(m *Message) string {
	a, ok := p.attribute("BO_", m.Attributes, "VFrameFormat")
	if !ok {
		return ""
	}
	if d := p.definitions[definitionKey{"BO_", "VFrameFormat"}]; d != nil && d.Type == "ENUM" {
		return a.Text
	}
	switch a.Number {
	case 0:
		return "StandardCAN"
	case 1:
		return "ExtendedCAN"
	case 3:
		return "J1939PG"
	case 14:
		return "StandardCAN_FD"
	case 15:
		return "ExtendedCAN_FD"
	}
	return a.Text
}

// milliseconds turns an attribute in ms into a time; 0, the usual default, means none.
func (p *parser) milliseconds(pos Position, what, name string, ms float64) time.Duration {
	const most = 24 * time.Hour
	if !(ms >= 0 && ms <= float64(most.Milliseconds())) {
		p.warn(pos.Offset, say("attribute/time", "%s of %q is %g ms: taken as none", what, name, ms))
		return 0
	}
	return time.Duration(ms * float64(time.Millisecond))
}

func (p *parser) deriveSignal(s *Signal) {
	if a, ok := p.attribute("SG_", s.Attributes, "GenSigStartValue"); ok && a.Number == a.Number {
		s.Start0 = &a.Number
	}
	if a, ok := p.attribute("SG_", s.Attributes, "GenSigSendType"); ok {
		s.SendType = a.Text
	}
	if a, ok := p.attribute("SG_", s.Attributes, "GenSigTimeoutTime"); ok {
		p.timeout(s, "", a)
	}
	for _, name := range []string{"SigTimeoutTime", "GenSigTimeoutTime"} {
		d := p.definitions[definitionKey{"BU_SG_REL_", name}]
		if d != nil && d.Default != nil && d.Default.Number > 0 {
			for _, node := range s.Receivers {
				p.timeout(s, node, *d.Default)
			}
		}
		for node, attributes := range s.Relations {
			if a, ok := attributes[name]; ok {
				p.timeout(s, node, a)
			}
		}
	}
}

func (p *parser) timeout(s *Signal, node string, a Attribute) {
	d := p.milliseconds(s.Pos, "receiver timeout", s.Name, a.Number)
	if d == 0 { // none, even where the default states one
		delete(s.Timeouts, node)
		return
	}
	if s.Timeouts == nil {
		s.Timeouts = map[string]time.Duration{}
	}
	s.Timeouts[node] = d
}

// applyLongNames gives objects the names that were too long for the statements.
func (p *parser) applyLongNames() {
	nodes := p.longNodeNames()
	for _, m := range p.db.Messages {
		rename(m.Senders, nodes)
		m.Relations = renameKeys(m.Relations, nodes)
		signals := p.longSignalNames(m)
		for _, s := range m.Signals {
			rename(s.Receivers, nodes)
			s.Relations = renameKeys(s.Relations, nodes)
			s.Timeouts = renameKeys(s.Timeouts, nodes)
		}
		for _, g := range m.Groups {
			rename(g.Signals, signals)
		}
	}
	taken := map[string]bool{}
	for _, m := range p.db.Messages {
		m.Name = p.longName(taken, m.Pos, m.Name, m.Attributes["SystemMessageLongSymbol"].Text)
	}
}

func (p *parser) longNodeNames() map[string]string {
	taken, long := map[string]bool{}, map[string]string{}
	for _, n := range p.db.Nodes {
		name := p.longName(taken, n.Pos, n.Name, n.Attributes["SystemNodeLongSymbol"].Text)
		if name != n.Name {
			long[n.Name], n.Name = name, name
		}
	}
	return long
}

func (p *parser) longSignalNames(m *Message) map[string]string {
	taken, long := map[string]bool{}, map[string]string{}
	for _, s := range m.Signals {
		name := p.longName(taken, s.Pos, s.Name, s.Attributes["SystemSignalLongSymbol"].Text)
		if name != s.Name {
			long[s.Name], s.Name = name, name
		}
	}
	return long
}

// longName returns the long name, or the short one where there is none or another object has it.
func (p *parser) longName(taken map[string]bool, pos Position, short, long string) string {
	if long != "" && taken[long] {
		p.warn(pos.Offset, say("name/long-name-taken", "long name %q of %q is taken: not used", long, short))
		long = ""
	}
	if long == "" {
		long = short
	}
	taken[long] = true
	return long
}

func rename(names []string, long map[string]string) {
	for i, name := range names {
		if to, ok := long[name]; ok {
			names[i] = to
		}
	}
}

func renameKeys[V any](m map[string]V, long map[string]string) map[string]V {
	if len(m) == 0 || len(long) == 0 {
		return m
	}
	renamed := make(map[string]V, len(m))
	for name, v := range m {
		if to, ok := long[name]; ok {
			name = to
		}
		renamed[name] = v
	}
	return renamed
}
