package profiles

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"plugproof/decode/dbc"
)

// Composed is a profile with all its parts put together. It remembers where
// each line came from.
type Composed struct {
	Profile
	Parts   []string // files it was made of, the profile's own last
	tree    *ast.MappingNode
	origins map[string]origin // by YAML path
	lib     *Library
}

// origin is where a value of the composed profile was written.
type origin struct {
	file *file
	pos  dbc.Position
}

// Compose reads the profile of that name with everything it builds on. The
// error is Problems, or wraps ErrNoProfile with the nearest names as a hint.
func (l *Library) Compose(name string) (*Composed, error) {
	c := &Composed{origins: map[string]origin{}, lib: l}
	if err := c.include(name, nil); err != nil {
		return nil, err
	}
	if err := yaml.NodeToValue(c.tree, &c.Profile, yaml.Strict()); err != nil {
		return nil, c.yamlProblem(err)
	}
	c.Name = cmp.Or(c.Name, name)
	c.fillEmpty()
	return c, nil
}

// include merges the named file, after what it builds on, into the tree.
// chain is the names that led here.
func (c *Composed) include(name string, chain []string) error {
	src, place, err := c.lib.ReadFile(name + Extension)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: %q%s", ErrNoProfile, name, c.lib.nearest(name))
	}
	if err != nil {
		return err
	}
	f, err := parseFile(place, src)
	if err != nil {
		return err
	}
	chain = append(chain, name)
	for i, part := range f.strings("builds_on") {
		path := fmt.Sprintf("$.builds_on[%d]", i)
		switch {
		case slices.Contains(chain, part):
			return f.at("$.builds_on", "cycle", "builds on itself: "+strings.Join(append(chain, part), " -> "), "")
		case len(chain) >= MaxDepth:
			return f.at("$.builds_on", "cycle", fmt.Sprintf("more than %d parts deep", MaxDepth), "")
		case slices.Contains(c.Parts, part):
			continue // two parts may share a third
		}
		if err := c.include(part, chain); err != nil {
			if errors.Is(err, ErrNoProfile) || errors.As(err, new(*fs.PathError)) || !errors.As(err, new(Problems)) {
				return f.at("$.builds_on", "missing-part", fmt.Sprintf("%s: %v", strings.TrimPrefix(path, "$."), err), "")
			}
			return err
		}
	}
	f.order = len(c.Parts)
	c.Parts = append(c.Parts, name)
	if c.tree == nil {
		c.tree = ast.Mapping(f.tree.GetToken(), false)
	}
	if len(chain) > 1 {
		f.tree.Values = slices.DeleteFunc(f.tree.Values, func(kv *ast.MappingValueNode) bool {
			return slices.Contains(ofOneFile, kv.Key.String())
		})
	}
	c.merge(c.tree, f.tree, f)
	return nil
}

// ofOneFile are the keys that speak of their own file only, not of what builds on it.
var ofOneFile = []string{"name", "title", "part", "builds_on"}

// strings returns the list of strings under a top-level key.
func (f *file) strings(key string) []string {
	for _, kv := range f.tree.Values {
		var list []string
		if kv.Key.String() == key && yaml.NodeToValue(kv.Value, &list) == nil {
			return list
		}
	}
	return nil
}

// merge lays from over to: mappings are merged key by key, all else is replaced.
func (c *Composed) merge(to, from *ast.MappingNode, f *file) {
	for _, kv := range from.Values {
		c.origins[kv.GetPath()] = origin{file: f, pos: position(f, kv.Key)}
		at := slices.IndexFunc(to.Values, func(have *ast.MappingValueNode) bool {
			return have.Key.String() == kv.Key.String()
		})
		if at < 0 {
			to.Values = append(to.Values, c.adopt(kv, f))
			continue
		}
		have, ok1 := mapping(to.Values[at].Value)
		next, ok2 := mapping(kv.Value)
		if ok1 && ok2 {
			c.merge(have, next, f)
			to.Values[at].Value = have
			continue
		}
		to.Values[at] = c.adopt(kv, f)
	}
}

// adopt takes over a whole value and remembers where its lines came from.
func (c *Composed) adopt(kv *ast.MappingValueNode, f *file) *ast.MappingValueNode {
	ast.Walk(visitor(func(n ast.Node) bool {
		if inner, ok := n.(*ast.MappingValueNode); ok {
			c.origins[inner.GetPath()] = origin{file: f, pos: position(f, inner.Key)}
		}
		return true
	}), kv.Value)
	if m, ok := mapping(kv.Value); ok {
		kv.Value = m
	}
	return kv
}

// mapping returns a node as a mapping; the parser gives a single pair as such.
func mapping(n ast.Node) (*ast.MappingNode, bool) {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n, true
	case *ast.MappingValueNode:
		return ast.Mapping(n.GetToken(), false, n), true
	}
	return nil, false
}

func position(f *file, n ast.Node) dbc.Position {
	p := n.GetToken().Position
	return dbc.Position{File: f.place, Line: p.Line, Col: p.Column, Offset: p.Offset}
}

// Origin returns where the value of a YAML path such as
// "$.messages.EngineData.cycle" was written; for one that no file states, the
// place of the nearest thing around it.
func (c *Composed) Origin(path string) dbc.Position {
	return c.origin(path).pos
}

func (c *Composed) origin(path string) origin {
	for p := path; p != "" && p != "$"; {
		if o, ok := c.origins[p]; ok {
			return o
		}
		cut := strings.LastIndexAny(p, ".[")
		if cut < 0 {
			break
		}
		p = p[:cut]
	}
	return c.origins["$.format"]
}

// problem makes the problem of a YAML path.
func (c *Composed) problem(path, rule, text, hint string) Problem {
	o := c.origin(path)
	p := Problem{Diagnostic: dbc.Diagnostic{
		Pos: o.pos, Severity: dbc.Error, Rule: "profile/" + rule, Text: text, Hint: hint,
	}}
	if o.file != nil {
		p.Excerpt = excerpt(o.file.src, o.pos.Line, o.pos.Col)
	}
	return p
}

// yamlProblem turns an error of decoding the composed tree into a Problem. Each
// file was decoded by itself before, so only a clash of two parts comes here.
func (c *Composed) yamlProblem(err error) error {
	o := c.origins["$.format"]
	return o.file.yamlProblem(fmt.Errorf("the parts do not fit together: %w", err))
}

// nearest returns a hint with the names of the library that look like name.
func (l *Library) nearest(name string) string {
	var like []string
	for _, have := range l.Files() {
		if distance(have, name) <= max(2, len(name)/3) {
			like = append(like, have)
		}
	}
	slices.SortStableFunc(like, func(a, b string) int { return cmp.Compare(distance(a, name), distance(b, name)) })
	if len(like) == 0 {
		return "; plugproof profiles list shows those on file"
	}
	return "; did you mean " + strings.Join(like[:min(3, len(like))], ", ") + "?"
}

// distance is the number of single-letter edits between two short names.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diagonal
			if a[i] != b[j] {
				cost++
			}
			diagonal = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// fillEmpty turns keys without a value, as in "Cluster:", into empty entries.
func (c *Composed) fillEmpty() {
	fill(c.Buses)
	fill(c.Nodes)
	fill(c.Messages)
	fill(c.Functions)
	fill(c.Stages)
	for _, m := range c.Messages {
		fill(m.Signals)
		fill(m.Listeners)
	}
}

func fill[T any](m map[string]*T) {
	for key, v := range m {
		if v == nil {
			m[key] = new(T)
		}
	}
}
