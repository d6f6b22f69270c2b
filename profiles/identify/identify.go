// Package identify says which settings of a library a capture's modules speak,
// with the odds, what they rest on, and an honest tie where the bus cannot tell.
//
// A car is identified by what its other modules send of their own. What the
// replaced unit sends, and what a gateway relays of it, only echoes the setting
// that somebody picked: it is scored apart and never counted for the car.
//
// A Plan compiles all settings of a library once. Its Collector gathers generic
// figures per identifier in one pass, whatever the number of settings, and
// Judge scores every setting by them.
package identify

import "slices"

// ECU says what is known of the replaced unit while the capture was taken.
type ECU string

// What is known of the replaced unit.
const (
	Unknown ECU = ""
	Out     ECU = "out"     // unplugged
	Factory ECU = "factory" // the car's own
	New     ECU = "new"     // the one that replaces it
)

// Says begins a sentence about what the unit's own frames say.
func (e ECU) Says() string {
	switch e {
	case New:
		return "the new engine computer says"
	case Factory:
		return "the factory engine computer says"
	}
	return "the engine computer says"
}

// Verdict is the answer for the whole car, in words.
type Verdict string

// The verdicts.
const (
	Identified Verdict = "identified" // odds of 100:1, three discriminators, nothing contradicts
	Likely     Verdict = "likely"     // odds of 10:1
	Tie        Verdict = "tie"        // less, or several that are the same on the bus
	NoneFits   Verdict = "none fits"
)

// Starting values of the scoring; common practice, not yet calibrated on captures.
const (
	identifiedOdds = 100
	likelyOdds     = 10
	leastSeen      = 3    // discriminators for Identified
	bestPerSender  = 5    // pieces of evidence that count of one sender
	leastExplained = 0.70 // of the foreign frames
)

// Input of Judge.
type Input struct {
	ECU ECU
	Map map[string]string // interface -> bus, as the user gives them; others are found
}

// Result is what a capture says of the car.
type Result struct {
	Verdict    Verdict     `json:"verdict"`
	Settings   []string    `json:"settings"`              // the best one; all that tie; sorted by name
	SameOnBus  bool        `json:"same_on_the_bus"`       // nothing but the replaced unit tells those settings apart
	ReadOff    []string    `json:"read_off_the_car"`      // what tells them apart instead
	Odds       float64     `json:"odds_to_next"`          // at most MaxOdds
	Next       string      `json:"next,omitempty"`        // the best setting that is not among Settings
	Seen       int         `json:"discriminators_seen"`   // independent ones in favour of the best
	Explained  float64     `json:"foreign_explained"`     // share of the foreign frames, of the best
	Foreign    uint64      `json:"foreign_frames"`        //
	ECU        *ECUSays    `json:"replaced_ecu"`          // nil: it sent nothing
	Disagree   bool        `json:"disagreement"`          // the replaced unit says another setting than the car
	Modules    []Module    `json:"modules"`               // in order of consequence
	Network    []string    `json:"network_recommended"`   // network settings that keep the listeners alive
	Unserved   []string    `json:"listeners_unsatisfied"` // modules whose setting is not among Network
	Loom       []string    `json:"loom"`                  // loom settings that go with Settings on a stock car
	Conversion bool        `json:"conversion"`            // modules ask for different settings
	Step       *Step       `json:"next_step"`             // nil: no capture tells more
	Ranked     []Ranked    `json:"ranked"`                // classes of settings
	Interfaces []Interface `json:"interfaces"`
	Notes      []string    `json:"notes"`
	Evidence   []Piece     `json:"evidence"` // on the first of Settings
}

// ServedFirst says by which module the network setting goes.
func (r *Result) ServedFirst() string {
	for _, m := range r.Modules {
		if m.State == Present && !slices.Contains(r.Unserved, m.Name) {
			return m.Name + " asks"
		}
	}
	return "far as any module can be served"
}

// ECUSays is what the replaced unit's own frames say.
type ECUSays struct {
	Is       ECU      `json:"is"`
	Frames   uint64   `json:"frames"`
	Settings []string `json:"settings"`
	Odds     float64  `json:"odds_to_next"`
}

// Module is what one module asks for.
type Module struct {
	Name     string   `json:"module"`
	Title    string   `json:"title,omitempty"`
	State    State    `json:"state"`
	Says     string   `json:"says"` // "series 2, 2.0 turbo"; "absent"
	Settings []string `json:"settings"`
	Odds     float64  `json:"odds_to_next"`
	Fits     bool     `json:"fits"` // some setting of the library satisfies it
}

// State of a module in the capture.
type State string

// The states.
const (
	Present   State = "present"
	Absent    State = "absent"
	NotTested State = "not testable"
)

// Step is the capture step that tells most of what still ties apart.
type Step struct {
	Stage   string  `json:"stage"` // of the capture script; "" for none of it
	Text    string  `json:"text"`
	Exposes int     `json:"discriminators"`
	Bits    float64 `json:"expected_bits"` // of information on the settings still tied
	Why     string  `json:"why"`
}

// Ranked is a class of settings that nothing on the bus tells apart.
type Ranked struct {
	Settings  []string `json:"settings"`
	Odds      float64  `json:"odds_against_best"` // 1 for the best
	Explained float64  `json:"foreign_explained"`
}

// Outcome of a piece of evidence.
type Outcome string

// The outcomes.
const (
	Supports    Outcome = "seen"
	Contradicts Outcome = "contradicted"
	NotTestable Outcome = "not testable"
)

// Piece is one discriminator and what the capture says of it.
type Piece struct {
	Outcome Outcome `json:"outcome"`
	Module  string  `json:"module"` // "": of the bus itself
	Message string  `json:"message"`
	Bus     string  `json:"bus"`
	ID      string  `json:"id"`
	What    string  `json:"what"`
	Says    string  `json:"setting_says"`
	Shown   string  `json:"capture_shows"`
	Odds    float64 `json:"odds"` // that it gives for or against; 1 when not testable
	Against int     `json:"settings_it_speaks_against"`
}

// Interface is one interface of the capture and the bus that it stands for.
type Interface struct {
	Name string `json:"interface"`
	Bus  string `json:"bus"` // "": none of the library
	How  string `json:"how"`
}

// MaxOdds bounds odds: the starting values carry no more.
const MaxOdds = 1e6
