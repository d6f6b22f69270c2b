package confusion

import (
	"flag"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/profiles/demo"
	"plugproof/profiles/identify"
)

var update = flag.Bool("update", false, "rewrite matrix.md")

// document is where the matrix is kept.
const document = "matrix.md"

// TestMatrix: the document is what identify answers, and no answer breaks a
// promise. With -short two cars are asked.
func TestMatrix(t *testing.T) {
	var cars []demo.Setting
	if testing.Short() && !*update {
		cars = []demo.Setting{demo.Settings()[0], demo.Settings()[6]}
	}
	m, err := Compute(t.Context(), cars)
	if err != nil {
		t.Fatal(err)
	}
	for _, fault := range m.Broken {
		t.Error(fault)
	}
	if *update {
		if err := os.WriteFile(document, []byte(m.Markdown()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	kept, err := os.ReadFile(document)
	if err != nil {
		t.Fatal(err)
	}
	if cars == nil {
		if diff := cmp.Diff(string(kept), m.Markdown()); diff != "" {
			t.Errorf("%s differs (go run ./cmd/confusion writes it anew):\n%s", document, diff)
		}
		return
	}
	lines := strings.Split(string(kept), "\n")
	for line := range strings.SplitSeq(m.Markdown(), "\n") {
		if !slices.Contains(lines, line) {
			t.Errorf("%s does not have %s", document, line)
		}
	}
}

// TestSize: the matrix is as large as it is said to be.
func TestSize(t *testing.T) {
	if len(neighbours) != 20 || len(pairs)*len(moved) != 20 || len(demo.Settings()) != 12 {
		t.Errorf("%d neighbours, %d conversions, %d cars", len(neighbours), len(pairs)*len(moved), len(demo.Settings()))
	}
}

// TestFaults: each promise that is broken is found.
func TestFaults(t *testing.T) {
	const car, long, short = "lowan-1-20-a5", int64(shortLength), int64(2e9)
	answer := func(v identify.Verdict, settings ...string) *identify.Result {
		return &identify.Result{Verdict: v, Settings: settings}
	}
	same := answer(identify.Tie, car, "b")
	same.SameOnBus = true
	onFile, off, alone := question{car: car}, question{car: car, off: true}, question{car: car, all: true}
	for _, row := range []struct {
		q      question
		res    *identify.Result
		length int64
		broken bool
	}{
		{onFile, answer(identify.Identified, car), long, false},
		{onFile, answer(identify.Identified, "b"), long, true},
		{onFile, answer(identify.Likely, "b"), short, true},
		{onFile, answer(identify.NoneFits, car), long, true},
		{onFile, answer(identify.Tie, car, "b"), long, false},
		{alone, answer(identify.Tie, car, "b"), long, true},
		{alone, answer(identify.Likely, car), long, true},
		{alone, answer(identify.Likely, car), short, false},
		{alone, same, long, false},
		{off, answer(identify.Identified, "b"), short, true},
		{off, answer(identify.Likely, "b"), long, false},
	} {
		if fault := row.q.fault(row.res, row.length); (fault != "") != row.broken {
			t.Errorf("%+v, %s %v: %q", row.q, row.res.Verdict, row.res.Settings, fault)
		}
	}
	conversion := &identify.Result{Verdict: identify.Identified, Network: []string{car}, Modules: []identify.Module{
		{Name: "Gearbox", State: identify.Present, Settings: []string{"b"}},
	}}
	if faults := conversionFaults(conversion, [3]string{car, "Body", "b"}); len(faults) != 4 {
		t.Errorf("%q", faults)
	}
}
