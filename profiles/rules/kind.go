package rules

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// kindRules ask whether the units of the car, its gearbox and the series of the
// setting belong together, by which messages there are.
func kindRules() []Rule {
	return []Rule{
		{"variant/mixed-series", "some modules happy, some not", judgeMixed},
		{"variant/no-gearbox", "malfunction lamp for a lost gearbox, gear display flashing, no cruise control", judgeNoGearbox},
		{"variant/gearbox-unexpected", "the emergency program from the first drive", judgeGearbox},
		{"variant/neighbour-series", "temperature at its hot stop, tachometer dead", judgeNeighbour},
	}
}

// Limits of the variant rules, common practice.
const (
	explains     = 0.9  // of a unit's identifiers: the setting has that unit
	leastIDs     = 2    // of a unit, to know it by
	leastSeen    = 10   // frames of an identifier that is really sent
	noGearboxFor = 30e9 // ns with the key on and no frame of the gearbox
	leastGauges  = 2    // that are wrong together
)

// seenID is an identifier with its length, as one bus of the car has it.
type seenID struct {
	bus    string
	id     profiles.ID
	length int
}

// sent lists what the capture shows to be sent, by identifier.
func (c *Case) sent() map[seenID]*evidence.Stream {
	all := map[seenID]*evidence.Stream{}
	add := func(s *evidence.Stream) {
		if s != nil && s.Bus.Facts != nil && s.Frames >= leastSeen {
			all[seenID{s.Bus.Facts.Name, s.ID, s.Length()}] = s
		}
	}
	for _, m := range c.Evidence.Messages {
		add(m.Stream)
	}
	for _, s := range c.Evidence.Others {
		add(s)
	}
	return all
}

// unitIDs lists what the units of a setting send of their own, by unit; the
// replaced one and copies of its values are left out: they show what was chosen.
func unitIDs(s *profiles.Setting) map[string]map[seenID]bool {
	units := map[string]map[seenID]bool{}
	for _, m := range s.Messages {
		if m.Sender == "" || m.Sender == s.Replaced || m.Relayed || !m.Expected || m.Option || m.Length.Value == 0 || m.Cycle.Value == 0 {
			continue
		}
		if units[m.Sender] == nil {
			units[m.Sender] = map[seenID]bool{}
		}
		units[m.Sender][seenID{m.Bus, m.ID, m.Length.Value}] = true
	}
	return units
}

// fitting lists for each unit of the car the settings that explain what it
// sends: of everything seen that any setting knows to be that unit's.
func (c *Case) fitting(settings []*profiles.Setting) (fit map[string][]*profiles.Setting) {
	sent := c.sent()
	owned := map[string]map[seenID]bool{} // seen, by unit
	units := map[*profiles.Setting]map[string]map[seenID]bool{}
	for _, s := range settings {
		units[s] = unitIDs(s)
		for unit, ids := range units[s] {
			for id := range ids {
				if sent[id] == nil {
					continue
				}
				if owned[unit] == nil {
					owned[unit] = map[seenID]bool{}
				}
				owned[unit][id] = true
			}
		}
	}
	fit = map[string][]*profiles.Setting{}
	for unit, ids := range owned {
		if len(ids) < leastIDs {
			continue
		}
		fit[unit] = []*profiles.Setting{}
		for _, s := range settings {
			n := 0
			for id := range ids {
				if units[s][unit][id] {
					n++
				}
			}
			if float64(n) >= explains*float64(len(ids)) {
				fit[unit] = append(fit[unit], s)
			}
		}
	}
	return fit
}

// strange reports whether anything is sent that the setting does not expect, or
// not of that length. Where nothing is, other settings need not be asked: they
// have to be read first, which takes longer than all the rest of a short capture.
func (c *Case) strange() bool {
	expected := map[seenID]bool{}
	for _, m := range c.Setting.Messages {
		if m.Expected {
			expected[seenID{m.Bus, m.ID, m.Length.Value}] = true
		}
	}
	for id := range c.sent() {
		if !expected[id] {
			return true
		}
	}
	return false
}

// judgeMixed finds cars whose units are of different settings: no single one
// explains them all, but each has one of its own.
func judgeMixed(c *Case, r *Results) {
	if unjudgeable(r) || c.Scope != Car || !c.strange() {
		return
	}
	others := c.others()
	if len(others) == 0 {
		return
	}
	fit := c.fitting(append([]*profiles.Setting{c.Setting}, others...))
	var odd []string
	common := append([]*profiles.Setting{c.Setting}, others...)
	for _, unit := range slices.Sorted(maps.Keys(fit)) {
		if len(fit[unit]) == 0 {
			return // a unit of no setting on file: another matter
		}
		common = slices.DeleteFunc(common, func(s *profiles.Setting) bool { return !slices.Contains(fit[unit], s) })
		if !slices.Contains(fit[unit], c.Setting) {
			odd = append(odd, unit)
		}
	}
	if len(odd) == 0 || len(common) > 0 {
		return // this setting explains them all, or another one does
	}
	for _, unit := range odd {
		f := Finding{Rule: "variant/mixed-series", Verdict: Fail, Sender: unit}
		f.Text = fmt.Sprintf("the %s is not of this setting: what it sends is that of %s, while other units fit %s",
			c.titleOf(unit), listSettings(fit[unit]), c.Setting.Name)
		if n := r.setAside(unit); n > 0 {
			f.Text += fmt.Sprintf("; %d findings about its messages follow from that and are set aside", n)
		}
		f.NextStep = "a conversion: set the network for the units that are to be kept alive (cluster, stability control, gearbox), and judge each module by its own setting (identify)"
		if s := c.oddStream(unit); s != nil {
			f.Example = c.example(&s.FirstFrame)
			f.FirstTime, f.HasTime = s.First, true
		}
		f.Count = 1
		r.Add(f)
	}
}

