package main

import (
	"fmt"
	"io"
	"math"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"plugproof/profiles/moved"
)

// nameDocument is the result of profiles name.
type nameDocument struct {
	profilesDocument
	Captures   []inputFile    `json:"captures"`
	Moved      string         `json:"moved"`
	Told       bool           `json:"told"`
	Fields     int            `json:"fields_looked_at"`
	Guarded    int            `json:"identifiers_with_counter_or_checksum"`
	Proposals  []nameProposal `json:"proposals"`
	Record     []string       `json:"record"`
	Remarks    []string       `json:"remarks"`
	Written    *writtenName   `json:"written,omitempty"`
	NotWritten string         `json:"not_written,omitempty"`
}

type writtenName struct {
	File string `json:"file"`
	Line string `json:"line"`
}

type nameProposal struct {
	Number   int      `json:"number"`
	Bus      string   `json:"bus"`
	ID       string   `json:"id"`
	Field    string   `json:"field"`
	Start    int      `json:"start_bit"`
	Length   int      `json:"length_bits"`
	Moving   int      `json:"moving_bits"`
	Order    string   `json:"byte_order"`
	Signed   bool     `json:"signed"`
	Factor   float64  `json:"factor"`
	Offset   float64  `json:"offset"`
	Unit     string   `json:"unit"`
	ScaledBy string   `json:"scale_from"`
	RawRest  float64  `json:"raw_at_rest"`
	RawLow   float64  `json:"raw_least"`
	RawHigh  float64  `json:"raw_greatest"`
	Score    float64  `json:"score"`
	Chance   float64  `json:"chance"`
	Tied     bool     `json:"tied"`
	CopyOf   int      `json:"copy_of,omitempty"` // the number of another proposal
	Why      []string `json:"why"`
}

func newNameDocument(what string, res *moved.Result) *nameDocument {
	doc := &nameDocument{
		profilesDocument: profilesDocument{"plugproof/profiles-name/1", toolVersion},
		Captures:         []inputFile{}, Moved: what, Told: res.Told, Fields: res.Fields, Guarded: res.Guarded,
		Proposals: []nameProposal{}, Record: append([]string{}, res.Record...), Remarks: append([]string{}, res.Remarks...),
	}
	for _, r := range res.Reports {
		doc.Captures = append(doc.Captures, inputFile{r.Path, r.Size, r.SHA256})
	}
	for i, p := range res.Proposals {
		doc.Proposals = append(doc.Proposals, nameProposal{
			Number: i + 1, Bus: p.Bus, ID: p.ID.String(), Field: p.Field.String(),
			Start: p.Field.Start, Length: p.Field.Length, Moving: p.Moving, Order: p.Field.OrderName(), Signed: p.Field.Signed,
			Factor: p.Scale.Factor, Offset: p.Scale.Offset, Unit: p.Scale.Unit, ScaledBy: p.Scale.From,
			RawRest: p.Rest, RawLow: p.Low, RawHigh: p.High,
			Score: math.Round(p.Score*1000) / 1000, Chance: p.Chance, Tied: p.Tied, CopyOf: p.CopyOf + 1, Why: p.Why,
		})
	}
	return doc
}

// mostShown is how many proposals a text lists; a JSON document has all.
const mostShown = 12

func writeName(w io.Writer, c colours, doc *nameDocument) {
	writeLine(w, c.strong(doc.headline()), 2)
	if len(doc.Proposals) > 0 {
		fmt.Fprintln(w)
		fmt.Fprintln(w, renderTable(doc.rows()))
		if more := len(doc.Proposals) - mostShown; more > 0 {
			fmt.Fprintf(w, "and %d more: --format json lists them\n", more)
		}
		first := doc.Proposals[0]
		fmt.Fprintf(w, "\nNumber 1\n")
		for _, line := range first.Why {
			writeLine(w, "  "+line, 4)
		}
		writeLine(w, fmt.Sprintf("  raw %g at rest, %g to %g where it moved", first.RawRest, first.RawLow, first.RawHigh), 4)
		if first.Moving < first.Length {
			writeLine(w, fmt.Sprintf("  %d of its %d bits moved: those above are a guess", first.Moving, first.Length), 4)
		}
	}
	for _, title := range []struct {
		name  string
		lines []string
	}{{"To tell more", doc.Record}, {"Remarks", doc.Remarks}} {
		if len(title.lines) > 0 {
			fmt.Fprintf(w, "\n%s\n", title.name)
			for _, line := range title.lines {
				writeLine(w, "  "+line, 4)
			}
		}
	}
	switch {
	case doc.Written != nil:
		fmt.Fprintf(w, "\nWritten to %s\n  %s\n", plain(doc.Written.File), plain(doc.Written.Line))
	case doc.NotWritten != "":
		fmt.Fprintf(w, "\nNothing written: %s\n", doc.NotWritten)
	}
}

// headline says in one line what was found.
func (doc *nameDocument) headline() string {
	if !doc.Told {
		return fmt.Sprintf("%s: this capture cannot tell (%s looked at)", doc.Moved, plural(doc.Fields, "field"))
	}
	p := &doc.Proposals[0]
	ties := 0
	for _, other := range doc.Proposals[1:] {
		if other.Tied && other.CopyOf != 1 {
			ties++
		}
	}
	text := fmt.Sprintf("%s: %s on %s, bits %s, score %.2f, chance %.1g", doc.Moved, p.ID, p.Bus, p.Field, p.Score, p.Chance)
	if ties > 0 {
		text += fmt.Sprintf("; tied with %d more", ties)
	}
	return text
}

func (doc *nameDocument) rows() []table.Row {
	rows := []table.Row{{">", ">score", ">chance", "bus", "id", "bits", "scale", ""}}
	for _, p := range doc.Proposals[:min(len(doc.Proposals), mostShown)] {
		note := ""
		switch {
		case p.CopyOf > 0:
			note = fmt.Sprintf("says the same as %d", p.CopyOf)
		case p.Tied:
			note = "tied"
		}
		rows = append(rows, table.Row{p.Number, fmt.Sprintf("%.2f", p.Score), fmt.Sprintf("%.1g", p.Chance), p.Bus, p.ID, p.Field, p.scale(), note})
	}
	return rows
}

// scale writes "x 0.4 - 48 %".
func (p *nameProposal) scale() string {
	if p.ScaledBy == "" {
		return "not known"
	}
	text := fmt.Sprintf("x %g", p.Factor)
	if p.Offset != 0 {
		text += fmt.Sprintf(" %+g", p.Offset)
	}
	return strings.TrimSpace(text + " " + p.Unit)
}
