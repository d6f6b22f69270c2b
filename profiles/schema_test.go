package profiles

import (
	"flag"
	"reflect"
	"testing"

	"plugproof/profiles/editorschema"
)

var update = flag.Bool("update", false, "rewrite golden files and the schema")

// TestSchemaCurrent keeps the JSON Schema that editors use for profile files in step
// with the types. Run go test ./profiles -update to write it anew.
func TestSchemaCurrent(t *testing.T) {
	number := map[string]any{"type": []string{"string", "integer"}}
	m := editorschema.Maker{
		Texts: map[reflect.Type]string{
			reflect.TypeFor[Time]():      `^([0-9.]+(ns|us|µs|ms|s|m|h))+$`,
			reflect.TypeFor[Rate]():      `^[0-9.]+ *[kM]?bit/s$`,
			reflect.TypeFor[Ratio]():     `^[0-9.]+ *%$`,
			reflect.TypeFor[Range]():     `^-?[0-9.eE+-]+ *\.\. *-?[0-9.eE+-]+$`,
			reflect.TypeFor[Cover]():     `^(data|data [0-9]+\.\.[0-9]+|id|id reversed|id low|length|bytes( [0-9A-Fa-f]{2})+|listed [0-9]+\|[0-9]+( [0-9A-Fa-f]{2})+)$`,
			reflect.TypeFor[Bits]():      `^[01~]{8}( [01~]{8}){0,7}$`,
			reflect.TypeFor[SignalRef](): `^[^.]+(\.[^.]+)?$`,
		},
		Others: map[reflect.Type]map[string]any{
			reflect.TypeFor[Files]():   {"type": []string{"string", "array"}, "items": map[string]any{"type": "string"}},
			reflect.TypeFor[ID]():      number,
			reflect.TypeFor[IDRange](): number,
		},
		Keys:  map[reflect.Type]any{reflect.TypeFor[Role](): Roles()},
		Named: true,
	}
	m.Check(t, "profile.schema.json", "plugproof profile, format 1", reflect.TypeFor[Profile](), *update, "profile.go", "dialogue.go")
}
