package dbc

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	other "go.einride.tech/can/pkg/dbc"
)

// explanation says how often a difference may appear, and why.
type explanation struct {
	count  int
	reason string
}

// explained lists the only differences there may be, by file and kind.
func explained() map[string]explanation {
	const (
		ranges   = "it does not read SG_MUL_VAL_"
		dangling = "no such signal: a fault of the file that it does not report"
		imports  = "a request for another file is no comment"
	)
	return map[string]explanation{
		"dbc/cantools/bus_comment.dbc page":                                   {4, ranges},
		"dbc/cantools/multiplex.dbc page":                                     {4, ranges},
		"dbc/cantools/multiplex_dumped.dbc page":                              {4, ranges},
		"dbc/cantools/multiplex_choices.dbc page":                             {8, ranges},
		"dbc/cantools/multiplex_choices_dumped.dbc page":                      {8, ranges},
		"dbc/cantools/issue_184_extended_mux_multiple_values.dbc page":        {1, ranges},
		"dbc/cantools/issue_184_extended_mux_multiple_values_dumped.dbc page": {1, ranges},
		"dbc/cantools/multiplex_2_dumped.dbc page":                            {2, ranges},
		"dbc/cantools/issue_184_extended_mux_cascaded_dumped.dbc multiplexed": {1, ranges},
		"dbc/cantools/multiplex_2_dumped.dbc multiplexed":                     {2, ranges},
		"dbc/canmatrix/test_test.kcd.dbc message":                             {1, "the second message of one identifier is set aside"},
		"dbc/canmatrix/test_test.kcd.dbc comment":                             {6, "two comments on one object are joined: both messages of the one identifier have some"},
		"dbc/cantools/bus_comment_bare.dbc comment":                           {2, "two comments on the network are joined"},
		"dbc/opendbc/_subaru_preglobal_2015.dbc unknown signal":               {1, dangling},
		"dbc/opendbc/hyundai_palisade_2023.dbc unknown signal":                {3, dangling},
		"dbc/opendbc/rivian_primary_actuator.dbc unknown signal":              {2, dangling},
		"dbc/opendbc/hyundai_canfd.dbc comment":                               {1, imports},
		"dbc/opendbc/hyundai_palisade_2023.dbc comment":                       {1, imports},
		"dbc/opendbc/subaru_outback_2015.dbc comment":                         {1, imports},
		"dbc/opendbc/vw_meb.dbc comment":                                      {1, imports},
	}
}

// TestSecondReader holds the definitions of every public file that the einride parser
// reads against what it read, object by object, matched by line. Every
// difference is explained, and no more of them appear than are explained.
func TestSecondReader(t *testing.T) {
	w := &witnessed{}
	unread := 0
	for _, path := range publicFiles(t) {
		db := Parse(path, publicSource(t, path))
		p := other.NewParser(path, []byte(db.source.text))
		if err := p.Parse(); err != nil {
			unread++
			continue
		}
		w.path = path
		w.compare(db, p.Defs())
	}
	t.Logf("compared %d messages, %d signals, %d descriptions; %d files the second reader does not read", w.messages, w.signals, w.descriptions, unread)
	if w.messages < 1100 || w.signals < 7700 || w.descriptions < 1500 {
		t.Errorf("too little compared to mean anything")
	}
	known, counts := explained(), map[string]int{}
	for _, d := range w.differences {
		counts[d.kind]++
		if _, ok := known[d.kind]; !ok {
			t.Errorf("%s: %s", d.kind, d.text)
		}
	}
	for kind, e := range known {
		if counts[kind] != e.count {
			t.Errorf("%s: %d differences, but %d are explained (%s)", kind, counts[kind], e.count, e.reason)
		}
	}
}

// witnessed collects the differences between the two readers.
type witnessed struct {
	path                            string
	differences                     []difference
	messages, signals, descriptions int

	// objects of the current file by the names that its statements use
	byID   map[other.MessageID]*Message
	byName map[otherSignal]*Signal
}

