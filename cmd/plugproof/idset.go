package main

import (
	"fmt"
	"strconv"
	"strings"

	"plugproof/decode/can"
)

// idHelp explains how identifiers are written.
const idHelp = `Identifiers are written in hexadecimal: 0x201, or a range 0x400-0x4FF. Up to
three digits are an 11-bit identifier, more a 29-bit one (0x00000201).`

// idRange is an inclusive range of identifiers of one length.
type idRange struct {
	from, to uint32
	extended bool
}

// holds reports whether a data or remote frame has an identifier in the range.
func (r idRange) holds(f *can.Frame) bool {
	return !f.Is(can.Error) && f.Is(can.Extended) == r.extended && r.from <= f.ID && f.ID <= r.to
}

// looksLikeID tells an identifier from a name.
func looksLikeID(text string) bool {
	return strings.HasPrefix(text, "0x") || strings.HasPrefix(text, "0X")
}

// parseIDs parses the forms of idHelp.
func parseIDs(list []string) ([]idRange, error) {
	ranges := make([]idRange, 0, len(list))
	for _, text := range list {
		r, err := parseIDRange(text)
		if err != nil {
			return nil, err
		}
		ranges = append(ranges, r)
	}
	return ranges, nil
}

func parseIDRange(text string) (idRange, error) {
	lo, hi, isRange := strings.Cut(text, "-")
	if !isRange {
		hi = lo
	}
	from, extended, err := parseID(lo)
	if err != nil {
		return idRange{}, err
	}
	to, alsoExtended, err := parseID(hi)
	if err != nil {
		return idRange{}, err
	}
	if extended != alsoExtended || to < from {
		return idRange{}, hint(fmt.Errorf("not a range of identifiers: %q", text),
			"the lower end comes first, and both ends have the same number of bits")
	}
	return idRange{from, to, extended}, nil
}

func parseID(text string) (id uint32, extended bool, err error) {
	v, perr := strconv.ParseUint(text, 0, 32)
	digits := len(text) - len("0x")
	extended = digits > 3
	switch {
	case !looksLikeID(text) || perr != nil || digits > 8 || strings.Contains(text, "_"):
		return 0, false, hint(fmt.Errorf("not an identifier: %q", text), "write it as 0x201, or 0x00000201 for 29 bits")
	case extended && v > can.MaxExtendedID, !extended && v > can.MaxStandardID:
		return 0, false, hint(fmt.Errorf("identifier out of range: %q", text), "11 bits end at 0x7FF, 29 bits at 0x1FFFFFFF")
	}
	return uint32(v), extended, nil
}
