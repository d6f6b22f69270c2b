package profiles

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"plugproof/decode/dbc"
)

// Duty is one message that the replaced unit must send: what to hold beside the
// new ECU's configuration.
type Duty struct {
	Message     string         `json:"message"`
	ID          string         `json:"id"`
	Bus         string         `json:"bus"`
	Length      int            `json:"length_bytes"` // 0: nobody states it
	CycleMS     float64        `json:"cycle_ms"`     // 0: not cyclic
	Kind        Kind           `json:"kind,omitempty"`
	Protections []string       `json:"protection"` // counter, checksum, in words
	Constants   []DutyConstant `json:"constants"`
	Signals     []DutySignal   `json:"signals"`
	Listeners   []DutyListener `json:"listeners"`
	Functions   []string       `json:"functions"` // that begin with one of its signals
	Option      bool           `json:"option"`    // not every car of the setting needs it
}

// DutySignal is where a signal stands in the bytes.
type DutySignal struct {
	Name   string  `json:"name"`
	Start  int     `json:"start_bit"` // as DBC files write it
	Length int     `json:"length_bits"`
	Order  string  `json:"byte_order"` // intel or motorola
	Signed bool    `json:"signed"`
	Factor float64 `json:"factor"`
	Offset float64 `json:"offset"`
	Unit   string  `json:"unit"`
}

// DutyConstant is a value that listeners compare with their own.
type DutyConstant struct {
	Signal string `json:"signal"`
	Raw    int64  `json:"raw"`
	Means  string `json:"means"`
}

// DutyListener is a unit that waits for the message.
type DutyListener struct {
	Node       string  `json:"node"`
	TimeoutMS  float64 `json:"timeout_ms"` // 0: nobody states it
	Substitute string  `json:"substitute"`
}

// Duties lists what the replaced unit must send in a setting, in the order of
// buses and identifiers.
func (s *Setting) Duties() []Duty {
	list := []Duty{}
	for _, m := range s.Messages {
		if m.Sender != s.Replaced || !m.Expected {
			continue
		}
		d := Duty{
			Message: m.Name, ID: m.ID.String(), Bus: m.Bus, Length: m.Length.Value, Kind: m.Kind, Option: m.Option,
			CycleMS: milliseconds(m.Cycle.Value), Protections: m.protections(), Constants: []DutyConstant{},
			Signals: []DutySignal{}, Listeners: []DutyListener{}, Functions: s.functionsOf(m.Name),
		}
		for _, name := range slices.Sorted(maps.Keys(m.Own.Constants)) {
			c := m.Own.Constants[name]
			d.Constants = append(d.Constants, DutyConstant{name, c.Value, c.Means})
		}
		if m.Def != nil {
			for _, sig := range m.Def.Signals {
				d.Signals = append(d.Signals, dutySignal(sig))
			}
		}
		for _, l := range m.Listeners {
			d.Listeners = append(d.Listeners, DutyListener{l.Node, milliseconds(l.Timeout.Value), l.Substitute})
		}
		list = append(list, d)
	}
	return list
}

func dutySignal(sig *dbc.Signal) DutySignal {
	order := "intel"
	if sig.Order == dbc.Motorola {
		order = "motorola"
	}
	return DutySignal{
		sig.Name, sig.Start, sig.Length, order, sig.Type == dbc.Signed, sig.Factor, sig.Offset, sig.Unit,
	}
}

func milliseconds(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// protections says in words how a message is guarded.
func (m *MessageFacts) protections() []string {
	list := []string{}
	own := m.Own
	if own.Counter != nil {
		list = append(list, "counter "+own.Counter.describe())
	}
	if own.Checksum != nil {
		list = append(list, "checksum "+own.Checksum.describe())
	}
	if own.Parity != nil {
		list = append(list, "parity "+own.Parity.describe())
	}
	if own.EndToEnd != nil {
		list = append(list, own.EndToEnd.describe())
	}
	return list
}

// functionsOf lists the titles of functions that begin with a signal of a message.
func (s *Setting) functionsOf(message string) []string {
	list := []string{}
	for _, name := range slices.Sorted(maps.Keys(s.Functions)) {
		f := s.Functions[name]
		if len(f.Chain) == 0 {
			continue
		}
		if first, _ := f.Chain[0].Split(); first == message {
			list = append(list, cmp.Or(f.Title, name))
		}
	}
	slices.Sort(list)
	return list
}
