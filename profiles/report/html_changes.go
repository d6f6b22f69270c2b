package report

import (
	"cmp"
	"fmt"
	"slices"

	"plugproof/profiles/compare"
	"plugproof/profiles/rules"
)

// complaintCard is what one unit says.
type complaintCard struct {
	Unit  string
	Mark  mark
	Items []complaint
	Next  string
}

type complaint struct {
	Text   string
	Frames []quote
}

// remedy is what could not be judged, and what would change that.
type remedy struct{ Text, Also, Todo string }

// complaints gathers what is said by unit, in the order of the result.
func (b *compareBuilder) complaints() []complaintCard {
	var cards []complaintCard
	for _, group := range byUnit(b.res.Complaints) {
		r := group[0]
		card := complaintCard{Unit: b.complains(r), Mark: verdictMarks[r.Verdict], Next: said(r.NextStep)}
		for _, r := range group {
			card.Items = append(card.Items, complaint{said(r.Text), b.frames(r)})
		}
		cards = append(cards, card)
	}
	return cards
}

// complains names who says it, or who is said to.
func (b *compareBuilder) complains(r *compare.Row) string {
	switch {
	case r.Aspect == compare.Lamp:
		return "Lamps"
	case r.Code != nil && r.Listener == "":
		return cmp.Or(r.Code.Module, "a unit that the list does not name")
	}
	return b.unit(cmp.Or(r.Listener, r.Sender))
}

func (b *compareBuilder) unit(name string) string {
	if b.setting != nil {
		if n := b.setting.Nodes[name]; n != nil && n.Title != "" {
			return name + ", " + n.Title
		}
	}
	return cmp.Or(name, "not known who")
}

// frames quotes the frames that show a row.
func (b *compareBuilder) frames(r *compare.Row) []quote {
	var list []quote
	for _, e := range []struct {
		label string
		*rules.Example
	}{{"Frame before", r.BeforeExample}, {"Frame after", r.Example}} {
		if e.Example != nil {
			list = append(list, quote{e.label, place(e.Example, b.words.lines[e.File]), e.Raw})
		}
	}
	return list
}

// groups gives the functions by verdict, those with one reason together.
func (b *compareBuilder) groups() []functionGroup {
	titles := map[rules.Verdict]string{
		rules.Fail: "Fails", rules.Review: "Changed", rules.Pass: "As before", rules.NotTestable: "Could not be compared",
	}
	var groups []functionGroup
	for _, v := range []rules.Verdict{rules.Fail, rules.Review, rules.Pass, rules.NotTestable} {
		g := functionGroup{Mark: verdictMarks[v], Title: titles[v]}
		for i := range b.res.Functions {
			f := &b.res.Functions[i]
			if f.Verdict != v {
				continue
			}
			why := said(f.Reason)
			if v == rules.Pass {
				why = ""
			}
			at := slices.IndexFunc(g.Causes, func(c cause) bool { return c.Why == why })
			if at < 0 {
				g.Causes = append(g.Causes, cause{Why: why})
				at = len(g.Causes) - 1
			}
			g.Causes[at].Functions = append(g.Causes[at].Functions, b.band(f))
		}
		if g.Causes != nil {
			groups = append(groups, g)
		}
	}
	return groups
}

func (b *compareBuilder) band(f *compare.Function) functionBand {
	band := functionBand{Title: cmp.Or(f.Title, f.Name), Name: f.Name, Mark: verdictMarks[f.Verdict]}
	if !f.Exercised {
		band.Asked = "The capture before does not exercise it."
	}
	var rows []*compare.Row
	for _, at := range f.Rows {
		rows = append(rows, &b.res.Messages[at.Message].Rows[at.Row])
	}
	band.Rows = comparedRows(rows)
	return band
}

// comparedRows lists rows, the serious ones first; those that pass are counted.
func comparedRows(rows []*compare.Row) []comparedRow {
	var list []comparedRow
	same := 0
	for _, v := range []rules.Verdict{rules.Fail, rules.Review, rules.NotTestable} {
		for _, r := range rows {
			if r.Verdict == v {
				list = append(list, comparedRow{verdictMarks[v], string(r.Aspect), said(r.Text)})
			}
		}
	}
	for _, r := range rows {
		if r.Verdict == rules.Pass {
			same++
		}
	}
	if same > 0 {
		list = append(list, comparedRow{verdictMarks[rules.Pass], "", plural(same, "aspect") + " as before."})
	}
	return list
}

func changeID(i int) string { return fmt.Sprintf("change-%d", i+1) }

// changes gives the rows that are no pass, and says how many identifiers are as
// before.
func (b *compareBuilder) changes() (cards []findingCard, alike string) {
	for _, v := range []rules.Verdict{rules.Fail, rules.Review} {
		for _, group := range b.words.groups(v) {
			if len(cards) < maxChanges {
				cards = append(cards, b.change(len(cards), group))
			}
		}
	}
	same := 0
	for i := range b.res.Messages {
		if b.res.Messages[i].Verdict == rules.Pass {
			same++
		}
	}
	if same > 0 {
		alike = plural(same, "identifier") + " as before in every respect."
	}
	return cards, alike
}

func (b *compareBuilder) change(i int, group []*compare.Row) findingCard {
	r := group[0]
	card := findingCard{
		ID: changeID(i), Number: fmt.Sprint(i + 1), Mark: verdictMarks[r.Verdict], Rule: string(r.Aspect),
		Text: said(r.Text), Next: said(r.NextStep), Gauge: newGauge(r.Measured, r.Limit, r.LimitFrom), Frames: b.frames(r),
	}
	if len(group) > 1 {
		card.Also = "Likewise: " + named(group[1:]) + "."
	}
	add := func(name, text string) {
		if text != "" {
			card.Facts = append(card.Facts, fact{Name: name, Texts: []string{text}})
		}
	}
	if r.Before != nil {
		add("Before", figure(r.Before))
	}
	if card.Gauge == nil && r.Measured != nil {
		add("After", figure(r.Measured))
	}
	add("Sent by", r.Sender)
	add("Hurts", r.Listener)
	if r.State >= 0 && r.State < len(b.res.States) {
		add("Worst state", b.res.States[r.State].Label)
	}
	for k := range b.res.Series {
		s := &b.res.Series[k]
		if m := &b.res.Messages[s.Message]; s.Signal == r.Signal && m.ID == r.ID && m.Bus == r.Bus && r.Signal != "" {
			card.Figure, card.See = b.overlay(s)
		}
	}
	return card
}

func (b *compareBuilder) untested() []remedy {
	var list []remedy
	for _, group := range b.words.groups(rules.NotTestable) {
		r := remedy{
			Text: capital(string(group[0].Aspect)) + ": " + said(group[0].Text),
			Todo: said(cmp.Or(group[0].NextStep, "nothing")),
		}
		if len(group) > 1 {
			r.Also = "Likewise: " + named(group[1:]) + "."
		}
		list = append(list, r)
	}
	return list
}
