package dbc

import (
	"bytes"
	"sort"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

// source is the text of a file, in UTF-8, with the places of its lines.
type source struct {
	file   string
	text   string
	starts []int // offset of the first byte of each line
}

func newSource(file, text string) *source {
	s := &source{file: file, text: text}
	s.starts = make([]int, 0, strings.Count(text, "\n")+1)
	for at := 0; at < len(text); {
		s.starts = append(s.starts, at)
		n := strings.IndexByte(text[at:], '\n')
		if n < 0 {
			break
		}
		at += n + 1
	}
	return s
}

// position turns an offset into line and column. It costs a binary search:
// for things kept and for diagnostics, not for every token.
func (s *source) position(offset int) Position {
	line := sort.SearchInts(s.starts, offset+1) // the number of lines that start at or before offset
	start := 0
	if line > 0 {
		start = s.starts[line-1]
	}
	return Position{File: s.file, Line: max(line, 1), Col: offset - start + 1, Offset: offset}
}

// lineEnd returns the offset behind the last byte of line i, its line break not counted.
func (s *source) lineEnd(i int) int {
	end := s.next(i)
	if end > s.starts[i] && s.text[end-1] == '\n' {
		end--
	}
	if end > s.starts[i] && s.text[end-1] == '\r' {
		end--
	}
	return end
}

// next returns the offset at which the line after i starts.
func (s *source) next(i int) int {
	if i+1 < len(s.starts) {
		return s.starts[i+1]
	}
	return len(s.text)
}

// transcode returns the file as UTF-8 with "\n" at the end of every line (maybe
// after a "\r"). odd is the offset in text of the first byte that was not UTF-8
// when the file had to be read as cp1252, the Windows code page that DBC editors
// write; else -1.
func transcode(src []byte) (text string, odd int) {
	odd = -1
	if bytes.HasPrefix(src, []byte("\xFF\xFE")) || bytes.HasPrefix(src, []byte("\xFE\xFF")) {
		// bad surrogate pairs become U+FFFD, so this never fails
		src, _ = unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewDecoder().Bytes(src)
	}
	src = bytes.TrimPrefix(src, []byte("\uFEFF"))
	if !utf8.Valid(src) {
		good := firstInvalid(src)
		odd = len(fromWindows(src[:good]))
		src = fromWindows(src)
	}
	text = string(src)
	if !strings.Contains(text, "\n") {
		text = strings.ReplaceAll(text, "\r", "\n") // line ends of very old files
	}
	return text, odd
}

// fromWindows decodes cp1252, which has a rune for every byte: it never fails.
func fromWindows(src []byte) []byte {
	text, _ := charmap.Windows1252.NewDecoder().Bytes(src)
	return text
}

func firstInvalid(src []byte) int {
	for at := 0; at < len(src); {
		r, size := utf8.DecodeRune(src[at:])
		if r == utf8.RuneError && size == 1 {
			return at
		}
		at += size
	}
	return len(src)
}

// closingQuote returns the offset of the quote that ends the string whose first
// quote is at open; -1 when there is none. Some writers put a backslash before a
// quote that is part of the text; others end a text, a path say, with a backslash.
func closingQuote(text string, open int) int {
	for at := open + 1; ; at++ {
		n := strings.IndexByte(text[at:], '"')
		if n < 0 {
			return -1
		}
		at += n
		if text[at-1] != '\\' || at-1 == open || endsText(text[at+1:]) {
			return at
		}
	}
}

// endsText says whether what follows a quote shows that it ends a text.
func endsText(rest string) bool {
	for i := range len(rest) {
		if rest[i] != ' ' && rest[i] != '\t' {
			return strings.IndexByte(";,\r\n", rest[i]) >= 0
		}
	}
	return true
}

// unescape takes the backslashes before quotes out of a text.
func unescape(s string) string {
	if strings.IndexByte(s, '\\') < 0 {
		return s
	}
	return strings.ReplaceAll(s, `\"`, `"`)
}

func blank(c byte) bool {
	return c == ' ' || c == '\t' || c == '\r' || c == '\n' || c == '\v' || c == '\f'
}

// clip shortens a text of the file so that it fits a diagnostic.
func clip(s string) string {
	const most = 40
	if len(s) <= most {
		return s
	}
	cut := most
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return s[:cut] + "..."
}
