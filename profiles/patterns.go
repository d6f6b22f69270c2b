package profiles

import (
	"slices"
	"strings"

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
		text := strings.ToLower(strings.NewReplacer(" ", "", "_", "", "-", "").Replace(v.Text))
		if text == "sna" || text == "na" || strings.Contains(text, "notavailable") || strings.Contains(text, "notavail") {
			patterns = append(patterns, uint64(v.Value)&(^uint64(0)>>(64-def.Length)))
		}
	}
	return patterns
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
