package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"plugproof/profiles/rules"
	"plugproof/replay/exercise"
)

func (b *exerciser) write(out *output) error {
	if b.format == "json" {
		return writeJSON(out, b.document())
	}
	for i := range b.done {
		if i > 0 {
			fmt.Fprintln(out) // Commit reports a failed write
		}
		b.writeOutcome(out, &b.done[i])
	}
	b.writeCannot(out)
	_, err := fmt.Fprintf(out, "\nThe same values again: --seed %d\n", b.seed)
	return err
}

func (b *exerciser) writeOutcome(w io.Writer, o *exercise.Outcome) {
	fmt.Fprintf(w, "%s: %s\n%s.\n", o.Title, strings.ToUpper(o.Verdict.String()), sentence(o.Text))
	if o.NextStep != "" {
		fmt.Fprintf(w, "Next: %s.\n", o.NextStep)
	}
	rows := []table.Row{{"what was sent", ">value", ">should show", ">seen", "verdict"}}
	for _, s := range o.Steps {
		rows = append(rows, table.Row{s.What, valueText(s.Sent), s.Expected, s.Seen, s.Verdict})
	}
	if len(rows) > 1 {
		fmt.Fprintln(w, renderTable(rows))
	}
}

// writeCannot lists what cannot be exercised.
func (b *exerciser) writeCannot(w io.Writer) {
	if len(b.cannot) == 0 {
		return
	}
	fmt.Fprintln(w, "\nNot exercised:")
	for _, line := range b.cannot {
		fmt.Fprintf(w, "  %s\n", line)
	}
}

// sentence begins with a capital letter.
func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// valueText writes a value, "" for none.
func valueText(v float64) string {
	if math.IsNaN(v) {
		return ""
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// exerciseDocument is the output of exercise --format json.
type exerciseDocument struct {
	Schema    string          `json:"schema"`
	Version   string          `json:"tool_version"`
	Profile   string          `json:"profile"`
	Seed      string          `json:"seed"`
	Functions []exercisedJSON `json:"functions"`
	Cannot    []string        `json:"not_exercised"`
}

type exercisedJSON struct {
	Function string        `json:"function"`
	Title    string        `json:"title"`
	Verdict  rules.Verdict `json:"verdict"`
	Text     string        `json:"text"`
	NextStep string        `json:"next_step"`
	Steps    []stepJSON    `json:"steps"`
}

type stepJSON struct {
	What     string        `json:"what"`
	Sent     *float64      `json:"sent"` // null: not available, or nothing
	Expected string        `json:"expected"`
	Seen     string        `json:"seen"`
	Verdict  rules.Verdict `json:"verdict"`
}

func (b *exerciser) document() exerciseDocument {
	d := exerciseDocument{
		Schema: "plugproof/exercise/1", Version: toolVersion, Profile: b.profile, Seed: strconv.FormatUint(b.seed, 10),
		Functions: []exercisedJSON{}, Cannot: append([]string{}, b.cannot...),
	}
	for _, o := range b.done {
		j := exercisedJSON{Function: o.Function, Title: o.Title, Verdict: o.Verdict, Text: o.Text, NextStep: o.NextStep, Steps: []stepJSON{}}
		for _, s := range o.Steps {
			step := stepJSON{What: s.What, Expected: s.Expected, Seen: s.Seen, Verdict: s.Verdict}
			if !math.IsNaN(s.Sent) {
				step.Sent = &s.Sent
			}
			j.Steps = append(j.Steps, step)
		}
		d.Functions = append(d.Functions, j)
	}
	return d
}
