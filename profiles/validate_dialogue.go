package profiles

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// checkDialogues checks what a profile says of requests and their answers.
func (s *Setting) checkDialogues() (problems Problems) {
	for _, name := range slices.Sorted(maps.Keys(s.Dialogues)) {
		path, d := "$.dialogues."+name, s.Dialogues[name]
		problems = append(problems, s.checkFunctionName(path+".function", d.Function)...)
		problems = append(problems, s.checkStageNames(path+".stages", d.Stages)...)
		if d.Asked == nil {
			problems = append(problems, s.problem(path, "dialogue", "a dialogue needs a request", "write asked: {signal: Message.Signal, is: [1]}"))
			continue
		}
		problems = append(problems, s.checkForeign(path+".asked", []Condition{*d.Asked})...)
		if len(d.Asked.Is) == 0 {
			problems = append(problems, s.problem(path+".asked", "dialogue", "the request does not say by which raw values it is made", "write is: [1]"))
		}
		for key, c := range map[string]*Condition{"answer": d.Answer, "refused": d.Refused, "allowed": d.Allowed} {
			problems = append(problems, s.checkAnswer(path+"."+key, c)...)
		}
		for key, ref := range map[string]SignalRef{"wanted": d.Wanted, "given": d.Given, "copy": d.Copy} {
			if ref != "" {
				problems = append(problems, s.checkSignal(path+"."+key, ref)...)
			}
		}
		if d.Answer == nil && d.Given == "" {
			problems = append(problems, s.problem(path, "dialogue", "nothing answers the request", "say what must come of it under answer, or under wanted and given"))
		}
		if (d.Given == "") != (d.Wanted == "") {
			problems = append(problems, s.problem(path, "dialogue", "wanted and given go together: how far a value is to fall, and which", ""))
		}
	}
	return sortProblems(problems)
}

// sortProblems puts problems that were found in the order of a map into that of
// their text.
func sortProblems(problems Problems) Problems {
	slices.SortStableFunc(problems, func(a, b Problem) int { return strings.Compare(a.Text, b.Text) })
	return problems
}

// checkAnswer checks the condition of an answer: a signal with raw values, or a
// whole message.
func (s *Setting) checkAnswer(path string, c *Condition) Problems {
	if c == nil {
		return nil
	}
	if message, signal := c.Signal.Split(); signal == "" && len(c.Is) == 0 {
		if s.byName[message] == nil {
			return Problems{unknown(s, path, "message", message, s.byName)}
		}
		return nil
	}
	problems := s.checkSignal(path+".signal", c.Signal)
	if len(c.Is) == 0 {
		problems = append(problems, s.problem(path, "dialogue", "the answer does not say by which raw values it is given", "write is: [1]"))
	}
	return problems
}

// checkForeign checks conditions that must rest on other units' frames.
func (s *Setting) checkForeign(path string, conditions []Condition) (problems Problems) {
	for i, c := range conditions {
		at := path
		if len(conditions) > 1 {
			at = fmt.Sprintf("%s[%d]", path, i)
		}
		problems = append(problems, s.checkSignal(at+".signal", c.Signal)...)
		message, _ := c.Signal.Split()
		if m := s.byName[message]; m != nil && s.Replaced != "" && m.Sender == s.Replaced {
			problems = append(problems, s.problem(at, "circular",
				fmt.Sprintf("%s is of the replaced %s itself: what it must do would rest on what it says", c.Signal, s.Replaced),
				"name a signal of another unit"))
		}
	}
	return problems
}

func (s *Setting) checkFunctionName(path, name string) Problems {
	if name == "" || s.Functions[name] != nil {
		return nil
	}
	return Problems{unknown(s, path, "function", name, s.Functions)}
}

func (s *Setting) checkStageNames(path string, names []string) (problems Problems) {
	for _, stage := range names {
		if !slices.Contains(StageNames(), stage) {
			problems = append(problems, s.problem(path, "stage", fmt.Sprintf("no stage %q", stage),
				"one of "+strings.Join(StageNames(), ", ")))
		}
	}
	return problems
}

