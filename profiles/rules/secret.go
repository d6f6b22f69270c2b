package rules

import (
	"bytes"
	"slices"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/profiles"
)

// notShown stands for a payload that is nobody's business.
const notShown = "(not shown)"

// hide takes the payload out of a log line whose frame must not be shown.
func hide(line []byte) []byte {
	if at := bytes.IndexByte(line, '#'); at >= 0 {
		line = append(line[:at+1:at+1], notShown...)
	}
	return line
}

// Secret reports whether a frame holds what is never shown: an immobiliser's
// question or answer, or the number of the car.
func Secret(s *profiles.Setting, f *can.Frame) bool {
	for _, m := range s.Messages {
		if m.ID.Value != f.ID || m.ID.Extended != f.Is(can.Extended) {
			continue
		}
		if exchanged(s, m.Name) || holdsNumber(s, m, f) {
			return true
		}
	}
	return false
}

// exchanged reports whether a message belongs to a secret dialogue.
func exchanged(s *profiles.Setting, message string) bool {
	for _, d := range s.Dialogues {
		if !d.Secret {
			continue
		}
		for _, condition := range []*profiles.Condition{d.Asked, d.Answer} {
			if condition == nil {
				continue
			}
			if name, _ := condition.Signal.Split(); name == message {
				return true
			}
		}
	}
	return false
}

// holdsNumber reports whether a frame carries the car's number, on the page that
// it shows.
func holdsNumber(s *profiles.Setting, m *profiles.MessageFacts, f *can.Frame) bool {
	return slices.ContainsFunc(s.CarNumber, func(ref profiles.SignalRef) bool {
		name, signal := ref.Split()
		if name != m.Name || m.Def == nil {
			return false
		}
		decoder, _ := decode.NewDecoder([]decode.Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{m.Def}}}})
		_, ok := decoder.Bus("").Message(m.Name).Signal(signal).Read(f)
		return ok
	})
}
