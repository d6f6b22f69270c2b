package rules

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"plugproof/profiles"
)

// judgeCodes takes down the network codes that the technician read. A stored
// code may be an old one: more than a review needs a finding on the bus.
func judgeCodes(c *Case, r *Results) {
	since := c.Seen.Since(c.Setting)
	for i := range c.Seen.Codes {
		code := &c.Seen.Codes[i]
		means := code.Means()
		if means == "" || since.Codes != nil && slices.Contains(since.Codes.New, *code) {
			continue // of what is new judgeNewCodes says more
		}
		if since.Codes != nil {
			means += ", as before the swap"
		}
		missed, node := code.Missed(c.Setting), code.Listener(c.Setting)
		f := Finding{
			Rule: "listener/trouble-code", Verdict: Review, Sender: missed, Listener: node, Count: 1,
			Text:     fmt.Sprintf("%s: %s", code.Code, means),
			NextStep: "see the findings about these units; clear the codes with the workshop's scan tool after the cure, and read again after 3 key cycles",
		}
		f.Functions = c.between(missed, node)
		r.Add(f)
	}
}

// between lists the functions that start at a sender and end at a listener,
// sorted; either may be unknown, but not both.
func (c *Case) between(sender, listener string) []string {
	if sender == "" && listener == "" {
		return nil
	}
	var names []string
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Functions)) {
		f := c.Setting.Functions[name]
		m, _ := c.Setting.Signal(f.Chain[0])
		if (sender == "" || m.Sender == sender) && (listener == "" || f.Ends == listener) {
			names = append(names, name)
		}
	}
	return names
}

// node returns the node of a setting that is a unit of this kind, "" when there
// is none. The replaced node is the engine controller whatever it is called.
func (u unit) node(s *profiles.Setting) string {
	if u.name == unitEngine.name && s.Replaced != "" {
		return s.Replaced
	}
	for _, name := range slices.Sorted(maps.Keys(s.Nodes)) {
		if s.Nodes[name].IsFitted() && u.named(name) {
			return name
		}
	}
	for _, name := range slices.Sorted(maps.Keys(s.Nodes)) {
		if s.Nodes[name].IsFitted() && name != s.Replaced && u.named(s.Nodes[name].Title) {
			return name
		}
	}
	return ""
}

// named reports whether a text names a unit of this kind.
func (u unit) named(text string) bool {
	words := strings.FieldsFunc(strings.ToLower(text), func(r rune) bool {
		return (r < 'a' || r > 'z') && r != '-'
	})
	return slices.ContainsFunc(u.words, func(w string) bool { return slices.Contains(words, w) })
}

// nodeCalled returns the node of that very name or title, whatever its case.
func nodeCalled(s *profiles.Setting, text string) string {
	for _, name := range slices.Sorted(maps.Keys(s.Nodes)) {
		if strings.EqualFold(name, text) || strings.EqualFold(cmp.Or(s.Nodes[name].Title, name), text) {
			return name
		}
	}
	return ""
}

// unit is a kind of control unit, in the words by which profiles and scan tools
// name it.
type unit struct {
	name  string // as findings say it
	words []string
}

var (
	unitEngine    = unit{"the engine controller", []string{"engine", "ecm", "pcm", "ecu", "dme", "motor"}}
	unitGearbox   = unit{"the gearbox controller", []string{"gearbox", "transmission", "tcm", "tcu"}}
	unitStability = unit{"the brake or stability controller", []string{"stability", "abs", "esc", "esp", "brake", "vsc"}}
	unitSteering  = unit{"the steering", []string{"steering", "eps"}}
	unitCluster   = unit{"the instrument cluster", []string{"cluster", "instrument", "ipc", "meter"}}
	unitBody      = unit{"the body controller", []string{"body", "bcm"}}
	unitClimate   = unit{"the climate control", []string{"climate", "hvac", "air-con"}}
	unitRestraint = unit{"the restraint controller", []string{"restraint", "airbag", "srs"}}
	unitSecurity  = unit{"the immobiliser", []string{"immobiliser", "immobilizer", "security"}}
)

// units lists the kinds of unit.
func units() []unit {
	return []unit{
		unitEngine, unitGearbox, unitStability, unitSteering, unitCluster, unitBody, unitClimate, unitRestraint, unitSecurity,
	}
}

// network says in our own words what a network code tells; SAE J2012 assigns
// the numbers.
type network struct {
	missed unit   // whose messages the module misses, or does not believe
	says   string // "%s" is the module that stored the code
}

const (
	saysLost    = "%s misses the messages of "
	saysInvalid = "%s does not believe what it gets from "
)

// networks are the codes about units that a profile can have.
var networks = map[string]network{
	"U0001": {says: "%s cannot use the fast CAN bus"},
	"U0028": {says: "%s cannot use bus A"},
	"U0037": {says: "%s cannot use bus B"},
	"U0073": {says: "%s was cut off the bus (bus-off)"},
	"U0100": {unitEngine, saysLost},
	"U0101": {unitGearbox, saysLost},
	"U0102": {unit{name: "the transfer case"}, saysLost},
	"U0103": {unit{name: "the gear shift module"}, saysLost},
	"U0110": {unit{name: "the drive motor controller"}, saysLost},
	"U0121": {unitStability, saysLost},
	"U0122": {unit{"the vehicle dynamics controller", unitStability.words}, saysLost},
	"U0126": {unit{"the steering angle sensor", unitSteering.words}, saysLost},
	"U0129": {unitStability, saysLost},
	"U0131": {unitSteering, saysLost},
	"U0140": {unitBody, saysLost},
	"U0151": {unitRestraint, saysLost},
	"U0155": {unitCluster, saysLost},
	"U0159": {unit{name: "the parking assistance"}, saysLost},
	"U0164": {unitClimate, saysLost},
	"U0168": {unitSecurity, saysLost},
	"U0184": {unit{name: "the radio"}, saysLost},
	"U0401": {unitEngine, saysInvalid},
	"U0402": {unitGearbox, saysInvalid},
	"U0415": {unitStability, saysInvalid},
	"U0426": {unitSecurity, saysInvalid},
}

// failureMissing is the failure type "message missing" (service manuals of two
// makers).
const failureMissing = "87"

// network is what the number of a code stands for; empty when it is no network
// code, or one of the makers' own.
func (c *Code) network() network {
	base, _, _ := strings.Cut(c.Code, "-")
	return networks[base]
}

// Means says in our own words what a code tells about the network; "" when it
// is no network code, or one of the makers' own.
func (c *Code) Means() string {
	n := c.network()
	if n.says == "" {
		return ""
	}
	module := c.Module
	if module == "" {
		module = "a module"
	}
	text := fmt.Sprintf(n.says, module) + n.missed.name
	if _, failure, _ := strings.Cut(c.Code, "-"); failure == failureMissing {
		text += " (failure type: message missing)"
	}
	return text
}

// Missed returns the node of the setting whose messages the code is about; ""
// when it is about none.
func (c *Code) Missed(s *profiles.Setting) string {
	return c.network().missed.node(s)
}

// Listener returns the node of the setting that stored the code; "" when its
// name is not known.
func (c *Code) Listener(s *profiles.Setting) string {
	if c.Module == "" {
		return ""
	}
	for _, u := range units() {
		if u.named(c.Module) {
			if node := u.node(s); node != "" {
				return node
			}
		}
	}
	return nodeCalled(s, c.Module)
}
