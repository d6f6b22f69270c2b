package job

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

	"plugproof/profiles"
)

var update = flag.Bool("update", false, "rewrite the schema")

// schemaFile is the JSON Schema that editors use for job.yaml.
const schemaFile = "job.schema.json"

// TestSchemaCurrent keeps the schema for editors in step with the types. Run
// go test ./profiles/job -update to write it anew.
func TestSchemaCurrent(t *testing.T) {
	comments := map[string]string{}
	readComments(t, "card.go", comments)
	readComments(t, "../profile.go", comments)
	root := object(reflect.TypeFor[Card](), comments)
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["title"] = "plugproof job, format 1"
	root["required"] = []string{"format"}
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
		t.Errorf("the schema is out of date; run go test ./profiles/job -update (-file +types):\n%s", diff)
	}
}

// schema returns the schema of a type of the card.
func schema(t reflect.Type, comments map[string]string) map[string]any {
	switch t {
	case reflect.TypeFor[Quantity]():
		return map[string]any{"enum": Quantities()}
	case reflect.TypeFor[profiles.Settings]():
		return object(t, comments)
	}
	switch t.Kind() {
	case reflect.Struct:
		return object(t, comments)
	case reflect.Slice:
		return map[string]any{"type": "array", "items": schema(t.Elem(), comments)}
	case reflect.Map: // of phases
		return map[string]any{
			"type": "object", "additionalProperties": schema(t.Elem(), comments), "propertyNames": map[string]any{"enum": Phases()},
		}
	case reflect.Int:
		return map[string]any{"type": "integer"}
	case reflect.Float64:
		return map[string]any{"type": "number"}
	case reflect.String:
		return map[string]any{"type": "string"}
	}
	panic("internal error: no schema for " + t.String())
}

// object returns the schema of a struct; unknown keys are refused as Open does.
func object(t reflect.Type, comments map[string]string) map[string]any {
	properties := map[string]any{}
	for _, f := range reflect.VisibleFields(t) {
		name, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		if name == "" {
			continue
		}
		s := schema(f.Type, comments)
		if text := comments[t.Name()+"."+f.Name]; text != "" {
			s["description"] = text
		}
		properties[name] = s
	}
	return map[string]any{"type": "object", "additionalProperties": false, "properties": properties}
}

// readComments reads the comments beside the fields of the types of a file.
func readComments(t *testing.T, name string, comments map[string]string) {
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
					comments[spec.Name.Name+"."+id.Name] = strings.TrimSpace(field.Comment.Text())
				}
			}
		}
		return true
	})
}
