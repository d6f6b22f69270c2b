package columns

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Format writes a proposal as a file. What could not be told stands beside its key
// as a comment.
func (p *Proposal) Format() []byte {
	var b strings.Builder
	line := func(key, text string) {
		fmt.Fprintf(&b, "%s: %s%s\n", key, text, p.doubts(key))
	}
	b.WriteString("format: 1\n")
	line("delimiter", quoted(p.Delimiter))
	if p.Skip > 0 {
		line("skip", strconv.Itoa(p.Skip))
	}
	if p.Header {
		line("header", "true")
	}
	if p.Comment != "" {
		line("comment", quoted(p.Comment))
	}
	if p.Comma {
		line("decimal", "comma")
	}
	line("time", p.keys("column", p.column(p.Time), "unit", p.Unit, "layout", p.layoutText(), "from", p.From))
	line("id", p.keys("column", p.column(p.ID), "base", p.Base, "extended", p.Extended, "suffix", p.Suffix))
	if p.Bus >= 0 {
		line("bus", p.keys("column", p.column(p.Bus)))
	}
	if p.Length >= 0 {
		line("length", p.keys("column", p.column(p.Length)))
	}
	separator := p.Separator
	if separator != "" {
		separator = quoted(separator)
	}
	to := p.DataTo
	if !p.Header && p.Length < 0 {
		to = -1 // as many as a line has
	}
	line("data", p.keys("column", p.column(p.Data), "separator", separator, "from", p.column(p.DataFrom), "to", p.column(to), "base", p.DataBase))
	for _, f := range p.Flags {
		words := make([]string, len(f.Words))
		for i, w := range f.Words {
			words[i] = quoted(w)
		}
		line(f.Key, p.keys("column", p.column(f.Column), "words", "["+strings.Join(words, ", ")+"]"))
	}
	return []byte(b.String())
}

// Unsure lists the doubts, sorted by key.
func (p *Proposal) Unsure() []string {
	var list []string
	for key, text := range p.Doubts {
		list = append(list, key+": "+text)
	}
	slices.Sort(list)
	return list
}

// doubts are the comment of a line.
func (p *Proposal) doubts(key string) string {
	var list []string
	for k, text := range p.Doubts {
		if k == key || strings.HasPrefix(k, key+".") {
			list = append(list, k+": "+text)
		}
	}
	if len(list) == 0 {
		return ""
	}
	slices.Sort(list)
	return "  # not sure of " + strings.Join(list, "; ")
}

// column is how a column is written; "": none.
func (p *Proposal) column(i int) string {
	if i < 0 {
		return ""
	}
	if p.Header && i < len(p.Names) && p.Names[i] != "" && slices.Index(p.Names, p.Names[i]) == i {
		return quoted(p.Names[i])
	}
	return strconv.Itoa(i + 1)
}

func (p *Proposal) layoutText() string {
	if p.Layout == "" {
		return ""
	}
	return quoted(p.Layout)
}

// keys writes pairs of keys and values, without those that are empty.
func (p *Proposal) keys(pairs ...string) string {
	var list []string
	for i := 0; i < len(pairs); i += 2 {
		if pairs[i+1] != "" {
			list = append(list, pairs[i]+": "+pairs[i+1])
		}
	}
	return "{" + strings.Join(list, ", ") + "}"
}

// quoted writes text so that YAML reads it as text.
func quoted(s string) string { return strconv.Quote(s) }
