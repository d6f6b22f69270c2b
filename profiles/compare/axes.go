package compare

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"plugproof/decode"
	"plugproof/profiles"
)

// maxAxes is how many coordinates a state has at most.
const maxAxes = 7 // the last is for marked stages

// Coordinates of a state that are no bin.
const (
	notYet   = 0 // its signal has not come in this stretch of the capture
	notKnown = 1 // it has not come for a while, or is not available
	firstBin = 2
)

// axis is an Axis as the collectors use it.
type axis struct {
	Axis
	message *messagePlan
	signal  *signalPlan
	edges   []float64 // of a quantity: bin i begins at edges[i-1]
	values  []uint64  // of a list: raw values, by bin
	role    profiles.Role
	replace bool // it comes from the replaced unit
	marked  bool // told by stages files beside the captures, not by frames
}

// bin returns the coordinate of a value.
func (a *axis) bin(v *decode.Value) uint8 {
	if a.edges == nil {
		for i, raw := range a.values {
			if v.Raw&a.signal.mask == raw {
				return uint8(firstBin + i)
			}
		}
		return notKnown
	}
	i := 0
	for i < len(a.edges) && v.Phys >= a.edges[i] {
		i++
	}
	return uint8(firstBin + i)
}

// wanted are the axes that a state may have, with the limits of their bins:
// stretches in which an engine behaves alike (common practice).
func wanted() []axis {
	return []axis{
		{Axis: Axis{Title: "key"}, role: profiles.Ignition},
		{Axis: Axis{Title: "supply voltage"}, role: profiles.Supply, edges: []float64{13.2}}, // above: the engine runs
		{Axis: Axis{Title: "gearbox input speed"}, role: profiles.InputSpeed, edges: []float64{300, 900, 1300, 2000, 3000, 4500}},
		{Axis: Axis{Title: "engine speed"}, role: profiles.EngineSpeed, edges: []float64{300, 900, 1300, 2000, 3000, 4500}},
		{Axis: Axis{Title: "vehicle speed"}, role: profiles.VehicleSpeed, edges: []float64{1, 20, 50, 80, 120}},
		{Axis: Axis{Title: "lever"}, role: profiles.Lever},
		{Axis: Axis{Title: "coolant"}, role: profiles.Coolant, edges: []float64{20, 40, 60, 80, 95, 105}},
	}
}

// markStages makes the stages marked beside both captures the last axis: nobody's
// frames are needed to tell them.
func (p *plan) markStages() {
	a := axis{Axis: Axis{Title: "stage"}, marked: true}
	for i, name := range profiles.StageNames() {
		a.Bins = append(a.Bins, Bin{Label: name, From: float64(i), To: float64(i)})
	}
	p.axes = append(p.axes, a)
}

// stageBin returns the coordinate of a stage.
func stageBin(name string) uint8 {
	if i := slices.Index(profiles.StageNames(), name); i >= 0 {
		return uint8(firstBin + i)
	}
	return notKnown
}

// findAxes decides by which signals states are told. The gearbox's input speed,
// which follows the engine, stands in for the engine speed where there is one:
// the engine computer's own word would be circular.
func (p *plan) findAxes() {
	for _, a := range wanted() {
		if a.role == profiles.EngineSpeed && p.has(profiles.InputSpeed) {
			continue
		}
		if a.message, a.signal = p.source(a.role); a.message == nil || len(p.axes) == maxAxes-1 {
			continue
		}
		if a.edges == nil && !a.list() {
			continue
		}
		message, sender := a.message.names()
		a.Signal = profiles.SignalRef(message + "." + a.signal.def.Name)
		a.Sender, a.Unit, a.replace = sender, a.signal.def.Unit, a.message.own
		a.Circled = a.replace || sender == ""
		a.describe()
		a.signal.axes = append(a.signal.axes, len(p.axes))
		a.message.axes = append(a.message.axes, len(p.axes))
		p.axes = append(p.axes, a)
	}
}

func (p *plan) has(role profiles.Role) bool {
	m, _ := p.source(role)
	return m != nil
}

// source returns the signal of a role: by the profile, else by its name.
func (p *plan) source(role profiles.Role) (*messagePlan, *signalPlan) {
	switch p.mode {
	case ByProfile:
		return p.find(p.setting.Roles[role])
	case ByDBC:
		return p.guess(role)
	}
	return nil, nil
}

// list takes the values of a list of states as bins, and reports whether it is one.
func (a *axis) list() bool {
	for _, v := range a.signal.def.Values {
		raw := uint64(v.Value) & a.signal.mask
		if !slices.Contains(a.signal.na, raw) && len(a.values) < 32 {
			a.values = append(a.values, raw)
			a.Bins = append(a.Bins, Bin{Label: v.Text, From: float64(v.Value), To: float64(v.Value)})
		}
	}
	return len(a.values) > 1
}

