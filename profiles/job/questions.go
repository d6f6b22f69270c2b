package job

import (
	"fmt"
	"strconv"
	"strings"
)

// Question is one thing that intake asks a person.
type Question struct {
	Key  string // of the answer, as flags and messages name it
	Ask  string // in words, to be read at arm's length
	Hint string // what an answer looks like

	phase    Phase
	what     string // is missing, without an answer
	optional bool
	later    bool // is asked with what must be known, and may stay open until the phase that needs it
	unknown  func(*Card) bool
	set      func(*Card, string) error
}

// Set puts an answer into the card. An empty answer leaves it as it is.
func (q *Question) Set(c *Card, answer string) error {
	if answer = strings.TrimSpace(answer); answer == "" {
		return nil
	}
	return q.set(c, answer)
}

// Unanswered lists the questions of a phase that a card leaves open, those that
// need no answer at the end. "" is every phase.
func Unanswered(c *Card, phase Phase) []Question {
	var must, may []Question
	for _, q := range questions {
		switch {
		case phase != "" && q.phase != phase || !q.unknown(c):
		case q.optional:
			may = append(may, q)
		default:
			must = append(must, q)
		}
	}
	return append(must, may...)
}

// QuestionOf returns the question of a key.
func QuestionOf(key string) (Question, bool) {
	for _, q := range questions {
		if q.Key == key {
			return q, true
		}
	}
	return Question{}, false
}

// Keys lists the keys of all questions.
func Keys() []string {
	keys := make([]string, len(questions))
	for i, q := range questions {
		keys[i] = q.Key
	}
	return keys
}

// label is a key as words.
func label(key string) string { return strings.ReplaceAll(key, "_", " ") }

// text is a question whose answer is kept as it is.
func text(phase Phase, key, ask, hint string, optional bool, field func(*Card) *string) Question {
	return Question{
		Key: key, Ask: ask, Hint: hint, phase: phase, what: label(key), optional: optional,
		unknown: func(c *Card) bool { return *field(c) == "" },
		set:     func(c *Card, s string) error { *field(c) = s; return nil },
	}
}

// listed is a question whose answer is a list; "none" is an empty one.
func listed(key, ask string, optional bool, field func(*Card) *[]string) Question {
	return Question{
		Key: key, Ask: ask, Hint: "separated by commas, or none", phase: Intake, what: label(key), optional: optional,
		unknown: func(c *Card) bool { return *field(c) == nil },
		set: func(c *Card, s string) error {
			*field(c) = words(s)
			return nil
		},
	}
}

func words(s string) []string {
	list := []string{}
	if strings.EqualFold(s, "none") {
		return list
	}
	for w := range strings.SplitSeq(s, ",") {
		if w = strings.TrimSpace(w); w != "" {
			list = append(list, w)
		}
	}
	return list
}

// measured is a question for a figure, and with what it was taken.
func measured(q Quantity, ask string, optional bool) Question {
	return Question{
		Key: string(q), Ask: ask, Hint: "a figure, then the instrument: 60.2 multimeter 3", phase: Electrical, what: label(string(q)), optional: optional,
		unknown: func(c *Card) bool { return c.Measured(q) == nil },
		set: func(c *Card, s string) error {
			figure, instrument, _ := strings.Cut(s, " ")
			v, err := strconv.ParseFloat(strings.ReplaceAll(figure, ",", "."), 64)
			if err != nil || !(v >= 0 && v <= most) {
				return fmt.Errorf("%q is no figure", figure)
			}
			c.Measurements = append(c.Measurements, Measurement{What: q, Value: v, Instrument: strings.TrimSpace(instrument)})
			return nil
		},
	}
}

func later(q Question) Question {
	q.later = true
	return q
}

