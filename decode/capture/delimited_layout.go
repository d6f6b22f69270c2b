package capture

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"plugproof/decode/can"
)

// columnLayout is Columns with the header of a capture applied. Columns count from
// 0, -1 being none. It is not written to: several goroutines read by it.
type columnLayout struct {
	delimiter byte
	empty     string // what a row without content is made of
	comma     bool
	headLines uint32 // lines before the first record
	header    []byte // the header line, as it may come again; nil: none
	comment   []byte
	least     int // fields that every record has
	most      int // fields looked at

	time     TimeColumn
	layout   *timeLayout // nil: stamps are numbers
	absolute bool

	at, id, length, bus int
	ids                 IDColumn
	suffix              []byte
	lengths             LengthColumn
	busName             []byte
	busNames            map[string][]byte

	data, from, to int // one column, or from and to it; to is -1 where not said
	separator      byte
	base           Base

	flags   []flagLayout
	only    *flagLayout
	flagged can.Flags // that columns tell
}

type flagLayout struct {
	flag   can.Flags
	column int
	words  [][]byte
	mask   uint64
}

// HeaderError is a column that the header of a capture does not have.
type HeaderError struct {
	Column Column
	Line   int
	Have   []string
}

// Error names the column and those there are.
func (e *HeaderError) Error() string {
	have := make([]string, 0, len(e.Have))
	for _, name := range e.Have[:min(len(e.Have), 20)] {
		have = append(have, fmt.Sprintf("%q", name[:min(len(name), 40)]))
	}
	return fmt.Sprintf("the header in line %d has no column %v, but %s", e.Line, e.Column, strings.Join(have, ", "))
}

var errNoHeader = errors.New("it ends before the header")

// layout applies the columns to the header, which is to be in head.
func (c *Columns) layout(head []byte) (*columnLayout, error) {
	if err := c.Check(); err != nil {
		return nil, err
	}
	names, line, err := c.header(head)
	if err != nil {
		return nil, err
	}
	l := &columnLayout{
		delimiter: c.Delimiter, empty: " \t" + string(rune(c.Delimiter)), comma: c.DecimalComma, headLines: uint32(c.Skip), comment: []byte(c.Comment),
		time: c.Time, ids: c.ID, suffix: []byte(c.ID.Suffix), lengths: c.Length,
		busName: []byte(c.Bus.Name), busNames: map[string][]byte{},
		separator: c.Data.Separator, base: c.Data.Base,
	}
	if c.Header {
		l.headLines++
		l.header = bytes.Clone(line)
	}
	if len(l.busName) == 0 {
		l.busName = []byte("can0")
	}
	for field, name := range c.Bus.Names {
		l.busNames[field] = []byte(name)
	}
	if c.Time.Layout != "" {
		l.layout, _ = compileLayout(c.Time.Layout) // Check did
	}
	l.absolute = c.Time.From == FromEpoch || c.Time.Day != 0 || l.layout != nil && l.layout.date
	return l, l.find(c, names)
}

// header returns the names of the columns and the line they stand in.
func (c *Columns) header(head []byte) (names []string, line []byte, err error) {
	if !c.Header {
		return nil, nil, nil
	}
	rest := bytes.TrimPrefix(head, byteOrderMark)
	for range c.Skip + 1 {
		var whole bool
		if line, rest, whole = bytes.Cut(rest, []byte("\n")); !whole {
			return nil, nil, errNoHeader
		}
	}
	split := newDelimited(&columnLayout{delimiter: c.Delimiter, most: maxFields}, busNames{})
	if split.split(trimEnd(line)) != good {
		return nil, nil, fmt.Errorf("the header in line %d has a quoted field that does not end", c.Skip+1)
	}
	for _, field := range split.fields {
		names = append(names, string(field))
	}
	return names, line, nil
}

// find looks up every column.
func (l *columnLayout) find(c *Columns, names []string) error {
	index := map[Column]int{{}: -1}
	for _, col := range c.all() {
		i := col.Number - 1
		if col.Name != "" {
			if i = indexOf(names, col.Name); i < 0 {
				return &HeaderError{col, c.Skip + 1, names}
			}
		}
		index[col] = i
	}
	l.at, l.id, l.length, l.bus = index[c.Time.Column], index[c.ID.Column], index[c.Length.Column], index[c.Bus.Column]
	l.data, l.from, l.to = index[c.Data.Column], index[c.Data.From], index[c.Data.To]
	if l.to >= 0 && (l.to < l.from || l.to >= l.from+can.MaxFDLen) {
		return &ColumnsFault{"data.to", fmt.Sprintf("from %v to %v are not 1 to 64 columns", c.Data.From, c.Data.To), ""}
	}
	for i := range c.Flags {
		l.flags = append(l.flags, flagOf(&c.Flags[i], index))
		l.flagged |= c.Flags[i].Flag
		l.most = max(l.most, l.flags[i].column)
	}
	if c.Only != nil {
		only := flagOf(c.Only, index)
		l.only = &only
		l.most = max(l.most, only.column)
	}
	l.least = max(l.at, l.id, l.length, l.bus)
	end := l.to
	if l.from >= 0 && l.to < 0 {
		end = l.from + can.MaxFDLen - 1
	}
	l.most = max(l.most, l.least, l.data, end) + 1
	l.least++
	return nil
}

func flagOf(f *FlagColumn, index map[Column]int) flagLayout {
	one := flagLayout{flag: f.Flag, column: index[f.Column], mask: f.Mask}
	for _, w := range f.Words {
		one.words = append(one.words, []byte(w))
	}
	return one
}

// indexOf finds a name: as it is, else in letters of either case.
func indexOf(names []string, name string) int {
	for i, n := range names {
		if n == name {
			return i
		}
	}
	for i, n := range names {
		if strings.EqualFold(n, name) {
			return i
		}
	}
	return -1
}

// set reports whether a field has the flag.
func (f *flagLayout) set(field []byte) bool {
	if f.mask != 0 {
		v, _, ok := parseNumber(field, Prefixed)
		return ok && v&f.mask != 0
	}
	if f.has(field) {
		return true
	}
	for len(field) > 0 {
		n := bytes.IndexAny(field, " |,/+;")
		if n < 0 {
			return f.has(field)
		}
		if f.has(field[:n]) {
			return true
		}
		field = field[n+1:]
	}
	return false
}

func (f *flagLayout) has(word []byte) bool {
	for _, w := range f.words {
		if bytes.EqualFold(w, word) {
			return true
		}
	}
	return false
}
