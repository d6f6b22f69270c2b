package compare

import (
	"cmp"
	"fmt"
	"slices"

	"plugproof/profiles/rules"
)

// sinceSwap puts what a person saw before and after the swap among the complaints:
// trouble codes and lamps that are new come first and outrank every figure, those
// that are gone are told.
func (j *judge) sinceSwap() {
	since := j.seen.Since(j.p.setting)
	j.res.Seen, j.res.Since = j.seen, since
	found := j.found()
	var news []Row
	if since.Codes != nil {
		for _, code := range since.Codes.New {
			news = append(news, toldRow(TroubleCode, rules.NewCode(code, j.p.setting, found)))
		}
		for i := range since.Codes.Gone {
			code := &since.Codes.Gone[i]
			e := rules.Explain(*code, j.p.setting)
			j.res.Complaints = append(j.res.Complaints, toldRow(TroubleCode, rules.Finding{
				Text: fmt.Sprintf("%s is gone since the swap", code.Name()), Listener: e.Listener, Code: &e, Count: 1,
			}))
		}
	}
	if since.Lamps != nil {
		for _, lamp := range since.Lamps.New {
			news = append(news, toldRow(Lamp, rules.NewLamp(lamp, j.p.setting, found)))
		}
		for _, lamp := range since.Lamps.Gone {
			j.res.Complaints = append(j.res.Complaints, toldRow(Lamp, rules.Finding{
				Text: fmt.Sprintf("the lamp %q is dark since the swap", lamp), Count: 1,
			}))
		}
	}
	slices.SortStableFunc(news, func(a, b Row) int { return cmp.Compare(b.Verdict, a.Verdict) })
	j.res.Complaints = slices.Concat(news, j.res.Complaints)
}

// toldRow is a row about what a person read or saw.
func toldRow(aspect Aspect, f rules.Finding) Row {
	return Row{
		Aspect: aspect, Verdict: f.Verdict, Text: f.Text, Bus: f.Bus, ID: f.ID, Message: f.Message, Signal: f.Signal,
		Sender: f.Sender, Listener: f.Listener, Functions: f.Functions, State: -1, Count: f.Count,
		NextStep: f.NextStep, Code: f.Code,
	}
}

// found gives what the captures show as findings that a code or lamp may stem from.
func (j *judge) found() []rules.Finding {
	var list []rules.Finding
	for i := range j.res.Messages {
		for k := range j.res.Messages[i].Rows {
			if r := &j.res.Messages[i].Rows[k]; r.Verdict == rules.Fail && r.Message != "" {
				list = append(list, rules.Finding{
					Rule: string(r.Aspect), Verdict: r.Verdict, Text: r.Text, Message: r.Message, Signal: r.Signal,
					Sender: r.Sender, NextStep: r.NextStep,
				})
			}
		}
	}
	return list
}
