package standin

import (
	"fmt"
	"strconv"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"plugproof/profiles"
)

// Script says what values a stand-in sends, and when. It is a YAML file:
//
//	format: 1
//	boot: 60ms            # from power to the first frame; 0s where it is left out
//	start_values: 250ms   # start values and "not available" for so long after that
//	values:               # from power-up on
//	  EngineSpeed.EngineSpeedRpm: 800
//	  EngineTemps.CoolantTemp: not-available
//	  EngineSpeed.EngineState: Running
//	steps:
//	  - at: 2s            # from power-up, in a repeat from the begin of its round
//	    set: {EngineTemps.CoolantTemp: 20}
//	  - ramp: {EngineSpeed.EngineSpeedRpm: 6000}
//	    over: 10s
//	  - hold: 5s
//	  - send: [EngineCruise]
//	  - power: off
//	    hold: 3s
//	  - power: on
//	  - repeat: 3         # or forever, as the last step
//	    steps: [...]
//
// A step begins where the one before ended; ramps take as long as over says, hold
// waits. Without steps a stand-in sends until it is stopped, else until the last
// step ends.
type Script struct {
	doc  *profiles.Document
	file scriptFile
}

// scriptFile is the file as it is written.
type scriptFile struct {
	Format      int            `yaml:"format"`
	Title       string         `yaml:"title"`
	Boot        profiles.Time  `yaml:"boot"`
	StartValues *profiles.Time `yaml:"start_values"`
	Values      assignments    `yaml:"values"`
	Steps       []step         `yaml:"steps"`
}

// step is one entry of steps.
type step struct {
	At     *profiles.Time `yaml:"at"`
	Power  *power         `yaml:"power"`
	Set    assignments    `yaml:"set"`
	Send   names          `yaml:"send"`
	Ramp   assignments    `yaml:"ramp"`
	Over   profiles.Time  `yaml:"over"`
	Hold   profiles.Time  `yaml:"hold"`
	Repeat *count         `yaml:"repeat"`
	Steps  []step         `yaml:"steps"`

	place profiles.Place
}

// assignment is a signal and the value that it gets.
type assignment struct {
	ref   profiles.SignalRef
	value string
	place profiles.Place
}

type (
	assignments []assignment
	names       []named
	power       bool // on
	count       int  // forever: 0
)

// named is a name and where it stands.
type named struct {
	name  string
	place profiles.Place
}

// ParseScript reads a value script. file is shown in positions. The error is
// profiles.Problems.
func ParseScript(file string, src []byte) (*Script, error) {
	s := &Script{}
	doc, err := profiles.ReadDocument(file, "script", src, &s.file)
	s.doc = doc
	return s, err
}

// UnmarshalYAML notes where the step stands.
func (s *step) UnmarshalYAML(node ast.Node) error {
	type plain step
	if err := yaml.NodeToValue(node, (*plain)(s), yaml.Strict()); err != nil {
		return err
	}
	s.place = profiles.PlaceOf(node)
	if m, ok := node.(*ast.MappingNode); ok && len(m.Values) > 0 {
		s.place = profiles.PlaceOf(m.Values[0].Key)
	}
	return nil
}

// UnmarshalYAML reads signals and values with their places. A signal that is
// named twice is refused.
func (a *assignments) UnmarshalYAML(node ast.Node) error {
	var pairs []*ast.MappingValueNode
	switch n := node.(type) {
	case *ast.MappingNode:
		pairs = n.Values
	case *ast.MappingValueNode:
		pairs = []*ast.MappingValueNode{n}
	default:
		return fault(node, "signals and values belong here: {EngineSpeed.EngineSpeedRpm: 800}")
	}
	seen := map[string]bool{}
	for _, p := range pairs {
		name := p.Key.GetToken().Value
		if seen[name] {
			return fault(p.Key, fmt.Sprintf("%s is given twice", name))
		}
		seen[name] = true
		if _, ok := p.Value.(ast.ScalarNode); !ok {
			return fault(p.Value, "a single value belongs here")
		}
		*a = append(*a, assignment{
			ref: profiles.SignalRef(name), value: p.Value.GetToken().Value, place: profiles.PlaceOf(p.Key),
		})
	}
	return nil
}

// UnmarshalYAML reads a list of names with their places.
func (l *names) UnmarshalYAML(node ast.Node) error {
	list, ok := node.(*ast.SequenceNode)
	if !ok {
		return fault(node, "a list of messages belongs here: [EngineCruise]")
	}
	for _, n := range list.Values {
		if _, ok := n.(ast.ScalarNode); !ok {
			return fault(n, "the name of a message belongs here")
		}
		*l = append(*l, named{n.GetToken().Value, profiles.PlaceOf(n)})
	}
	return nil
}

// UnmarshalYAML reads on or off.
func (p *power) UnmarshalYAML(node ast.Node) error {
	switch node.GetToken().Value {
	case "on":
		*p = true
	case "off":
		*p = false
	default:
		return fault(node, fmt.Sprintf("power is on or off, not %q", node.GetToken().Value))
	}
	return nil
}

// forever is the count of a repeat that does not end.
const forever count = 0

// UnmarshalYAML reads a number of rounds, or forever.
func (c *count) UnmarshalYAML(node ast.Node) error {
	text := node.GetToken().Value
	n, err := strconv.Atoi(text)
	switch {
	case text == "forever":
		*c = forever
	case err != nil || n < 1:
		return fault(node, fmt.Sprintf("repeat %q: a number of rounds, or forever", text))
	default:
		*c = count(n)
	}
	return nil
}

// fault puts a place on an error, as the YAML package does.
func fault(node ast.Node, text string) error {
	return &yaml.SyntaxError{Message: text, Token: node.GetToken()}
}
