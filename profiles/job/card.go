package job

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"

	"plugproof/profiles"
)

// Card is what people know of a job: the content of job.yaml. Empty means not
// known yet; an empty list of lamps or photos means that there are none.
type Card struct {
	Format int    `yaml:"format"`           // of the file; 1
	Opened string `yaml:"opened,omitempty"` // date, as 2026-05-20

	Asked      string `yaml:"asked,omitempty"` // what the customer wants
	Customer   string `yaml:"customer,omitempty"`
	Workshop   string `yaml:"workshop,omitempty"`
	Technician string `yaml:"technician,omitempty"`

	Car      Car               `yaml:"car,omitempty"`
	Settings profiles.Settings `yaml:"settings,omitempty"` // chosen in the new ECU: loom, and the profile of the network
	Factory  Unit              `yaml:"factory_ecu,omitempty"`
	New      Unit              `yaml:"new_ecu,omitempty"`

	Before State `yaml:"before,omitzero"` // the car with its factory ECU
	After  State `yaml:"after,omitzero"`  // the car with the new one

	Measurements []Measurement `yaml:"measurements,omitzero"`
	Photos       []string      `yaml:"photos,omitzero"` // files, by path from the folder

	LeftOut map[Phase]string `yaml:"left_out,omitzero"` // phases that cannot be done, and why
}

// Car is the car as it stands in the workshop.
type Car struct {
	Model     string   `yaml:"model,omitempty"`
	Series    string   `yaml:"series,omitempty"`
	Built     string   `yaml:"built,omitempty"` // year and month
	Engine    string   `yaml:"engine,omitempty"`
	Induction string   `yaml:"induction,omitempty"` // none, turbo, ...
	Gearbox   string   `yaml:"gearbox,omitempty"`
	Options   []string `yaml:"options,omitzero"`   // air-con, cruise, ...
	Odometer  string   `yaml:"odometer,omitempty"` // as read, with its unit
	VIN       string   `yaml:"vin,omitempty"`      // masked in whatever leaves the folder
	Donors    []Donor  `yaml:"donors,omitzero"`    // modules of other cars, in a conversion
}

// Donor is a module that comes from another car.
type Donor struct {
	Module string `yaml:"module"`
	From   string `yaml:"from"`
}

// Unit is an engine ECU.
type Unit struct {
	Part     string `yaml:"part,omitempty"`
	Serial   string `yaml:"serial,omitempty"`
	Firmware string `yaml:"firmware,omitempty"`
}

// Words says what is known of a unit: "part 4711"; none where nothing is.
func (u Unit) Words() (words []string) {
	for _, p := range [][2]string{{"part", u.Part}, {"serial", u.Serial}, {"firmware", u.Firmware}} {
		if p[1] != "" {
			words = append(words, p[0]+" "+p[1])
		}
	}
	return words
}

// State is what a person sees on the car at one time.
type State struct {
	Lamps    []string `yaml:"lamps,omitzero"`    // lit with the engine running; [] for none
	Dead     []string `yaml:"dead,omitzero"`     // functions that do not work
	Symptoms []string `yaml:"symptoms,omitzero"` // in words
}

// Measurement is a figure taken by hand.
type Measurement struct {
	What       Quantity `yaml:"what"`
	Bus        string   `yaml:"bus,omitempty"`
	Value      float64  `yaml:"value"` // in the unit of the quantity
	Instrument string   `yaml:"instrument,omitempty"`
}

// Quantity is what can be measured by hand; its name ends with its unit.
type Quantity string

// The quantities of intake.
const (
	OhmsFactory Quantity = "factory_ecu_ohm" // between the lines, power off, factory ECU plugged in
	OhmsWithout Quantity = "without_ecu_ohm" // the same, no ECU
	OhmsNew     Quantity = "new_ecu_ohm"     // the same, new ECU
	RestVolts   Quantity = "battery_volt"    // at rest
	HighVolts   Quantity = "can_high_volt"   // idle level
	LowVolts    Quantity = "can_low_volt"    // idle level
	Bitrate     Quantity = "bit_rate_kbit_s" // of a bus
)

// Quantities lists them in the order in which they are taken.
func Quantities() []Quantity {
	return []Quantity{RestVolts, OhmsFactory, OhmsWithout, OhmsNew, HighVolts, LowVolts, Bitrate}
}

