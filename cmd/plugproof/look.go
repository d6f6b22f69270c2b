package main

import (
	"fmt"
	"os"
	"strings"

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
	w.AppendRows(rows[1:])
	w.SetColumnConfigs(configs)
	return w.Render()
}
