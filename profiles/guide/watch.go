package guide

import (
	"math"
	"slices"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/profiles"
)

// gauge follows one signal during a step.
type gauge struct {
	signal   *decode.Signal
	seen     bool
	min, max float64
	now      float64
	high     bool // above three quarters of what it spanned, or pressed
	sweeps   int  // times that it went up and came down again
	values   map[int64]bool
}

// maxValues bounds what is kept of a signal with many values.
const maxValues = 64

func (g *gauge) reset() {
	*g = gauge{signal: g.signal, values: map[int64]bool{}}
}

// take follows one value. up and down are where a sweep begins and ends.
func (g *gauge) take(v decode.Value) {
	if g.signal.Label(v.Raw) == notAvailable {
		return
	}
	if !g.seen {
		g.min, g.max = v.Phys, v.Phys
	}
	g.seen, g.now = true, v.Phys
	g.min, g.max = math.Min(g.min, v.Phys), math.Max(g.max, v.Phys)
	if len(g.values) < maxValues {
		g.values[int64(v.Raw)] = true
	}
	up, down := g.bounds()
	switch {
	case !g.high && v.Phys >= up:
		g.high = true
	case g.high && v.Phys <= down:
		g.high = false
		g.sweeps++
	}
}

// bounds are where a signal counts as up, and as down again: three quarters and
// one quarter of a pedal's way; 1 and 0 of a switch.
func (g *gauge) bounds() (up, down float64) {
	if g.signal.Def.Length <= 2 {
		return 1, 0
	}
	return 75, 25
}

// notAvailable is the text of the value that stands for none.
const notAvailable = "NotAvailable"

// span is how far the signal went.
func (g *gauge) span() float64 {
	if g == nil || !g.seen {
		return 0
	}
	return g.max - g.min
}

// watch follows the signals that the script asks for, and the bus.
type watch struct {
	gauges map[profiles.Role]*gauge
	byID   map[key][]*gauge
	buses  func(uint16) string
	cyclic map[key]string // messages that come on their own: name by identifier
	came   map[key]bool
	frames uint64 // in this step
	errors uint64
	quiet  time.Duration // since the last frame
	slept  bool          // the bus was silent for a while and then spoke, or is silent now
}

// key is an identifier on a bus.
type key struct {
	bus string
	id  profiles.ID
}

func newWatch(o Options) *watch {
	w := &watch{
		gauges: map[profiles.Role]*gauge{}, byID: map[key][]*gauge{}, buses: o.Buses,
		cyclic: map[key]string{}, came: map[key]bool{},
	}
	if o.Setting == nil {
		return w
	}
	for _, role := range watched {
		ref, ok := o.Setting.Roles[role]
		if !ok {
			continue
		}
		m, def := o.Setting.Signal(ref)
		if m == nil || def == nil || m.Def == nil || !m.Expected || len(o.On) > 0 && !slices.Contains(o.On, m.Bus) {
			continue
		}
		decoder, _ := decode.NewDecoder([]decode.Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{m.Def}}}})
		g := &gauge{signal: decoder.Bus("").Message(m.Def.Name).Signal(def.Name)}
		g.reset()
		at := key{m.Bus, m.ID}
		w.gauges[role] = g
		w.byID[at] = append(w.byID[at], g)
	}
	for _, m := range o.Setting.Messages {
		const slow = 5 * time.Second
		here := len(o.On) == 0 || slices.Contains(o.On, m.Bus)
		if here && m.Expected && !m.Option && m.Cycle.Value > 0 && m.Cycle.Value <= slow {
			w.cyclic[key{m.Bus, m.ID}] = m.Name
		}
	}
	return w
}

// watched are the roles that the script asks for.
var watched = []profiles.Role{
	profiles.EngineSpeed, profiles.Coolant, profiles.VehicleSpeed, profiles.Pedal, profiles.Ignition,
	profiles.Brake, profiles.Clutch, profiles.Lever, profiles.AirconAsked, profiles.CruiseSwitch,
}

// reset begins a step.
func (w *watch) reset() {
	for _, g := range w.gauges {
		g.reset()
	}
	clear(w.came)
	w.frames, w.errors, w.slept, w.quiet = 0, 0, false, 0
}

// frame takes one frame.
func (w *watch) frame(f *can.Frame) {
	if f.Is(can.Error) {
		w.errors++
		return
	}
	const silence = time.Second
	if w.quiet >= silence {
		w.slept = true
	}
	w.quiet = 0
	w.frames++
	at := key{w.buses(f.Bus), profiles.ID{Value: f.ID, Extended: f.Is(can.Extended)}}
	if w.cyclic[at] != "" {
		w.came[at] = true
	}
	for _, g := range w.byID[at] {
		if v, ok := g.signal.Read(f); ok {
			g.take(v)
		}
	}
}

// absent lists the cyclic messages that have not come.
func (w *watch) absent() []string {
	var names []string
	for at, name := range w.cyclic {
		if !w.came[at] {
			names = append(names, name)
		}
	}
	return names
}
