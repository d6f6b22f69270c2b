package report

import (
	"cmp"
	"strings"

	"plugproof/profiles/rules"
)

// since says what became of codes and lamps since the swap. What is new stands
// among the findings as well, with what it means.
func (v *view) since() {
	since := v.out.Since
	if since.Codes == nil && since.Lamps == nil {
		return
	}
	v.title("Codes and lamps since the swap")
	if c := since.Codes; c != nil {
		v.sinceLine("codes", codeNames(c.New), codeNames(c.Stayed), codeNames(c.Gone))
	}
	if l := since.Lamps; l != nil {
		v.sinceLine("lamps", l.New, l.Stayed, l.Gone)
	}
}

// sinceLine says in one paragraph what of something is new, still there, and gone.
func (v *view) sinceLine(what string, fresh, stayed, gone []string) {
	words := func(list []string) string { return cmp.Or(strings.Join(list, ", "), "none") }
	v.wrapped(9, "  "+what, "new: "+words(fresh)+"; still there: "+words(stayed)+"; gone: "+words(gone))
}

func codeNames(list []rules.Code) (names []string) {
	for _, c := range list {
		names = append(names, strings.TrimSpace(c.Module+" "+c.Code))
	}
	return names
}

// lampTable sets the lamps that were seen lit before and after side by side; nil:
// none were taken down.
func lampTable(before, after []string) *table {
	if before == nil && after == nil {
		return nil
	}
	return &table{
		Caption: "Lamps that were seen lit", Heads: []string{"", "Before", "After"},
		Rows: [][]string{{"Lamps", noted(before), noted(after)}},
	}
}

// noCodes says why there is no table of trouble codes.
func noCodes(before, after []rules.Code) string {
	switch {
	case before == nil && after == nil:
		return "No list of trouble codes was given."
	case before == nil || after == nil:
		return "No trouble codes in the list that was given; none was given " +
			map[bool]string{true: "from before the swap.", false: "from after it."}[before == nil]
	}
	return "No trouble codes, neither before nor after."
}

// code is a rules.Explained.
type code struct {
	Module   *string   `json:"module"`
	Code     string    `json:"code"`
	Status   *string   `json:"status"` // active, stored or pending; null: not said
	Text     *string   `json:"text"`   // of the scan tool
	Means    *string   `json:"means"`
	Missed   *string   `json:"missed"` // unit whose messages it is about
	Listener *string   `json:"listener"`
	Awaits   []awaited `json:"awaits"` // what the listener waits for of that unit
}

type awaited struct {
	Message    string    `json:"message"`
	ID         string    `json:"id"`
	Bus        string    `json:"bus"`
	Cycle      *quantity `json:"cycle"`
	Timeout    *quantity `json:"timeout"`
	Substitute *string   `json:"substitute"`
}

func newCode(e *rules.Explained) *code {
	if e == nil {
		return nil
	}
	j := &code{
		Module: text(e.Module), Code: e.Code.Code, Status: text(string(e.Status())), Text: text(e.Text), Means: text(e.Means),
		Missed: text(e.Missed), Listener: text(e.Listener), Awaits: []awaited{},
	}
	for _, a := range e.Awaits {
		w := awaited{Message: a.Message, ID: a.ID.String(), Bus: a.Bus, Substitute: text(a.Substitute)}
		if a.Cycle > 0 {
			w.Cycle = newQuantity(&rules.Quantity{Value: float64(a.Cycle) / 1e6, Unit: "ms"})
		}
		if a.Timeout > 0 {
			w.Timeout = newQuantity(&rules.Quantity{Value: float64(a.Timeout) / 1e6, Unit: "ms"})
		}
		j.Awaits = append(j.Awaits, w)
	}
	return j
}

// sinceSwap is a rules.SinceSwap; null where nobody took it down both times.
type sinceSwap struct {
	Codes *codesChange `json:"codes"`
	Lamps *lampsChange `json:"lamps"`
}

type codesChange struct {
	New    []listedCode `json:"new"`
	Stayed []listedCode `json:"stayed"`
	Gone   []listedCode `json:"gone"`
}

type listedCode struct {
	Module *string `json:"module"`
	Code   string  `json:"code"`
	Text   *string `json:"text"`
}

type lampsChange struct {
	New    []string `json:"new"`
	Stayed []string `json:"stayed"`
	Gone   []string `json:"gone"`
}

func newSince(s rules.SinceSwap) sinceSwap {
	var j sinceSwap
	codes := func(all []rules.Code) []listedCode {
		out := []listedCode{}
		for _, c := range all {
			out = append(out, listedCode{text(c.Module), c.Code, text(c.Text)})
		}
		return out
	}
	if c := s.Codes; c != nil {
		j.Codes = &codesChange{codes(c.New), codes(c.Stayed), codes(c.Gone)}
	}
	if l := s.Lamps; l != nil {
		j.Lamps = &lampsChange{list(l.New), list(l.Stayed), list(l.Gone)}
	}
	return j
}