type otherSignal struct {
	message other.MessageID
	name    other.Identifier
}

type difference struct{ kind, text string }

func (w *witnessed) differ(line int, what string, ours, theirs any) {
	w.differences = append(w.differences, difference{w.path + " " + what, fmt.Sprintf("line %d: ours %v, theirs %v", line, ours, theirs)})
}

func (w *witnessed) equal(line int, what string, ours, theirs any) {
	if !cmp.Equal(ours, theirs) {
		w.differ(line, what, ours, theirs)
	}
}

func (w *witnessed) compare(db *Database, defs []other.Def) {
	w.byID, w.byName = map[other.MessageID]*Message{}, map[otherSignal]*Signal{}
	ours := map[int]*Message{}
	for _, m := range db.Messages {
		ours[m.Pos.Line] = m
	}
	for _, def := range defs {
		theirs, ok := def.(*other.MessageDef)
		if !ok || other.IsIndependentSignalsMessage(theirs) {
			continue
		}
		m := ours[theirs.Pos.Line]
		if m == nil {
			w.differ(theirs.Pos.Line, "message", "none", theirs.Name)
			continue
		}
		delete(ours, theirs.Pos.Line)
		w.byID[theirs.MessageID] = m
		w.message(m, theirs)
	}
	for line, m := range ours {
		w.differ(line, "message", m.Name, "none")
	}
	for _, def := range defs {
		w.describe(db, def)
	}
}

func (w *witnessed) message(m *Message, theirs *other.MessageDef) {
	w.messages++
	line := m.Pos.Line
	w.equal(line, "identifier", m.ID, theirs.MessageID.ToCAN())
	w.equal(line, "extended", m.Extended, theirs.MessageID.IsExtended())
	w.equal(line, "length", m.Length, int(theirs.Size))
	if theirs.Transmitter != nobody && (len(m.Senders) == 0 || !sameName(m.Senders[0], theirs.Transmitter)) {
		w.differ(line, "sender", m.Senders, theirs.Transmitter)
	}
	if m.Attributes["SystemMessageLongSymbol"].Text != m.Name {
		w.equal(line, "name", m.Name, string(theirs.Name))
	}
	ours := map[int]*Signal{}
	for _, s := range m.Signals {
		ours[s.Pos.Line] = s
	}
	for i := range theirs.Signals {
		sig := &theirs.Signals[i]
		if s := ours[sig.Pos.Line]; s != nil {
			delete(ours, sig.Pos.Line)
			w.byName[otherSignal{theirs.MessageID, sig.Name}] = s
			w.signal(s, sig)
		} else {
			w.differ(sig.Pos.Line, "signal", "none", sig.Name)
		}
	}
	for line, s := range ours {
		w.differ(line, "signal", s.Name, "none")
	}
}

func (w *witnessed) signal(s *Signal, theirs *other.SignalDef) {
	w.signals++
	line := s.Pos.Line
	w.equal(line, "start", s.Start, int(theirs.StartBit))
	w.equal(line, "length", s.Length, int(theirs.Size))
	w.equal(line, "Motorola", s.Order == Motorola, theirs.IsBigEndian)
	w.equal(line, "factor", s.Factor, theirs.Factor)
	w.equal(line, "offset", s.Offset, theirs.Offset)
	w.equal(line, "minimum", s.Min, theirs.Minimum)
	w.equal(line, "maximum", s.Max, theirs.Maximum)
	w.equal(line, "unit", s.Unit, theirs.Unit)
	if s.Type != Float32 && s.Type != Float64 { // the second reader keeps the sign of the SG_ line
		w.equal(line, "signed", s.Type == Signed, theirs.IsSigned)
	}
	if s.Attributes["SystemSignalLongSymbol"].Text != s.Name {
		w.equal(line, "name", s.Name, string(theirs.Name))
	}
	w.equal(line, "multiplexer", s.Multiplexer, theirs.IsMultiplexerSwitch)
	w.equal(line, "multiplexed", s.Switch != nil, theirs.IsMultiplexed)
	if s.Switch != nil && theirs.IsMultiplexed {
		w.equal(line, "page", s.Pages, []MuxRange{{theirs.MultiplexerSwitch, theirs.MultiplexerSwitch}})
	}
	var receivers []other.Identifier
	for _, name := range theirs.Receivers {
		if name != nobody {
			receivers = append(receivers, name)
		}
	}
	w.equal(line, "receivers", len(s.Receivers), len(receivers))
	for i, name := range receivers {
		if i < len(s.Receivers) && !sameName(s.Receivers[i], name) {
			w.differ(line, "receiver", s.Receivers[i], name)
		}
	}
}

