// Package editorschema makes JSON Schema for editors out of the Go types that a file
// is read into, and holds the committed one against it. It is for tests only.
package editorschema

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"os"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Maker turns Go types into JSON Schema.
type Maker struct {
	Texts  map[reflect.Type]string         // types written as text, with the pattern of their form
	Others map[reflect.Type]map[string]any // types that are not what their kind is
	Keys   map[reflect.Type]any            // names of the keys of maps, by the type of the key
	Named  bool                            // structs stand in $defs; else in place, and no type may hold itself

	comments map[string]string // by Type.Field
	defs     map[string]any
}

// Check fails where file is not the schema of type root; update writes it anew. What
// fields mean is taken from the comments beside them in the Go files sources.
func (m *Maker) Check(t *testing.T, file, title string, root reflect.Type, update bool, sources ...string) {
	t.Helper()
	m.comments, m.defs = map[string]string{}, map[string]any{}
	for _, name := range sources {
		m.readComments(t, name)
	}
	top := m.object(root)
	top["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	top["title"] = title
	top["required"] = []string{"format"}
	if m.Named {
		top["$defs"] = m.defs
	}
	got, err := json.MarshalIndent(top, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	got = append(got, '\n')
	if update {
		if err := os.WriteFile(file, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("the schema is out of date; run go test . -update in this folder (-file +types):\n%s", diff)
	}
}

// schema returns the schema of one type.
func (m *Maker) schema(t reflect.Type) map[string]any {
	if pattern, ok := m.Texts[t]; ok {
		return map[string]any{"type": "string", "pattern": pattern}
	}
	if other, ok := m.Others[t]; ok {
		return maps.Clone(other) // a description is added to it
	}
	switch t.Kind() {
	case reflect.Pointer:
		return m.schema(t.Elem())
	case reflect.Struct:
		return m.structure(t)
	case reflect.Map:
		s := map[string]any{"type": "object", "additionalProperties": m.schema(t.Elem())}
		if names, ok := m.Keys[t.Key()]; ok {
			s["propertyNames"] = map[string]any{"enum": names}
		}
		return s
	case reflect.Slice:
		return map[string]any{"type": "array", "items": m.schema(t.Elem())}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.Int, reflect.Int64, reflect.Uint32, reflect.Uint64:
		return map[string]any{"type": "integer"}
	case reflect.Float64:
		return map[string]any{"type": "number"}
	case reflect.String:
		return map[string]any{"type": "string"}
	}
	panic("internal error: no schema for " + t.String())
}

func (m *Maker) structure(t reflect.Type) map[string]any {
	if !m.Named {
		return m.object(t)
	}
	if _, done := m.defs[t.Name()]; !done {
		m.defs[t.Name()] = nil // breaks a loop of types
		m.defs[t.Name()] = m.object(t)
	}
	return map[string]any{"$ref": "#/$defs/" + t.Name()}
}

// object returns the schema of a struct; unknown keys are refused as loaders do.
func (m *Maker) object(t reflect.Type) map[string]any {
	properties := map[string]any{}
	for _, f := range reflect.VisibleFields(t) {
		if f.Anonymous {
			continue
		}
		name, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		if name == "" {
			continue
		}
		s := m.schema(f.Type)
		owner := t
		if len(f.Index) > 1 {
			owner = t.Field(f.Index[0]).Type
		}
		if text := m.comments[owner.Name()+"."+f.Name]; text != "" {
			s["description"] = text
		}
		properties[name] = s
	}
	return map[string]any{"type": "object", "additionalProperties": false, "properties": properties}
}

// readComments reads the comments beside the fields of the types of a file.
func (m *Maker) readComments(t *testing.T, name string) {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ParseComments)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(file, func(n ast.Node) bool {
		spec, ok := n.(*ast.TypeSpec)
		if !ok {
			return true
		}
		if s, ok := spec.Type.(*ast.StructType); ok {
			for _, field := range s.Fields.List {
				for _, id := range field.Names {
					m.comments[spec.Name.Name+"."+id.Name] = strings.TrimSpace(field.Comment.Text())
				}
			}
		}
		return true
	})
}
