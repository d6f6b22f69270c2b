package rig

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plugproof/decode/witness"
)

// Check is a test that needs a kernel with CAN, with vcan0 and vcan1 up.
type Check struct {
	Name string
	Run  func(*testing.T)
}

// RunChecks runs the checks as subtests of t, which is a top-level test: here where
// this machine has CAN, else by the package's test binary in the rig, else it
// skips. A check that did not run and pass is an error.
func RunChecks(t *testing.T, limit time.Duration, checks []Check) {
	t.Helper()
	if os.Getenv(Inside) != "" || hostHasCAN() {
		for _, c := range checks {
			t.Run(c.Name, c.Run)
		}
		return
	}
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	// Built anew because a binary with the race detector does not start there.
	binary := filepath.Join(t.TempDir(), "kernel.test")
	build := exec.CommandContext(ctx, "go", "test", "-c", "-o", binary, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("go test -c: %v\n%s", err, out)
	}
	var out bytes.Buffer
	// The rig has one processor; checks that wait may do so side by side.
	code, err := Run(ctx, Program{
		Args: []string{binary, "-test.run=^" + t.Name() + "$", "-test.v", "-test.parallel=8", "-test.timeout=" + limit.String()}, Dir: dir, Out: &out,
	})
	if errors.Is(err, ErrAbsent) {
		witness.Missing(t, "socketcan", "this kernel has no CAN, and "+err.Error())
	}
	t.Logf("in the rig:\n%s", &out)
	if err != nil || code != 0 {
		t.Fatalf("in the rig: exit code %d, %v", code, err)
	}
	for _, c := range checks {
		switch full := t.Name() + "/" + c.Name + " "; {
		case strings.Contains(out.String(), "--- PASS: "+full):
		case strings.Contains(out.String(), "--- SKIP: "+full):
			t.Run(c.Name, func(t *testing.T) { t.Skip("not on this system: skipped in the rig for the reason above") })
		default:
			t.Errorf("%s did not run and pass in the rig", c.Name)
		}
	}
}
