package rules

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"plugproof/profiles"
	"plugproof/profiles/stages"
)

// Result is a judged case.
type Result struct {
	Verdict     Verdict
	Functions   []FunctionResult // by seriousness, then name
	Findings    []Finding        // Fail and Review, most serious first
	NotTestable []Finding
	Stages      stages.Spans
	Missing     []string       // stages that a function needs and the capture does not have
	Symptoms    []Differential // of what the technician saw, in that order
	Since       SinceSwap      // what became of codes and lamps
}

// FunctionResult is the verdict on one function.
type FunctionResult struct {
	Name     string
	Title    string
	Verdict  Verdict
	Chain    []string // "EngineSpeed.Rpm on drive", each link
	BrokenAt string   // the link where the chain breaks; "" when it does not
	Why      string   // one sentence
	Asked    bool     // its stages are in the capture, or the user asked for it
}

// Judge judges a case by every rule, in order, and rolls the findings up to the
// functions. only names functions that the user asked for; empty: those of the
// stages in the capture.
func Judge(c *Case, only []string) *Result {
	r := &Results{}
	c.breaksOf = [2][]stretch{} // the case may have got other stages since
	for _, rule := range All() {
		rule.Judge(c, r)
	}
	r.pointless()
	res := &Result{Stages: c.Stages, Since: c.Seen.Since(c.Setting)}
	for i := range r.Findings {
		f := &r.Findings[i]
		if f.Functions == nil {
			f.Functions = c.hurts(f)
		}
		if f.Function == "" && len(f.Functions) > 0 {
			f.Function = f.Functions[0]
		}
		switch {
		case !wanted(f, only):
		case f.Verdict == NotTestable:
			res.NotTestable = append(res.NotTestable, *f)
		default:
			res.Findings = append(res.Findings, *f)
		}
	}
	slices.SortStableFunc(res.Findings, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(b.Verdict, a.Verdict), cmp.Compare(rank(a.Rule), rank(b.Rule)))
	})
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Functions)) {
		if len(only) > 0 && !slices.Contains(only, name) {
			continue
		}
		f := c.function(name, r)
		f.Asked = f.Asked || len(only) > 0
		res.Functions = append(res.Functions, f)
	}
	slices.SortStableFunc(res.Functions, compareFunctions)
	if !unjudgeable(r) {
		res.Missing = c.missingStages()
	}
	res.Symptoms = c.differentials(r.Findings)
	res.Verdict = overall(c, res)
	return res
}

// rank puts what is new since the swap first: it outranks every rule. Of the rest
// causes come before what units say of them: the frame to mend comes first.
func rank(rule string) int {
	switch {
	case slices.ContainsFunc(sinceRules(), func(r Rule) bool { return r.Name == rule }):
		return -1
	case strings.HasPrefix(rule, "listener/"):
		return 1
	}
	return 0
}

// compareFunctions puts the most serious first, and of equals those whose chain
// shows the fault before those of which only the listener tells.
func compareFunctions(a, b FunctionResult) int {
	told := func(f *FunctionResult) int {
		if f.BrokenAt == "" || slices.Contains(f.Chain, f.BrokenAt) {
			return 0
		}
		return 1
	}
	return cmp.Or(cmp.Compare(b.Verdict, a.Verdict), cmp.Compare(told(&a), told(&b)))
}

// wanted reports whether a finding concerns the functions asked for, or the
// capture or the wires that all of them need.
func wanted(f *Finding, only []string) bool {
	return len(only) == 0 || len(f.Functions) == 0 && !strings.HasPrefix(f.Rule, "listener/") ||
		slices.ContainsFunc(f.Functions, func(name string) bool { return slices.Contains(only, name) })
}

// overall is the worst of all findings and of the functions asked for. An
// observed symptom forbids a pass.
func overall(c *Case, res *Result) Verdict {
	worst := Pass
	if c.Seen.Any() {
		worst = Review
	}
	for i := range res.Findings {
		worst = max(worst, res.Findings[i].Verdict)
	}
	for i := range res.Functions {
		if res.Functions[i].Asked || res.Functions[i].Verdict == Fail {
			worst = max(worst, res.Functions[i].Verdict)
		}
	}
	return worst
}

// hurts returns the functions that a finding touches: those whose chain has the
// message, and the signal where the finding is about one; for a finding about a
// sender, those that start there. A unit that complains without saying about what
// hurts the whole, but no function by name. Sorted by name.
func (c *Case) hurts(f *Finding) []string {
	var names []string
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Functions)) {
		if slices.ContainsFunc(c.Setting.Functions[name].Chain, func(ref profiles.SignalRef) bool {
			message, signal := ref.Split()
			if f.Message != "" {
				return message == f.Message && (f.Signal == "" || signal == f.Signal)
			}
			m := c.Setting.Message(message)
			return f.Sender != "" && m != nil && m.Sender == f.Sender
		}) {
			names = append(names, name)
		}
	}
	return names
}

