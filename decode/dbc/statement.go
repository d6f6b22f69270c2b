package dbc

import "strings"

// keyword is the first word of a statement.
type keyword uint8

const (
	notKeyword keyword = iota
	kwVersion
	kwNewSymbols
	kwBitTiming
	kwNodes
	kwMessage
	kwSignal
	kwSenders
	kwEnvironment
	kwValueTable
	kwComment
	kwDefinition
	kwRelationDefinition
	kwDefault
	kwRelationDefault
	kwAttribute
	kwRelation
	kwValues
	kwFloat
	kwMultiplexing
	kwGroup
	kwUnused // known, but neither this package nor the files people have use it
)

func keywordOf(word string) keyword {
	switch word {
	case "VERSION":
		return kwVersion
	case "NS_":
		return kwNewSymbols
	case "BS_":
		return kwBitTiming
	case "BU_":
		return kwNodes
	case "BO_":
		return kwMessage
	case "SG_":
		return kwSignal
	case "BO_TX_BU_":
		return kwSenders
	case "EV_", "ENVVAR_DATA_", "EV_DATA_":
		return kwEnvironment
	case "VAL_TABLE_":
		return kwValueTable
	case "CM_":
		return kwComment
	case "BA_DEF_":
		return kwDefinition
	case "BA_DEF_REL_":
		return kwRelationDefinition
	case "BA_DEF_DEF_":
		return kwDefault
	case "BA_DEF_DEF_REL_":
		return kwRelationDefault
	case "BA_":
		return kwAttribute
	case "BA_REL_":
		return kwRelation
	case "VAL_":
		return kwValues
	case "SIG_VALTYPE_":
		return kwFloat
	case "SG_MUL_VAL_":
		return kwMultiplexing
	case "SIG_GROUP_":
		return kwGroup
	case "SGTYPE_", "SGTYPE_VAL_", "BA_DEF_SGTYPE_", "BA_SGTYPE_", "SIG_TYPE_REF_", "SIGTYPE_VALTYPE_",
		"CAT_", "CAT_DEF_", "NS_DESC_", "FILTER", "BU_SG_REL_", "BU_EV_REL_", "BU_BO_REL_":
		return kwUnused
	}
	return notKeyword
}

// subject names in rules what a statement of this keyword is about.
func (k keyword) subject() string {
	return [...]string{
		notKeyword:           "line",
		kwVersion:            "version",
		kwNewSymbols:         "new-symbols",
		kwBitTiming:          "bit-timing",
		kwNodes:              "node",
		kwMessage:            "message",
		kwSignal:             "signal",
		kwSenders:            "senders",
		kwEnvironment:        "environment",
		kwValueTable:         "value-table",
		kwComment:            "comment",
		kwDefinition:         "attribute",
		kwRelationDefinition: "attribute",
		kwDefault:            "attribute",
		kwRelationDefault:    "attribute",
		kwAttribute:          "attribute",
		kwRelation:           "attribute",
		kwValues:             "values",
		kwFloat:              "float",
		kwMultiplexing:       "multiplexing",
		kwGroup:              "group",
		kwUnused:             "statement",
	}[k]
}

// shape is how a statement of this keyword should read.
func (k keyword) shape() string {
	return [...]string{
		kwVersion:            `VERSION "text"`,
		kwBitTiming:          `BS_:`,
		kwNodes:              `BU_: node node`,
		kwMessage:            `BO_ id name: length sender`,
		kwSignal:             `SG_ name : start|length@order sign (factor,offset) [min|max] "unit" receiver`,
		kwSenders:            `BO_TX_BU_ id : node,node;`,
		kwEnvironment:        `EV_ name: type [min|max] "unit" initial id access node;`,
		kwValueTable:         `VAL_TABLE_ name value "text" ... ;`,
		kwComment:            `CM_ SG_ id signal "text";`,
		kwDefinition:         `BA_DEF_ BO_ "name" INT min max;`,
		kwRelationDefinition: `BA_DEF_REL_ BU_SG_REL_ "name" INT min max;`,
		kwDefault:            `BA_DEF_DEF_ "name" value;`,
		kwRelationDefault:    `BA_DEF_DEF_REL_ "name" value;`,
		kwAttribute:          `BA_ "name" BO_ id value;`,
		kwRelation:           `BA_REL_ "name" BU_SG_REL_ node SG_ id signal value;`,
		kwValues:             `VAL_ id signal value "text" ... ;`,
		kwFloat:              `SIG_VALTYPE_ id signal : 1;`,
		kwMultiplexing:       `SG_MUL_VAL_ id signal multiplexer 1-1, 3-5;`,
		kwGroup:              `SIG_GROUP_ id name 1 : signal signal;`,
		kwUnused:             "",
	}[k]
}

