package job

import (
	"fmt"
	"slices"

	"plugproof/profiles/rules"
)

// Judged adds to an entry what a check of it found: the verdict, every finding
// in a line, and what must be done again before the rest can be judged.
func Judged(e Entry, setting string, r *rules.Result) Entry {
	e.Setting, e.Verdict = setting, r.Verdict.String()
	e.Findings, e.Repeat, e.Next = nil, nil, ""
	for _, f := range r.Findings {
		e.Findings = append(e.Findings, fmt.Sprintf("%s: %s: %s", f.Verdict, f.Rule, f.Text))
		if e.Next == "" {
			e.Next = f.NextStep
		}
	}
	for _, stage := range r.Missing {
		e.Repeat = append(e.Repeat, "the stage "+stage)
	}
	if len(r.Missing) > 0 {
		return e // what else is not testable hangs on them
	}
	for _, f := range r.Functions {
		if f.Verdict == rules.NotTestable {
			e.Repeat = append(e.Repeat, fmt.Sprintf("%s could not be judged: %s", f.Title, f.Why))
		}
	}
	return e
}

// Scope is where a capture of a moment was taken.
func (m Moment) Scope() rules.Scope {
	if m == Bench {
		return rules.ECUOnBench
	}
	return rules.Car
}

// Valid reports whether it is one of Moments.
func (m Moment) Valid() bool { return slices.Contains(Moments(), m) }
