package profiles

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"plugproof/decode/dbc"
)

// validate checks every name that the composed profile uses, and what cannot be.
func (s *Setting) validate() Problems {
	var problems Problems
	for _, check := range []func() Problems{
		s.checkNodes, s.checkMessages, s.checkIDs, s.checkRoles, s.checkFunctions, s.checkStages, s.checkSending,
		s.checkDialogues, s.checkPermits, s.checkBounds, s.checkRegions,
	} {
		problems = append(problems, check()...)
	}
	return problems
}

func (s *Setting) checkNodes() (problems Problems) {
	if s.Replaced != "" && s.Nodes[s.Replaced] == nil {
		problems = append(problems, unknown(s, "$.replaced", "node", s.Replaced, s.Nodes))
	}
	for _, name := range slices.Sorted(maps.Keys(s.Nodes)) {
		path, node := "$.nodes."+name, s.Nodes[name]
		if node.HangsOn != "" && s.Nodes[node.HangsOn] == nil {
			problems = append(problems, unknown(s, path+".hangs_on", "node", node.HangsOn, s.Nodes))
		}
		for _, bus := range node.Buses {
			if s.Profile.Buses[bus] == nil {
				problems = append(problems, unknown(s, path+".buses", "bus", bus, s.Profile.Buses))
			}
		}
		if d := node.Diagnosis; d != nil && d.Bus != "" && s.Profile.Buses[d.Bus] == nil {
			problems = append(problems, unknown(s, path+".diagnosis.bus", "bus", d.Bus, s.Profile.Buses))
		}
		for i, flag := range node.Flags {
			at := fmt.Sprintf("%s.flags[%d]", path, i)
			problems = append(problems, s.checkSignal(at+".signal", flag.Signal)...)
			if message, signal := flag.About.Split(); signal != "" {
				problems = append(problems, s.checkSignal(at+".about", flag.About)...)
			} else if message != "" && s.byName[message] == nil {
				problems = append(problems, unknown(s, at+".about", "message", message, s.byName))
			}
		}
	}
	return problems
}

func (s *Setting) checkMessages() (problems Problems) {
	for _, name := range slices.Sorted(maps.Keys(s.Profile.Messages)) {
		m := s.byName[name]
		if m == nil {
			continue // reported when it was taken over
		}
		path, own := "$.messages."+name, m.Own
		if s.Profile.Buses[m.Bus] == nil {
			problems = append(problems, unknown(s, path+".bus", "bus", m.Bus, s.Profile.Buses))
		}
		if m.Sender != "" && len(s.Nodes) > 0 && s.Nodes[m.Sender] == nil {
			problems = append(problems, unknown(s, path+".sender", "node", m.Sender, s.Nodes))
		}
		if !slices.Contains([]Kind{Cyclic, OnChange, Mixed, Variable}, m.Kind) {
			problems = append(problems, s.problem(path+".kind", "value", fmt.Sprintf("no kind %q", m.Kind),
				"one of cyclic, on-change, mixed, engine-synchronous"))
		}
		for _, signal := range slices.Sorted(maps.Keys(own.Signals)) {
			problems = append(problems, s.checkName(path+".signals."+signal, m, signal)...)
		}
		for _, signal := range slices.Sorted(maps.Keys(own.Constants)) {
			problems = append(problems, s.checkConstant(path+".constants."+signal, m, signal)...)
		}
		if own.Pages != nil {
			problems = append(problems, s.checkName(path+".pages.signal", m, own.Pages.Signal)...)
		}
		problems = append(problems, s.checkProtection(path, m)...)
		problems = append(problems, s.checkListeners(path, m)...)
	}
	return problems
}

// checkConstant checks that a constant is a signal with a value.
func (s *Setting) checkConstant(path string, m *MessageFacts, signal string) Problems {
	if m.Own.Constants[signal] == nil {
		return Problems{s.problem(path, "constant", fmt.Sprintf("the constant %s has no value", signal), "write value: and its raw value")}
	}
	problems := s.checkName(path, m, signal)
	if stored := m.Own.Constants[signal].Stored; stored != "" {
		problems = append(problems, s.checkSignal(path+".stored", stored)...)
	}
	return problems
}