// statement is one statement of the file: text[from:to] is what follows its
// keyword, without the ";" at its end.
type statement struct {
	kw        keyword
	start     int // offset of the keyword
	from, to  int
	line      int // index of its first line
	last      int // index of its last line
	unclosed  int // offset of a string that has no end; else 0
	endless   bool
	trailing  int // offset of text behind the ";"; else 0
	inComment int // index of a line within its comment that looks like a statement; else 0
}

// splitter cuts the text into statements. A statement starts at a known keyword
// that is the first word of its line and stands outside a string. VERSION, BS_,
// BO_ and SG_ end with their line, so that one bad line never costs the next;
// BU_ takes the lines below it that start with no keyword and hold nothing but
// names; NS_ takes the one-word lines below it; the others end at ";" outside a
// string, or where the next statement starts.
type splitter struct {
	*source
	lastQuote        int // offset of the last quote of the text; -1: none
	lastCommentQuote int // the same for a quote that can end a comment
}

func newSplitter(src *source) *splitter {
	s := &splitter{source: src, lastQuote: strings.LastIndexByte(src.text, '"')}
	s.lastCommentQuote = s.lastQuote
	for s.lastCommentQuote >= 0 && !s.endsComment(s.lastCommentQuote) {
		s.lastCommentQuote = strings.LastIndexByte(src.text[:s.lastCommentQuote], '"')
	}
	return s
}

// keywordAt returns the keyword that line i starts with, with the offsets of the
// line's first word and behind it. at is -1 for a line without content.
func (s *splitter) keywordAt(i int) (kw keyword, at, behind int) {
	at, end := s.starts[i], s.lineEnd(i)
	for at < end && blank(s.text[at]) {
		at++
	}
	if at == end || strings.HasPrefix(s.text[at:end], "//") {
		return notKeyword, -1, end
	}
	behind = at
	for behind < end && (s.text[behind] >= 'A' && s.text[behind] <= 'Z' || s.text[behind] == '_') {
		behind++
	}
	if behind < end && wordByte(s.text[behind]) {
		return notKeyword, at, behind
	}
	return keywordOf(s.text[at:behind]), at, behind
}

func wordByte(c byte) bool {
	return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '_' || c >= 0x80
}

// cut returns the statement that starts at line i with the given keyword.
func (s *splitter) cut(i int, kw keyword, at, behind int) statement {
	st := statement{kw: kw, start: at, from: behind, to: s.lineEnd(i), line: i, last: i}
	switch kw {
	case kwVersion, kwBitTiming, kwMessage, kwSignal:
	case kwNodes:
		s.takeLines(&st, func(kw keyword, at, end int) bool { return kw == notKeyword && onlyNames(s.text[at:end]) })
	case kwNewSymbols:
		s.takeLines(&st, func(_ keyword, at, end int) bool { return oneWord(s.text[at:end]) })
	default:
		s.toSemicolon(&st)
	}
	return st
}

