package profiles

import (
	"encoding/json"
	"flag"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "rewrite golden files and the schema")

// schemaFile is the JSON Schema that editors use for profile files.
const schemaFile = "profile.schema.json"

// TestSchemaCurrent keeps the schema for editors in step with the types. Run
// go test ./profiles -update to write it anew.
func TestSchemaCurrent(t *testing.T) {
	g := schemaMaker{comments: fieldComments(t), defs: map[string]any{}}
	root := g.object(reflect.TypeFor[Profile]())
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["title"] = "plugproof profile, format 1"
	root["required"] = []string{"format"}
	root["$defs"] = g.defs
	got, err := json.MarshalIndent(root, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	got = append(got, '\n')
	if *update {
		if err := os.WriteFile(schemaFile, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(schemaFile)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("the schema is out of date; run go test ./profiles -update (-file +types):\n%s", diff)
	}
}

// schemaMaker turns Go types into JSON Schema.
type schemaMaker struct {
	comments map[string]string // by Type.Field
	defs     map[string]any
}

// quantities are the types written as text, with the pattern of their form.
var quantities = map[reflect.Type]string{
	reflect.TypeFor[Time]():      `^([0-9.]+(ns|us|µs|ms|s|m|h))+$`,
	reflect.TypeFor[Rate]():      `^[0-9.]+ *[kM]?bit/s$`,
	reflect.TypeFor[Ratio]():     `^[0-9.]+ *%$`,
	reflect.TypeFor[Range]():     `^-?[0-9.eE+-]+ *\.\. *-?[0-9.eE+-]+$`,
	reflect.TypeFor[Cover]():     `^(data|data [0-9]+\.\.[0-9]+|id|id reversed|id low|length|bytes( [0-9A-Fa-f]{2})+|listed [0-9]+\|[0-9]+( [0-9A-Fa-f]{2})+)$`,
	reflect.TypeFor[Bits]():      `^[01~]{8}( [01~]{8}){0,7}$`,
	reflect.TypeFor[SignalRef](): `^[^.]+(\.[^.]+)?$`,
}

// schema returns the schema of one type.
func (g *schemaMaker) schema(t reflect.Type) map[string]any {
	if pattern, ok := quantities[t]; ok {
		return map[string]any{"type": "string", "pattern": pattern}
	}
	switch t {
	case reflect.TypeFor[Files]():
		return map[string]any{"type": []string{"string", "array"}, "items": map[string]any{"type": "string"}}
	case reflect.TypeFor[ID](), reflect.TypeFor[IDRange]():
		return map[string]any{"type": []string{"string", "integer"}}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return g.schema(t.Elem())
	case reflect.Struct:
		if _, done := g.defs[t.Name()]; !done {
			g.defs[t.Name()] = nil // breaks a loop of types
			g.defs[t.Name()] = g.object(t)
		}
		return map[string]any{"$ref": "#/$defs/" + t.Name()}
	case reflect.Map:
		m := map[string]any{"type": "object", "additionalProperties": g.schema(t.Elem())}
		if t.Key() == reflect.TypeFor[Role]() {
			m["propertyNames"] = map[string]any{"enum": Roles()}
		}
		return m
	case reflect.Slice:
		return map[string]any{"type": "array", "items": g.schema(t.Elem())}
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

// object returns the schema of a struct; unknown keys are refused as the loader does.
func (g *schemaMaker) object(t reflect.Type) map[string]any {
	properties := map[string]any{}
	for _, f := range reflect.VisibleFields(t) {
		if f.Anonymous {
			continue
		}
		name, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		if name == "" {
			continue
		}
		s := g.schema(f.Type)
		owner := t
		if len(f.Index) > 1 {
			owner = t.Field(f.Index[0]).Type
		}
		if text := g.comments[owner.Name()+"."+f.Name]; text != "" {
			s["description"] = text
		}
		properties[name] = s
	}
	return map[string]any{"type": "object", "additionalProperties": false, "properties": properties}
}

// fieldComments reads the comments beside the fields of the model's files.
func fieldComments(t *testing.T) map[string]string {
	comments := map[string]string{}
	for _, name := range []string{"profile.go", "dialogue.go"} {
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		readComments(file, comments)
	}
	return comments
}

func readComments(file *ast.File, comments map[string]string) {
	ast.Inspect(file, func(n ast.Node) bool {
		spec, ok := n.(*ast.TypeSpec)
		if !ok {
			return true
		}
		if s, ok := spec.Type.(*ast.StructType); ok {
			for _, field := range s.Fields.List {
				for _, name := range field.Names {
					comments[spec.Name.Name+"."+name.Name] = strings.TrimSpace(field.Comment.Text())
				}
			}
		}
		return true
	})
}
