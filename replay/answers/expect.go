// Package answers judges what listeners send while something is played to them:
// does a message come in time, does a lamp's bit stay, does a value follow, does
// a flag rise. It is pure: expectations and frames go in, findings come out.
package answers

import (
	"cmp"
	"fmt"
	"strconv"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"plugproof/profiles"
)

// Expectations say what listeners are to answer. They are a YAML file; times
// count from the first frame that was played:
//
//	format: 1
//	expect:
//	  - title: the cluster is awake      # each may have one
//	    message: ClusterStatus
//	    within: 500ms                    # it comes in this time
//	    every: 300ms                     # and no gap is longer
//	  - signal: ClusterStatus.IsEngineSpeedMissing
//	    stays: 0                         # a value, or a text of its value table
//	    from: 2s                         # judged from here
//	    until: 10s                       # to here; the end where it is left out
//	  - signal: GearRelay.RelayLever
//	    follows: GearboxStatus.LeverPosition
//	    within: 300ms                    # by so much later
//	    off: 0                           # by so much beside it at most
//	    ratio: 1                         # of it
//	  - signal: GearboxStatus.IsGearboxLimp
//	    becomes: 1
//	    from: 5s
//	    within: 3s
type Expectations struct {
	file string
	list []expectation
}

// expectation is one of them: of message, stays, follows and becomes it has one.
type expectation struct {
	Title   string             `yaml:"title"`
	Message string             `yaml:"message"`
	Signal  profiles.SignalRef `yaml:"signal"`
	Within  profiles.Time      `yaml:"within"`
	Every   profiles.Time      `yaml:"every"`
	Stays   *value             `yaml:"stays"`
	Becomes *value             `yaml:"becomes"`
	Follows profiles.SignalRef `yaml:"follows"`
	Off     float64            `yaml:"off"`
	Ratio   *float64           `yaml:"ratio"`
	From    profiles.Time      `yaml:"from"`
	Until   profiles.Time      `yaml:"until"`

	place  profiles.Place
	target float64 // of stays and becomes, physical
}

// value is a number or a text of the signal's value table.
type value string

// UnmarshalYAML takes any single value as it stands.
func (v *value) UnmarshalYAML(node ast.Node) error {
	if _, ok := node.(ast.ScalarNode); !ok {
		return &yaml.SyntaxError{Message: "a single value belongs here", Token: node.GetToken()}
	}
	*v = value(node.GetToken().Value)
	return nil
}

// UnmarshalYAML notes where the expectation stands.
func (e *expectation) UnmarshalYAML(node ast.Node) error {
	type plain expectation
	if err := yaml.NodeToValue(node, (*plain)(e), yaml.Strict()); err != nil {
		return err
	}
	e.place = profiles.PlaceOf(node)
	if m, ok := node.(*ast.MappingNode); ok && len(m.Values) > 0 {
		e.place = profiles.PlaceOf(m.Values[0].Key)
	}
	return nil
}

// maxExpectations bounds a file.
const maxExpectations = 1000

// Parse reads expectations for a setting. file is shown in positions. The error
// is profiles.Problems.
func Parse(file string, src []byte, setting *profiles.Setting) (*Expectations, error) {
	var f struct {
		Format int           `yaml:"format"`
		Expect []expectation `yaml:"expect"`
	}
	doc, err := profiles.ReadDocument(file, "expect", src, &f)
	if err != nil {
		return nil, err
	}
	switch {
	case len(f.Expect) == 0:
		return nil, doc.Problem(profiles.Place{}, "empty", "nothing is expected", "list what the listeners are to answer under expect")
	case len(f.Expect) > maxExpectations:
		return nil, doc.Problem(f.Expect[maxExpectations].place, "size", fmt.Sprintf("more than %d expectations", maxExpectations), "")
	}
	for i := range f.Expect {
		if text, hint := f.Expect[i].check(setting); text != "" {
			return nil, doc.Problem(f.Expect[i].place, "value", text, hint)
		}
	}
	return &Expectations{file: file, list: f.Expect}, nil
}

// check says what is wrong with an expectation; "" for nothing.
func (e *expectation) check(setting *profiles.Setting) (text, hint string) {
	kinds := 0
	for _, has := range []bool{e.Message != "", e.Stays != nil, e.Becomes != nil, e.Follows != ""} {
		if has {
			kinds++
		}
	}
	switch {
	case kinds != 1:
		return "an expectation has one of message, stays, becomes and follows", "make two of it"
	case e.Message != "":
		return e.checkMessage(setting)
	}
	for _, ref := range []profiles.SignalRef{e.Signal, cmp.Or(e.Follows, e.Signal)} {
		if _, def := setting.Signal(ref); def == nil {
			return fmt.Sprintf("%s has no signal %q", setting.Profile.Name, ref), "signals are named Message.Signal"
		}
	}
	switch {
	case e.Every != 0:
		return "every belongs to a message", ""
	case e.Stays == nil && e.Within == 0:
		return "becomes and follows need within", "within: 500ms"
	case e.Stays != nil && e.Within != 0:
		return "stays has no within", "from: 2s and until: 10s say when it is judged"
	case e.Becomes != nil && e.Until != 0:
		return "becomes has no until", "within says for how long it is waited for"
	case e.Follows == "" && (e.Off != 0 || e.Ratio != nil):
		return "off and ratio belong to follows", ""
	case e.Off < 0:
		return "off is negative", ""
	case e.Until != 0 && e.Until <= e.From:
		return "until is not after from", ""
	case e.Follows != "":
		return "", ""
	}
	var err error
	which := e.Stays
	if which == nil {
		which = e.Becomes
	}
	if e.target, err = number(setting, e.Signal, string(*which)); err != nil {
		return err.Error(), ""
	}
	return "", ""
}

func (e *expectation) checkMessage(setting *profiles.Setting) (text, hint string) {
	switch {
	case setting.Message(e.Message) == nil:
		return fmt.Sprintf("%s has no message %q", setting.Profile.Name, e.Message), ""
	case e.Within == 0 && e.Every == 0:
		return "message needs within or every", "within: 500ms"
	case e.Signal != "" || e.From != 0 || e.Until != 0 || e.Off != 0 || e.Ratio != nil:
		return "message goes with within, every and title only", ""
	}
	return "", ""
}

// number reads a value of a signal: a number, or a text of its value table.
func number(setting *profiles.Setting, ref profiles.SignalRef, text string) (float64, error) {
	if v, err := strconv.ParseFloat(text, 64); err == nil {
		return v, nil
	}
	_, def := setting.Signal(ref)
	for _, v := range def.Values {
		if v.Text == text {
			return float64(float64(v.Value)*def.Factor) + def.Offset, nil
		}
	}
	return 0, fmt.Errorf("%s: %q is no number and no text of its value table", ref, text)
}
