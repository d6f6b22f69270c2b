package columns

import (
	"bytes"
	"errors"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Proposal is what the first lines of delimited text look like. It is a start for
// whoever knows the program that wrote them: what could not be told is in Doubts,
// by key.
type Proposal struct {
	Delimiter string
	Skip      int
	Header    bool
	Names     []string // of the columns; nil: they have numbers only
	Comma     bool     // decimal
	Comment   string
	Time, ID  int // columns from 0; -1: not found
	Unit      string
	From      string
	Layout    string
	Base      string
	Extended  string
	Suffix    string
	Bus       int
	Length    int
	Data      int // all in one column
	Separator string
	DataFrom  int // a byte in each
	DataTo    int
	DataBase  string
	Flags     []ProposedFlag
	Doubts    map[string]string
}

// ProposedFlag is a column with words that say what a frame is.
type ProposedFlag struct {
	Key    string
	Column int
	Words  []string
}

// ErrNoTable is the reason where no proposal can be made.
var ErrNoTable = errors.New("no line of it looks like fields with a delimiter between them")

// Propose looks at the first lines of a capture, which head holds, for what their
// columns may be.
func Propose(head []byte) (*Proposal, error) {
	head = bytes.TrimPrefix(head, []byte("\xEF\xBB\xBF"))
	if bytes.IndexByte(head, 0) >= 0 {
		return nil, errors.New("it holds zeros: it is no text, or text in UTF-16")
	}
	if i := bytes.LastIndexByte(head, '\n'); i >= 0 {
		head = head[:i]
	}
	lines := strings.Split(strings.ReplaceAll(string(head), "\r", ""), "\n")
	p := &Proposal{Time: -1, ID: -1, Bus: -1, Length: -1, Data: -1, DataFrom: -1, DataTo: -1, Doubts: map[string]string{}}
	rows := p.table(lines[:min(len(lines), 400)])
	if len(rows) == 0 {
		return nil, ErrNoTable
	}
	t := newTable(rows, p.Names)
	p.findTime(t)
	p.findID(t)
	p.findData(t)
	p.countsRest(rows)
	p.findLength(t)
	p.findWords(t)
	return p, nil
}

// table finds the delimiter and the lines that are records, and what stands before
// them.
func (p *Proposal) table(lines []string) (rows [][]string) {
	for _, d := range []struct{ name, char string }{{"tab", "\t"}, {";", ";"}, {"|", "|"}, {",", ","}, {"blanks", " "}} {
		first := 0
		rows = nil
		for i, line := range lines {
			if fields := cut(line, d.char); isRecord(fields, d.char) {
				if rows == nil {
					first = i
				}
				rows = append(rows, fields)
			}
		}
		if rows == nil || len(rows)*2 < len(lines)-first {
			continue
		}
		p.Delimiter, p.Skip = d.name, first
		p.head(lines[:first], d.char, rows)
		return rows
	}
	return nil
}

// head says what the lines before the records are.
func (p *Proposal) head(lines []string, delimiter string, rows [][]string) {
	width := 0
	for _, row := range rows {
		width = max(width, len(row))
	}
	for i, line := range slices.Backward(lines) {
		fields := cut(line, delimiter)
		if len(fields) < 3 || len(fields) < width/2 {
			continue
		}
		if i == len(lines)-1 && !strings.HasPrefix(line, "#") {
			p.Header, p.Names, p.Skip = true, fields, i
		}
		break
	}
	for _, mark := range []string{"#", "//", "%"} {
		if slices.ContainsFunc(lines, func(line string) bool { return strings.HasPrefix(line, mark) }) {
			p.Comment = mark
		}
	}
}

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
	fraction  = regexp.MustCompile(`^-?\d+[.,]\d+([eE][-+]?\d+)?$`)
	whole     = regexp.MustCompile(`^\d+$`)
	dayTime   = regexp.MustCompile(`^(.*?)(\d{1,2}:\d{2}:\d{2})([.,]\d+)?( ?[AaPp][Mm])?(Z| ?[-+]\d{2}:?\d{2})?$`)
	hexNumber = regexp.MustCompile(`^(0[xX])?[0-9A-Fa-f]{1,8}([xXhH])?$`)
	hexBytes  = regexp.MustCompile(`^(0[xX])?[0-9A-Fa-f]{1,2}([ \-:._,/]+(0[xX])?[0-9A-Fa-f]{1,2})*$|^(0[xX])?([0-9A-Fa-f]{2})+$`)
)