// describe words the bins of a quantity.
func (a *axis) describe() {
	number := func(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
	for i := 0; i <= len(a.edges) && a.edges != nil; i++ {
		b := Bin{From: math.Inf(-1), To: math.Inf(1)}
		if i > 0 {
			b.From = a.edges[i-1]
		}
		if i < len(a.edges) {
			b.To = a.edges[i]
		}
		switch {
		case i == 0:
			b.Label = "below " + number(b.To)
		case i == len(a.edges):
			b.Label = "from " + number(b.From)
		default:
			b.Label = number(b.From) + " to " + number(b.To)
		}
		if a.Unit != "" {
			b.Label += " " + a.Unit
		}
		a.Bins = append(a.Bins, b)
	}
}

// hints are how signals of a role are called in DBC files that nobody has
// described further: any of some words, none of others, and units.
type hints struct {
	any, none []string
	units     []string // empty: any unit
	bits      int      // least length
}

func roleHints(role profiles.Role) hints {
	switch role {
	case profiles.EngineSpeed:
		return hints{
			any:   []string{"enginespeed", "enginerpm", "engspeed", "engrpm", "rpm"},
			none:  []string{"target", "gradient", "turbine", "output", "input", "fan", "idle", "relay", "wheel", "lowres", "lres", "desired"},
			units: []string{"rpm", "1/min", "r/min", "min-1", "u/min", "upm"}, bits: 8,
		}
	case profiles.InputSpeed:
		return hints{any: []string{"turbinespeed", "inputspeed", "inputshaftspeed"}, units: []string{"rpm", "1/min", "r/min"}, bits: 8}
	case profiles.Coolant:
		return hints{any: []string{"coolant", "enginetemp"}, none: []string{"target", "desired", "fault", "valid", "relay"}, bits: 7}
	case profiles.VehicleSpeed:
		return hints{
			any: []string{"vehiclespeed", "carspeed", "vehspd"}, none: []string{"relay", "lres", "mod", "limit", "set"},
			units: []string{"km/h", "kph", "kmh", "mph"}, bits: 8,
		}
	case profiles.Lever:
		return hints{any: []string{"leverpos", "shifterpos", "gearselector", "selectorlever", "prnd"}, none: []string{"relay"}, bits: 2}
	case profiles.Ignition:
		return hints{any: []string{"ignition", "keystate", "keyposition"}, none: []string{"toggle", "count", "check"}, bits: 2}
	}
	return hints{}
}

// guess finds the signal that is called most plainly what a role is: by the order
// of the words, then by the shortest name.
func (p *plan) guess(role profiles.Role) (best *messagePlan, at *signalPlan) {
	h := roleHints(role)
	bestRank := math.MaxInt
	for _, m := range p.all() {
		for i := range m.signals {
			s := &m.signals[i]
			rank, ok := h.fit(s)
			if ok && rank < bestRank {
				best, at, bestRank = m, s, rank
			}
		}
	}
	return best, at
}

func (h *hints) fit(s *signalPlan) (rank int, ok bool) {
	name := strings.ToLower(strings.NewReplacer("_", "", "-", "", " ", "").Replace(s.def.Name))
	if s.skip || s.def.Length < h.bits || s.def.Switch != nil || slices.ContainsFunc(h.none, func(w string) bool { return strings.Contains(name, w) }) {
		return 0, false
	}
	if len(h.units) > 0 && !slices.Contains(h.units, strings.ToLower(s.def.Unit)) {
		return 0, false
	}
	word := slices.IndexFunc(h.any, func(w string) bool { return strings.Contains(name, w) })
	return word<<16 + len(name), word >= 0
}

// remarks say what the axes rest on.
func (j *judge) remarks() (notes []string) {
	marked := len(j.axes) > 0 && j.p.axes[j.axes[len(j.axes)-1]].marked
	switch {
	case j.p.mode == ByBits && marked:
		notes = append(notes, "without definitions the state of the car is known by the marked stages alone")
	case j.p.mode == ByBits:
		notes = append(notes, "without definitions nobody knows in which state the car was: values are shown, and judged only where that does not matter")
	case len(j.axes) == 0:
		notes = append(notes, "nothing that came tells engine speed, coolant or lever: values are not matched by state")
	}
	for _, i := range j.axes {
		a := &j.p.axes[i]
		switch {
		case a.marked:
		case a.replace:
			notes = append(notes, fmt.Sprintf("only the replaced unit itself gives the %s (%s): what it sends is not failed by states told so", a.Title, a.Signal))
		case a.Sender == "":
			notes = append(notes, fmt.Sprintf("nobody says which unit sends the %s (%s): nothing is failed by states told so", a.Title, a.Signal))
		}
	}
	if !j.starts() {
		notes = append(notes, "neither the turn of the key nor the waking of a bus is seen in both captures: starts are not compared")
	}
	return notes
}

// starts reports whether both captures hold the key-on, or the waking of a bus.
func (j *judge) starts() bool {
	for bus := range j.before.ends {
		if _, ok := j.started(&subject{Message: &Message{Bus: bus}}); ok {
			return true
		}
	}
	return false
}
