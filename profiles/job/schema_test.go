package job

import (
	"flag"
	"reflect"
	"testing"

	"plugproof/profiles/editorschema"
)

var update = flag.Bool("update", false, "rewrite the schema")

// TestSchemaCurrent keeps the JSON Schema that editors use for job.yaml in step with
// the types. Run go test ./profiles/job -update to write it anew.
func TestSchemaCurrent(t *testing.T) {
	m := editorschema.Maker{
		Others: map[reflect.Type]map[string]any{reflect.TypeFor[Quantity](): {"enum": Quantities()}},
		Keys:   map[reflect.Type]any{reflect.TypeFor[Phase](): Phases()},
	}
	m.Check(t, "job.schema.json", "plugproof job, format 1", reflect.TypeFor[Card](), *update, "card.go", "../profile.go")
}