// function rolls the findings up to one function: the most serious one, and of
// equals the one nearest to the start of the chain.
func (c *Case) function(name string, r *Results) FunctionResult {
	f := c.Setting.Functions[name]
	out := FunctionResult{Name: name, Title: cmp.Or(f.Title, name), Asked: c.exercised(f)}
	for _, ref := range f.Chain {
		m, _ := c.Setting.Signal(ref)
		out.Chain = append(out.Chain, fmt.Sprintf("%s on %s", ref, m.Bus))
	}
	at := len(f.Chain)
	for i := range r.Findings {
		finding := &r.Findings[i]
		if !slices.Contains(finding.Functions, name) {
			continue
		}
		link := linkOf(finding, f)
		if finding.Verdict < out.Verdict || finding.Verdict == out.Verdict && link >= at {
			continue
		}
		at = link
		out.Verdict, out.Why, out.BrokenAt = finding.Verdict, finding.Text, finding.Listener
		if link < len(out.Chain) {
			out.BrokenAt = out.Chain[link]
		}
	}
	switch none := r.meaningless(); {
	case out.Verdict != Pass:
	case none != nil:
		out.Verdict, out.Why = NotTestable, none.Text
	default:
		c.proved(f, &out)
	}
	if c.reportedDead(name) && out.Verdict < Review {
		out.Verdict, out.BrokenAt = Review, ""
		out.Why = "reported by the technician; nothing in the capture shows why"
	}
	if out.Verdict == NotTestable {
		out.BrokenAt = ""
	}
	return out
}

// linkOf returns which link of a chain a finding is about: the first of its
// message, the start where it is about a sender, and past the end where it is
// what the listener itself says.
func linkOf(f *Finding, fn *profiles.Function) int {
	if f.Message == "" && f.Listener == "" {
		return 0
	}
	at := slices.IndexFunc(fn.Chain, func(ref profiles.SignalRef) bool {
		message, signal := ref.Split()
		return message == f.Message && (f.Signal == "" || signal == f.Signal)
	})
	if at < 0 {
		return len(fn.Chain)
	}
	return at
}

// proved turns a function without findings into "not testable" where the
// capture does not show that it works.
func (c *Case) proved(f *profiles.Function, out *FunctionResult) {
	if !c.exercised(f) {
		out.Verdict, out.Why = NotTestable, "needs the stage "+strings.Join(f.Stages, " or ")
		return
	}
	for i, ref := range f.Chain {
		message, signal := ref.Split()
		m := c.Evidence.Messages[message]
		if m.Seen() == 0 {
			out.Verdict, out.Why = NotTestable, fmt.Sprintf("%s never came, and the capture is not such that it must", ref)
			return
		}
		s := m.Signals[signal]
		if s == nil || s.Available+s.Worded == 0 {
			out.Verdict, out.Why = NotTestable, fmt.Sprintf("%s had no value", ref)
			return
		}
		if i == 0 && f.Moves != nil && (s.Span() < f.Moves.Span || f.Moves.Values > 0 && !s.MoreValues && len(s.Values) < f.Moves.Values) {
			out.Verdict = NotTestable
			out.Why = fmt.Sprintf("%s moved too little to tell (%g to %g)", ref, s.Min, s.Max)
			return
		}
	}
}

// exercised reports whether the capture has a stage in which the function shows.
func (c *Case) exercised(f *profiles.Function) bool {
	if len(f.Stages) == 0 {
		return true
	}
	return slices.ContainsFunc(f.Stages, c.Stages.Has)
}

// missingStages lists the stages that would exercise a function not exercised yet.
func (c *Case) missingStages() []string {
	needed := map[string]bool{}
	for _, f := range c.Setting.Functions {
		if !c.exercised(f) {
			needed[f.Stages[0]] = true
		}
	}
	var out []string
	for _, stage := range profiles.StageNames() {
		if needed[stage] {
			out = append(out, stage)
		}
	}
	return out
}

// unexercised lists the functions that the stage would exercise, sorted.
func (c *Case) unexercised(stage string) []string {
	var names []string
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Functions)) {
		if f := c.Setting.Functions[name]; !c.exercised(f) && f.Stages[0] == stage {
			names = append(names, name)
		}
	}
	return names
}

// Unjudged lists the functions that were asked for and could not be judged.
func (res *Result) Unjudged() []string {
	var names []string
	for i := range res.Functions {
		if f := &res.Functions[i]; f.Asked && f.Verdict == NotTestable {
			names = append(names, f.Name)
		}
	}
	return names
}
