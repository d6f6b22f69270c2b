package report

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"plugproof/profiles"
	"plugproof/profiles/rules"
)

// timeline is the stages of the capture script over the time of the captures.
type timeline struct {
	Rows  []stageRow
	Ticks []tick
}

// stageRow is one stage: where it was, or how to get it.
type stageRow struct {
	Name      string
	Present   bool
	Bars      []bar
	When      []string // "3.4 to 8.4 s"
	How       string   // how it was found
	Todo      string   // how to add it
	Functions string   // that it exercises
}

// bar is a stretch of the time axis, in percent of it.
type bar struct{ X, Width string }

// tick is a label of the time axis.
type tick struct{ X, Anchor, Label string }

func (b *checkBuilder) timeline() timeline {
	out := b.out
	t := timeline{Ticks: ticks(float64(out.End-out.Start) / 1e9)}
	todo := map[string]string{}
	for i := range out.NotTestable {
		if f := &out.NotTestable[i]; f.Stage != "" {
			todo[f.Stage] = said(f.NextStep)
		}
	}
	for _, name := range profiles.StageNames() {
		row := stageRow{Name: name, Functions: b.exercises(name), Todo: todo[name]}
		for _, span := range out.Stages {
			if span.Stage != name {
				continue
			}
			row.Present, row.Todo = true, ""
			row.Bars = append(row.Bars, b.bar(span.Start, span.End))
			row.When = append(row.When, fmt.Sprintf("%.1f to %.1f s", float64(span.Start-out.Start)/1e9, float64(span.End-out.Start)/1e9))
			row.How = string(span.Source)
			if len(span.RestsOn) > 0 {
				row.How += " by " + strings.Join(span.RestsOn, ", ")
			}
		}
		if row.Present || row.Todo != "" {
			t.Rows = append(t.Rows, row)
		}
	}
	return t
}

func (b *checkBuilder) bar(start, end int64) bar {
	whole := float64(max(1, b.out.End-b.out.Start))
	// A hair's breadth at least, so that a short stage is seen.
	return bar{
		fmt.Sprintf("%.3f%%", 100*float64(start-b.out.Start)/whole),
		fmt.Sprintf("%.3f%%", max(0.4, 100*float64(end-start)/whole)),
	}
}

// exercises lists the functions that a stage exercises.
func (b *checkBuilder) exercises(stage string) string {
	var titles []string
	for _, name := range slices.Sorted(maps.Keys(b.out.Setting.Functions)) {
		f := b.out.Setting.Functions[name]
		if slices.Contains(f.Stages, stage) || len(f.Stages) == 0 && stage == "key-on" {
			titles = append(titles, cmp.Or(f.Title, name))
		}
	}
	return strings.Join(titles, "; ")
}

// ticks labels a time axis of so many seconds at its quarters.
func ticks(seconds float64) []tick {
	list := []tick{
		{X: "0%", Anchor: "start"},
		{X: "25%", Anchor: "middle"},
		{X: "50%", Anchor: "middle"},
		{X: "75%", Anchor: "middle"},
		{X: "100%", Anchor: "end"},
	}
	for i := range list {
		list[i].Label = tenth(seconds*float64(i)/4) + " s"
	}
	return list
}

// worst returns the most serious verdict on a message, Pass without a finding.
func (b *checkBuilder) worst(message string) rules.Verdict {
	worst := rules.Pass
	for i := range b.out.Findings {
		if f := &b.out.Findings[i]; f.Message == message && f.Sender != f.Listener {
			worst = max(worst, f.Verdict)
		}
	}
	return worst
}
