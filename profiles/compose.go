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
	Parts   []string                  // files it was made of, the profile's own last
	tree    *ast.MappingNode          // nil when it was prepared
	own     map[*ast.MappingNode]bool // mappings made here; the others are those of files
	origins map[string]origin         // by YAML path
	shown   int                       // problems with an excerpt
	lib     *Library
}

// origin is where a value of the composed profile was written.
type origin struct {
	file  *file
	order int // of the file among the parts
	pos   dbc.Position
}

// Compose reads the profile of that name with everything it builds on. The
// error is Problems, or wraps ErrNoProfile with the nearest names as a hint.
func (l *Library) Compose(name string) (*Composed, error) {
	c := &Composed{own: map[*ast.MappingNode]bool{}, origins: map[string]origin{}, lib: l}
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
	f, err := c.lib.file(name, len(chain) > 0)
	if errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("%w: %q%s", ErrNoProfile, name, c.lib.nearest(name))
	}
	if err != nil {
		return err
	}
	chain = append(chain, name)
	for i, part := range top[[]string](f, "builds_on") {
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
	c.Parts = append(c.Parts, name)
	if c.tree == nil {
		c.tree = ast.Mapping(f.tree.GetToken(), false)
	}
	pairs := f.tree.Values
	if len(chain) > 1 {
		pairs = slices.DeleteFunc(slices.Clone(pairs), func(kv *ast.MappingValueNode) bool {
			return slices.Contains(ofOneFile, kv.Key.String())
		})
	}
	c.merge(c.tree, pairs, f)
	return nil
}

// ofOneFile are the keys that speak of their own file only, not of what builds on it.
var ofOneFile = []string{"name", "title", "part", "builds_on"}

// merge lays pairs of a file over a mapping of ours: mappings are merged key by
// key, all else is replaced.
func (c *Composed) merge(to *ast.MappingNode, pairs []*ast.MappingValueNode, f *file) {
	for _, kv := range pairs {
		c.note(kv, f)
		at := slices.IndexFunc(to.Values, func(have *ast.MappingValueNode) bool {
			return have.Key.String() == kv.Key.String()
		})
		if at < 0 {
			c.noteAll(kv.Value, f)
			to.Values = append(to.Values, kv)
			continue
		}
		have, ok1 := mapping(to.Values[at].Value)
		next, ok2 := mapping(kv.Value)
		if ok1 && ok2 {
			have = c.ours(have)
			c.merge(have, next.Values, f)
			pair := *to.Values[at]
			pair.Value = have
			to.Values[at] = &pair
			continue
		}
		c.noteAll(kv.Value, f)
		to.Values[at] = kv
	}
}

// ours returns a mapping that may be written to: the one given, or a copy of a file's.
func (c *Composed) ours(m *ast.MappingNode) *ast.MappingNode {
	if c.own[m] {
		return m
	}
	copied := *m
	copied.Values = slices.Clone(m.Values)
	c.own[&copied] = true
	return &copied
}

// note remembers where a pair was written.
func (c *Composed) note(kv *ast.MappingValueNode, f *file) {
	c.origins[kv.GetPath()] = origin{file: f, order: len(c.Parts), pos: position(f, kv.Key)}
}

// noteAll is note for all pairs within a value.
func (c *Composed) noteAll(value ast.Node, f *file) {
	ast.Walk(visitor(func(n ast.Node) bool {
		if inner, ok := n.(*ast.MappingValueNode); ok {
			c.note(inner, f)
		}
		return true
	}), value)
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
	if c.shown++; o.file != nil && c.shown <= MaxProblems {
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
	fill(c.Dialogues)
	fill(c.Permits)
	fill(c.Bounds)
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