// isRecord reports whether fields have a time and a number behind or before it.
func isRecord(fields []string, delimiter string) bool {
	times, numbers, figures := 0, 0, 0
	for _, f := range fields {
		if whole.MatchString(f) {
			figures++
		}
		switch {
		case fraction.MatchString(f) && !(delimiter == "," && strings.Contains(f, ",")), dayTime.MatchString(f):
			times++
		case hexNumber.MatchString(f):
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

func (p *Proposal) doubt(key, text string) { p.Doubts[key] = text }

// findTime finds the stamps: a column that is named so, else one that climbs.
func (p *Proposal) findTime(t table) {
	best, score := -1, 0
	for i := range t {
		c, s := &t[i], 0
		up, counts := c.climbs()
		switch {
		case c.all(dayTime):
			s = 3
		case c.all(fraction) && up:
			s = 3
		case c.all(whole) && up && !counts:
			s = 1
		case c.named("time", "timestamp", "stamp") && (up || c.all(fraction)):
			s = 1
		}
		if s > 0 && c.named("time", "timestamp", "stamp", "seconds", "sec", "ms", "us", "abs", "rel") {
			s += 3
		}
		if s > score {
			best, score = i, s
		}
	}
	if p.Time = best; best < 0 {
		p.doubt("time", "no column looks like stamps")
		return
	}
	c := &t[best]
	p.Comma = p.Delimiter != "," && c.some(func(v string) bool { return strings.Contains(v, ",") })
	if c.all(dayTime) {
		p.layout(c)
		return
	}
	p.unit(c)
}

// units by the words that name them and what they are of a second.
var units = []struct {
	unit   string
	words  []string
	second float64
}{
	{"s", []string{"s", "sec", "secs", "second", "seconds"}, 1},
	{"ms", []string{"ms", "msec", "millis", "milliseconds"}, 1e3},
	{"us", []string{"us", "usec", "micros", "microseconds"}, 1e6},
	{"ns", []string{"ns", "nsec", "nanos", "nanoseconds"}, 1e9},
}

// unit says what one of the stamps' numbers is.
func (p *Proposal) unit(c *tableColumn) {
	up, _ := c.climbs()
	if !up {
		p.From = "record"
		p.doubt("time.from", "the stamps fall as often as they climb, so they look like gaps between records")
	}
	first, _ := number(c.values[0])
	last, _ := number(c.values[len(c.values)-1])
	for _, u := range units {
		if v := first / u.second; up && v > 1e9 && v < 4e9 { // 2001 to 2096 in seconds
			p.Unit, p.From = u.unit, "epoch"
			return
		}
	}
	for _, u := range units {
		if c.named(u.words...) {
			p.Unit = u.unit
			return
		}
	}
	p.Unit = "s"
	if gap := (last - first) / float64(max(1, len(c.values)-1)); !c.all(fraction) {
		for _, u := range units {
			p.Unit = u.unit
			if gap/u.second < 0.05 { // a car's bus carries 20 frames a second at least
				break
			}
		}
	}
	p.doubt("time.unit", "no name says the unit: compare the length of the capture with what survey says")
}

// layout says how dates and times of day are written.
func (p *Proposal) layout(c *tableColumn) {
	at := slices.IndexFunc(c.values, dayTime.MatchString)
	m := dayTime.FindStringSubmatch(c.values[at])
	p.Layout = "hh:mm:ss"
	if strings.TrimSpace(m[4]) != "" {
		p.Layout += strings.Repeat(" ", len(m[4])-2) + "AP"
	}
	if m[1] == "" {
		p.doubt("time.layout", "times of day have no date: day: says which it was; wraps: midnight where the capture goes on over midnight")
		return
	}
	parts := regexp.MustCompile(`\d+|[^\d]+`).FindAllString(m[1], -1)
	order := []string{"DD", "MM", "YYYY"}
	switch {
	case len(parts) < 5:
		order = nil
	case len(parts[0]) == 4:
		order = []string{"YYYY", "MM", "DD"}
	case len(parts[4]) == 2:
		order[2] = "YY"
	}
	words := func(r rune) bool { return r != 'T' && (r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z') }
	if order == nil || len(parts) > 6 || strings.ContainsFunc(m[1], words) {
		p.doubt("time.layout", "the date is not understood: write YYYY, MM, DD, hh, mm, ss for its parts")
		return
	}
	if order[0] == "DD" {
		if second := parts[2]; second > "12" && len(second) == 2 {
			order[0], order[1] = "MM", "DD"
		} else if first := parts[0]; !(first > "12" && len(first) == 2) {
			p.doubt("time.layout", "it cannot be told whether the day or the month comes first")
		}
	}
	var text strings.Builder
	for i, part := range parts {
		if i%2 == 0 && i/2 < len(order) {
			part = order[i/2]
		}
		text.WriteString(part)
	}
	p.Layout = text.String() + p.Layout
}

// findID finds the identifiers: numbers below 2^29 that come again.
func (p *Proposal) findID(t table) {
	usual := regexp.MustCompile(`^(0[xX])?([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})[xXhH]?$`)
	best, score := -1, 0
	for i := range t {
		c, s := &t[i], 1
		if i == p.Time || !c.all(hexNumber) || c.some(func(v string) bool { return v == "" }) {
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
		if i != p.Time && c.all(hexBytes) && (long || c.named("data", "payload")) {
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
			found := p.flagWords(c, f.key, f.words)
			if len(found) > 0 && !slices.ContainsFunc(p.Flags, func(have ProposedFlag) bool { return have.Key == f.key }) {
				p.Flags = append(p.Flags, ProposedFlag{f.key, i, found})
			}
		}
	}
	if slices.ContainsFunc(p.Flags, func(f ProposedFlag) bool { return f.Key == "extended" }) {
		p.Extended, p.Suffix = "", ""
	}
}

// flagWords lists the fields of a column that say that a frame has a flag: words
// for it, or a yes where the column is named by one.
func (p *Proposal) flagWords(c *tableColumn, key string, words []string) []string {
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
