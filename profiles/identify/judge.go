package identify

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"plugproof/profiles"
)

// unsatisfied is the ln of the odds from which on a module says that a setting is
// not its own: more than one message that did not come.
var unsatisfied = math.Log(48)

// Judge says what the collected capture tells of the car. The collector may go on
// collecting afterwards. The error says which bus of Input.Map there is not.
func (p *Plan) Judge(c *Collector, in Input) (*Result, error) {
	sc := &scene{plan: p, in: in}
	res := &Result{ReadOff: []string{}, Unserved: []string{}, Notes: []string{}}
	var err error
	if res.Interfaces, err = sc.findBuses(c); err != nil {
		return nil, err
	}
	sc.findRates(c.buses, res.Interfaces)
	sc.measure()
	car := sc.judgeKeys((*keyPlan).evident)
	car.addRates(sc.rates)
	shares, foreign := sc.explained()
	res.Foreign = foreign
	car.ruleOut(shares, foreign)
	ranked := p.rank(car)
	sc.verdict(res, car, ranked, shares)
	for _, r := range ranked {
		res.Ranked = append(res.Ranked, Ranked{
			Settings: p.names(r.members), Odds: odds(r.loss - ranked[0].loss), Explained: shares[r.members[0]],
		})
	}
	sc.modules(res, car)
	sc.recommend(res)
	sc.ecu(res)
	sc.readOff(res)
	res.Step = sc.next(res, car)
	res.Evidence = car.pieces(p.index(res.Settings[0]))
	return res, nil
}

// class is a class of settings with what speaks against it.
type class struct {
	members []int
	loss    float64
}

// rank sorts the classes, the best first.
func (p *Plan) rank(r *score) []class {
	var list []class
	for _, members := range p.classes {
		list = append(list, class{members, r.total[members[0]]})
	}
	slices.SortStableFunc(list, func(a, b class) int { return cmp.Compare(a.loss, b.loss) })
	return list
}

// verdict finds the word for the whole car, and the settings that it is said of.
func (sc *scene) verdict(res *Result, car *score, ranked []class, shares []float64) {
	best := ranked[0]
	first := best.members[0]
	res.Explained = shares[first]
	var modules int
	res.Seen, modules = car.seen(first)
	for i, c := range ranked {
		if gap := c.loss - best.loss; i == 0 || gap < math.Log(likelyOdds)-1e-9 {
			res.Settings = append(res.Settings, sc.plan.names(c.members)...)
			continue
		}
		res.Next, res.Odds = sc.plan.settings[c.members[0]].Name, odds(c.loss-best.loss)
		break
	}
	tied := len(res.Settings) > 1
	res.SameOnBus = tied && len(res.Settings) == len(best.members)
	if res.Next == "" {
		res.Odds = 1
		if !tied {
			res.Odds = MaxOdds // a library of one: nothing to be mistaken for
		}
	}
	slices.Sort(res.Settings)
	worst := 0.0
	for _, loss := range car.loss[first] {
		worst = max(worst, loss)
	}
	for i := range sc.rates {
		worst = max(worst, sc.rates[i].against(sc.plan.settings[first]))
	}
	switch {
	case res.Foreign > 0 && res.Explained < leastExplained, worst > unsatisfied, len(sc.recorded) == 0 && len(res.Interfaces) > 0:
		res.Verdict = NoneFits
	case tied, res.Seen == 0:
		res.Verdict = Tie
	case best.loss == 0 && res.Odds >= identifiedOdds && res.Seen >= leastSeen && modules > 1 && !car.unread(first):
		// One module alone tells which module it is, not which car. What the car
		// says of its configuration is heard first: it may be that of no setting on
		// file.
		res.Verdict = Identified
	default:
		res.Verdict = Likely
	}
}

