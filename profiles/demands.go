package profiles

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Demand is one thing that two settings ask of the units differently: how a
// dialogue must go, what a permit rests on, which values are plausible, what the
// replaced unit must hear. Nothing of it shows by itself on the bus.
type Demand struct {
	What string // "dialogue torque-cut"
	A, B string // what each setting asks; "none" where it asks nothing
}

// Demands lists what two settings ask of the units differently, sorted by what
// it is.
func Demands(a, b *Setting) (list []Demand) {
	add := func(what, inA, inB string) {
		if inA, inB = cmp.Or(inA, "none"), cmp.Or(inB, "none"); inA != inB {
			list = append(list, Demand{what, inA, inB})
		}
	}
	add("automatic gearbox", a.automatic(), b.automatic())
	for _, name := range names(a.Bounds, b.Bounds) {
		add("bound "+name, a.Bounds[name].describe(), b.Bounds[name].describe())
	}
	for _, name := range names(a.Dialogues, b.Dialogues) {
		add("dialogue "+name, a.Dialogues[name].describe(), b.Dialogues[name].describe())
	}
	needs := [2]map[string]string{needed(a), needed(b)}
	for _, name := range names(needs[0], needs[1]) {
		add("need "+name, needs[0][name], needs[1][name])
	}
	for _, name := range names(a.Permits, b.Permits) {
		add("permit "+name, a.Permits[name].describe(), b.Permits[name].describe())
	}
	for _, name := range names(a.Regions, b.Regions) {
		add("region "+name, describeRegion(a.Regions[name]), describeRegion(b.Regions[name]))
	}
	return list
}

// names lists the keys of two maps, sorted.
func names[T any](a, b map[string]T) []string {
	return slices.Compact(slices.Sorted(func(yield func(string) bool) {
		for _, m := range []map[string]T{a, b} {
			for name := range maps.Keys(m) {
				if !yield(name) {
					return
				}
			}
		}
	}))
}

func (s *Setting) automatic() string {
	if node := s.Nodes[s.Automatic]; node == nil || !node.IsFitted() {
		return ""
	}
	return s.Automatic
}

// needed lists what the replaced unit must hear, and what it does without.
func needed(s *Setting) map[string]string {
	list := map[string]string{}
	for _, need := range s.Needs() {
		if need.Message.Expected || need.Listener.Needed {
			list[need.Message.Name] = cmp.Or(need.Listener.Substitute, "needed")
		}
	}
	return list
}

func (d *Dialogue) describe() string {
	if d == nil {
		return ""
	}
	parts := []string{d.Asked.describe()}
	if d.Given != "" {
		parts = append(parts, fmt.Sprintf("%s by %s within %s", d.Given, cmp.Or(d.Depth, DefaultDepth), d.Lag))
	}
	if d.Answer != nil {
		parts = append(parts, fmt.Sprintf("%s within %s", d.Answer.describe(), d.AnswerIn))
	}
	return strings.Join(parts, ", ")
}

// describe gives a condition in the words of a profile.
func (c *Condition) describe() string {
	text := string(c.Signal)
	if len(c.Is) > 0 {
		text += fmt.Sprintf(" is %v", c.Is)
	}
	if c.Above != nil {
		text += fmt.Sprintf(" above %g", *c.Above)
	}
	if c.Below != nil {
		text += fmt.Sprintf(" below %g", *c.Below)
	}
	if c.Moves {
		text += " moves"
	}
	return text
}

func (p *Permit) describe() string {
	if p == nil {
		return ""
	}
	reasons := make([]string, len(p.Inhibitors))
	for i := range p.Inhibitors {
		reasons[i] = p.Inhibitors[i].Says
	}
	return fmt.Sprintf("within %s unless %s", p.Within, cmp.Or(strings.Join(reasons, ", "), "nothing"))
}

func (b *Bound) describe() string {
	if b == nil {
		return ""
	}
	limit := "not above " + string(b.Below)
	if b.Within != nil {
		limit = b.Within.String()
	}
	conditions := make([]string, len(b.When))
	for i := range b.When {
		conditions[i] = b.When[i].describe()
	}
	if b.Slack != 0 {
		limit += fmt.Sprintf(" by %g", b.Slack)
	}
	return fmt.Sprintf("%s %s while %s", b.Signal, limit, cmp.Or(strings.Join(conditions, " and "), "recording"))
}

func describeRegion(region map[SignalRef]int64) string {
	var parts []string
	for _, ref := range slices.Sorted(maps.Keys(region)) {
		parts = append(parts, fmt.Sprintf("%s %d", ref, region[ref]))
	}
	return strings.Join(parts, ", ")
}
