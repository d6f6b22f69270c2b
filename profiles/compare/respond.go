package compare

import (
	"maps"
	"math"
	"slices"

	"plugproof/decode/can"
	"plugproof/decode/survey"
	"plugproof/profiles"
)

// Limits of what counts as a stimulus and as the answer to it, ns and shares of
// what the field can hold; common practice.
const (
	answerWithin = int64(2e9)
	stillBefore  = int64(300e6) // a stimulus this soon after another one is part of it
	atOnce       = int64(200e6) // an answer may be on its bus before the stimulus has its turn
	stimulusStep = 0.05
	answerStep   = 0.02
)

// pairPlan is a signal that answers another one.
type pairPlan struct {
	stimulus, answer  profiles.SignalRef
	stimulusOf        *messagePlan
	answerOf          *messagePlan
	function          string // that it is a link of; "": none
	stimStep, ansStep float64
	directed          bool // both are quantities or bits: an answer has a direction
}

// roleAnswers are roles of which the second answers the first.
func roleAnswers() [][2]profiles.Role {
	return [][2]profiles.Role{
		{profiles.AirconAsked, profiles.AirconGranted},
		{profiles.CruiseSwitch, profiles.CruiseState},
		{profiles.TorqueCut, profiles.TorqueCutDone},
		{profiles.FanAsked, profiles.FanRuns},
		{profiles.Pedal, profiles.Throttle},
		{profiles.ThrottleAsked, profiles.Throttle},
	}
}

// findPairs lists the pairs that the profile states: links of chains, functions
// with a reference, and roles that answer each other.
func (p *plan) findPairs() {
	if p.setting == nil {
		return
	}
	for _, roles := range roleAnswers() {
		p.addPair(p.setting.Roles[roles[0]], p.setting.Roles[roles[1]], "")
	}
	for _, name := range slices.Sorted(maps.Keys(p.setting.Functions)) {
		f := p.setting.Functions[name]
		for i := 1; i < len(f.Chain); i++ {
			p.addPair(f.Chain[i-1], f.Chain[i], name)
		}
	}
}

func (p *plan) addPair(stimulus, answer profiles.SignalRef, function string) {
	for i := range p.pairs {
		if have := &p.pairs[i]; have.stimulus == stimulus && have.answer == answer {
			if have.function == "" {
				have.function = function
			}
			return
		}
	}
	from, s := p.find(stimulus)
	to, a := p.find(answer)
	if s == nil || a == nil || s == a {
		return
	}
	s.stims = append(s.stims, len(p.pairs))
	a.answers = append(a.answers, len(p.pairs))
	p.pairs = append(p.pairs, pairPlan{
		stimulus: stimulus, answer: answer, stimulusOf: from, answerOf: to, function: function,
		stimStep: s.step(stimulusStep), ansStep: a.step(answerStep), directed: s.directed() && a.directed(),
	})
}

// step returns the least change that counts: any of a list of states.
func (s *signalPlan) step(share float64) float64 {
	room := s.room
	if s.low < s.high { // what it is used for, rather than what the field could hold
		room = min(room, s.high-s.low)
	}
	if s.list {
		return s.quantum
	}
	return max(s.quantum, share*room)
}

// directed reports whether more and less mean something: not in a list of states.
func (s *signalPlan) directed() bool { return !s.list || s.def.Length == 1 }

// pair is what a capture shows of a pairPlan. Stimuli whose answer would fall
// into the next stretch of the capture are left out.
type pair struct {
	Events   uint64 // stimuli
	Answered uint64
	Same     uint64 // answers in the direction of the stimulus
	Lags     survey.Gaps
	Begin    can.Frame // of the first stimulus
	First    can.Frame // of the first stimulus without an answer
	Missed   bool      // there was one

	anchor    float64 // the stimulus's value at the last event
	anchored  bool
	lastEvent int64

	answer   float64 // the answer's value at its last step
	before   float64 // and before that
	answerAt int64   // time of that step; see stepped
	answerOK bool
	stepped  bool

	open  bool
	begin can.Frame
	rises bool
	from  float64 // the answer's value at the stimulus
}

// stimulus takes the next value of the driving signal.
func (p *pair) stimulus(plan *pairPlan, f *can.Frame, v float64) {
	if !p.anchored {
		p.anchor, p.anchored = v, true
		return
	}
	change := v - p.anchor
	if math.Abs(change) < plan.stimStep {
		return
	}
	p.anchor = v
	still := f.Time-p.lastEvent >= stillBefore
	p.lastEvent = f.Time
	if !still || !p.answerOK {
		return
	}
	if p.open { // the one before never had an answer
		p.missed()
	}
	if p.Events == 0 {
		p.Begin = *f
	}
	if p.stepped && f.Time-p.answerAt < atOnce {
		p.answered(0, change > 0 == (p.answer > p.before))
		p.stepped = false
		return
	}
	p.open, p.rises, p.from = true, change > 0, p.answer
	p.begin = *f
}

// missed counts the open stimulus as one without an answer.
func (p *pair) missed() {
	p.open = false
	p.Events++
	if !p.Missed {
		p.First, p.Missed = p.begin, true
	}
}

func (p *pair) answered(lag int64, same bool) {
	p.Events++
	p.Answered++
	if same {
		p.Same++
	}
	p.Lags.Add(lag)
}

// reply takes the next value of the answering signal.
func (p *pair) reply(plan *pairPlan, f *can.Frame, v float64) {
	if !p.answerOK {
		p.answer, p.answerOK = v, true
	}
	if p.open {
		p.await(plan, f, v)
	}
	if math.Abs(v-p.answer) >= plan.ansStep {
		p.before, p.answer, p.answerAt, p.stepped = p.answer, v, f.Time, true
	}
}

// await looks for the answer to the open stimulus.
func (p *pair) await(plan *pairPlan, f *can.Frame, v float64) {
	lag := f.Time - p.begin.Time
	switch change := v - p.from; {
	case lag < 0 || f.File != p.begin.File:
		p.open = false
	case lag > answerWithin:
		p.missed()
	case math.Abs(change) >= plan.ansStep:
		p.open = false
		p.answered(lag, change > 0 == p.rises)
	}
}

func (p *pair) merge(next *pair) {
	if p.Events == 0 {
		p.Begin = next.Begin
	}
	p.Events += next.Events
	p.Answered += next.Answered
	p.Same += next.Same
	p.Lags.Merge(&next.Lags)
	if !p.Missed && next.Missed {
		p.First, p.Missed = next.First, true
	}
}