// findBuses finds the bus of the library that each interface stands for: as
// given, else that of its name, else the one that has most of its identifiers.
func (sc *scene) findBuses(c *Collector) ([]Interface, error) {
	known := map[string]map[profiles.ID]bool{}
	for _, k := range sc.plan.keys {
		if known[k.bus] == nil {
			known[k.bus] = map[profiles.ID]bool{}
		}
		known[k.bus][k.id] = true
	}
	names := slices.Sorted(maps.Keys(known))
	for _, name := range slices.Sorted(maps.Keys(sc.in.Map)) {
		if known[sc.in.Map[name]] == nil {
			return nil, fmt.Errorf("no setting has a bus %q: there are %s", sc.in.Map[name], strings.Join(names, ", "))
		}
	}
	sc.streams, sc.recorded = map[string]map[profiles.ID]*stream{}, map[string]bool{}
	list := []Interface{}
	ports := map[string]*port{}
	for i, port := range c.ports {
		if port != nil {
			name := c.buses.Name(uint16(i))
			ports[name] = port
			list = append(list, Interface{Name: name})
		}
	}
	slices.SortFunc(list, func(a, b Interface) int { return cmp.Compare(a.Name, b.Name) })
	taken := map[string]bool{}
	for i := range list {
		in := &list[i]
		switch {
		case sc.in.Map[in.Name] != "":
			in.Bus, in.How = sc.in.Map[in.Name], "given"
		case known[in.Name] != nil && 2*ports[in.Name].hits(known[in.Name]) >= ports[in.Name].frames:
			in.Bus, in.How = in.Name, "same name"
		}
		taken[in.Bus] = true
	}
	for i := range list {
		in := &list[i]
		if in.Bus == "" {
			in.Bus, in.How = placeFor(in.Name, ports[in.Name], known, taken)
			taken[in.Bus] = true
		}
		sc.record(ports[in.Name], in.Bus)
	}
	return list, nil
}

// placeFor finds the bus of an interface that none of its name has the identifiers
// of: the free bus that has most, else the one of its name after all.
func placeFor(name string, p *port, known map[string]map[profiles.ID]bool, taken map[string]bool) (bus, how string) {
	if bus = fitting(p, known, taken); bus != "" {
		return bus, "identifiers"
	}
	if known[name] != nil && !taken[name] {
		return name, "same name"
	}
	return "", "fits nowhere"
}

// hits counts the frames of an interface that have one of some identifiers.
func (p *port) hits(known map[profiles.ID]bool) (n uint64) {
	for _, s := range p.streams {
		if known[s.id] {
			n += s.frames
		}
	}
	return n
}

// fitting returns the free bus that has at least half of an interface's frames.
func fitting(p *port, known map[string]map[profiles.ID]bool, taken map[string]bool) (best string) {
	most := uint64(0)
	for _, bus := range slices.Sorted(maps.Keys(known)) {
		hits := p.hits(known[bus])
		if !taken[bus] && hits > most && 2*hits >= p.frames {
			best, most = bus, hits
		}
	}
	return best
}

// record files the streams of an interface under its bus.
func (sc *scene) record(p *port, bus string) {
	if bus == "" {
		return
	}
	if sc.streams[bus] == nil {
		sc.streams[bus], sc.recorded[bus] = map[profiles.ID]*stream{}, true
	}
	for _, s := range p.streams {
		// Where two interfaces recorded one bus, the fuller record counts.
		if have := sc.streams[bus][s.id]; have == nil || have.frames < s.frames {
			sc.streams[bus][s.id] = s
		}
	}
}

// ecu scores the replaced unit's own frames, apart from the car.
func (sc *scene) ecu(res *Result) {
	if sc.ecuSeen == 0 {
		return
	}
	if sc.in.ECU == Out {
		res.Notes = append(res.Notes, fmt.Sprintf(
			"the engine computer is said to be out, and %d frames have its identifiers: they are scored apart", sc.ecuSeen))
	}
	own := sc.judgeKeys(func(k *keyPlan) bool { return k.echo == ofECU && !k.option })
	least := slices.Min(own.total)
	next := math.Inf(1)
	says := &ECUSays{Is: sc.in.ECU, Frames: sc.ecuSeen, Settings: []string{}}
	for i, s := range sc.plan.settings {
		if gap := own.total[i] - least; gap < math.Log(likelyOdds)-1e-9 {
			says.Settings = append(says.Settings, s.Name)
		} else {
			next = min(next, gap)
		}
	}
	slices.Sort(says.Settings)
	says.Odds = 1
	if len(says.Settings) < len(sc.plan.settings) {
		says.Odds = odds(next)
	}
	res.ECU = says
	car := res.Settings
	if res.Conversion {
		car = res.Network
	}
	res.Disagree = !slices.ContainsFunc(says.Settings, func(name string) bool { return slices.Contains(car, name) })
}

func (p *Plan) index(name string) int {
	return slices.IndexFunc(p.settings, func(s *car) bool { return s.Name == name })
}