// describe compares what both readers made of a statement about an object.
func (w *witnessed) describe(db *Database, def other.Def) {
	line := def.Position().Line
	switch def := def.(type) {
	case *other.CommentDef:
		if got, ok := w.commentOf(db, def); ok {
			w.descriptions++
			w.equal(line, "comment", oneLine(got), oneLine(def.Comment))
		}
	case *other.ValueDescriptionsDef:
		s := w.signalOf(line, def.MessageID, def.SignalName)
		if s == nil {
			return
		}
		w.descriptions++
		got, want := map[int64]string{}, map[int64]string{}
		for _, v := range s.Values {
			got[v.Value] = oneLine(v.Text)
		}
		for _, v := range def.ValueDescriptions {
			want[int64(v.Value)] = oneLine(v.Description)
		}
		w.equal(line, "values", got, want)
	case *other.SignalValueTypeDef:
		if s := w.signalOf(line, def.MessageID, def.SignalName); s != nil {
			w.descriptions++
			kind := map[ValueType]other.SignalValueType{Float32: other.SignalValueTypeFloat32, Float64: other.SignalValueTypeFloat64}
			w.equal(line, "float", kind[s.Type], def.SignalValueType)
		}
	case *other.AttributeValueForObjectDef:
		if m := w.byID[def.MessageID]; m != nil && def.AttributeName == "GenMsgCycleTime" {
			w.descriptions++
			w.equal(line, "cycle time", m.CycleTime.Milliseconds(), def.IntValue)
		}
	}
}

// commentOf returns our comment on the object of a comment of theirs.
func (w *witnessed) commentOf(db *Database, def *other.CommentDef) (string, bool) {
	switch def.ObjectType {
	case other.ObjectTypeUnspecified:
		return db.Comment, true
	case other.ObjectTypeMessage:
		if m := w.byID[def.MessageID]; m != nil {
			return m.Comment, true
		}
	case other.ObjectTypeSignal:
		if s := w.signalOf(def.Pos.Line, def.MessageID, def.SignalName); s != nil {
			return s.Comment, true
		}
		return "", false
	case other.ObjectTypeNetworkNode:
		for _, n := range db.Nodes {
			if sameName(n.Name, def.NodeName) {
				return n.Comment, true
			}
		}
	case other.ObjectTypeEnvironmentVariable:
		return "", false
	}
	w.differ(def.Pos.Line, "unknown object", "none", def)
	return "", false
}

func (w *witnessed) signalOf(line int, id other.MessageID, name other.Identifier) *Signal {
	s := w.byName[otherSignal{id, name}]
	if s == nil && name != "" { // without a name it is an environment variable
		w.differ(line, "unknown signal", "none", name)
	}
	return s
}

// sameName compares a name of ours, which may be the long one, with one of the
// statements: editors keep the first 27 characters of a name that they cut.
func sameName(ours string, theirs other.Identifier) bool {
	return ours == string(theirs) || len(theirs) == 32 && strings.HasPrefix(ours, string(theirs[:27]))
}

// oneLine evens out what the readers do with line breaks and escaped quotes.
func oneLine(s string) string {
	return strings.Join(strings.Fields(strings.ReplaceAll(s, `\"`, `"`)), " ")
}
