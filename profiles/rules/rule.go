package rules

import (
	"slices"
	"strings"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
	"plugproof/profiles/stages"
)

// Rule is one way in which the job goes wrong, and how a capture shows it.
type Rule struct {
	Name string // "message/absent": the group and the fault, in words
	Sees string // what a technician sees when it happens
	// Judge adds a finding for everything the case shows of this fault, and a
	// NotTestable one where the case cannot tell. It adds nothing when all is well.
	Judge func(c *Case, r *Results)
}

// groups lists the rules in the order of judging: a failed capture or wire is
// no fault of the messages on it, a missing message none of its signals.
func groups() [][]Rule {
	return [][]Rule{captureRules(), wiringRules(), messageRules(), integrityRules(), signalRules(), handshakeRules(), variantRules(), listenerRules(), rangeRules(), sinceRules()}
}

// All returns every rule in the order of judging.
func All() []Rule {
	var all []Rule
	for _, group := range groups() {
		all = append(all, group...)
	}
	return all
}

// Scope is where a capture was taken: it decides what can be judged.
type Scope string

// The scopes.
const (
	Car             Scope = "car"               // the whole car
	ECUOnBench      Scope = "ecu-on-bench"      // the new ECU alone: no sensors, no other units
	ListenerOnBench Scope = "listener-on-bench" // a cluster or gearbox alone
)

// Observed is what the technician saw and measured.
type Observed struct {
	Symptoms    []string // in any words that the index knows
	Lamps       []string // lit; nil: not taken down, empty: none
	Dead        []string // functions that do not work
	Codes       []Code   // trouble codes of any module; nil: not read, empty: none
	Before      Earlier  // what was seen before the swap
	Ohms        *float64 // between the lines, power off, with the new ECU
	FactoryOhms *float64 // the same with the factory ECU; nil: not measured
	Supply      *float64 // volts
}

// Any reports whether a symptom was observed: it forbids an overall pass.
func (o *Observed) Any() bool { return len(o.Symptoms)+len(o.Lamps)+len(o.Dead)+len(o.Codes) > 0 }

// Case is all that a judgement rests on.
type Case struct {
	Setting        *profiles.Setting
	Evidence       *evidence.Evidence
	Stages         stages.Spans
	Baseline       *evidence.Evidence // a good capture of the same car; nil: none
	BaselineStages stages.Spans
	Scope          Scope
	Seen           Observed
	Settings       func() []*profiles.Setting // every setting on file, read when it is asked for; nil: none
	ErrorsRecorded bool                       // it is known that error frames would have been recorded
	Played         bool                       // frames that the recording computer sent were played on purpose
	NoWire         bool                       // recorded from virtual interfaces, where a frame takes no time
	Files          []string                   // names of the captures by can.Frame.File
	Reports        []capture.FileReport       // what became of their records; nil: not read from files
	Buses          func(bus uint16) string    // interface names by can.Frame.Bus

	BaselineReports []capture.FileReport // of the baseline's records
	Learned         bool                 // the setting is what the baseline shows, and no file

	refs     []profiles.SignalRef // see named
	secrets  *Secrets             // see example
	breaksOf [2][]stretch         // see breaks: of other units, of the replaced one; nil: not found yet
}

// profile names the setting as the place that a limit comes from.
func (c *Case) profile() string {
	if c.Learned {
		return FromBaseline
	}
	return "profile " + c.Setting.Name
}

// origin is where the limit of a YAML path was written.
func (c *Case) origin(path string) string {
	if c.Learned {
		return FromBaseline
	}
	return c.Setting.Origin(path).String()
}

// Sent reports whether a message is one that this capture should hold: its
// sender is fitted, sends it in this setting, and was there.
func (c *Case) Sent(m *profiles.MessageFacts) bool {
	if !m.Expected || m.Option || !c.recorded(m.Bus) {
		return false
	}
	switch c.Scope {
	case ECUOnBench:
		return m.Sender == c.Setting.Replaced
	case ListenerOnBench:
		return false
	}
	return true
}

// recorded reports whether the capture holds frames of a bus of the setting.
func (c *Case) recorded(bus string) bool {
	return slices.ContainsFunc(c.Evidence.Buses, func(b *evidence.Bus) bool {
		return b.Facts != nil && b.Facts.Name == bus && b.Frames > 0
	})
}

// Own reports whether a message is sent by the replaced unit.
func (c *Case) Own(m *profiles.MessageFacts) bool {
	return m.Sender != "" && m.Sender == c.Setting.Replaced
}

// Results gathers findings while the rules are judged in order.
type Results struct {
	Findings []Finding
	failed   map[string][]string // rules that failed, by message; "" for the whole capture
}

// Add files a finding.
func (r *Results) Add(f Finding) {
	if f.Verdict == Fail {
		if r.failed == nil {
			r.failed = map[string][]string{}
		}
		r.failed[f.Message] = append(r.failed[f.Message], f.Rule)
	}
	r.Findings = append(r.Findings, f)
}

// Failed returns the first rule that failed on a message, or on the capture as a
// whole for "": what leans on it is not testable then.
func (r *Results) Failed(message string) (rule string, failed bool) {
	if rules := r.failed[message]; len(rules) > 0 {
		return rules[0], true
	}
	return "", false
}

// Has reports whether a finding of the rule stands for the message.
func (r *Results) Has(rule, message string) bool {
	for i := range r.Findings {
		if r.Findings[i].Rule == rule && r.Findings[i].Message == message && r.Findings[i].Verdict != NotTestable {
			return true
		}
	}
	return false
}

// Withdraw takes back findings of a rule on a message: a confusable fault
// explains them better.
func (r *Results) Withdraw(rule, message string) { r.withdraw(rule, message, "") }

// instead files a finding about a signal in the place of what a rule that knows
// less of it has found.
func (r *Results) instead(rule string, f Finding) {
	r.withdraw(rule, f.Message, f.Signal)
	r.Add(f)
}

// withdraw takes back findings about a message, or about one signal of it.
func (r *Results) withdraw(rule, message, signal string) {
	left := false
	r.Findings = slices.DeleteFunc(r.Findings, func(f Finding) bool {
		hit := f.Rule == rule && f.Message == message
		left = left || hit && signal != "" && f.Signal != signal && f.Verdict == Fail
		return hit && (signal == "" || f.Signal == signal)
	})
	if !left && r.failed != nil {
		r.failed[message] = slices.DeleteFunc(r.failed[message], func(name string) bool { return name == rule })
	}
}

// hasOn reports whether a rule of the signals found something about a signal.
func (r *Results) hasOn(ref profiles.SignalRef) bool {
	message, signal := ref.Split()
	return slices.ContainsFunc(r.Findings, func(f Finding) bool {
		return f.Message == message && f.Signal == signal && f.Verdict != NotTestable && strings.HasPrefix(f.Rule, "signal/")
	})
}

// About starts a finding about a message of the setting.
func About(rule string, verdict Verdict, m *profiles.MessageFacts) Finding {
	return Finding{
		Rule: rule, Verdict: verdict, Message: m.Name, ID: m.ID, HasID: true, Bus: m.Bus, Sender: m.Sender,
	}
}
