package report

import (
	"cmp"
	"fmt"
	"math"

	"plugproof/profiles"
	"plugproof/profiles/compare"
)

// overlay draws a signal before and after over the axis that both captures tell
// most of; a link where it was drawn already; neither where there is nothing to
// set against each other.
func (b *compareBuilder) overlay(s *compare.Series) (*drawing, *link) {
	m := &b.res.Messages[s.Message]
	name := cmp.Or(m.Name, m.ID.String()) + "." + s.Signal
	if have := b.shown[m.Bus+name]; have != nil {
		return nil, &link{"#" + have.ID, "the plot of " + name}
	}
	axis := b.axisFor(s, profiles.SignalRef(name))
	if axis < 0 {
		return nil, nil
	}
	p := b.plot(s, axis)
	if p.flat() {
		return nil, nil
	}
	p.Title = name + " by " + b.res.Axes[axis].Title
	caption := "Mean, least and greatest value in the same state of the car"
	if s.Unit != "" {
		caption += ", in " + s.Unit
	}
	fig := b.figures.add(p, caption+".", stateTable(&p))
	if fig != nil {
		b.shown[m.Bus+name] = fig
	}
	return fig, nil
}

// axisFor is the axis with most bins that both captures have values in; none
// that the signal itself spans. -1: no axis has such a bin.
func (b *compareBuilder) axisFor(s *compare.Series, ref profiles.SignalRef) int {
	best, most := -1, 0
	for axis := range b.res.Axes {
		if b.res.Axes[axis].Signal == ref {
			continue
		}
		both := 0
		for _, p := range b.res.AlongAxis(s, axis) {
			if p.Before.N > 0 && p.After.N > 0 {
				both++
			}
		}
		if both > most {
			best, most = axis, both
		}
	}
	return best
}

// plot lays a series out along an axis: the bins that either capture has.
func (b *compareBuilder) plot(s *compare.Series, axis int) plot {
	p := plot{Unit: s.Unit, Lines: []line{{Name: "before"}, {Name: "after"}}}
	bins := b.res.Axes[axis].Bins
	for i, point := range b.res.AlongAxis(s, axis) {
		if point.Before.N == 0 && point.After.N == 0 {
			continue
		}
		label := "not known"
		if i < len(bins) {
			label = bins[i].Label
		}
		p.Bins = append(p.Bins, label)
		for k, v := range []compare.Values{point.Before, point.After} {
			l := &p.Lines[k]
			if v.N == 0 {
				v.Min, v.Max, v.Mean = math.NaN(), math.NaN(), math.NaN()
			}
			l.Min, l.Max, l.Mid = append(l.Min, v.Min), append(l.Max, v.Max), append(l.Mid, v.Mean)
		}
	}
	return p
}

// flat reports whether a plot shows one value only, before and after: a line of
// text says as much.
func (p *plot) flat() bool {
	least, most := math.Inf(1), math.Inf(-1)
	for _, l := range p.Lines {
		if lo, hi := rangeOf(l.Min, l.Max); !math.IsNaN(lo) {
			least, most = min(least, lo), max(most, hi)
		}
	}
	return least >= most
}

// stateTable gives a plot by state as text.
func stateTable(p *plot) *table {
	t := &table{Caption: p.Title, Heads: []string{"State", "Before: mean", "least to greatest", "After: mean", "least to greatest"}}
	for i, label := range p.Bins {
		row := []string{label}
		for k := range p.Lines {
			l := &p.Lines[k]
			mean := "-"
			if !math.IsNaN(l.Mid[i]) {
				mean = number(l.Mid[i])
			}
			row = append(row, mean, rangeWords(l.Min[i], l.Max[i]))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// states lists the states of either capture; nil where there is only one.
func (b *compareBuilder) states() *table {
	if len(b.res.States) < 2 {
		return nil
	}
	t := &table{Caption: "States of the car, and the frames in them", Heads: []string{"State", "Before", "After"}}
	list := b.res.States
	if len(list) > maxStates {
		t.Caption += fmt.Sprintf(" (%d of %d)", maxStates, len(list))
		list = list[:maxStates]
	}
	for i := range list {
		t.Rows = append(t.Rows, []string{list[i].Label, Grouped(list[i].Before), Grouped(list[i].After)})
	}
	return t
}