// checkPermits checks what a profile says of requests that may be inhibited.
func (s *Setting) checkPermits() (problems Problems) {
	for _, name := range slices.Sorted(maps.Keys(s.Permits)) {
		path, p := "$.permits."+name, s.Permits[name]
		if !slices.Contains(PermitNames(), name) {
			problems = append(problems, s.problem(path, "permit", fmt.Sprintf("no permit %q", name), "one of "+strings.Join(PermitNames(), ", ")))
		}
		problems = append(problems, s.checkFunctionName(path+".function", p.Function)...)
		problems = append(problems, s.checkForeign(path+".asked", p.Asked)...)
		problems = append(problems, s.checkConditions(path+".granted", p.Granted)...)
		if p.Changes != "" {
			problems = append(problems, s.checkSignal(path+".changes", p.Changes)...)
		}
		if len(p.Asked) == 0 || len(p.Granted) == 0 && p.Changes == "" || p.Within == 0 {
			problems = append(problems, s.problem(path, "permit", "a permit needs what asks for it, what must come of it, and within what time",
				"write asked, granted or changes, and within"))
		}
		for i := range p.Inhibitors {
			problems = append(problems, s.checkInhibitor(fmt.Sprintf("%s.inhibitors[%d]", path, i), &p.Inhibitors[i])...)
		}
	}
	return problems
}

func (s *Setting) checkConditions(path string, conditions []Condition) (problems Problems) {
	for i, c := range conditions {
		problems = append(problems, s.checkSignal(fmt.Sprintf("%s[%d].signal", path, i), c.Signal)...)
	}
	return problems
}

func (s *Setting) checkInhibitor(path string, in *Inhibitor) (problems Problems) {
	problems = append(problems, s.checkConditions(path+".when", in.When)...)
	for _, ref := range in.Differ {
		problems = append(problems, s.checkSignal(path+".differ", ref)...)
	}
	if in.Missing != "" && s.byName[string(in.Missing)] == nil {
		problems = append(problems, unknown(s, path+".missing", "message", string(in.Missing), s.byName))
	}
	if in.Says == "" || len(in.When) == 0 && len(in.Differ) == 0 && in.Missing == "" || len(in.Differ) != 0 && len(in.Differ) != 2 {
		problems = append(problems, s.problem(path, "inhibitor", "an inhibitor needs words and a condition",
			"write says, and when, missing, or differ with two signals"))
	}
	return problems
}

// checkBounds checks the bands of values, and the lists of signals that other
// rules go by.
func (s *Setting) checkBounds() (problems Problems) {
	for _, name := range slices.Sorted(maps.Keys(s.Bounds)) {
		path, b := "$.bounds."+name, s.Bounds[name]
		problems = append(problems, s.checkSignal(path+".signal", b.Signal)...)
		problems = append(problems, s.checkForeign(path+".when", b.When)...)
		if b.Below != "" {
			problems = append(problems, s.checkSignal(path+".below", b.Below)...)
		}
		if (b.Within == nil) == (b.Below == "") || b.Says == "" {
			problems = append(problems, s.problem(path, "bound", "a bound needs words and one limit", "write says, and within or below"))
		}
	}
	problems = append(problems, s.checkForeign("$.engine_turns", s.EngineTurns)...)
	for key, list := range map[string][]SignalRef{"wheels": s.Wheels, "car_number": s.CarNumber} {
		for _, ref := range list {
			problems = append(problems, s.checkSignal("$."+key, ref)...)
		}
	}
	if s.Automatic != "" && s.Nodes[s.Automatic] == nil {
		problems = append(problems, unknown(s, "$.automatic", "node", s.Automatic, s.Nodes))
	}
	return sortProblems(problems)
}

// checkRegions checks the constants that change with the market.
func (s *Setting) checkRegions() (problems Problems) {
	for _, name := range slices.Sorted(maps.Keys(s.Regions)) {
		for _, ref := range slices.Sorted(maps.Keys(s.Regions[name])) {
			path := "$.regions." + name + "." + string(ref)
			message, signal := ref.Split()
			if m := s.byName[message]; m != nil && m.Own.Constants[signal] == nil && m.Expected {
				problems = append(problems, s.problem(path, "region", fmt.Sprintf("%s is no constant of this setting", ref),
					"list it under the constants of its message"))
			}
			problems = append(problems, s.checkSignal(path, ref)...)
		}
	}
	return problems
}

// Need is a message that the replaced unit must receive, and what it does without.
type Need struct {
	Message  *MessageFacts
	Listener *ListenerFacts
}

// Needs lists the messages of other units that the profile says the replaced one
// needs, in the order of Messages.
func (s *Setting) Needs() (list []Need) {
	for _, m := range s.Messages {
		for i := range m.Listeners {
			if l := &m.Listeners[i]; l.Node == s.Replaced && l.Node != "" && (l.Substitute != "" || l.Needed) {
				list = append(list, Need{m, l})
			}
		}
	}
	return list
}
