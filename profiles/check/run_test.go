package check_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/capture"
	"plugproof/decode/witness"
	"plugproof/profiles/check"
	"plugproof/profiles/learn"
	"plugproof/profiles/rules"
)

// changed writes the dead-tachometer capture with a change made to it.
func changed(t *testing.T, change func([]byte) []byte) string {
	t.Helper()
	src, err := os.ReadFile(filepath.Join(witness.Root(t), "testdata", "captures", "lowan-dead-tachometer.log"))
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "changed.log")
	if err := os.WriteFile(path, change(src), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func replaced(pairs ...string) func([]byte) []byte {
	r := strings.NewReplacer(pairs...)
	return func(src []byte) []byte { return []byte(r.Replace(string(src))) }
}

// fails lists the rules that failed, each once, in the order of the findings.
func fails(out *check.Output) (names []string) {
	seen := map[string]bool{}
	for _, f := range out.Findings {
		if f.Verdict == rules.Fail && !seen[f.Rule] {
			seen[f.Rule] = true
			names = append(names, f.Rule)
		}
	}
	return names
}

// TestInterfacesFindTheirBus: what an adapter calls its channels does not change
// the verdict, as long as the identifiers tell which bus is which.
func TestInterfacesFindTheirBus(t *testing.T) {
	want := run(t, changed(t, replaced()), 1)
	if want.Verdict != rules.Fail || len(fails(want)) == 0 {
		t.Fatalf("the capture with the dead tachometer gives %v", want.Verdict)
	}
	got := run(t, changed(t, replaced(" drive ", " can1 ", " body ", " can0 ")), 1)
	interfaces := []check.Interface{
		{Name: "can0", Bus: "body", How: check.Fitting},
		{Name: "can1", Bus: "drive", How: check.Fitting},
	}
	if diff := cmp.Diff(interfaces, got.Interfaces); diff != "" {
		t.Errorf("interfaces (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(fails(want), fails(got)); diff != "" {
		t.Errorf("rules that failed (-by name +by identifiers):\n%s", diff)
	}
	other := run(t, changed(t, func(src []byte) []byte {
		return append([]byte("(1.000000) spare 7A1#11\n(1.100000) spare 7A2#11\n"), src...)
	}), 1)
	if i := other.Interfaces[2]; i.Name != "spare" || i.How != check.Nowhere || i.Bus != "" {
		t.Errorf("an interface of nobody's identifiers is %+v", i)
	}
}

// TestGivenBusMustExist: a bus that the setting does not have is refused.
func TestGivenBusMustExist(t *testing.T) {
	s, err := lowan().Load("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	path := changed(t, replaced())
	if _, err := check.MatchBuses(context.Background(), []string{path}, nil, s, map[string]string{"drive": "comfort"}); err == nil {
		t.Error("a bus that the setting does not have was accepted")
	}
}

// TestDamageIsAFinding: what could not be read is said, and the rest is judged.
func TestDamageIsAFinding(t *testing.T) {
	out := run(t, changed(t, func(src []byte) []byte {
		lines := bytes.SplitAfter(src, []byte("\n"))
		for _, n := range []int{100, 200, 300} {
			lines[n] = append([]byte("workshop$ "), lines[n]...)
		}
		return bytes.Join(lines, nil)
	}), 1)
	var damage []string
	for _, f := range out.Findings {
		if f.Rule == "capture/damage" {
			damage = append(damage, f.Verdict.String()+": "+f.Text)
		}
	}
	if len(damage) != 1 || !strings.HasPrefix(damage[0], "review: ") || !strings.Contains(damage[0], "3") {
		t.Errorf("three foreign lines give %q, want one review that counts them", damage)
	}
	if got := fails(out); len(got) == 0 || got[0] != "message/absent" {
		t.Errorf("the rest was judged as %v, want message/absent first", got)
	}
}

// TestFunctionsAreKnown: asking for a function that no setting has is an error
// that lists those there are.
func TestFunctionsAreKnown(t *testing.T) {
	path := changed(t, replaced())
	lib := lowan()
	s, err := lib.Load("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	r, err := capture.Open([]string{path}, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	interfaces, err := check.MatchBuses(context.Background(), []string{path}, nil, s, nil)
	if err != nil {
		t.Fatal(err)
	}
	_, err = check.Run(context.Background(), &check.Input{
		Setting: s, Library: lib, Scope: rules.Car, Functions: []string{"tachometre"},
		Capture: check.Recording{Reader: r, Interfaces: interfaces},
	})
	var unknown *check.FunctionError
	if !errors.As(err, &unknown) || unknown.Name != "tachometre" || len(unknown.Have) == 0 {
		t.Errorf("got %v, want a FunctionError with the functions there are", err)
	}
}

// TestLearnedBaseline: a baseline that the setting was learned from is judged by
// what was read then, as if it were read once more.
func TestLearnedBaseline(t *testing.T) {
	dir := filepath.Join(witness.Root(t), "testdata", "captures")
	base, now := filepath.Join(dir, "lowan-key-on-idle.log"), filepath.Join(dir, "lowan-dead-tachometer.log")
	learned, err := learn.Setting(context.Background(), learn.Options{Captures: []string{base}})
	if err != nil {
		t.Fatal(err)
	}
	judged := func(baseline check.Recording) *check.Output {
		r, err := capture.Open([]string{now}, capture.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		out, err := check.Run(context.Background(), &check.Input{
			Setting: learned.Setting, Capture: check.Recording{Reader: r}, Baseline: &baseline, Scope: rules.Car,
		})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	again, err := capture.Open([]string{base}, capture.Options{Hash: true})
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	want, got := judged(check.Recording{Reader: again}), judged(check.Recording{Learned: learned})
	if len(want.Findings) == 0 {
		t.Fatal("nothing is found, so nothing is compared")
	}
	if diff := cmp.Diff(want.Result, got.Result); diff != "" {
		t.Errorf("(-read again +learned from):\n%s", diff)
	}
	if diff := cmp.Diff(want.Baseline, got.Baseline); diff != "" {
		t.Errorf("the baseline's captures (-read again +learned from):\n%s", diff)
	}
}
