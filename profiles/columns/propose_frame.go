package columns

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// findID finds the identifiers: numbers below 2^29 that come again.
func (p *Proposal) findID(t table) {
	usual := regexp.MustCompile(`^(0[xX])?([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})[xXhH]?$`)
	best, score := -1, 0
	for i := range t {
		c, s := &t[i], 1
		if i == p.Time || !c.all(hexNumber()) || c.some(func(v string) bool { return v == "" }) {
			continue
		}
		if _, counts := c.climbs(); counts {
			continue
		}
		if c.named("id", "identifier", "arbitration", "canid", "msgid") {
			s += 6
		}
		if c.all(usual) {
			s += 2
		}
		if n := c.distinct(); n > 1 && n < len(c.values) {
			s++
		}
		if s > score {
			best, score = i, s
		}
	}
	if p.ID = best; best < 0 {
		p.doubt("id", "no column looks like identifiers")
		return
	}
	p.base(&t[best])
	if score < 5 {
		p.doubt("id.column", "no name says that these are the identifiers")
	}
}

// base says how identifiers are written.
func (p *Proposal) base(c *tableColumn) {
	low := func(v string) string { return strings.ToLower(v) }
	prefixed := func(v string) bool { return strings.HasPrefix(low(v), "0x") }
	letters := func(v string) bool { return strings.ContainsAny(low(v), "abcdef") }
	switch {
	case c.some(prefixed):
		if p.Base = "hex"; c.some(func(v string) bool { return !prefixed(v) }) {
			p.Base = "prefix"
			p.doubt("id.base", "some identifiers have 0x before them: the others were taken for decimal")
		}
	case c.some(letters):
		p.Base = "hex"
	default:
		p.Base = "decimal"
		if c.some(func(v string) bool { return len(v) >= 3 && v[0] == '0' }) {
			p.Base = "hex"
		}
		p.doubt("id.base", "no identifier shows whether they are hexadecimal or decimal: "+p.Base+" is a guess")
	}
	p.Extended = "large"
	if c.some(func(v string) bool { return !prefixed(v) && strings.HasSuffix(low(v), "x") }) {
		p.Extended, p.Suffix = "suffix", "x"
	} else if p.Base == "hex" && c.some(func(v string) bool {
		return strings.TrimLeft(strings.TrimPrefix(low(v), "0x"), "0") != "" && len(strings.TrimPrefix(low(v), "0x")) == 8
	}) {
		p.Extended = "width"
	}
}

// findData finds the payload: one column of bytes, or many of one byte each.
func (p *Proposal) findData(t table) {
	short, small := regexp.MustCompile(`^(0[xX])?[0-9A-Fa-f]{1,3}$`), regexp.MustCompile(`^(0[xX])?[0-9A-Fa-f]{1,2}$`)
	for i := len(t) - 1; i > p.ID; i-- {
		c := &t[i]
		long := c.some(func(v string) bool { return len(v) > 4 })
		if i != p.Time && c.all(hexBytes()) && (long || c.named("data", "payload")) {
			p.Data, p.DataBase = i, "hex"
			p.separator(c)
			return
		}
	}
	for to := len(t) - 1; to > p.ID; to-- {
		from := to
		for from > p.ID && t[from].all(short) && from != p.Time && !t[from].isLength() {
			from--
		}
		if from++; to-from >= 3 || to >= from && t[from].named("data", "b0", "d0", "data0", "byte0", "byte", "b1", "d1", "data1", "byte1") {
			p.DataFrom, p.DataTo, p.DataBase = from, to, "hex"
			if slices.ContainsFunc(t[from:to+1], func(c tableColumn) bool { return !c.all(small) }) {
				p.DataBase = "decimal"
			}
			return
		}
	}
	p.doubt("data", "no column looks like bytes")
}

// countsRest finds out that the first column of bytes is the number of those after it.
func (p *Proposal) countsRest(rows [][]string) {
	if p.DataFrom < 0 || p.DataFrom == p.DataTo {
		return
	}
	for _, row := range rows {
		if p.DataFrom >= len(row) {
			return
		}
		n, after := 0, row[p.DataFrom+1:min(len(row), p.DataTo+1)]
		for n < len(after) && after[n] != "" {
			n++
		}
		if v, err := strconv.Atoi(row[p.DataFrom]); err != nil || v != n {
			return
		}
	}
	p.Length = p.DataFrom
	p.DataFrom++
}

// separator says what stands between bytes in one column.
func (p *Proposal) separator(c *tableColumn) {
	for _, v := range c.values {
		v = strings.TrimPrefix(strings.TrimPrefix(v, "0x"), "0X")
		if i := strings.IndexAny(v, " -:._,/"); i > 0 && v[i] != ' ' {
			p.Separator = v[i : i+1]
		}
	}
}

func (c *tableColumn) isLength() bool { return c.named("dlc", "len", "length", "size", "bytes") }

// findLength finds the column of lengths.
func (p *Proposal) findLength(t table) {
	small := regexp.MustCompile(`^\d{1,2}$`)
	for i := range t {
		c := &t[i]
		if i == p.Time || i == p.ID || p.Length == i || p.DataFrom >= 0 && i >= p.DataFrom || !c.all(small) {
			continue
		}
		if c.isLength() || p.Length < 0 && p.fits(t, i) {
			p.Length = i
		}
	}
	if p.Length >= 0 && t[p.Length].some(func(v string) bool { n, _ := strconv.Atoi(v); return n > 8 }) {
		p.doubt("length.counts", "lengths above 8 are bytes or data length codes: compare one with its data")
	}
}

// fits reports whether a column has the number of bytes of every row.
func (p *Proposal) fits(t table, column int) bool {
	if p.Data < 0 || len(t[p.Data].values) != len(t[column].values) {
		return false
	}
	for i, v := range t[column].values {
		figures := 0
		for _, r := range t[p.Data].values[i] {
			if strings.ContainsRune("0123456789abcdefABCDEF", r) {
				figures++
			}
		}
		if n, err := strconv.Atoi(v); err != nil || n*2 != figures {
			return false
		}
	}
	return true
}
