package profiles

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"plugproof/decode/dbc"
)

// Limits of what a profile file may be. A profile of a real car stays far below.
const (
	MaxFileSize = 1 << 20 // bytes
	MaxDepth    = 16      // of builds_on
	MaxNesting  = 64      // of brackets and indentation in one file
	MaxEntries  = 1 << 17 // keys, values and lines of one file; the parser needs about 1 kB for each
	MaxSiblings = 1 << 13 // keys of one mapping; the parser's time and memory grow with their square
	MaxProblems = 100     // named of one profile
)

// FormatVersion is the version of profile files that this plugproof writes and reads.
const FormatVersion = 1

// Extension of profile files.
const Extension = ".yaml"

// Problem is one fault in a profile: what, where, what to try, and the lines
// around it as they stand in the file.
type Problem struct {
	dbc.Diagnostic
	Excerpt string
}

// Problems is the error of a profile that cannot be used. It is never empty.
type Problems []Problem

// cut leaves the first MaxProblems and says how many there were besides.
func (p Problems) cut() Problems {
	if len(p) <= MaxProblems {
		return p
	}
	more := Problem{Diagnostic: dbc.Diagnostic{
		Pos: p[0].Pos, Severity: dbc.Error, Rule: p[0].Rule, Text: fmt.Sprintf("and %d problems more", len(p)-MaxProblems),
	}}
	return append(slices.Clip(p[:MaxProblems]), more)
}

// Error gives one line per problem, each followed by its excerpt.
func (p Problems) Error() string {
	var b strings.Builder
	for i, problem := range p {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(problem.String())
		if problem.Excerpt != "" {
			b.WriteByte('\n')
			b.WriteString(problem.Excerpt)
		}
	}
	return b.String()
}

// file is one parsed file.
type file struct {
	place string // shown in positions
	group string // of the rules that its problems break; "": profile
	src   []byte
	tree  *ast.MappingNode // shared by all that is composed of it: never written to
}

// parse parses the file.
func (f *file) parse() error {
	if depth := nesting(f.src); depth > MaxNesting {
		return f.problem(1, 1, "syntax", fmt.Sprintf("nested %d levels deep: no such file is", depth), "")
	}
	if n := entries(f.src); n > MaxEntries {
		return f.problem(1, 1, "size", fmt.Sprintf("about %d keys and values: no such file has more than %d", n, MaxEntries), "")
	}
	if n := siblings(f.src); n > MaxSiblings {
		return f.problem(1, 1, "size", fmt.Sprintf("%d keys under one: no such file has more than %d", n, MaxSiblings), "")
	}
	doc, err := parser.ParseBytes(f.src, 0)
	if err != nil {
		return f.yamlProblem(err)
	}
	if len(doc.Docs) != 1 || doc.Docs[0].Body == nil {
		return f.problem(1, 1, "syntax", "the file holds one document", "start it with format: 1")
	}
	if err := f.refuseAliases(doc.Docs[0].Body); err != nil {
		return err
	}
	if err := f.refuseOddKeys(doc.Docs[0].Body); err != nil {
		return err
	}
	switch body := doc.Docs[0].Body.(type) {
	case *ast.MappingNode:
		f.tree = body
	case *ast.MappingValueNode:
		f.tree = ast.Mapping(body.GetToken(), false, body)
	default:
		return f.problem(1, 1, "syntax", "the file is a list of keys and values", "start it with format: 1")
	}
	return nil
}

// CheckFile checks a profile file by itself: syntax, keys, units. It reports
// whether the file is a part: what a part names is known only to the settings
// that build on it. place is shown in positions. The error is Problems.
func CheckFile(place string, src []byte) (part bool, err error) {
	f := &file{place: place, src: src}
	if err := f.parse(); err != nil {
		return false, err
	}
	var p Profile
	err = f.decode(&p)
	return p.Part, err
}

// decode decodes the file strictly.
func (f *file) decode(into any) error {
	version := top[int](f, "format")
	switch {
	case version > FormatVersion:
		return f.at("$.format", "format", fmt.Sprintf("format %d is newer than this plugproof reads (%d)", version, FormatVersion),
			"use a newer plugproof")
	case version != FormatVersion:
		return f.at("$.format", "format", "the file does not say its format", "write format: 1 at its top")
	}
	if err := yaml.NodeToValue(f.tree, into, yaml.Strict()); err != nil {
		return f.yamlProblem(err)
	}
	return nil
}

// top returns the value of a top-level key, or the zero value.
func top[T any](f *file, key string) T {
	for _, kv := range f.tree.Values {
		var v T
		if kv.Key.String() == key && yaml.NodeToValue(kv.Value, &v) == nil {
			return v
		}
	}
	return *new(T)
}

// refuseAliases refuses anchors and aliases: a few nested ones expand without
// end, and builds_on serves what they are for.
func (f *file) refuseAliases(body ast.Node) error {
	var found ast.Node
	ast.Walk(visitor(func(n ast.Node) bool {
		switch n.Type() {
		case ast.AnchorType, ast.AliasType, ast.MergeKeyType, ast.TagType:
			found = n
		}
		return found == nil
	}), body)
	if found == nil {
		return nil
	}
	pos := found.GetToken().Position
	return f.problem(pos.Line, pos.Column, "syntax", "anchors, aliases and tags have no place here",
		"write it out; what profiles share goes into a part that builds_on names")
}

