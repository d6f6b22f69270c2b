package identify

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
)

// modules says of each module what it asks for.
func (sc *scene) modules(res *Result, car *score) {
	res.Modules = []Module{}
	order := sc.consequence()
	names := slices.Clone(car.modules)
	slices.SortStableFunc(names, func(a, b string) int { return cmp.Compare(rankIn(order, a), rankIn(order, b)) })
	for _, name := range names {
		res.Modules = append(res.Modules, sc.module(name, car))
	}
}

func rankIn(order []string, name string) int {
	if n := slices.Index(order, name); n >= 0 {
		return n
	}
	return len(order)
}

// consequence orders the listeners that a customer must not lose: the cluster
// (shows the malfunction lamp), stability control (measures the wheels), the
// gearbox (has the lever), each as the roles of the settings name them.
func (sc *scene) consequence() (order []string) {
	add := func(name string) {
		if name != "" && !slices.Contains(order, name) {
			order = append(order, name)
		}
	}
	for _, s := range sc.plan.settings {
		for _, name := range s.shows {
			add(name)
		}
	}
	for _, s := range sc.plan.settings {
		add(s.wheels)
	}
	for _, s := range sc.plan.settings {
		add(s.lever)
	}
	return order
}

// module scores the settings by one module alone.
func (sc *scene) module(name string, car *score) Module {
	m := Module{Name: name, State: sc.state(name, car), Settings: []string{}, Odds: 1, Says: "not testable"}
	for _, s := range sc.plan.settings {
		m.Title = cmp.Or(m.Title, s.titles[name])
	}
	least, next := math.Inf(1), math.Inf(1)
	for i := range sc.plan.settings {
		least = min(least, car.loss[i][name])
	}
	var fitting []int
	for i := range sc.plan.settings {
		if gap := car.loss[i][name] - least; gap < math.Log(likelyOdds)-1e-9 {
			fitting = append(fitting, i)
		} else {
			next = min(next, gap)
		}
	}
	m.Settings, m.Fits = sc.plan.names(fitting), least <= unsatisfied
	if len(fitting) < len(sc.plan.settings) {
		m.Odds = odds(next)
	}
	switch {
	case m.State == Absent:
		m.Says = "absent"
	case m.State == Present && len(fitting) == len(sc.plan.settings):
		m.Says = "the same in every setting, as far as seen"
	case m.State == Present:
		m.Says = sc.plan.inCommon(fitting)
	}
	if !m.Fits {
		m.Says = "no setting of the library; nearest: " + m.Says
	}
	return m
}

// state says whether a module is there, as far as the capture can tell.
func (sc *scene) state(name string, car *score) State {
	if sc.seen[name] {
		return Present
	}
	for i := range car.items {
		if it := &car.items[i]; it.key.sender == name && it.what == "sent" && it.missing == "" {
			return Absent
		}
	}
	return NotTested
}

// inCommon describes settings by what they share and others of the library do not
// have: one or two values of a trait.
func (p *Plan) inCommon(of []int) string {
	var words []string
	for _, t := range traits {
		if t.plug {
			continue // no module knows the loom
		}
		theirs, all := map[string]bool{}, map[string]bool{}
		for i, s := range p.settings {
			all[t.of(s)] = true
			if slices.Contains(of, i) {
				theirs[t.of(s)] = true
			}
		}
		if len(theirs) < min(3, len(all)) && !theirs[""] {
			words = append(words, t.prefix+strings.Join(slices.Sorted(maps.Keys(theirs)), " or "))
		}
	}
	if words == nil {
		return fmt.Sprintf("one of %d settings", len(of))
	}
	return strings.Join(words, ", ")
}

// trait is something that the identity of a setting states.
type trait struct {
	prefix string
	of     func(*car) string
	read   string // where a person reads it off the car
	plug   bool   // of the loom, not of the network
}

var traits = []trait{
	{"series ", func(s *car) string { return s.Identity.Series }, "the build plate and build date (series %s)", false},
	{"", func(s *car) string { return s.Identity.Engine }, "the engine number or the build plate (engine %s)", false},
	{"", func(s *car) string { return s.Identity.Gearbox }, "the gearbox code on its housing (%s)", false},
	{"loom ", func(s *car) string { return s.Settings.Loom }, "a photo of the engine computer's plug (loom %s)", true},
}

// recommend finds the network setting that the listeners to keep alive ask for,
// in order of consequence, and the loom that belongs to it.
func (sc *scene) recommend(res *Result) {
	left := make([]string, 0, len(sc.plan.settings))
	for _, s := range sc.plan.settings {
		left = append(left, s.Name)
	}
	narrow := func(m *Module) bool {
		var kept []string
		for _, name := range left {
			if slices.Contains(m.Settings, name) {
				kept = append(kept, name)
			}
		}
		if len(kept) == 0 || !m.Fits {
			return false
		}
		left = kept
		return true
	}
	for i := range res.Modules {
		if m := &res.Modules[i]; m.State == Present && !narrow(m) {
			res.Unserved = append(res.Unserved, m.Name)
		}
	}
	for i := range res.Modules {
		if m := &res.Modules[i]; m.State == Absent {
			narrow(m) // nobody to keep alive; still a hint
		}
	}
	res.Conversion = len(res.Unserved) > 0
	if !res.Conversion {
		left = res.Settings
	}
	for _, name := range left {
		s := sc.plan.settings[sc.plan.index(name)]
		res.Network = append(res.Network, cmp.Or(s.Settings.Network, s.Name))
		if s.Settings.Loom != "" {
			res.Loom = append(res.Loom, s.Settings.Loom)
		}
	}
	for _, list := range []*[]string{&res.Network, &res.Loom} {
		slices.Sort(*list)
		*list = slices.Compact(*list)
	}
}
