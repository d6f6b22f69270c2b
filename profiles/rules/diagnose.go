package rules

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"plugproof/profiles"
)

// Differential is the ordered search for what is behind a symptom: question
// after question, up to the first rule that fired.
type Differential struct {
	Asked     string   // as the technician said it
	Symptom   string   // as the index has it
	Functions []string // of the setting, that it is about; sorted
	Steps     []Answer
	Otherwise string // where to look when nothing fired
}

// Fired returns the step that stopped the search, nil when none did.
func (d *Differential) Fired() *Answer {
	for i := range d.Steps {
		if d.Steps[i].State == Fired {
			return &d.Steps[i]
		}
	}
	return nil
}

// Answer is what one step of a differential found.
type Answer struct {
	Step
	State   State
	Finding *Finding // that fired, or says why it is not testable; else nil
}

// State of a step.
type State string

// The states.
const (
	Fired     State = "fired"
	Clear     State = "clear"
	Untold    State = "not testable"
	NotJudged State = "not judged by this version"
	NotAsked  State = "not asked" // an earlier step fired
)

// Found is what a differential looks into: the findings of a judged case, not
// testable ones included.
type Found struct {
	Setting  *profiles.Setting
	Findings []Finding
	Measured bool // the resistance was measured
}

// Diagnose walks the index for a symptom. The error lists the symptoms there are
// when the text fits none.
func Diagnose(text string, in *Found) (Differential, error) {
	symptom, functions, err := FindSymptom(text, in.Setting)
	if err != nil {
		return Differential{}, err
	}
	d := Differential{Asked: text, Symptom: symptom.Name, Functions: functions, Otherwise: symptom.Otherwise}
	about := in.about(symptom.Roles, functions)
	judged := map[string]bool{}
	for _, rule := range All() {
		judged[rule.Name] = true
	}
	fired := false
	for _, step := range symptom.Steps {
		a := Answer{Step: step, State: NotAsked}
		if !fired {
			in.ask(&a, about, judged)
			fired = a.State == Fired
		}
		d.Steps = append(d.Steps, a)
	}
	return d, nil
}

// subjectSet is what a symptom is about; empty: anything.
type subjectSet struct {
	refs     map[profiles.SignalRef]bool
	messages map[string]bool
	senders  map[string]bool
}

// about collects the signals of roles and functions.
func (in *Found) about(roles []profiles.Role, functions []string) subjectSet {
	set := subjectSet{map[profiles.SignalRef]bool{}, map[string]bool{}, map[string]bool{}}
	add := func(ref profiles.SignalRef) {
		message, _ := ref.Split()
		set.refs[ref], set.messages[message] = true, true
		set.senders[in.Setting.Message(message).Sender] = true
	}
	for _, role := range roles {
		if ref, ok := in.Setting.Roles[role]; ok {
			add(ref)
		}
	}
	for _, name := range functions {
		for _, ref := range in.Setting.Functions[name].Chain {
			add(ref)
		}
	}
	return set
}

// holds reports whether a finding is about the symptom: about one of its signals
// or messages, its sender as a whole, or a bus.
func (set *subjectSet) holds(f *Finding) bool {
	switch {
	case len(set.refs) == 0:
		return true
	case f.Message != "" && f.Signal != "":
		return set.refs[profiles.SignalRef(f.Message+"."+f.Signal)]
	case f.Message != "":
		return set.messages[f.Message]
	case f.Sender != "":
		return set.senders[f.Sender]
	}
	return true
}

// ask answers one step.
func (in *Found) ask(a *Answer, about subjectSet, judged map[string]bool) {
	a.State = NotJudged
	for _, rule := range a.Rules {
		if judged[rule] {
			a.State = Clear
		}
	}
	if a.State == NotJudged {
		return
	}
	for i := range in.Findings {
		f := &in.Findings[i]
		if !slices.Contains(a.Rules, f.Rule) || !about.holds(f) {
			continue
		}
		if f.Verdict != NotTestable {
			a.State, a.Finding = Fired, f
			return
		}
		if a.Finding == nil {
			a.State, a.Finding = Untold, f
		}
	}
	if a.State == Clear {
		if f := in.blocks(a.Rules); f != nil {
			a.State, a.Finding = Untold, f
		}
	}
}

// blocks returns the finding because of which none of the rules could tell: the
// whole capture says nothing about messages, or nothing about wires.
func (in *Found) blocks(list []string) *Finding {
	onMessages := slices.ContainsFunc(list, func(rule string) bool {
		return !strings.HasPrefix(rule, "wiring/") && !strings.HasPrefix(rule, "capture/")
	})
	onErrors := slices.ContainsFunc(list, func(rule string) bool { return slices.Contains(byErrors, rule) })
	onTime := slices.ContainsFunc(list, func(rule string) bool { return slices.Contains(byTime, rule) })
	for i := range in.Findings {
		switch f := &in.Findings[i]; f.Rule {
		case "message/no-match", "wiring/no-frames", "wiring/only-errors":
			if onMessages {
				return f
			}
		case "capture/errors-not-recorded":
			if onErrors {
				return f
			}
		case "capture/clumped-stamps":
			if onTime {
				return f
			}
		}
	}
	if slices.Contains(list, "wiring/terminator") && !in.Measured {
		return &Finding{
			Rule: "wiring/terminator", Verdict: NotTestable, Text: "nobody measured the resistance",
			NextStep: "power off: measure ohms between CAN-H and CAN-L, and give them (--ohms)",
		}
	}
	return nil
}