// questions are in the order in which they are asked.
var questions = []Question{
	text(Intake, "asked", "What does the customer want done?", "", true, func(c *Card) *string { return &c.Asked }),
	text(Intake, "customer", "Customer?", "", true, func(c *Card) *string { return &c.Customer }),
	text(Intake, "workshop", "Workshop?", "", true, func(c *Card) *string { return &c.Workshop }),
	text(Intake, "technician", "Technician?", "", true, func(c *Card) *string { return &c.Technician }),
	text(Intake, "model", "Which car?", "", true, func(c *Card) *string { return &c.Car.Model }),
	text(Intake, "series", "Which series?", "", false, func(c *Card) *string { return &c.Car.Series }),
	text(Intake, "built", "Built when?", "2021-05", false, func(c *Card) *string { return &c.Car.Built }),
	text(Intake, "engine", "Which engine?", "", false, func(c *Card) *string { return &c.Car.Engine }),
	text(Intake, "induction", "Turbo, supercharger, or none?", "turbo", true, func(c *Card) *string { return &c.Car.Induction }),
	text(Intake, "gearbox", "Which gearbox?", "5-speed automatic", false, func(c *Card) *string { return &c.Car.Gearbox }),
	listed("options", "Which options does the car have that use the engine (air-con, cruise, ...)?", true, func(c *Card) *[]string { return &c.Car.Options }),
	text(Intake, "odometer", "What does the odometer read?", "84210 km", false, func(c *Card) *string { return &c.Car.Odometer }),
	text(Intake, "vin", "Vehicle number?", "it is masked in whatever leaves this folder", true, func(c *Card) *string { return &c.Car.VIN }),
	later(text(Intake, "network", "Which network setting was chosen in the new ECU?", "a name of plugproof profiles list; empty where nobody knows yet, the car will say", false, func(c *Card) *string { return &c.Settings.Network })),
	text(Intake, "loom", "Which loom setting was chosen in the new ECU?", "as its maker calls it, or: not chosen yet", false, func(c *Card) *string { return &c.Settings.Loom }),
	text(Intake, "factory_serial", "Serial number of the factory ECU?", "", false, func(c *Card) *string { return &c.Factory.Serial }),
	text(Intake, "factory_part", "Part number of the factory ECU?", "", true, func(c *Card) *string { return &c.Factory.Part }),
	text(Intake, "new_serial", "Serial number of the new ECU?", "", false, func(c *Card) *string { return &c.New.Serial }),
	text(Intake, "new_firmware", "Firmware of the new ECU?", "", false, func(c *Card) *string { return &c.New.Firmware }),
	listed("lamps_before", "Which lamps are lit with the engine running?", false, func(c *Card) *[]string { return &c.Before.Lamps }),
	listed("symptoms_before", "What does not work today, with the factory ECU?", true, func(c *Card) *[]string { return &c.Before.Symptoms }),
	measured(RestVolts, "Battery at rest, in volts?", false),
	measured(OhmsFactory, "Power off: ohms between CAN-H and CAN-L, factory ECU plugged in?", false),
	measured(OhmsWithout, "Power off: the same with the factory ECU unplugged (plug it in again after)?", false),
	measured(OhmsNew, "Power off: the same with the new ECU?", true),
	measured(HighVolts, "CAN-H at rest, in volts?", true),
	measured(LowVolts, "CAN-L at rest, in volts?", true),
	measured(Bitrate, "Bit rate of the bus, in kbit/s?", true),
	listedIn(CodesAfter, "lamps_after", "With the new ECU and the engine running: which lamps are lit?", func(c *Card) *[]string { return &c.After.Lamps }),
	listedIn(CodesAfter, "dead_after", "With the new ECU: what does not work?", func(c *Card) *[]string { return &c.After.Dead }),
}

// listedIn is a list that is asked in another phase than intake.
func listedIn(phase Phase, key, ask string, field func(*Card) *[]string) Question {
	q := listed(key, ask, false, field)
	q.phase, q.what = phase, label(key)+" (or none)"
	return q
}
