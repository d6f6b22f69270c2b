package columns

import (
	"bytes"
	"errors"
	"slices"
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

func (p *Proposal) doubt(key, text string) { p.Doubts[key] = text }
