package identify

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"plugproof/profiles"
)

// score is what the items of some identifiers say of each setting.
type score struct {
	plan    *Plan
	items   []item
	modules []string
	loss    []map[string]float64 // by setting, then module: ln odds against it, capped
	total   []float64            // by setting, over the modules and the buses
	rates   []rateItem
}

// addRates takes the bit rates of the buses into account.
func (r *score) addRates(rates []rateItem) {
	r.rates = rates
	for i := range rates {
		for n, s := range r.plan.settings {
			r.total[n] += rates[i].against(s)
		}
	}
}

// judgeKeys scores every setting by the identifiers that are let through.
func (sc *scene) judgeKeys(through func(*keyPlan) bool) *score {
	r := &score{plan: sc.plan, total: make([]float64, len(sc.plan.settings))}
	has := make([]map[string]bool, len(sc.plan.settings)) // by setting: modules that it has
	for i := range has {
		has[i] = map[string]bool{}
	}
	modules := map[string]bool{}
	for _, k := range sc.plan.keys {
		if !through(k) {
			continue
		}
		r.items = append(r.items, sc.items(k)...)
		modules[k.sender] = true
		for i, n := range k.of {
			if n != 0 {
				has[i][k.sender] = true
			}
		}
	}
	r.modules = slices.Sorted(maps.Keys(modules))
	for i := range sc.plan.settings {
		r.loss = append(r.loss, r.weigh(i, has[i]))
		for _, module := range r.modules {
			r.total[i] += r.loss[i][module]
		}
	}
	return r
}

// ruleOut takes settings that leave too many of the foreign frames unexplained out
// of the running: for none of them the verdict could be anything but "none fits".
func (r *score) ruleOut(shares []float64, foreign uint64) {
	for i, share := range shares {
		if foreign > 0 && share < leastExplained {
			r.total[i] += math.Log(MaxOdds)
		}
	}
}

// weigh adds up what speaks against one setting, by module: the strongest piece
// of each group, the best few groups of each sender.
func (r *score) weigh(setting int, has map[string]bool) map[string]float64 {
	type group struct{ module, bus, name string }
	strongest := map[group]float64{}
	for i := range r.items {
		it := &r.items[i]
		loss := it.against(setting)
		if loss == 0 {
			continue
		}
		g := group{it.key.sender, it.key.bus, it.key.message + " " + it.key.id.String() + " " + it.group}
		if it.group == "module" || it.what == "sent" && !has[it.key.sender] {
			g = group{module: it.key.sender} // fitted or not: one fact, however many messages
		}
		strongest[g] = max(strongest[g], loss)
	}
	byModule := map[string][]float64{}
	for g, loss := range strongest {
		byModule[g.module] = append(byModule[g.module], loss)
	}
	sum := map[string]float64{}
	for module, list := range byModule {
		slices.SortFunc(list, func(a, b float64) int { return cmp.Compare(b, a) })
		for _, loss := range list[:min(len(list), bestPerSender)] {
			sum[module] += loss
		}
	}
	return sum
}

// against returns the ln of the odds against a setting.
func (it *item) against(setting int) float64 {
	if it.missing != "" {
		return 0
	}
	return it.loss[it.key.of[setting]]
}

// speaksAgainst counts the settings that the item contradicts.
func (it *item) speaksAgainst(settings int) (n int) {
	if it.missing != "" || slices.Max(it.loss) == 0 {
		return 0
	}
	for i := range settings {
		if it.against(i) > 0 {
			n++
		}
	}
	return n
}

// seen counts the independent discriminators in favour of a setting, and the
// modules that they come from.
func (r *score) seen(setting int) (n, modules int) {
	groups := map[string]map[string]bool{}
	for i := range r.items {
		it := &r.items[i]
		if it.against(setting) > 0 || it.speaksAgainst(len(r.plan.settings)) == 0 {
			continue
		}
		if groups[it.key.sender] == nil {
			groups[it.key.sender] = map[string]bool{}
		}
		name := it.key.message + " " + it.group
		switch it.group {
		case "module":
			name = "module"
		case "sent", "form", "pace":
			name = it.key.message
		}
		groups[it.key.sender][name] = true
	}
	for _, g := range groups {
		n += min(len(g), bestPerSender)
	}
	for _, p := range r.ratePieces(setting) {
		if p.Outcome == Supports {
			n++
		}
	}
	return n, len(groups)
}

