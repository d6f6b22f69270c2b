package capture

import "bytes"

// What a line is that gave no frame, for both kinds of text capture. A glued
// line is set aside whole, even when a complete record stands at its end: which
// of the two stamps belongs to it cannot be known.

// beside says whether a line stands beside the records of a text capture by
// right, or holds no text at all.
func beside(line []byte) (Kind, bool) {
	switch {
	case len(line) == 0:
		return Blank, true
	case bytes.HasPrefix(line, []byte("DROPCOUNT:")):
		return Lost, true
	case bytes.IndexByte(line, 0) >= 0:
		return Garbage, true
	}
	return good, false
}

// classify says what a line of a candump log is, where its parser said kind.
func classify(line []byte, kind Kind) Kind {
	line = trimBlanks(line)
	if kind, ok := beside(line); ok {
		return kind
	}
	switch {
	case line[0] == '#' && !isTail(line):
		return Comment
	case kind == XL:
		return XL
	case findStamp(line[1:]) >= 0, line[0] == '(' && twoFrames(line):
		return Glued
	case line[0] == '(' && (len(line) == 1 || isDigit(line[1])):
		return kind
	case isTail(line):
		return Cut
	}
	return Foreign
}

// findStamp returns where "(seconds.fraction)" stands in s, or -1.
func findStamp(s []byte) int {
	for from := 0; ; from++ {
		i := bytes.IndexByte(s[from:], '(')
		if i < 0 {
			return -1
		}
		from += i
		_, rest, kind := parseStamp(s[from:])
		if kind == good && bytes.IndexByte(s[from:len(s)-len(rest)], '.') > 0 {
			return from
		}
	}
}

// twoFrames reports whether two frames stand in a line without a stamp between
// them: "#" twice, but for the "##" of an FD frame.
func twoFrames(line []byte) bool {
	first := bytes.IndexByte(line, '#')
	last := bytes.LastIndexByte(line, '#')
	return last > first+1
}

// isTail reports whether line is what is left of a log record whose start is
// missing: "1.181291) can0 1C4#0123", "n0 1C4#0123", "C4#0123" or "234567".
func isTail(line []byte) bool {
	words, n := fewWords(line)
	if n > 1 && (string(words[n-1]) == "R" || string(words[n-1]) == "T") {
		n--
	}
	if n > 3 || n == 3 && !bytes.HasSuffix(words[0], []byte(")")) {
		return false
	}
	last := words[n-1]
	id, payload, found := bytes.Cut(last, []byte("#"))
	if !found {
		return n == 1 && len(last) > 1 && only(last, "0123456789ABCDEF")
	}
	return len(id)+len(payload) > 0 && len(id) <= 8 &&
		only(id, "0123456789ABCDEFabcdef") && only(payload, "0123456789ABCDEFabcdef#._R")
}

// fewWords returns the first five words of a line and their number.
func fewWords(line []byte) (words [5][]byte, n int) {
	for n < len(words) {
		words[n], line = token(line)
		if len(words[n]) == 0 {
			break
		}
		n++
	}
	return words, n
}

// only reports whether s holds none but the given characters.
func only(s []byte, allowed string) bool {
	return len(bytes.TrimLeft(s, allowed)) == 0
}