// checkProtection checks where counter, toggle bit and checksum lie.
func (s *Setting) checkProtection(path string, m *MessageFacts) (problems Problems) {
	check := func(key string, f *Field) {
		at := path + "." + key
		switch {
		case f.Signal != "":
			problems = append(problems, s.checkName(at+".signal", m, f.Signal)...)
		case f.Start == nil:
			problems = append(problems, s.problem(at, "field", key+" does not say where it lies",
				"name its signal, or give start and length"))
		case *f.Start < 0 || f.Length < 1 || f.Length > 64 || f.Order != "" && f.Order != "intel" && f.Order != "motorola":
			problems = append(problems, s.problem(at, "field", fmt.Sprintf("%s at start %d, length %d, order %q cannot be",
				key, *f.Start, f.Length, f.Order), "order is intel or motorola, length 1 to 64 bits"))
		}
	}
	if m.Own.Counter != nil {
		check("counter", &m.Own.Counter.Field)
	}
	if m.Own.Toggle != nil {
		check("toggle", &m.Own.Toggle.Field)
	}
	if m.Own.Parity != nil {
		check("parity", &m.Own.Parity.Field)
	}
	if m.Own.Checksum != nil {
		check("checksum", &m.Own.Checksum.Field)
	}
	if len(problems) > 0 {
		return problems
	}
	protection, err := m.Protection()
	if err == nil {
		_, err = protection.Compile()
	}
	if err != nil {
		problems = append(problems, s.problem(path, "protection", err.Error(), "see the laws that plugproof knows in the manual"))
	}
	return problems
}

// checkListeners checks that each listener exists and is on the message's bus.
func (s *Setting) checkListeners(path string, m *MessageFacts) (problems Problems) {
	for _, name := range slices.Sorted(maps.Keys(m.Own.Listeners)) {
		at := path + ".listeners." + name
		switch {
		case s.Nodes[name] == nil:
			problems = append(problems, unknown(s, at, "node", name, s.Nodes))
		case !slices.Contains(s.busesOf(name), m.Bus):
			problems = append(problems, s.problem(at, "listener",
				fmt.Sprintf("%s cannot hear %s: it is not on bus %s", name, m.Name, m.Bus),
				"add the bus to the node's buses, or name the gateway's copy"))
		}
	}
	return problems
}

// busesOf returns the buses of a node: those its profile names and those it sends on.
func (s *Setting) busesOf(node string) []string {
	buses := slices.Clone(s.Nodes[node].Buses)
	for _, m := range s.Messages {
		if m.Sender == node {
			buses = append(buses, m.Bus)
		}
	}
	return buses
}

// checkIDs reports two senders of one identifier on one bus.
func (s *Setting) checkIDs() (problems Problems) {
	type key struct {
		bus string
		id  ID
	}
	first := map[key]*MessageFacts{}
	for _, m := range s.Messages {
		if !m.Expected {
			continue
		}
		k := key{m.Bus, m.ID}
		if have := first[k]; have != nil {
			problems = append(problems, s.problem(s.later("$.messages."+have.Name, "$.messages."+m.Name), "two-senders",
				fmt.Sprintf("%s (%s) and %s (%s) both have id %s on bus %s",
					have.Name, have.Sender, m.Name, m.Sender, m.ID, m.Bus),
				"one of them is absent in this setting: say so with absent: true"))
			continue
		}
		first[k] = m
	}
	return problems
}

// later returns the path that was written in the later part: the one that brought
// the clash about.
func (s *Setting) later(a, b string) string {
	if oa, ob := s.origin(a), s.origin(b); oa.file != nil && ob.file != nil && oa.order > ob.order {
		return a
	}
	return b
}

func (s *Setting) checkRoles() (problems Problems) {
	for _, role := range slices.Sorted(maps.Keys(s.Roles)) {
		path := "$.roles." + string(role)
		if !slices.Contains(Roles(), role) {
			problems = append(problems, s.problem(path, "role", fmt.Sprintf("no role %q", role), ""))
			continue
		}
		problems = append(problems, s.checkSignal(path, s.Roles[role])...)
	}
	return problems
}