// oddStream returns one of the streams by which a unit is not of the setting: a
// message of it that has another length, nil where there is none.
func (c *Case) oddStream(unit string) *evidence.Stream {
	for _, m := range c.Setting.Messages {
		s := c.Evidence.Messages[m.Name].Stream
		if m.Sender == unit && s != nil && s.Frames >= leastSeen && s.Length() != m.Length.Value {
			return s
		}
	}
	return nil
}

// setAside takes back the findings about the messages of a unit and counts them.
func (r *Results) setAside(unit string) (n int) {
	r.Findings = slices.DeleteFunc(r.Findings, func(f Finding) bool {
		follows := f.Sender == unit && f.Verdict >= Review && !strings.HasPrefix(f.Rule, "listener/") && !strings.HasPrefix(f.Rule, "capture/")
		if follows {
			n++
		}
		return follows
	})
	return n
}

// listSettings names a few settings.
func listSettings(list []*profiles.Setting) string {
	names := make([]string, len(list))
	for i, s := range list {
		names[i] = s.Name
	}
	slices.Sort(names)
	if len(names) > mostNamed {
		names = append(names[:mostNamed-1], fmt.Sprintf("%d more", len(names)-mostNamed+1))
	}
	return strings.Join(names, ", ")
}

// judgeNoGearbox finds an automatic setting in a car without a gearbox controller.
func judgeNoGearbox(c *Case, r *Results) {
	node := c.Setting.Nodes[c.Setting.Automatic]
	if node == nil || !node.IsFitted() || unjudgeable(r) || c.Scope != Car {
		return
	}
	var one *profiles.MessageFacts
	for _, m := range c.Setting.Messages {
		if m.Sender != c.Setting.Automatic || !m.Expected {
			continue
		}
		if c.Evidence.Messages[m.Name].Seen() > 0 || c.Baseline != nil && c.Baseline.Messages[m.Name].Seen() > 0 || !c.recorded(m.Bus) {
			return // it is there, or was: it has fallen silent
		}
		one = m
	}
	if one == nil {
		return
	}
	w := c.awake(one.Name)
	waited := w.end - w.settled(profiles.DefaultGrace) - c.broken(one.Name, w.settled(profiles.DefaultGrace), w.end)
	if waited < noGearboxFor {
		return
	}
	f := Finding{Rule: "variant/no-gearbox", Verdict: Review, Sender: c.Setting.Automatic, Bus: one.Bus, Count: 1}
	f.Text = fmt.Sprintf("the setting has an automatic gearbox, but no message of it came in %.0f s", float64(waited)/1e9)
	f.NextStep = "confirm the gearbox controller's supply: in an emergency program it may be silent; if the car is a manual, choose the manual setting"
	if c.Baseline != nil {
		f.Verdict = Fail
		f.Text += ", nor in the baseline: this car has none"
		f.NextStep = "choose the manual setting in the new ECU; the cluster, stability control and immobiliser may have to be coded for it as well"
		r.withdrawSender("message/sender-silent", c.Setting.Automatic)
	}
	f.Functions = c.endingAt(c.Setting.Automatic, "")
	r.Add(f.measured(float64(waited)/1e9, noGearboxFor/1e9, "s", CommonPractice))
}

// judgeGearbox finds a manual setting in a car with a gearbox controller.
func judgeGearbox(c *Case, r *Results) {
	node := c.Setting.Nodes[c.Setting.Automatic]
	if node == nil || node.IsFitted() || unjudgeable(r) || c.Scope == ECUOnBench || !c.strange() {
		return
	}
	found := map[profiles.ID]*evidence.Stream{}
	fits := c.gearboxes(found)
	if len(found) < leastIDs {
		return
	}
	ids := slices.SortedFunc(maps.Keys(found), func(a, b profiles.ID) int { return cmp.Compare(a.Value, b.Value) })
	first := slices.MinFunc(ids, func(a, b profiles.ID) int { return cmp.Compare(found[a].First, found[b].First) })
	f := Finding{Rule: "variant/gearbox-unexpected", Verdict: Fail, Sender: c.Setting.Automatic, Bus: found[first].Bus.Facts.Name, Count: uint64(len(found))}
	f.Text = fmt.Sprintf("the setting is a manual one, but a gearbox controller sends %d messages", len(found))
	if ref, ok := c.Setting.Roles[profiles.Torque]; ok {
		if rule, missing := r.notHeard(c.messageOf(ref)); missing {
			f.Text += fmt.Sprintf("; the torque that it needs does not come (%s)", rule)
		}
	}
	f.NextStep = "choose the automatic setting of this engine and series"
	if len(fits) > 0 {
		f.NextStep += ": the gearbox is that of " + listSettings(fits)
	}
	f.Functions = []string{} // what the setting does not have cannot be named
	f.FirstTime, f.HasTime, f.Example = found[first].First, true, c.example(&found[first].FirstFrame)
	r.Add(f.measured(float64(len(found)), 0, "messages", "profile "+c.Setting.Name))
}

