package decode

import (
	"cmp"
	"math"
	"slices"

	"plugproof/decode/dbc"
)

// labels finds the text of a raw value. Tables without wide gaps are a plain
// slice, the others are searched.
type labels struct {
	first uint64
	dense []string
	far   []label // sorted by raw
}

type label struct {
	raw  uint64
	text string
}

// maxSpread is how many slots a plain slice may have for each of its texts.
const maxSpread = 8

// Label returns the text that the signal's value table has for a raw value (as
// in Value.Raw), "" when it has none. Tables written with the other sign are
// understood: 255 and -1 name the same bits of an 8-bit signal, unless the
// table has a text for the number proper.
func (s *Signal) Label(raw uint64) string {
	if len(s.Def.Values) == 0 {
		return ""
	}
	if s.kind >= single {
		return s.floatLabel(raw)
	}
	return s.labels.find(raw & s.mask)
}

// floatLabel serves floats whose value is an integer of the table.
func (s *Signal) floatLabel(raw uint64) string {
	if s.kind == manyBits {
		return ""
	}
	x := math.Float64frombits(raw)
	if s.kind == single {
		x = float64(math.Float32frombits(uint32(raw)))
	}
	if x != math.Trunc(x) || math.Abs(x) > 1<<53 {
		return ""
	}
	return s.labels.find(uint64(int64(x)))
}

func (l *labels) find(raw uint64) string {
	if i := raw - l.first; i < uint64(len(l.dense)) {
		return l.dense[i]
	}
	if len(l.far) == 0 {
		return ""
	}
	i, ok := slices.BinarySearchFunc(l.far, raw, func(a label, v uint64) int { return cmp.Compare(a.raw, v) })
	if !ok {
		return ""
	}
	return l.far[i].text
}

// setLabels builds the table. A text for a number that the signal cannot hold is left out.
func (s *Signal) setLabels() {
	texts := make(map[uint64]string)
	for _, own := range [...]bool{true, false} { // numbers proper before those of the other sign
		for _, v := range s.Def.Values {
			raw, proper, ok := s.labelled(v)
			if _, taken := texts[raw]; ok && proper == own && !taken {
				texts[raw] = v.Text
			}
		}
	}
	list := make([]label, 0, len(texts))
	for raw, text := range texts {
		list = append(list, label{raw, text})
	}
	slices.SortFunc(list, func(a, b label) int { return cmp.Compare(a.raw, b.raw) })
	if len(list) == 0 {
		return
	}
	first, last := list[0].raw, list[len(list)-1].raw
	if last-first >= uint64(maxSpread*len(list)) {
		s.labels.far = list
		return
	}
	s.labels = labels{first: first, dense: make([]string, last-first+1)}
	for _, l := range list {
		s.labels.dense[l.raw-first] = l.text
	}
}

// labelled returns the bits that an entry of the value table names, and whether
// it writes them with the sign of the signal. ok is false when no bits of the
// signal's length can mean the number.
func (s *Signal) labelled(v dbc.ValueText) (raw uint64, proper, ok bool) {
	length := s.Def.Length
	if s.kind >= single || length >= 64 {
		return uint64(v.Value), true, true
	}
	half := int64(1) << (length - 1)
	raw = uint64(v.Value) & s.mask
	proper = v.Value >= 0
	if s.sign != 0 {
		proper = v.Value < half
	}
	return raw, proper, v.Value >= -half && (v.Value < 0 || uint64(v.Value) == raw)
}