func (s *Setting) checkFunctions() (problems Problems) {
	for _, name := range slices.Sorted(maps.Keys(s.Functions)) {
		path, f := "$.functions."+name, s.Functions[name]
		if len(f.Chain) == 0 {
			problems = append(problems, s.problem(path, "function", "a function needs a chain", "name the sender's signal first"))
		}
		for i, ref := range f.Chain {
			problems = append(problems, s.checkSignal(fmt.Sprintf("%s.chain[%d]", path, i), ref)...)
		}
		if s.Nodes[f.Ends] == nil {
			problems = append(problems, unknown(s, path+".ends", "node", f.Ends, s.Nodes))
		}
		problems = append(problems, s.checkStageNames(path+".stages", f.Stages)...)
		problems = append(problems, s.checkGauge(path, f)...)
		if f.Against != nil {
			problems = append(problems, s.checkSignal(path+".against.signal", f.Against.Signal)...)
		}
	}
	return problems
}

func (s *Setting) checkStages() (problems Problems) {
	for _, name := range slices.Sorted(maps.Keys(s.Stages)) {
		path := "$.stages." + name
		if !slices.Contains(StageNames(), name) {
			problems = append(problems, s.problem(path, "stage", fmt.Sprintf("no stage %q", name),
				"one of "+strings.Join(StageNames(), ", ")))
		}
		for i, condition := range s.Stages[name].When {
			at := fmt.Sprintf("%s.when[%d].signal", path, i)
			problems = append(problems, s.checkSignal(at, condition.Signal)...)
			message, _ := condition.Signal.Split()
			if m := s.byName[message]; m != nil && s.Replaced != "" && m.Sender == s.Replaced {
				problems = append(problems, s.problem(at, "circular",
					fmt.Sprintf("stage %s is recognised by %s of the replaced %s itself", name, condition.Signal, s.Replaced),
					"ask other units under when, the replaced one only under otherwise"))
			}
		}
		for i, condition := range s.Stages[name].Otherwise {
			problems = append(problems, s.checkSignal(fmt.Sprintf("%s.otherwise[%d].signal", path, i), condition.Signal)...)
		}
	}
	return problems
}

// checkSending checks the list of what a bench may send.
func (s *Setting) checkSending() (problems Problems) {
	for i, ref := range s.MaySend {
		path := fmt.Sprintf("$.may_send[%d]", i)
		name, _ := ref.Split()
		m := s.byName[name]
		if m == nil {
			problems = append(problems, unknown(s, path, "message", name, s.byName))
			continue
		}
		for _, never := range s.NeverSent {
			if never.Holds(m.ID) {
				problems = append(problems, s.problem(path, "never-sent",
					fmt.Sprintf("%s has id %s, which never_sent holds (%s)", name, m.ID, never), ""))
			}
		}
	}
	return problems
}

// checkSignal checks a Message.Signal name.
func (s *Setting) checkSignal(path string, ref SignalRef) Problems {
	message, signal := ref.Split()
	m := s.byName[message]
	if m == nil {
		return Problems{unknown(s, path, "message", message, s.byName)}
	}
	if signal == "" {
		return Problems{s.problem(path, "signal", fmt.Sprintf("%q names a message, not a signal", ref), "write Message.Signal")}
	}
	return s.checkName(path, m, signal)
}

// checkName checks that a message has a signal; without a DBC nobody can tell.
func (s *Setting) checkName(path string, m *MessageFacts, signal string) Problems {
	if m.Def == nil || m.Signal(signal) != nil {
		return nil
	}
	names := map[string]*dbc.Signal{}
	for _, have := range m.Def.Signals {
		names[have.Name] = have
	}
	return Problems{unknown(s, path, "signal of "+m.Name, signal, names)}
}

// unknown is the problem of a name that nothing has, with the names most like it.
func unknown[T any](s *Setting, path, what, name string, have map[string]T) Problem {
	var names []string
	if s.shown < MaxProblems { // one of many is not named
		names = slices.Sorted(maps.Keys(have))
		names = slices.DeleteFunc(names, func(n string) bool { return distance(n, name) > max(2, len(name)/3) })
	}
	hint := ""
	if len(names) > 0 {
		hint = "did you mean " + strings.Join(names[:min(3, len(names))], ", ") + "?"
	}
	return s.problem(path, "unknown-name", fmt.Sprintf("no %s %q", what, name), hint)
}