// Words gives a quantity in words, and its unit.
func (q Quantity) Words() (what, unit string) {
	words := map[Quantity][2]string{
		OhmsFactory: {"between CAN-H and CAN-L, factory ECU plugged in", "ohm"},
		OhmsWithout: {"between CAN-H and CAN-L, no ECU", "ohm"},
		OhmsNew:     {"between CAN-H and CAN-L, new ECU", "ohm"},
		RestVolts:   {"battery at rest", "V"},
		HighVolts:   {"CAN-H at rest", "V"},
		LowVolts:    {"CAN-L at rest", "V"},
		Bitrate:     {"bit rate", "kbit/s"},
	}
	return words[q][0], words[q][1]
}

// Mask hides a vehicle number but for its last four characters: what leaves the
// folder must not tell whose car it is.
func Mask(vin string) string {
	const shown = 4
	if len(vin) <= shown {
		return strings.Repeat("*", len(vin))
	}
	return strings.Repeat("*", len(vin)-shown) + vin[len(vin)-shown:]
}

// ShortestNumber is how long a vehicle number must be to be told from other text.
const ShortestNumber = 6

// WithoutNumber masks the vehicle number wherever it stands in a text: people write
// it beside the field that is for it.
func (c *Card) WithoutNumber(text []byte) []byte {
	vin := c.Car.VIN
	if len(vin) < ShortestNumber {
		return text
	}
	return regexp.MustCompile(`(?i)`+regexp.QuoteMeta(vin)).ReplaceAllLiteral(text, []byte(Mask(vin)))
}

// most is a bound above which no reading of a car lies.
const most = 1e6

// parseCard reads job.yaml. place is shown in positions. The error is
// profiles.Problems.
func parseCard(place string, src []byte) (*Card, error) {
	card := &Card{}
	doc, err := profiles.ReadDocument(place, "job", src, card)
	if err != nil {
		return nil, err
	}
	if key, what := card.fault(); what != "" {
		return nil, doc.ProblemAt(key, "value", what, "")
	}
	return card, nil
}

// CardError is a value of a card that makes no sense.
type CardError struct{ Place, What string }

func (e *CardError) Error() string { return e.Place + ": " + e.What }

func (c *Card) check(place string) error {
	if _, what := c.fault(); what != "" {
		return &CardError{place, what}
	}
	return nil
}

// fault finds a value that makes no sense, and its key.
func (c *Card) fault() (key, what string) {
	for i, m := range c.Measurements {
		key := fmt.Sprintf("measurements[%d]", i)
		if !slices.Contains(Quantities(), m.What) {
			return key + ".what", fmt.Sprintf("%q is nothing that is measured here; there are %s", m.What, join(Quantities()))
		}
		if !(m.Value >= 0 && m.Value <= most) {
			return key + ".value", fmt.Sprintf("%s: %g is no reading", m.What, m.Value)
		}
	}
	for _, phase := range slices.Sorted(maps.Keys(c.LeftOut)) {
		key := "left_out." + string(phase)
		if !slices.Contains(Phases(), phase) {
			return key, fmt.Sprintf("%q is no phase of a job; there are %s", phase, join(Phases()))
		}
		if strings.TrimSpace(c.LeftOut[phase]) == "" {
			return key, fmt.Sprintf("left_out: %s: say why it cannot be done", phase)
		}
	}
	return "", ""
}

func join[S ~string](list []S) string {
	words := make([]string, len(list))
	for i, s := range list {
		words[i] = string(s)
	}
	return strings.Join(words, ", ")
}

// Measured returns a figure taken by hand, the last where there are several; nil
// when there is none.
func (c *Card) Measured(q Quantity) *float64 {
	for _, m := range slices.Backward(c.Measurements) {
		if m.What == q {
			return &m.Value
		}
	}
	return nil
}

// YAML gives the card as a file, without the comments of the one it was read from.
func (c *Card) YAML() ([]byte, error) { return c.rewrite(nil) }

// rewrite gives the card as YAML. Comments of old, the file as it was, are kept.
func (c *Card) rewrite(old []byte) ([]byte, error) {
	comments := yaml.CommentMap{}
	if len(old) > 0 {
		var was Card
		if err := yaml.UnmarshalWithOptions(old, &was, yaml.CommentToMap(comments)); err != nil {
			return nil, err
		}
	}
	return yaml.MarshalWithOptions(c, yaml.WithComment(comments), yaml.IndentSequence(true))
}
