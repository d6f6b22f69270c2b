package profiles

import "slices"

// Dialogue is a request that other units make of the replaced one, again and
// again, and how it must answer. A torque request has a value that must fall
// (given) and how far (wanted); others have an answer only.
type Dialogue struct {
	Title    string   `yaml:"title,omitempty"`
	Function string   `yaml:"function,omitempty"` // that suffers most
	Stages   []string `yaml:"stages,omitempty"`   // any of these brings requests about

	Asked  *Condition `yaml:"asked"`            // holds while something is asked for; raw values of another unit
	Each   bool       `yaml:"each,omitempty"`   // every frame asks anew, as with messages that are sent once
	Wanted SignalRef  `yaml:"wanted,omitempty"` // how far the value is to fall
	Given  SignalRef  `yaml:"given,omitempty"`  // the replaced unit's value that must fall so far
	Copy   SignalRef  `yaml:"copy,omitempty"`   // that value as the asking unit received it

	Answer  *Condition `yaml:"answer,omitempty"`  // acknowledges; a message instead of a signal: any frame of it
	Refused *Condition `yaml:"refused,omitempty"` // says that it cannot be done
	Allowed *Condition `yaml:"allowed,omitempty"` // holds while requests are accepted at all

	Lag      Time    `yaml:"lag,omitempty"`       // until the value has fallen by depth; 0: as in the baseline, else 100ms
	Depth    Ratio   `yaml:"depth,omitempty"`     // of the step asked for; 0: 50 %
	Least    float64 `yaml:"least,omitempty"`     // a smaller step is not judged, in the unit of given; 0: 20 times its quantum
	Recovery Time    `yaml:"recovery,omitempty"`  // until half of the fall is made good, after the request; 0: not judged
	AnswerIn Time    `yaml:"answer_in,omitempty"` // until the answer; 0: as in the baseline, else 100ms
	Asks     int     `yaml:"asks,omitempty"`      // so many requests in a row are too many; 0: any number is fine
	Secret   bool    `yaml:"secret,omitempty"`    // its bytes are never shown: only order and time are judged
}

// DefaultDepth is by how much of what is asked for a value must fall, where a
// profile is silent; common practice.
const DefaultDepth = Ratio(0.5)

// Permit is something that people ask for and the replaced unit grants, unless
// something inhibits it.
type Permit struct {
	Title    string      `yaml:"title,omitempty"`
	Function string      `yaml:"function"`          // that it is part of
	Asked    []Condition `yaml:"asked"`             // by frames of other units
	Granted  []Condition `yaml:"granted,omitempty"` // what must come of it
	Changes  SignalRef   `yaml:"changes,omitempty"` // or: this must change, as when a button is pressed
	Within   Time        `yaml:"within"`            // of the request

	Inhibitors []Inhibitor `yaml:"inhibitors,omitempty"` // the first that holds is named
}

// PermitNames lists what may be asked for, in the order in which it is judged.
func PermitNames() []string { return []string{"start", "air-con", "cruise", "cruise-set"} }

// Inhibitor is a reason not to grant a request: all that it states holds.
type Inhibitor struct {
	Says     string      `yaml:"says"`               // in words: "the brake is pressed"
	When     []Condition `yaml:"when,omitempty"`     // all of these
	Differ   []SignalRef `yaml:"differ,omitempty"`   // these two stand at different raw values
	Missing  SignalRef   `yaml:"missing,omitempty"`  // this message does not come, or is rejected
	Lasting  Time        `yaml:"lasting,omitempty"`  // for so long; 0: at all
	Ordinary bool        `yaml:"ordinary,omitempty"` // belongs to normal use, and is no fault
}

// Bound is a band that a value of the replaced unit must keep to while other
// units say what they say.
type Bound struct {
	Signal  SignalRef   `yaml:"signal"`
	When    []Condition `yaml:"when,omitempty"`    // on frames of other units; empty: always
	Within  *Range      `yaml:"within,omitempty"`  // physical
	Below   SignalRef   `yaml:"below,omitempty"`   // or: no greater than this signal
	Slack   float64     `yaml:"slack,omitempty"`   // by more than so much, in its unit
	Lasting Time        `yaml:"lasting,omitempty"` // a shorter time outside is none; 0: 500ms
	Says    string      `yaml:"says"`              // when it must: "with the engine standing"
}

// spokenOf lists the signals of dialogues, permits and bounds, those that are
// looked at one by one; the same one may come more than once, and a message as
// such.
func (p *Profile) spokenOf() (refs []SignalRef) {
	conditions := slices.Clone(p.EngineTurns)
	for _, d := range p.Dialogues {
		if d.Secret {
			continue
		}
		for _, c := range []*Condition{d.Asked, d.Answer, d.Refused, d.Allowed} {
			if c != nil {
				conditions = append(conditions, *c)
			}
		}
		for _, ref := range []SignalRef{d.Wanted, d.Given, d.Copy} {
			if ref != "" {
				refs = append(refs, ref)
			}
		}
	}
	for _, permit := range p.Permits {
		conditions = append(conditions, slices.Concat(permit.Asked, permit.Granted)...)
		if permit.Changes != "" {
			refs = append(refs, permit.Changes)
		}
		for i := range permit.Inhibitors {
			conditions = append(conditions, permit.Inhibitors[i].When...)
			refs = append(refs, permit.Inhibitors[i].Differ...)
		}
	}
	for _, b := range p.Bounds {
		conditions = append(conditions, b.When...)
		if refs = append(refs, b.Signal); b.Below != "" {
			refs = append(refs, b.Below)
		}
	}
	for _, c := range conditions {
		refs = append(refs, c.Signal)
	}
	return append(refs, p.Wheels...)
}