// refuseOddKeys refuses keys that are no text: decoding a mapping with one gives
// an empty value and no error.
func (f *file) refuseOddKeys(body ast.Node) error {
	var found ast.Node
	ast.Walk(visitor(func(n ast.Node) bool {
		if kv, ok := n.(*ast.MappingValueNode); ok && found == nil && kv.Key.Type() != ast.StringType {
			found = kv.Key
		}
		return found == nil
	}), body)
	if found == nil {
		return nil
	}
	pos := found.GetToken().Position
	return f.problem(pos.Line, pos.Column, "syntax", fmt.Sprintf("the key %s is no text", found), "put it in quotes if it is a name")
}

// visitor walks a tree until it returns false.
type visitor func(ast.Node) bool

// Visit implements ast.Visitor.
func (v visitor) Visit(n ast.Node) ast.Visitor {
	if !v(n) {
		return nil
	}
	return v
}

// entries returns a bound on the keys and values of a file.
func entries(src []byte) (n int) {
	for _, c := range src {
		switch c {
		case '\n', ',', ':', '[', '{':
			n++
		}
	}
	return n
}

// siblings returns the most lines that stand below one other, indented alike. The
// nesting of src is no deeper than MaxNesting.
func siblings(src []byte) (most int) {
	var lines [4*MaxNesting + 4]int // by indentation, since a lesser one
	deepest := 0
	for line := range bytes.Lines(src) {
		text := bytes.TrimLeft(line, " ")
		indent := len(line) - len(text)
		if len(bytes.TrimSpace(text)) == 0 || text[0] == '#' || indent >= len(lines) {
			continue
		}
		if indent < deepest {
			clear(lines[indent+1 : deepest+1])
		}
		deepest = indent
		lines[indent]++
		most = max(most, lines[indent])
	}
	return most
}

// nesting returns how deep brackets nest, a bound on the parser's recursion in
// flow style, or how many levels of indentation the deepest line can have.
func nesting(src []byte) int {
	depth, most := 0, 0
	indent, start := 0, true
	for _, c := range src {
		switch c {
		case '[', '{':
			depth++
			most = max(most, depth)
		case ']', '}':
			depth = max(0, depth-1)
		case '\n':
			indent, start = 0, true
			continue
		case ' ', '-', '?', ':':
			if start {
				indent++
				most = max(most, indent/4)
				continue
			}
		}
		start = false
	}
	return most
}

// problem makes the error of one place in the file.
func (f *file) problem(line, col int, rule, text, hint string) error {
	return Problems{{
		Diagnostic: dbc.Diagnostic{
			Pos:      dbc.Position{File: f.place, Line: line, Col: col},
			Severity: dbc.Error, Rule: cmp.Or(f.group, "profile") + "/" + rule, Text: text, Hint: hint,
		},
		Excerpt: excerpt(f.src, line, col),
	}}
}

// at makes the error of a YAML path in the file; of its first line when it is not there.
func (f *file) at(yamlPath, rule, text, hint string) error {
	at, ok := f.find(yamlPath)
	if !ok {
		at = Place{1, 1}
	}
	return f.problem(at.Line, at.Col, rule, text, hint)
}

// find returns where the key at a YAML path stands.
func (f *file) find(yamlPath string) (at Place, ok bool) {
	ast.Walk(visitor(func(n ast.Node) bool {
		if kv, is := n.(*ast.MappingValueNode); is && kv.GetPath() == yamlPath {
			at, ok = PlaceOf(kv.Key), true
		}
		return !ok
	}), f.tree)
	return at, ok
}

// yamlProblem turns an error of the YAML library into ours.
func (f *file) yamlProblem(err error) error {
	var located yaml.Error
	if !errors.As(err, &located) || located.GetToken() == nil {
		return f.problem(1, 1, "syntax", err.Error(), "")
	}
	pos := located.GetToken().Position
	rule, hint := "value", ""
	if _, ok := errors.AsType[*yaml.UnknownFieldError](err); ok {
		rule, hint = "unknown-key", "see the schema for the keys there are"
	}
	return f.problem(pos.Line, pos.Column, rule, located.GetMessage(), hint)
}

// excerpt shows the line and the one before it, with a mark under the column.
func excerpt(src []byte, line, col int) string {
	first := max(1, line-1)
	rest := src
	for n := 1; n < first && rest != nil; n++ {
		_, rest, _ = bytes.Cut(rest, []byte("\n"))
	}
	if lines := bytes.Count(rest, []byte("\n")) + first; line < 1 || line > lines {
		return ""
	}
	var b strings.Builder
	for n := first; n <= line; n++ {
		var text []byte
		text, rest, _ = bytes.Cut(rest, []byte("\n"))
		text = bytes.TrimRight(text, "\r")
		if len(text) > 120 {
			text = append(bytes.ToValidUTF8(text[:120], nil), "..."...)
		}
		fmt.Fprintf(&b, "%6d | %s\n", n, text)
	}
	fmt.Fprintf(&b, "       | %s^", strings.Repeat(" ", min(max(0, col-1), 120)))
	return b.String()
}
