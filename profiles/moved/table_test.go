package moved

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/profiles/demo"
)

var update = flag.Bool("update", false, "rewrite the table in testdata")

// TestTable holds how often the right field is found in the demo car, its DBC
// files held back, against the committed table.
func TestTable(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a minute")
	}
	var b strings.Builder
	b.WriteString("| what | script | captures | first | tied with the first | listed | missed | told beyond accident |\n|---|---|---|---|---|---|---|---|\n")
	for _, script := range []struct {
		name  string
		scale float64
		each  func(setting int) bool
		seeds []uint64
	}{
		{"90 s", 0, func(i int) bool { return i%4 == 0 || i%4 == 3 }, []uint64{1, 2}},
		{"150 s", 0.1, func(i int) bool { return i%8 == 0 || i%8 == 3 }, []uint64{3}},
	} {
		counts := map[string]*tally{}
		for i, s := range demo.Settings() {
			if !script.each(i) {
				continue
			}
			for _, seed := range script.seeds {
				look(t, s, demo.Options{Seed: seed, Script: demo.Script(script.scale, s)}, counts)
			}
		}
		for _, thing := range things {
			c := counts[thing.kind]
			fmt.Fprintf(&b, "| %s (`%s`) | %s | %d | %d | %d | %d | %d | %d |\n", thing.kind, thing.signal, script.name,
				c.all, c.first, c.tied, c.listed, c.missed, c.told)
		}
	}
	path := filepath.Join("testdata", "table.md")
	if *update {
		if err := os.WriteFile(path, []byte(b.String()), 0o666); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), b.String()); diff != "" {
		t.Errorf("the table changed: read it, then -update (-want +got):\n%s", diff)
	}
}
