package profiles

import (
	"slices"
	"strings"
	"unicode"

	"plugproof/decode/dbc"
)

// NotAvailable returns the raw patterns of a signal that mean "not available":
// those of the profile, else the entries of the DBC's value table that say so.
func (s *Signal) NotAvailable(def *dbc.Signal) []uint64 {
	if len(s.SNA) > 0 || def.Length > 64 {
		return s.SNA
	}
	var patterns []uint64
	for _, v := range def.Values {
		text := strings.Map(letters, v.Text)
		if text == "sna" || text == "na" || strings.Contains(text, "notavail") {
			patterns = append(patterns, uint64(v.Value)&(^uint64(0)>>(64-def.Length)))
		}
	}
	return patterns
}

// letters makes small letters of all and drops what stands between words.
func letters(r rune) rune {
	if r == ' ' || r == '_' || r == '-' {
		return -1
	}
	return unicode.ToLower(r)
}

// Words returns the raw patterns of a quantity that have a name of their own, as
// "no request": they are no numbers. "Not available" is not among them.
func (s *Signal) Words(def *dbc.Signal) (patterns []uint64) {
	if def.Unit == "" || def.Length > 64 {
		return nil // a list of states
	}
	na := s.NotAvailable(def)
	for _, v := range def.Values {
		if pattern := uint64(v.Value) & (^uint64(0) >> (64 - def.Length)); !slices.Contains(na, pattern) {
			patterns = append(patterns, pattern)
		}
	}
	return patterns
}