// takeLines adds the lines below that belong to the statement; lines without content
// belong to it only when another line that does follows.
func (s *splitter) takeLines(st *statement, belongs func(kw keyword, at, end int) bool) {
	for i := st.line + 1; i < len(s.starts); i++ {
		kw, at, _ := s.keywordAt(i)
		if at < 0 {
			continue
		}
		if !belongs(kw, at, s.lineEnd(i)) {
			return
		}
		st.last, st.to = i, s.lineEnd(i)
	}
}

func oneWord(s string) bool { return len(strings.Fields(s)) == 1 && onlyNames(s) }

func onlyNames(s string) bool {
	for i := range len(s) {
		if !wordByte(s[i]) && !blank(s[i]) && s[i] != ',' {
			return false
		}
	}
	return true
}

// toSemicolon extends the statement to its ";" or to where the next one starts.
func (s *splitter) toSemicolon(st *statement) {
	line := st.line
	for at := st.from; at < len(s.text); at++ {
		switch s.text[at] {
		case ';':
			st.to, st.last = at, line
			st.trailing = s.behind(at+1, line)
			return
		case '\n':
			if s.startsStatement(line + 1) {
				s.endless(st, at)
				return
			}
			line++
		case '"':
			end, over := s.stringEnd(st, at, line)
			if end < 0 {
				st.unclosed = at
				st.last = s.beforeNextStatement(line)
				st.to = s.lineEnd(st.last)
				return
			}
			at, line = end, line+over
		}
	}
	s.endless(st, len(s.text))
}

// endless ends a statement without semicolon behind its last word before to.
func (s *splitter) endless(st *statement, to int) {
	for to > st.from && blank(s.text[to-1]) {
		to--
	}
	st.to, st.last, st.endless = to, s.position(to).Line-1, true
}

// behind returns the offset of what follows the ";" on its line, 0 for nothing.
func (s *splitter) behind(at, line int) int {
	end := s.lineEnd(line)
	for at < end && (blank(s.text[at]) || s.text[at] == ';') {
		at++
	}
	if at >= end || strings.HasPrefix(s.text[at:end], "//") {
		return 0
	}
	return at
}

func (s *splitter) startsStatement(line int) bool {
	if line >= len(s.starts) {
		return false
	}
	kw, _, _ := s.keywordAt(line)
	return kw != notKeyword
}

// beforeNextStatement returns the last line before the next statement.
func (s *splitter) beforeNextStatement(line int) int {
	for line+1 < len(s.starts) && !s.startsStatement(line+1) {
		line++
	}
	return line
}

// stringEnd returns the offset of the quote that ends the string whose first
// quote is at open, and how many line breaks it holds; -1 when the string has no end.
//
// In a comment a quote is the end only before ";", or where the ";" was forgotten
// and the next line starts a statement. Elsewhere a string that runs into the
// start of a statement has lost its end.
func (s *splitter) stringEnd(st *statement, open, line int) (end, breaks int) {
	comment := st.kw == kwComment
	if comment && s.lastCommentQuote <= open || s.lastQuote <= open {
		return -1, 0
	}
	end = s.lastCommentQuote
	if !comment {
		end = closingQuote(s.text, open)
	}
	for at := open + 1; at < len(s.text); at++ {
		switch {
		case at == end || comment && s.text[at] == '"' && s.endsComment(at):
			return at, breaks
		case s.text[at] == '\n':
			breaks++
			if !s.startsStatement(line + breaks) {
				continue
			}
			if !comment {
				return -1, 0
			}
			if st.inComment == 0 {
				st.inComment = line + breaks
			}
		}
	}
	return -1, 0
}

// endsComment says whether the quote at offset at can end a comment.
func (s *splitter) endsComment(at int) bool {
	lineBreak := -1
	for at++; at < len(s.text); at++ {
		c := s.text[at]
		if c == '\n' {
			lineBreak = at
		}
		if !blank(c) {
			break
		}
	}
	if at == len(s.text) || s.text[at] == ';' {
		return true
	}
	if lineBreak < 0 {
		return false
	}
	return s.startsStatement(s.position(lineBreak).Line) // Line counts from 1: the index of the next line
}
