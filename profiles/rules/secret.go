package rules

import (
	"slices"
	"strings"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/carnumber"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles"
)

// notShown stands for a payload that is nobody's business.
const notShown = "(not shown)"

// Hide takes the payload out of a candump log line whose frame must not be shown.
func Hide(line string) string {
	if at := strings.IndexByte(line, '#'); at >= 0 {
		return line[:at+1] + notShown
	}
	return line
}

// Secrets knows which frames and signals of settings hold what is never shown: an
// immobiliser's question or answer, or the number of the car, as the profile says
// or as the definition names it.
type Secrets struct {
	messages map[profiles.ID][]secretMessage
	signals  map[profiles.SignalRef]bool // numbers of the car
	whole    map[string]bool             // messages of which nothing is shown
}

// secretMessage is a message all frames of which are secret, or those in which one
// of its signals is there.
type secretMessage struct {
	all     bool
	numbers []*decode.Signal
	guard   *guard.Guard // fills in checksums, and leaves counters alone; nil: none
}

// SecretsOf finds what the settings say is secret.
func SecretsOf(settings ...*profiles.Setting) *Secrets {
	k := &Secrets{map[profiles.ID][]secretMessage{}, map[profiles.SignalRef]bool{}, map[string]bool{}}
	for _, s := range settings {
		k.take(s)
	}
	return k
}

func (k *Secrets) take(s *profiles.Setting) {
	for _, m := range s.Messages {
		k.define(m, exchanged(s, m.Name), s.CarNumber)
	}
}

// Define takes a message that no setting has: what its definition names the number
// of the car is never shown.
func (k *Secrets) Define(m *profiles.MessageFacts) { k.define(m, false, nil) }

func (k *Secrets) define(m *profiles.MessageFacts, all bool, stated []profiles.SignalRef) {
	x := secretMessage{all: all}
	if m.Def != nil {
		for _, def := range m.Def.Signals {
			ref := profiles.SignalRef(m.Name + "." + def.Name)
			if !NamesNumber(m.Name, def) && !slices.Contains(stated, ref) {
				continue
			}
			k.signals[ref] = true
			if sig := signalOf(m.Def, def.Name); sig != nil {
				x.numbers = append(x.numbers, sig)
			}
		}
	}
	if x.all || len(x.numbers) > 0 {
		x.guard = checksums(m)
		k.messages[m.ID] = append(k.messages[m.ID], x)
	}
	if x.all {
		k.whole[m.Name] = true
	}
}

// NamesNumber reports whether a definition names a signal as the number of the car.
func NamesNumber(message string, sig *dbc.Signal) bool {
	return !sig.Multiplexer && (carnumber.Named(sig.Name) || carnumber.Named(message))
}

// Hold reports whether a frame holds what is never shown.
func (k *Secrets) Hold(f *can.Frame) bool {
	list := k.messages[profiles.ID{Value: f.ID, Extended: f.Is(can.Extended)}]
	return slices.ContainsFunc(list, func(m secretMessage) bool {
		return m.all || slices.ContainsFunc(m.numbers, func(sig *decode.Signal) bool {
			_, ok := sig.Read(f)
			return ok
		})
	})
}

// Mask puts a pattern in place of what is never shown in a frame: all bytes of what
// is exchanged, the bits of a number; checksums are those of the new content. It
// reports whether there was any.
func (k *Secrets) Mask(f *can.Frame, pattern byte) (masked bool) {
	for _, m := range k.messages[profiles.ID{Value: f.ID, Extended: f.Is(can.Extended)}] {
		whole := m.all
		for _, sig := range m.numbers {
			if _, there := sig.Read(f); there && !whole {
				masked = true
				whole = cover(sig, f, pattern) != nil
			}
		}
		switch {
		case whole:
			for i := range f.Payload() {
				f.Data[i] = pattern
			}
			masked = true
		case masked && m.guard != nil:
			_ = m.guard.Fill(nil, f) // a frame that is too short for it has none
		}
	}
	return masked
}

// cover puts a pattern in place of the bits of a signal.
func cover(sig *decode.Signal, f *can.Frame, pattern byte) error {
	const every = 0x0101010101010101
	if sig.Def.Length > 64 {
		return decode.ErrWide
	}
	return sig.Put(f, uint64(pattern)*every>>(64-sig.Def.Length))
}

// checksums gives what fills in the checksums and parities of a message.
func checksums(m *profiles.MessageFacts) *guard.Guard {
	p, err := m.Protection()
	if err != nil {
		return nil // the loader has said so
	}
	p.Counters, p.Toggles = nil, nil
	if p.Empty() {
		return nil
	}
	g, err := p.Compile()
	if err != nil {
		return nil
	}
	return g
}

// HoldValue reports whether the values of a signal are never shown.
func (k *Secrets) HoldValue(ref profiles.SignalRef) bool {
	message, _ := ref.Split()
	return k.signals[ref] || k.whole[message]
}

// exchanged reports whether a message belongs to a secret dialogue.
func exchanged(s *profiles.Setting, message string) bool {
	for _, d := range s.Dialogues {
		if !d.Secret {
			continue
		}
		for _, condition := range []*profiles.Condition{d.Asked, d.Answer, d.Refused, d.Allowed} {
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

// signalOf compiles a signal, which reads the frames of the page that shows it; nil
// where no frame can.
func signalOf(def *dbc.Message, name string) *decode.Signal {
	decoder, _ := decode.NewDecoder([]decode.Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{def}}}})
	for _, m := range decoder.Bus("").Messages() {
		return m.Signal(name)
	}
	return nil
}