// byErrors are rules that only error frames can fire, byTime those that need
// stamps to be true.
var (
	byErrors = []string{"wiring/only-errors", "wiring/wrong-bit-rate", "wiring/ecu-wires"}
	byTime   = []string{
		"message/too-slow", "message/too-fast", "message/uneven", "message/long-gap", "message/late-start",
		"message/two-senders", "wiring/restart-loop", "wiring/crank-dip",
	}
)

// differentials walks the index for everything that the technician saw.
func (c *Case) differentials(findings []Finding) []Differential {
	var list []Differential
	in := &Found{Setting: c.Setting, Findings: findings, Measured: c.Seen.Ohms != nil}
	for _, text := range c.Seen.Texts() {
		d, err := Diagnose(text, in)
		if err != nil {
			d = Differential{Asked: text, Otherwise: err.Error()}
		}
		list = append(list, d)
	}
	return list
}

// Texts words what was seen as texts for FindSymptom.
func (o *Observed) Texts() []string {
	list := slices.Clone(o.Symptoms)
	for _, name := range o.Dead {
		list = append(list, name+" dead")
	}
	for _, name := range o.Lamps {
		list = append(list, name+" lamp on")
	}
	return list
}

// reportedDead reports whether the technician says that a function does not work,
// or that its lamp is lit.
func (c *Case) reportedDead(function string) bool {
	for _, text := range c.Seen.Texts() {
		if _, functions, err := FindSymptom(text, c.Setting); err == nil && slices.Contains(functions, function) {
			return true
		}
	}
	return false
}

// FindSymptom finds the symptom that a text means, and the functions of the
// setting that it is about. The error lists what there is.
func FindSymptom(text string, s *profiles.Setting) (*Symptom, []string, error) {
	words := wordsOf(text)
	functions := functionsOf(words, s)
	best, score := -1, 0
	index := Symptoms()
	for i := range index {
		if n := index[i].fits(words); n > score {
			best, score = i, n
		}
	}
	if best < 0 {
		best = slices.IndexFunc(index, func(sy Symptom) bool { return sy.means(functions, s) })
	}
	if best < 0 && len(functions) == 0 {
		return nil, nil, &SymptomError{Text: text}
	}
	if best < 0 {
		best = len(index) - 1 // any function that does not work
		if slices.Contains(words, "lamp") {
			best-- // any lamp
		}
	}
	sy := &index[best]
	if len(functions) == 0 {
		functions = sy.functions(s)
	}
	return sy, functions, nil
}

// SymptomError says that nobody knows what a text means.
type SymptomError struct{ Text string }

func (e *SymptomError) Error() string {
	return fmt.Sprintf("%q is no symptom in the index and no function of the setting", e.Text)
}

// wordsOf returns the words of a text in lower case.
func wordsOf(text string) []string {
	return strings.FieldsFunc(strings.ToLower(text), func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9')
	})
}

// fits returns how many words of the best of its phrases a text holds; 0 unless
// it holds all of one.
func (sy *Symptom) fits(words []string) int {
	best := 0
	for _, phrase := range append([]string{sy.Name}, sy.Words...) {
		list := wordsOf(phrase)
		if len(list) > best && !slices.ContainsFunc(list, func(w string) bool { return !slices.Contains(words, w) }) {
			best = len(list)
		}
	}
	return best
}

// means reports whether one of the functions starts with a signal of the
// symptom's roles.
func (sy *Symptom) means(functions []string, s *profiles.Setting) bool {
	own := sy.functions(s)
	return slices.ContainsFunc(functions, func(name string) bool { return slices.Contains(own, name) })
}

// functions lists the functions of a setting that start with a signal of the
// symptom's roles, sorted.
func (sy *Symptom) functions(s *profiles.Setting) []string {
	var names []string
	for _, name := range slices.Sorted(maps.Keys(s.Functions)) {
		for _, role := range sy.Roles {
			if ref, ok := s.Roles[role]; ok && s.Functions[name].Chain[0] == ref {
				names = append(names, name)
				break
			}
		}
	}
	return names
}

// functionsOf lists the functions whose name, title or one of whose symptoms a
// text holds, sorted; those with the longest match.
func functionsOf(words []string, s *profiles.Setting) []string {
	var names []string
	longest := 0
	for _, name := range slices.Sorted(maps.Keys(s.Functions)) {
		f := s.Functions[name]
		sy := Symptom{Name: name, Words: append([]string{f.Title}, f.Symptoms...)}
		n := sy.fits(words)
		if n > longest {
			names, longest = nil, n
		}
		if n == longest && n > 0 {
			names = append(names, name)
		}
	}
	return names
}
