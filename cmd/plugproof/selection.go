package main

import (
	"fmt"
	"path"
	"slices"
	"strings"

	"plugproof/decode"
	"plugproof/decode/can"
)

// onlyHelp explains the values of --only in a command's help.
const onlyHelp = `--only takes names of messages, signals and senders as the DBC file writes them
(* stands for any letters), and identifiers. A signal's name shows that signal
alone, anything else whole messages.`

// selection is what --only asks for. The nil selection holds everything.
type selection struct {
	ids   []idRange
	picks map[*decode.Message]pick // only messages of which something was named
}

// pick says what of a message was asked for.
type pick struct {
	whole   bool
	signals []bool // by Signal.Index; looked at when not whole
}

// newSelection works out what each of the values means in the tables of a
// decoder. It refuses a name that occurs in none.
func newSelection(values []string, tables []*decode.Table) (*selection, error) {
	if len(values) == 0 {
		return nil, nil
	}
	s := &selection{picks: make(map[*decode.Message]pick)}
	for _, value := range values {
		if looksLikeID(value) {
			r, err := parseIDRange(value)
			if err != nil {
				return nil, err
			}
			s.ids = append(s.ids, r)
			continue
		}
		if _, err := path.Match(value, ""); err != nil {
			return nil, hint(fmt.Errorf("--only %s: not a pattern", value), "only * stands for any letters")
		}
		if !s.addName(value, tables) {
			return nil, hint(fmt.Errorf("--only %s: no message, signal or sender has that name", value),
				"%s", nearName(value, tables))
		}
	}
	return s, nil
}

// addName picks all that the pattern names; false when that is nothing.
func (s *selection) addName(pattern string, tables []*decode.Table) bool {
	fits := func(name string) bool {
		ok, _ := path.Match(pattern, name) // the pattern was checked
		return ok
	}
	found := false
	for _, t := range tables {
		for _, m := range t.Messages() {
			p := s.picks[m]
			if fits(m.Def.Name) || slices.ContainsFunc(m.Def.Senders, fits) {
				p.whole = true
			}
			for i := range m.Signals {
				if fits(m.Signals[i].Def.Name) {
					if p.signals == nil {
						p.signals = make([]bool, len(m.Signals))
					}
					p.signals[i] = true
				}
			}
			if p.whole || p.signals != nil {
				s.picks[m] = p
				found = true
			}
		}
	}
	return found
}

// holds reports whether anything of a frame was asked for; m is its message,
// nil when no DBC knows it.
func (s *selection) holds(f *can.Frame, m *decode.Message) bool {
	if s == nil || s.hasID(f) {
		return true
	}
	_, ok := s.picks[m]
	return ok
}

func (s *selection) hasID(f *can.Frame) bool {
	return slices.ContainsFunc(s.ids, func(r idRange) bool { return r.holds(f) })
}

// values keeps those of a frame's values that were asked for, in place.
func (s *selection) values(f *can.Frame, m *decode.Message, all []decode.Value) []decode.Value {
	if s.wants(f, m) {
		return all
	}
	signals := s.picks[m].signals
	return slices.DeleteFunc(all, func(v decode.Value) bool { return !signals[v.Signal.Index] })
}

// signals keeps those of a frame's signals that were asked for, in place.
func (s *selection) signals(f *can.Frame, m *decode.Message, all []*decode.Signal) []*decode.Signal {
	if s.wants(f, m) {
		return all
	}
	signals := s.picks[m].signals
	return slices.DeleteFunc(all, func(sig *decode.Signal) bool { return !signals[sig.Index] })
}

// wants reports whether the whole frame was asked for.
func (s *selection) wants(f *can.Frame, m *decode.Message) bool {
	return s == nil || s.picks[m].whole || s.hasID(f)
}

// nearName is the hint for a name that occurs nowhere: up to three names that
// contain it in other letters.
func nearName(name string, tables []*decode.Table) string {
	var near []string
	consider := func(candidate string) {
		if name != "" && strings.Contains(strings.ToLower(candidate), strings.ToLower(name)) && !slices.Contains(near, candidate) {
			near = append(near, candidate)
		}
	}
	for _, t := range tables {
		for _, m := range t.Messages() {
			consider(m.Def.Name)
			for _, sender := range m.Def.Senders {
				consider(sender)
			}
			for i := range m.Signals {
				consider(m.Signals[i].Def.Name)
			}
		}
	}
	if len(near) == 0 {
		return "names are written as in the DBC file, identifiers as 0x201"
	}
	return "perhaps " + strings.Join(near[:min(3, len(near))], ", ")
}