// gearboxes finds the messages of a gearbox controller that the setting does not
// expect, by the DBC files that it has all the same and by the other settings on
// file, and returns those settings that have all of them.
func (c *Case) gearboxes(found map[profiles.ID]*evidence.Stream) (fits []*profiles.Setting) {
	sent := c.sent()
	for _, m := range c.Setting.Messages {
		if s := c.Evidence.Messages[m.Name].Stream; m.Sender == c.Setting.Automatic && s != nil && s.Frames >= leastSeen {
			found[m.ID] = s
		}
	}
	for _, s := range c.others() {
		ids := unitIDs(s)[c.Setting.Automatic]
		n := 0
		for id := range ids {
			if stream := sent[id]; stream != nil && !c.expects(id) {
				n++
				found[id.id] = stream
			}
		}
		if n > 0 && n == len(ids) {
			fits = append(fits, s)
		}
	}
	return fits
}

// expects reports whether the setting itself has a message of that identifier.
func (c *Case) expects(id seenID) bool {
	return slices.ContainsFunc(c.Setting.Messages, func(m *profiles.MessageFacts) bool {
		return m.Expected && m.Bus == id.bus && m.ID == id.id
	})
}

// neighbourRules are those by which a gauge shows that the new ECU speaks another
// series' language.
var neighbourRules = []string{"message/other-id", "signal/scale", "signal/offset", "signal/byte-order", "signal/wraps"}

// judgeNeighbour finds several gauges that are wrong in the way of a neighbouring
// series.
func judgeNeighbour(c *Case, r *Results) {
	wrong := map[string]bool{}
	var first *Finding
	for i := range r.Findings {
		f := &r.Findings[i]
		if f.Verdict == Fail && f.Sender == c.Setting.Replaced && f.Sender != "" && slices.Contains(neighbourRules, f.Rule) {
			wrong[f.Message+"."+f.Signal] = true
			if first == nil {
				first = f
			}
		}
	}
	if len(wrong) < leastGauges || unjudgeable(r) {
		return
	}
	finding := Finding{Rule: "variant/neighbour-series", Verdict: Fail, Sender: c.Setting.Replaced, Bus: first.Bus, Count: uint64(len(wrong))}
	names := make([]string, 0, len(wrong))
	for _, ref := range slices.Sorted(maps.Keys(wrong)) {
		names = append(names, strings.TrimSuffix(ref, ".")) // a message as a whole
	}
	finding.Text = fmt.Sprintf("%d gauges are wrong together (%s): the new ECU speaks the language of a neighbouring series",
		len(wrong), strings.Join(names, ", "))
	finding.NextStep = "select the series of this car in the new ECU"
	if series := c.ownLanguage(); series != "" {
		finding.Text += "; what it sends is that of " + series
	}
	finding.Functions, finding.Function = c.ofMessages(wrong), first.Function
	finding.FirstTime, finding.HasTime, finding.Example = first.FirstTime, first.HasTime, first.Example
	r.Add(finding)
}

// ofMessages lists the functions that have one of the signals in their chain.
func (c *Case) ofMessages(refs map[string]bool) []string {
	names := []string{}
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Functions)) {
		if slices.ContainsFunc(c.Setting.Functions[name].Chain, func(ref profiles.SignalRef) bool {
			return refs[string(ref)] || refs[c.messageOf(ref)+"."]
		}) {
			names = append(names, name)
		}
	}
	return names
}

// ownLanguage names the settings on file whose replaced unit sends every
// identifier that was seen of it, "" when none does better than this one.
func (c *Case) ownLanguage() string {
	sent := c.sent()
	own := func(s *profiles.Setting) map[seenID]bool {
		ids := map[seenID]bool{}
		for _, m := range s.Messages {
			if m.Sender == s.Replaced && m.Expected && m.Cycle.Value > 0 {
				ids[seenID{m.Bus, m.ID, m.Length.Value}] = true
			}
		}
		return ids
	}
	missed := func(s *profiles.Setting) (n int) {
		for id := range own(s) {
			if sent[id] == nil {
				n++
			}
		}
		return n
	}
	best, fits := missed(c.Setting), []*profiles.Setting(nil)
	for _, s := range c.others() {
		switch n := missed(s); {
		case n < best:
			best, fits = n, []*profiles.Setting{s}
		case n == best && fits != nil:
			fits = append(fits, s)
		}
	}
	return listSettings(fits)
}
