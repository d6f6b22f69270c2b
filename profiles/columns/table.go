package columns

import (
	"regexp"
	"slices"
	"strconv"
	"strings"

	"plugproof/decode/pattern"
)

// cut splits a line; quotes are taken off, and what they hold is not looked into.
func cut(line, delimiter string) []string {
	if delimiter == " " {
		return strings.Fields(line)
	}
	var fields []string
	quoted, start := false, 0
	for i := 0; i <= len(line); i++ {
		switch {
		case i < len(line) && line[i] == '"':
			quoted = !quoted
		case i == len(line), !quoted && line[i] == delimiter[0]:
			fields = append(fields, strings.Trim(strings.TrimSpace(line[start:i]), `"`))
			start = i + 1
		}
	}
	return fields
}

var (
	fraction  = pattern.Late(`^-?\d+[.,]\d+([eE][-+]?\d+)?$`)
	whole     = pattern.Late(`^\d+$`)
	dayTime   = pattern.Late(`^(.*?)(\d{1,2}:\d{2}:\d{2})([.,]\d+)?( ?[AaPp][Mm])?(Z| ?[-+]\d{2}:?\d{2})?$`)
	hexNumber = pattern.Late(`^(0[xX])?[0-9A-Fa-f]{1,8}([xXhH])?$`)
	hexBytes  = pattern.Late(`^(0[xX])?[0-9A-Fa-f]{1,2}([ \-:._,/]+(0[xX])?[0-9A-Fa-f]{1,2})*$|^(0[xX])?([0-9A-Fa-f]{2})+$`)
)

// isRecord reports whether fields have a time and a number behind or before it.
func isRecord(fields []string, delimiter string) bool {
	times, numbers, figures := 0, 0, 0
	for _, f := range fields {
		if whole().MatchString(f) {
			figures++
		}
		switch {
		case fraction().MatchString(f) && !(delimiter == "," && strings.Contains(f, ",")), dayTime().MatchString(f):
			times++
		case hexNumber().MatchString(f):
			numbers++
		}
	}
	return len(fields) >= 3 && times+numbers >= 2 && numbers >= 1 && times+figures >= 1
}

// tableColumn is what the fields of one column are.
type tableColumn struct {
	name   string // small letters
	values []string
}

type table []tableColumn

func newTable(rows [][]string, names []string) table {
	var t table
	for _, row := range rows {
		for len(t) < len(row) {
			c := tableColumn{}
			if len(t) < len(names) {
				c.name = strings.ToLower(names[len(t)])
			}
			t = append(t, c)
		}
		for i, v := range row {
			t[i].values = append(t[i].values, v)
		}
	}
	return t
}

// all reports whether every field that is not empty matches, and there are any. One
// in fifty may be damaged.
func (c *tableColumn) all(re *regexp.Regexp) bool {
	some, bad := false, 0
	for _, v := range c.values {
		if v != "" && !re.MatchString(v) {
			bad++
		}
		some = some || v != ""
	}
	return some && bad*50 <= len(c.values)
}

func (c *tableColumn) some(match func(string) bool) bool { return slices.ContainsFunc(c.values, match) }

// distinct counts different values.
func (c *tableColumn) distinct() int {
	seen := map[string]bool{}
	for _, v := range c.values {
		seen[v] = true
	}
	return len(seen)
}

// named reports whether one of the words of the column's name is among those given.
func (c *tableColumn) named(words ...string) bool {
	parts := strings.FieldsFunc(c.name, func(r rune) bool { return !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9') })
	return slices.ContainsFunc(parts, func(part string) bool { return slices.Contains(words, part) })
}

// number reads a number with a point or a comma.
func number(s string) (float64, bool) {
	v, err := strconv.ParseFloat(strings.Replace(s, ",", ".", 1), 64)
	return v, err == nil
}

// climbs reports whether numbers never fall by much, and whether they only count
// the records.
func (c *tableColumn) climbs() (up, counts bool) {
	last, falls, ones, bad := 0.0, 0, 0, 0
	for i, s := range c.values {
		v, ok := number(s)
		if !ok {
			if bad++; bad*50 > len(c.values) {
				return false, false
			}
			continue
		}
		if i > 0 && v < last {
			falls++
		}
		if i > 0 && v == last+1 {
			ones++
		}
		last = v
	}
	n := len(c.values)
	return n < 2 || falls*20 <= n && c.distinct() > 1, n > 2 && ones == n-1
}

// among lists the different fields that are one of the words, in letters of either
// case.
func (c *tableColumn) among(words []string) (found []string) {
	for _, v := range c.values {
		if slices.Contains(words, strings.ToLower(v)) && !slices.Contains(found, v) {
			found = append(found, v)
		}
	}
	return found
}