// unread reports whether a setting states a configuration field, or a message with
// one, that the capture was too short to show and that tells settings apart.
func (r *score) unread(setting int) bool {
	for i := range r.items {
		it := &r.items[i]
		f := &it.key.kinds[it.key.of[setting]]
		switch {
		case !f.sent || len(f.constants) == 0 || !it.couldTell():
		case it.missing == tooShort && it.what == "sent", it.missing == oneFrame, it.missing == fewValues:
			return true
		}
	}
	return false
}

// pieces lists the items that tell settings apart, as they stand to one setting.
func (r *score) pieces(setting int) []Piece {
	list := append([]Piece{}, r.ratePieces(setting)...)
	for i := range r.items {
		it := &r.items[i]
		k := it.key
		f := &k.kinds[k.of[setting]]
		against := it.speaksAgainst(len(r.plan.settings))
		p := Piece{
			Outcome: Supports, Module: k.sender, Message: k.message, Bus: k.bus, ID: k.id.String(), What: it.what,
			Says: it.says(f), Shown: it.shown, Odds: 1, Against: against,
		}
		switch loss := it.against(setting); {
		case it.missing != "":
			if it.missing == answered || !it.couldTell() {
				continue
			}
			p.Outcome, p.Shown, p.Against = NotTestable, it.missing, 0
		case loss > 0:
			p.Outcome, p.Odds = Contradicts, odds(loss)
		case against == 0:
			continue
		default:
			p.Odds = odds(slices.Max(it.loss))
		}
		list = append(list, p)
	}
	rank := map[Outcome]int{Supports: 0, Contradicts: 1, NotTestable: 2}
	slices.SortStableFunc(list, func(a, b Piece) int {
		return cmp.Or(cmp.Compare(rank[a.Outcome], rank[b.Outcome]), cmp.Compare(a.Module, b.Module))
	})
	return list
}

// couldTell reports whether settings say different things of an item.
func (it *item) couldTell() bool {
	said := map[string]bool{}
	for _, n := range it.key.of {
		said[it.says(&it.key.kinds[n])] = true
		if len(said) > 1 {
			return true
		}
	}
	return false
}

// odds turns a logarithm into odds, bounded and with three digits.
func odds(ln float64) float64 {
	if ln >= math.Log(MaxOdds) {
		return MaxOdds
	}
	o := math.Exp(ln)
	unit := math.Pow(10, math.Floor(math.Log10(o))-2)
	return math.Round(o/unit) * unit
}

// explained returns, by setting, the share of the foreign frames that it has.
func (sc *scene) explained() (shares []float64, foreign uint64) {
	known := map[*stream]*keyPlan{}
	for _, k := range sc.plan.keys {
		if s := sc.stream(k); s != nil {
			known[s] = k
		}
	}
	frames := make([]uint64, len(sc.plan.settings))
	for _, streams := range sc.streams {
		for id, s := range streams {
			k := known[s]
			if k != nil && k.echo != own || k == nil && diagnostic(id) {
				continue
			}
			foreign += s.frames
			if k == nil {
				continue
			}
			fits := lengthFits(k, s)
			for i, n := range k.of {
				if k.option || n != 0 && fits[n] {
					frames[i] += s.frames
				}
			}
		}
	}
	shares = make([]float64, len(frames))
	for i, n := range frames {
		shares[i] = float64(n) / float64(max(1, foreign))
	}
	return shares, foreign
}

// diagnostic reports whether an identifier is a tester's or an answer to it
// (ISO 15765-4): neither says which car it is.
func diagnostic(id profiles.ID) bool {
	if id.Extended {
		high := id.Value >> 16
		return high == 0x18DA || high == 0x18DB
	}
	return id.Value == 0x7DF || id.Value >= 0x7E0 && id.Value <= 0x7EF
}
