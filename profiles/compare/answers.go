package compare

import (
	"fmt"
	"math"
	"slices"

	"plugproof/profiles/rules"
)

// Limits of answers to a stimulus (the before/after table of trade practice).
const (
	leastEvents = 3
	answered    = 0.80 // of the stimuli, before
	halfOfThem  = 0.50
	sameLag     = 2.0 // times
	otherLag    = 5.0
)

// answers compares how signals answer others: whether, which way, how late.
func (j *judge) answers() {
	for i := range j.p.pairs {
		plan, was, is := &j.p.pairs[i], &j.before.pairs[i], &j.after.pairs[i]
		k := slices.IndexFunc(j.res.Messages, func(m Message) bool {
			return m.Name == plan.answerOf.facts.Name && m.Bus == plan.answerOf.facts.Bus
		})
		if k < 0 || was.Events < leastEvents || float64(was.Answered) < answered*float64(was.Events) {
			continue // it did not answer before either, or nobody asked
		}
		m := &j.res.Messages[k]
		if r, ok := j.answer(m, plan, was, is); ok {
			m.Rows = append(m.Rows, r)
		}
	}
}

func (j *judge) answer(m *Message, plan *pairPlan, was, is *pair) (r Row, ok bool) {
	_, signal := plan.answer.Split()
	r = Row{Aspect: Response, Bus: m.Bus, ID: m.ID, Message: m.Name, Signal: signal, Sender: m.Sender, State: -1, Functions: j.users[m.Name]}
	r.LimitFrom = baseline
	if plan.function != "" {
		r.Functions = []string{plan.function}
	}
	if is.Events < leastEvents {
		r.Verdict = rules.NotTestable
		r.Text = fmt.Sprintf("whether %s answers %s: %d stimuli after, %d before", plan.answer, plan.stimulus, is.Events, was.Events)
		r.NextStep = "repeat that stage: three times at least"
		return r, true
	}
	lag := func(p *pair) int64 { return p.Lags.Quantile(0.5) }
	cycle := j.cycleOf(m)
	ratio := float64(lag(is)+cycle) / float64(lag(was)+cycle)
	share := float64(is.Answered) / float64(is.Events)
	r = r.measured(inMS(lag(was)), inMS(lag(is)), sameLag*inMS(lag(was)+cycle), "ms", baseline)
	r.Text = fmt.Sprintf("%s answers %s after %s, before after %s", plan.answer, plan.stimulus, ms(lag(is)), ms(lag(was)))
	r.Count = is.Answered
	circled := plan.stimulusOf.own && plan.answerOf.own // its own word against its own word
	turned := plan.directed && math.Abs(float64(was.Same)/float64(max(1, was.Answered))-float64(is.Same)/float64(max(1, is.Answered))) > 0.6
	switch {
	case is.Answered == 0 || share < halfOfThem*float64(was.Answered)/float64(was.Events):
		r.Verdict = rules.Fail
		r = r.measured(100*float64(was.Answered)/float64(was.Events), 100*share, 100*answered, "% of the stimuli", baseline)
		r.Text = fmt.Sprintf("%s answers %s in %d of %d cases, before in %d of %d", plan.answer, plan.stimulus, is.Answered, is.Events, was.Answered, was.Events)
		r.NextStep = "see whether the new ECU receives the request, and whether the function is mapped"
		r.Count = is.Events - is.Answered
	case turned:
		r.Verdict = rules.Fail
		r.Text = fmt.Sprintf("%s answers %s the other way round", plan.answer, plan.stimulus)
		r.NextStep = "a sign or a polarity: suspect the setting, and the definition as well"
	case ratio > otherLag:
		r.Verdict = rules.Fail
		r.NextStep = "see what delays it: the rate of the message, or the function itself"
	case ratio > sameLag:
		r.Verdict = rules.Review
		r.NextStep = "see what delays it: the rate of the message, or the function itself"
	}
	if circled {
		r.Verdict = min(r.Verdict, rules.Review)
	}
	r.BeforeExample, r.Example = j.before.quote(&was.Begin), j.after.quote(&is.Begin)
	if is.Missed && r.Verdict > rules.NotTestable {
		r.Example = j.after.quote(&is.First)
	}
	return r, true
}

func (j *judge) cycleOf(m *Message) int64 {
	if id := j.before.ids[address{m.Bus, m.ID}]; id != nil {
		return id.CycleNS
	}
	return 0
}
