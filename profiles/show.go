package profiles

import (
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// Line is one line of a composed profile with the place it was written at.
type Line struct {
	Text string
	From string // file:line:col; "" for a line that only closes or continues
}

// Lines gives the composed profile as a YAML file, line by line, each with the
// part it came from. Read again, the text gives the same profile. A Setting has
// them only where its profile was not prepared: ask Compose for them.
func (c *Composed) Lines() []Line {
	if c.tree == nil {
		return nil
	}
	w := lineWriter{c: c}
	w.mapping(c.tree, "")
	return w.lines
}

type lineWriter struct {
	c     *Composed
	lines []Line
}

func (w *lineWriter) add(text, path string) {
	from := ""
	if o, ok := w.c.origins[path]; ok {
		from = o.pos.String()
	}
	w.lines = append(w.lines, Line{Text: text, From: from})
}

// mapping writes the pairs of a mapping, each on lines of its own.
func (w *lineWriter) mapping(m *ast.MappingNode, indent string) {
	for _, kv := range m.Values {
		key := indent + kv.Key.String() + ":"
		switch value := kv.Value.(type) {
		case *ast.MappingNode:
			w.nested(key, value, indent, kv.GetPath())
		case *ast.MappingValueNode:
			inner, _ := mapping(value)
			w.nested(key, inner, indent, kv.GetPath())
		case *ast.SequenceNode:
			w.sequence(key, value, indent, kv.GetPath())
		default:
			w.add(strings.TrimRight(key+" "+inline(value), " "), kv.GetPath())
		}
	}
}

func (w *lineWriter) nested(key string, m *ast.MappingNode, indent, path string) {
	if len(m.Values) == 0 {
		w.add(key+" {}", path)
		return
	}
	w.add(key, path)
	w.mapping(m, indent+"  ")
}

// sequence writes a list of plain values on one line and any other one entry a line.
func (w *lineWriter) sequence(key string, s *ast.SequenceNode, indent, path string) {
	plain, length := true, len(key)
	entries := make([]string, len(s.Values))
	for i, v := range s.Values {
		entries[i] = inline(v)
		length += len(entries[i]) + 2
		_, isScalar := v.(ast.ScalarNode)
		plain = plain && isScalar
	}
	if plain && length < 100 {
		w.add(key+" ["+strings.Join(entries, ", ")+"]", path)
		return
	}
	w.add(key, path)
	for _, entry := range entries {
		w.add(indent+"  - "+entry, path)
	}
}

// inline writes a value on one line, in flow style.
func inline(n ast.Node) string {
	switch n := n.(type) {
	case *ast.MappingNode:
		pairs := make([]string, len(n.Values))
		for i, kv := range n.Values {
			pairs[i] = kv.Key.String() + ": " + inline(kv.Value)
		}
		return "{" + strings.Join(pairs, ", ") + "}"
	case *ast.MappingValueNode:
		return "{" + n.Key.String() + ": " + inline(n.Value) + "}"
	case *ast.SequenceNode:
		entries := make([]string, len(n.Values))
		for i, v := range n.Values {
			entries[i] = inline(v)
		}
		return "[" + strings.Join(entries, ", ") + "]"
	case *ast.NullNode:
		return ""
	case *ast.LiteralNode:
		return quoted(n.Value.Value)
	case *ast.StringNode:
		// What was quoted may read as a number without.
		if n.Token.Type == token.DoubleQuoteType || n.Token.Type == token.SingleQuoteType || strings.ContainsAny(n.Value, "\n#:{}[],&*!|>'\"%@`") || strings.TrimSpace(n.Value) != n.Value || n.Value == "" {
			return quoted(n.Value)
		}
		return n.Token.Value
	}
	return n.GetToken().Value
}

// quoted writes a text in double quotes.
func quoted(s string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`, "\t", `\t`, "\r", `\r`).Replace(s) + `"`
}
