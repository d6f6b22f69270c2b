package main

import (
	"fmt"
	"os"
	"strings"
	"unicode"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"
)

// colours marks text for a terminal, or leaves it as it is.
type colours bool

// colours are used on a terminal only, and not where NO_COLOR is set
// (no-color.org) or the terminal is a dumb one.
func (a *app) colours(out *output) colours {
	return colours(out.file == nil && isTerminal(a.stdout.w) &&
		os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb")
}

// strong makes text bold.
func (c colours) strong(s string) string {
	if !c {
		return s
	}
	return "\x1b[1m" + s + "\x1b[0m"
}

// plain puts a blank for every control character: what comes from a file must
// not move the cursor of a terminal.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, s)
}

// renderTable lays rows out in columns, two blanks apart and without any lines.
// The first row is the head; a title that begins with > is that of a column of
// figures, which go to the right.
func renderTable(rows []table.Row) string {
	w := table.NewWriter()
	w.SetStyle(table.Style{
		Box:     table.BoxStyle{PaddingRight: "  ", UnfinishedRow: " "},
		Format:  table.FormatOptions{Header: text.FormatDefault, Row: text.FormatDefault},
		Options: table.OptionsNoBordersAndSeparators,
	})
	w.SuppressTrailingSpaces()
	head := make(table.Row, len(rows[0]))
	var configs []table.ColumnConfig
	for i, cell := range rows[0] {
		title, right := strings.CutPrefix(fmt.Sprint(cell), ">")
		if right {
			configs = append(configs, table.ColumnConfig{Number: i + 1, Align: text.AlignRight, AlignHeader: text.AlignRight})
		}
		head[i] = title
	}
	w.AppendHeader(head)
	for _, row := range rows[1:] {
		cells := make(table.Row, len(row))
		for i := range row {
			cells[i] = plain(fmt.Sprint(row[i]))
		}
		w.AppendRow(cells)
	}
	w.SetColumnConfigs(configs)
	return w.Render()
}
