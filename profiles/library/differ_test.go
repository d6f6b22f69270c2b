package library_test

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/profiles"
	"plugproof/profiles/demo"
)

var update = flag.Bool("update", false, "rewrite golden files")

// TestDiffer writes down what tells each pair of the twelve apart, and which
// pairs nothing does: go test ./profiles/library -update writes it anew.
func TestDiffer(t *testing.T) {
	const golden = "testdata/differ.golden"
	var got strings.Builder
	var alike, echoing []string
	cars := demo.Settings()
	settings := map[demo.Setting]*profiles.Setting{}
	for _, car := range cars {
		settings[car] = setting(t, car.String())
	}
	pairs := 0
	for i, a := range cars {
		for _, b := range cars[i+1:] {
			pairs++
			list := profiles.Differ(settings[a], settings[b])
			echo := func(d profiles.Difference) bool { return d.Echo }
			switch pair := a.String() + " " + b.String(); {
			case len(list) == 0:
				alike = append(alike, pair)
			case len(slices.DeleteFunc(slices.Clone(list), echo)) == 0:
				echoing = append(echoing, pair)
			}
			writePair(&got, a, b, list)
		}
	}
	if pairs != 66 {
		t.Errorf("%d pairs, want 66", pairs)
	}
	// The plain series 2 was carried over from series 1. In series 1 with the
	// manual gearbox nobody but the engine knows which engine it is.
	want := [][]string{
		{"lowan-1-20-m5 lowan-2-20-m5"},
		{"lowan-1-20-m5 lowan-1-20t-m5", "lowan-1-20t-m5 lowan-2-20-m5"},
	}
	if diff := cmp.Diff(want, [][]string{alike, echoing}); diff != "" {
		t.Errorf("pairs that nothing tells apart, and pairs that only the engine does (-want +got):\n%s", diff)
	}
	if *update {
		if err := os.WriteFile(golden, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	have, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(have), got.String()); diff != "" {
		t.Errorf("%s is out of date (-file +now):\n%s", golden, diff)
	}
}

// writePair writes a pair and its differences, one message a line: those of the
// car first, those that only echo the setting chosen marked with ~.
func writePair(w *strings.Builder, a, b demo.Setting, list []profiles.Difference) {
	echoes := 0
	var lines [2]strings.Builder
	last := ""
	for _, d := range list {
		k, mark := 0, " "
		if d.Echo {
			k, mark = 1, "~"
			echoes++
		}
		head := fmt.Sprintf("\n%s %-5s %s %s:", mark, d.Bus, d.ID, d.Message)
		if head != last {
			lines[k].WriteString(head)
		} else {
			lines[k].WriteString(",")
		}
		last = head
		lines[k].WriteString(" " + d.What)
		if d.What == "sent" {
			lines[k].WriteString(map[string]string{"sent": " by the first", "not sent": " by the second"}[d.A])
		}
	}
	fmt.Fprintf(w, "%s %s: %d of the car, %d echoes%s%s\n", a, b, len(list)-echoes, echoes, &lines[0], &lines[1])
}
