// Package report renders the outcome of a check, as text to read and as JSON.
package report

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"

	"plugproof/profiles/rules"
)

// Options of Text.
type Options struct {
	Colour bool // mark text for a terminal
}

// Width is the number of columns that a text keeps to. Frames as they stand in
// the capture and names of files are never broken.
const Width = 80

// Marks for a terminal (ECMA-48, "select graphic rendition").
const (
	bold   = "1"
	red    = "31"
	yellow = "33"
	green  = "32"
	faint  = "2"
)

var marks = map[rules.Verdict]string{
	rules.Fail: red, rules.Review: yellow, rules.Pass: green, rules.NotTestable: faint,
}

// page collects a text.
type page struct {
	strings.Builder
	colour bool
}

// paint marks text that is as wide as it looks.
func (p *page) paint(mark, s string) string {
	if !p.colour || s == "" {
		return s
	}
	return "\x1b[" + mark + "m" + s + "\x1b[0m"
}

func (p *page) line(format string, args ...any) { fmt.Fprintf(p, format+"\n", args...) }

// title begins a part of the text.
func (p *page) title(s string) { p.line("\n%s", p.paint(bold, s)) }

// wrapped writes text after a label, broken at blanks; the lines that follow
// stand under the first. The label is as wide as indent unless it is longer.
func (p *page) wrapped(indent int, label, text string) {
	p.marked(indent, label, "", text)
}

// marked is wrapped with a mark on the label.
func (p *page) marked(indent int, label, mark, text string) {
	pad := max(0, indent-len([]rune(label)))
	p.WriteString(p.paint(mark, label) + strings.Repeat(" ", pad))
	for i, line := range Wrap(plain(text), Width-indent) {
		if i > 0 {
			p.WriteString(strings.Repeat(" ", indent))
		}
		p.line("%s", line)
	}
}

// Wrap breaks text at blanks into lines of at most width characters. A word that
// is longer has a line of its own. It returns at least one line.
func Wrap(text string, width int) []string {
	var lines []string
	line, length := "", 0
	for word := range strings.FieldsSeq(text) {
		n := len([]rune(word))
		if length > 0 && length+1+n > width {
			lines = append(lines, line)
			line, length = "", 0
		}
		if length > 0 {
			line, length = line+" ", length+1
		}
		line, length = line+word, length+n
	}
	return append(lines, line)
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

// Grouped writes n with a comma between groups of three digits.
func Grouped(n uint64) string {
	s := strconv.FormatUint(n, 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}
