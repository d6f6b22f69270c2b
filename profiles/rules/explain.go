package rules

import (
	"slices"
	"strings"
	"time"

	"plugproof/profiles"
)

// Awaited is a message that a unit waits for, and what it does without it.
type Awaited struct {
	Message    string
	ID         profiles.ID
	Bus        string
	Cycle      time.Duration // 0: not cyclic or not known
	Timeout    time.Duration // 0: nobody states one
	Substitute string        // what the listener does without it; ""
}

// Explained is a trouble code with what a setting makes of it.
type Explained struct {
	Code
	Means    string // in words; "" for a code that is not about the network
	Missed   string // node whose messages it is about; ""
	Listener string // node that stored it; ""
	Awaits   []Awaited
}

// Explain says which messages of a setting a code is about: those that the unit
// which stored it expects of the unit it misses. Without a setting it only says
// what the code means.
func Explain(c Code, s *profiles.Setting) Explained {
	e := Explained{Code: c, Means: c.Means()}
	if s == nil || e.Means == "" {
		return e
	}
	e.Missed, e.Listener = c.Missed(s), c.Listener(s)
	if e.Missed == "" {
		return e
	}
	for _, m := range s.Messages {
		if m.Sender != e.Missed || !m.Expected {
			continue
		}
		for _, l := range m.Listeners {
			if l.Node == e.Listener {
				e.Awaits = append(e.Awaits, Awaited{m.Name, m.ID, m.Bus, m.Cycle.Value, l.Timeout.Value, l.Substitute})
			}
		}
	}
	return e
}

// CodesChange is what became of trouble codes between two readings.
type CodesChange struct {
	New, Gone, Stayed []Code
}

// CompareCodes holds the codes after against those before. A code is the same
// when its module and its number are; the failure type and the text may differ. One
// that was only stored and is active now counts as new.
func CompareCodes(before, after []Code) CodesChange {
	var change CodesChange
	for _, c := range after {
		if slices.ContainsFunc(before, func(d Code) bool { return c.same(d) && !(c.Status() == Active && d.Status() == Past) }) {
			change.Stayed = append(change.Stayed, c)
		} else {
			change.New = append(change.New, c)
		}
	}
	for _, c := range before {
		if !slices.ContainsFunc(after, c.same) {
			change.Gone = append(change.Gone, c)
		}
	}
	return change
}

func (c Code) same(d Code) bool {
	a, _, _ := strings.Cut(c.Code, "-")
	b, _, _ := strings.Cut(d.Code, "-")
	return a == b && sameModule(c.Module, d.Module)
}

// sameModule reports whether two names mean one module: TCM is what another list
// calls gearbox. Names of several words tell units of one kind apart.
func sameModule(a, b string) bool {
	if strings.EqualFold(a, b) {
		return true
	}
	if strings.ContainsAny(a+b, " -/") {
		return false
	}
	return slices.ContainsFunc(units(), func(u unit) bool { return u.named(a) && u.named(b) })
}
