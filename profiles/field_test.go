package profiles

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
)

// everyField writes a profile that has every key that there is, from the types:
// one entry in each map and list. Its values have the right form; its names hang
// together as far as one name for everything can.
type everyField struct {
	text   strings.Builder
	leaves [][2]int // where in text each single value stands
	keys   map[string]bool
}

// forms are values of the types and keys that not any text fits.
var forms = map[any]string{
	reflect.TypeFor[Time](): "10ms", reflect.TypeFor[Rate](): "500kbit/s", reflect.TypeFor[Ratio](): "10%",
	reflect.TypeFor[ID](): "0x201", reflect.TypeFor[IDRange](): "0x7E0-0x7EF", reflect.TypeFor[Range](): "-40..215",
	reflect.TypeFor[Cover](): "data", reflect.TypeFor[Bits](): "0000~~~~", reflect.TypeFor[SignalRef](): "A.B",
	reflect.TypeFor[Files](): "x.dbc", reflect.TypeFor[Kind](): "cyclic",
	"builds_on": "base", "order": "intel", "law": "xor", "end_to_end.profile": "1A", "stages": "idle",
}

func (w *everyField) leaf(value string) {
	from := w.text.Len()
	w.text.WriteString(value)
	w.leaves = append(w.leaves, [2]int{from, w.text.Len()})
}

// value writes one value; at names the keys that lead to it.
func (w *everyField) value(t reflect.Type, at []string) {
	key := at[len(at)-1]
	if form, ok := forms[t]; ok {
		w.leaf(form)
		return
	}
	switch t.Kind() {
	case reflect.Pointer:
		w.value(t.Elem(), at)
	case reflect.Struct:
		w.object(t, at)
	case reflect.Map:
		entry := "A"
		switch key {
		case "roles":
			entry = "engine-speed"
		case "stages", "ranges":
			entry = "idle"
		}
		if t.Key() == reflect.TypeFor[SignalRef]() {
			entry = "A.B"
		}
		w.text.WriteString("{" + entry + ": ")
		w.value(t.Elem(), append(slices.Clone(at), "*"))
		w.text.WriteString("}")
	case reflect.Slice:
		w.text.WriteString("[")
		w.value(t.Elem(), at)
		w.text.WriteString("]")
	case reflect.Bool:
		w.leaf("true")
	case reflect.String:
		form := forms[strings.Join(at[max(0, len(at)-2):], ".")]
		if form == "" {
			form = forms[key]
		}
		if form == "" {
			form = "A"
		}
		w.leaf(form)
	default:
		w.leaf("1")
	}
}

func (w *everyField) object(t reflect.Type, at []string) {
	w.text.WriteString("{")
	for i, f := range yamlFields(t) {
		if i > 0 {
			w.text.WriteString(", ")
		}
		w.text.WriteString(f.key + ": ")
		path := append(slices.Clone(at), f.key)
		w.keys[strings.Join(path[1:], ".")] = true
		w.value(f.of, path)
	}
	w.text.WriteString("}")
}

type yamlField struct {
	key string
	of  reflect.Type
}

// yamlFields lists the keys of a struct, those of embedded ones among them.
func yamlFields(t reflect.Type) (list []yamlField) {
	for _, f := range reflect.VisibleFields(t) {
		key, _, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		if !f.Anonymous && key != "" {
			list = append(list, yamlField{key, f.Type})
		}
	}
	return list
}

// writeEveryField writes the profile, a top-level key a line.
func writeEveryField() *everyField {
	w := &everyField{keys: map[string]bool{}}
	for _, f := range yamlFields(reflect.TypeFor[Profile]()) {
		w.text.WriteString(f.key + ": ")
		w.keys[f.key] = true
		w.value(f.of, []string{"", f.key})
		w.text.WriteString("\n")
	}
	return w
}

// loadOne loads a profile beside the part and the DBC file of the tests.
func loadOne(src string) (*Setting, error) {
	return NewLibrary(Folder{FS: fstest.MapFS{
		"car.yaml": {Data: []byte(src)}, "base.yaml": {Data: []byte(base)},
		"x.dbc": {Data: []byte("BU_: A\nBO_ 513 A: 8 A\n SG_ B : 0|8@1+ (1,0) [0|0] \"\" A\n")},
	}}).Load("car")
}

// TestEveryFieldIsFuzzed keeps the seed of FuzzLoad that has every key in step with
// the types: go test ./profiles -update writes it anew.
func TestEveryFieldIsFuzzed(t *testing.T) {
	w := writeEveryField()
	if len(w.keys) < 150 || !w.keys["messages.*.checksum.over"] || !w.keys["dialogues.*.asked.above"] {
		t.Fatalf("%d keys found", len(w.keys))
	}
	seed := filepath.Join("testdata", "fuzz", "FuzzLoad", "every_field")
	want := "go test fuzz v1\n[]byte(" + strconv.Quote(w.text.String()) + ")\n"
	if *update {
		if err := os.WriteFile(seed, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if got, err := os.ReadFile(seed); err != nil || string(got) != want {
		t.Errorf("%s does not have every key: run go test ./profiles -update (%v)", seed, err)
	}
	_, err := loadOne(w.text.String())
	var problems Problems
	if errors.As(err, &problems) {
		for _, p := range problems {
			switch p.Rule {
			case "profile/unknown-key", "profile/syntax", "profile/size", "profile/format":
				t.Errorf("the checks of names are not reached: %v", p)
			case "profile/value":
				if !strings.Contains(p.Text, "not both") { // a lamp and a gauge
					t.Errorf("a value has the wrong form: %v", p)
				}
			}
		}
	}
	t.Logf("%d keys, %d values; %d problems", len(w.keys), len(w.leaves), len(problems))
}

// hostile are values that no field should choke on.
var hostile = []string{
	"null", "-1", "0", "18446744073709551616", "1e400", "-.inf", ".nan", `""`, `"\0"`, "[]", "{}", "[[1]]", "{A: 1}",
	"../../etc/passwd", "/etc/passwd", "0x", "99999999999h", "-1ms", "0.000001%", "$.A", "A.B.C", ".", strings.Repeat("x", 5000),
}

// TestHostileValues puts bad values into every field, one at a time: each gives a
// setting or an error, and costs little.
func TestHostileValues(t *testing.T) {
	w := writeEveryField()
	text := w.text.String()
	each := 4 // of the hostile values for each field, all of them over the fields
	if testing.Short() {
		each = 1
	}
	for i, leaf := range w.leaves {
		for k := range each {
			value := hostile[(i*each+k)%len(hostile)]
			src := text[:leaf[0]] + value + text[leaf[1]:]
			var s *Setting
			var err error
			cost := allocated(func() { s, err = loadOne(src) })
			where := fmt.Sprintf("%.40q in place of %s", value, text[max(0, leaf[0]-30):leaf[1]])
			if (s == nil) == (err == nil) {
				t.Errorf("%s: setting %v with error %v", where, s != nil, err)
			}
			if cost > 32<<20 {
				t.Errorf("%s: %d MB allocated", where, cost>>20)
			}
			if err != nil && strings.Contains(err.Error(), "root:") {
				t.Errorf("%s: a file outside of the folder was read", where)
			}
		}
	}
}
