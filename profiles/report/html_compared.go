package report

import (
	"cmp"
	"fmt"
	"slices"

	"plugproof/profiles/compare"
)

// comparedCard is one identifier before and after.
type comparedCard struct {
	Name, ID, Bus, Sender string // ID is "" where it stands for the name
	Mark                  mark
	Before, After         string // usual gaps
	Frames                string
	Facts                 table
	Rows                  []comparedRow
	Figures               []*drawing
	See                   []link
}

type comparedRow struct {
	Mark         mark
	Aspect, Text string
}

// messages gives all identifiers, the most serious first.
func (b *compareBuilder) messages() (cards []comparedCard, more string) {
	order := make([]int, len(b.res.Messages))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(x, y int) int {
		return cmp.Compare(b.res.Messages[y].Verdict, b.res.Messages[x].Verdict)
	})
	if n := len(order); n > maxMessages {
		more = fmt.Sprintf("%d more identifiers came: the JSON form lists them.", n-maxMessages)
		order = order[:maxMessages]
	}
	for _, i := range order {
		cards = append(cards, b.message(i))
	}
	return cards, more
}

func (b *compareBuilder) message(i int) comparedCard {
	m := &b.res.Messages[i]
	card := comparedCard{
		Name: cmp.Or(m.Name, m.ID.String()), Bus: m.Bus, Sender: cmp.Or(m.Sender, "not known"),
		Mark: verdictMarks[m.Verdict], Before: gapWords(&m.Before), After: gapWords(&m.After),
		Frames: Grouped(m.Before.Frames) + " / " + Grouped(m.After.Frames), Facts: b.factTable(m),
	}
	if m.Name != "" {
		card.ID = m.ID.String()
	}
	rows := slices.Clone(m.Rows)
	slices.SortStableFunc(rows, func(x, y compare.Row) int { return cmp.Compare(y.Verdict, x.Verdict) })
	for k := range rows {
		r := &rows[k]
		card.Rows = append(card.Rows, comparedRow{verdictMarks[r.Verdict], string(r.Aspect), said(r.Text)})
	}
	for k := range b.res.Series {
		if s := &b.res.Series[k]; s.Message == i {
			if fig, see := b.overlay(s); fig != nil {
				card.Figures = append(card.Figures, fig)
			} else if see != nil {
				card.See = append(card.See, *see)
			}
		}
	}
	return card
}

func gapWords(f *compare.Facts) string {
	switch {
	case f.Frames == 0:
		return "gone"
	case f.MedianGap == 0:
		return "-"
	}
	return duration(f.MedianGap)
}

func (b *compareBuilder) factTable(m *compare.Message) table {
	t := table{Caption: "Before and after", Heads: []string{"", "Before", "After"}}
	add := func(name string, words func(f *compare.Facts) string) {
		t.Rows = append(t.Rows, []string{name, words(&m.Before), words(&m.After)})
	}
	gap := func(ns int64) string {
		if ns == 0 {
			return "-"
		}
		return duration(ns)
	}
	add("Frames", func(f *compare.Facts) string { return Grouped(f.Frames) })
	add("Bytes", func(f *compare.Facts) string { return fmt.Sprint(f.Length) })
	add("Usual gap", func(f *compare.Facts) string { return gap(f.MedianGap) })
	add("95 % of gaps within", func(f *compare.Facts) string { return gap(f.P95Gap) })
	add("Longest gap", func(f *compare.Facts) string { return gap(f.LongestGap) })
	add("Bits that varied, by byte", func(f *compare.Facts) string { return fmt.Sprintf("% X", f.Varying) })
	return t
}
