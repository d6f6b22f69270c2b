package dbc

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// cursor reads the words of one statement. After the first fault every read
// gives a zero value, so that a statement is read straight through and the fault
// is looked at once, at its end.
type cursor struct {
	text   string // of the whole file
	at, to int
	kw     keyword
	fault  string // "" while all is well
	place  int    // offset of the fault
}

func (c *cursor) failed() bool { return c.fault != "" }

func (c *cursor) fail(place int, format string, args ...any) {
	if !c.failed() {
		c.fault, c.place = fmt.Sprintf(format, args...), place
	}
}

// expected fails with what should stand at the cursor and what does.
func (c *cursor) expected(what string) {
	c.skip()
	found := "the end"
	if c.at < c.to {
		found = strconv.Quote(clip(c.text[c.at:c.to]))
	}
	c.fail(c.at, "expected %s, found %s", what, found)
}

// skip passes over blanks and // comments.
func (c *cursor) skip() {
	for c.at < c.to {
		switch {
		case blank(c.text[c.at]):
			c.at++
		case strings.HasPrefix(c.text[c.at:c.to], "//"):
			n := strings.IndexByte(c.text[c.at:c.to], '\n')
			if n < 0 {
				n = c.to - c.at
			}
			c.at += n
		default:
			return
		}
	}
}

// here returns the offset of the next byte that is not blank.
func (c *cursor) here() int {
	c.skip()
	return c.at
}

// peek returns the next byte that is not blank, 0 at the end and after a fault.
func (c *cursor) peek() byte {
	c.skip()
	if c.failed() || c.at >= c.to {
		return 0
	}
	return c.text[c.at]
}

// more says whether something is left to read.
func (c *cursor) more() bool { return c.peek() != 0 }

// take reads b when it comes next.
func (c *cursor) take(b byte) bool {
	if c.peek() != b {
		return false
	}
	c.at++
	return true
}

// need reads b, which must come next.
func (c *cursor) need(b byte) {
	if !c.take(b) && !c.failed() {
		c.expected(strconv.Quote(string(b)))
	}
}

// word reads up to the next blank or mark. "" when nothing of the kind comes next.
func (c *cursor) word(what string) string {
	c.skip()
	if c.failed() {
		return ""
	}
	from := c.at
	for c.at < c.to && !mark(c.text[c.at]) {
		c.at++
	}
	if c.at == from {
		c.expected(what)
		return ""
	}
	return c.text[from:c.at]
}

// mark says whether a byte ends a word.
func mark(c byte) bool {
	switch c {
	case ':', ';', ',', '|', '@', '(', ')', '[', ']', '"':
		return true
	}
	return blank(c)
}

// uint reads a number without sign; a "+" before it and zeros in front do not matter.
func (c *cursor) uint(what string) uint64 {
	place := c.here()
	w := c.word(what)
	if c.failed() {
		return 0
	}
	v, err := strconv.ParseUint(strings.TrimPrefix(w, "+"), 10, 64)
	if err != nil {
		c.fail(place, "%s: %q is not a whole number, or too large", what, clip(w))
	}
	return v
}

// size reads a number of at most most.
func (c *cursor) size(what string, most int) int {
	place := c.here()
	v := c.uint(what)
	if v > uint64(most) {
		c.fail(place, "%s: %d is over the limit of %d", what, v, most)
		return 0
	}
	return int(v)
}

// float reads a decimal number, which may be too large for a float64: then it is infinite.
func (c *cursor) float(what string) float64 {
	place := c.here()
	w := c.word(what)
	if c.failed() {
		return 0
	}
	v, err := parseFloat(w)
	if err != nil {
		c.fail(place, "%s: %q is not a number", what, clip(w))
	}
	return v
}

// parseFloat is strconv.ParseFloat for plain decimal numbers only: the words
// that also stand for numbers in Go (inf, nan, 0x1p3, 1_0) are none in a DBC file.
func parseFloat(w string) (float64, error) {
	for i := range len(w) {
		switch c := w[i]; {
		case c >= '0' && c <= '9', c == '.', c == '-', c == '+', c == 'e', c == 'E':
		default:
			return math.NaN(), strconv.ErrSyntax
		}
	}
	v, err := strconv.ParseFloat(w, 64)
	if errors.Is(err, strconv.ErrRange) {
		return v, nil
	}
	return v, err
}

// quoted reads a string. It ends at the next quote, in a comment at the last one.
func (c *cursor) quoted(what string) string {
	if c.peek() != '"' {
		if !c.failed() {
			c.expected(what + " in quotes")
		}
		return ""
	}
	from, end := c.at+1, -1
	if c.kw != kwComment {
		end = closingQuote(c.text[:c.to], c.at)
	} else if n := strings.LastIndexByte(c.text[from:c.to], '"'); n >= 0 {
		end = from + n
	}
	if end < 0 {
		c.fail(c.at, "the closing quote of %s is missing", what)
		return ""
	}
	c.at = end + 1
	text := unescape(c.text[from:end])
	if strings.IndexByte(text, '\r') >= 0 {
		return strings.ReplaceAll(text, "\r\n", "\n")
	}
	return text
}

// end fails when something is left.
func (c *cursor) end() {
	c.take(';') // some writers end lines with one that need none
	if c.more() {
		c.expected("the end")
	}
}
