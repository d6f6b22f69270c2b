package columns

import (
	"regexp"
	"slices"
)

// flagWords are words of the trade for what a frame is, by the key of the file.
var flagWords = []struct {
	key   string
	words []string
}{
	{"rx", []string{"rx", "receive", "received"}},
	{"tx", []string{"tx", "transmit", "transmitted", "sent"}},
	{"extended", []string{"ext", "extended", "xtd", "29bit", "29-bit"}},
	{"remote", []string{"rtr", "remote"}},
	{"error", []string{"err", "error", "errorframe", "error frame"}},
	{"fd", []string{"fd", "canfd", "fdf", "can fd"}},
	{"brs", []string{"brs"}},
	{"esi", []string{"esi"}},
}

// findWords finds the bus, and columns whose words, or whose name and a yes, say
// what a frame is.
func (p *Proposal) findWords(t table) {
	for i := range t {
		c := &t[i]
		if i == p.Time || i == p.ID || i == p.Length || i == p.Data || p.DataFrom >= 0 && i >= p.DataFrom && i <= p.DataTo {
			continue
		}
		if p.Bus < 0 && c.named("bus", "channel", "ch", "chn", "chan", "interface", "network", "port") {
			p.Bus = i
			continue
		}
		for _, f := range flagWords {
			found := p.wordsOf(c, f.key, f.words)
			if len(found) > 0 && !slices.ContainsFunc(p.Flags, func(have ProposedFlag) bool { return have.Key == f.key }) {
				p.Flags = append(p.Flags, ProposedFlag{f.key, i, found})
			}
		}
	}
	if slices.ContainsFunc(p.Flags, func(f ProposedFlag) bool { return f.Key == "extended" }) {
		p.Extended, p.Suffix = "", ""
	}
}

// wordsOf lists the fields of a column that say that a frame has a flag: words
// for it, or a yes where the column is named by one.
func (p *Proposal) wordsOf(c *tableColumn, key string, words []string) []string {
	if found := c.among(words); len(found) > 0 {
		return found
	}
	if !c.named(words...) && !(key == "extended" && c.named("ide")) {
		return nil
	}
	found := c.among([]string{"1", "true", "yes", "x", "y"})
	if len(found) == 0 && c.all(regexp.MustCompile(`(?i)^(0|1|true|false|yes|no|x|y|n)$`)) {
		found = []string{"1", "true"}
		p.doubt(key+".words", "no record shows what a frame that has it is marked with")
	}
	return found
}
