package dbc

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

// checkAccount checks what must hold for every text whatever is in it: each line
// has a use, blank lines are blank, a line is set aside exactly when an error
// covers it or names it, and positions agree with offsets.
func checkAccount(t testing.TB, db *Database) {
	t.Helper()
	text := db.source.text
	lines := strings.Split(text, "\n")
	if lines[len(lines)-1] == "" {
		lines = lines[:len(lines)-1]
	}
	if len(db.Lines) != len(lines) {
		t.Fatalf("%d lines accounted for, the text has %d", len(db.Lines), len(lines))
	}
	account := db.Account()
	if sum := account.Blank + account.Understood + account.SetAside; sum != len(lines) {
		t.Errorf("blank, understood and set aside make %d lines, the text has %d", sum, len(lines))
	}
	covered := make([]bool, len(lines)+2)
	checkPositions(t, text, db.Diagnostics)
	for _, d := range db.Diagnostics {
		if d.Severity != Error {
			continue
		}
		uses := 0
		for n := d.FirstLine; n <= d.LastLine; n++ {
			covered[n] = true
			if db.Lines[n-1] == SetAside {
				uses++
			}
		}
		if uses == 0 {
			t.Errorf("%s: an error, but no line is set aside", d)
		}
	}
	for i, use := range db.Lines {
		content := strings.Trim(lines[i], " \t\r\v\f")
		if isBlank := content == "" || strings.HasPrefix(content, "//"); isBlank != (use == Blank) {
			t.Errorf("line %d, %q: blank is %v", i+1, lines[i], use == Blank)
		}
		if use == SetAside && !covered[i+1] {
			t.Errorf("line %d, %q: set aside, but no error covers it", i+1, lines[i])
		}
	}
}

// checkPositions holds line and column of each diagnostic against its offset.
func checkPositions(t testing.TB, text string, diagnostics []Diagnostic) {
	t.Helper()
	starts := []int{0}
	for at := range len(text) {
		if text[at] == '\n' {
			starts = append(starts, at+1)
		}
	}
	starts = append(starts, len(text)+1)
	for _, d := range diagnostics {
		line, offset := d.Pos.Line, d.Pos.Offset
		if line < 1 || line >= len(starts) || offset < starts[line-1] || offset >= starts[line] || d.Pos.Col != offset-starts[line-1]+1 {
			t.Errorf("%s: offset %d of %d bytes does not lie there", d, offset, len(text))
		}
		if line < d.FirstLine || line > d.LastLine {
			t.Errorf("%s: lies outside lines %d to %d, which it covers", d, d.FirstLine, d.LastLine)
		}
	}
}

// parse reads a text and checks its account.
func parse(t testing.TB, text string) *Database {
	t.Helper()
	db := Parse("test.dbc", []byte(text))
	checkAccount(t, db)
	return db
}

// places renders diagnostics as "line:col severity rule", one to a line.
func places(diagnostics []Diagnostic) []string {
	var out []string
	for _, d := range diagnostics {
		out = append(out, fmt.Sprintf("%d:%d %s %s", d.Pos.Line, d.Pos.Col, d.Severity, d.Rule))
	}
	return out
}

// setAsideLines lists the lines that are set aside, from 1.
func setAsideLines(db *Database) []int {
	var out []int
	for i, use := range db.Lines {
		if use == SetAside {
			out = append(out, i+1)
		}
	}
	return out
}

// find returns a signal by "Message.Signal", with names as in the Database.
func find(t testing.TB, db *Database, path string) *Signal {
	t.Helper()
	message, signal, _ := strings.Cut(path, ".")
	i := slices.IndexFunc(db.Messages, func(m *Message) bool { return m.Name == message })
	if i < 0 {
		t.Fatalf("no message %q", message)
	}
	s := db.Messages[i].Signal(signal)
	if s == nil {
		t.Fatalf("no signal %q", path)
	}
	return s
}
