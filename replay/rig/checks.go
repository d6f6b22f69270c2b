package rig

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
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
// skips. A check that did not run and pass is an error; so is it where CAN is
// required and more than half of several checks skipped, because the machine is too
// busy to say anything. In short mode they are left out. go test -run Test/Name
// runs one check alone. The environment variables that are named by env are set in
// the rig as they are here.
func RunChecks(t *testing.T, limit time.Duration, checks []Check, env ...string) {
	t.Helper()
	if testing.Short() { // what runs in the rig is built without the race detector: nothing is lost
		t.Skip("not on this system: checks on a kernel with CAN are left out of the short run")
	}
	checks, pattern := chosen(t, checks)
	var skipped atomic.Int32
	one := func(name string, run func(*testing.T)) {
		t.Run(name, func(t *testing.T) {
			t.Cleanup(func() {
				if t.Skipped() {
					skipped.Add(1)
				}
			})
			run(t)
		})
	}
	t.Cleanup(func() {
		if n := int(skipped.Load()); tooFew(n, len(checks)) && witness.Required("socketcan") {
			t.Errorf("%d of %d checks skipped, and PLUGPROOF_REQUIRE asks for socketcan", n, len(checks))
		}
	})
	if os.Getenv(Inside) != "" || hostHasCAN() {
		for _, c := range checks {
			one(c.Name, c.Run)
		}
		return
	}
	out := inRig(t, limit, pattern, env)
	for _, c := range checks {
		switch full := t.Name() + "/" + c.Name + " "; {
		case strings.Contains(out, "--- PASS: "+full):
		case strings.Contains(out, "--- SKIP: "+full):
			why := lastLine(out, t.Name()+"/"+c.Name)
			one(c.Name, func(t *testing.T) { t.Skipf("not on this system: skipped in the rig: %s", why) })
		default:
			t.Errorf("%s did not run and pass in the rig", c.Name)
		}
	}
}

// tooFew reports whether so many skipped that the rest says nothing of the whole. A
// test of one check says by its skip that it showed nothing.
func tooFew(skipped, all int) bool { return all > 1 && 2*skipped > all }

// chosen picks the checks that go test -run names behind its first slash.
func chosen(t *testing.T, checks []Check) (picked []Check, pattern string) {
	t.Helper()
	pattern = "^" + t.Name() + "$"
	_, second, ok := strings.Cut(flag.Lookup("test.run").Value.String(), "/")
	if !ok {
		return checks, pattern
	}
	second, _, _ = strings.Cut(second, "/")
	name, err := regexp.Compile(second)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range checks {
		if name.MatchString(c.Name) {
			picked = append(picked, c)
		}
	}
	return picked, pattern + "/" + second
}

// inRig runs this test in the rig and returns what it printed.
func inRig(t *testing.T, limit time.Duration, pattern string, env []string) string {
	t.Helper()
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
	var set []string
	for _, name := range env {
		set = append(set, name+"="+os.Getenv(name))
	}
	// The rig has one processor; checks that wait may do so side by side.
	code, err := Run(ctx, Program{
		Args: []string{binary, "-test.run=" + pattern, "-test.v", "-test.parallel=8", "-test.timeout=" + limit.String()}, Dir: dir, Env: set, Out: &out,
	})
	if errors.Is(err, ErrAbsent) {
		witness.Missing(t, "socketcan", "this kernel has no CAN, and "+err.Error())
	}
	t.Logf("in the rig:\n%s", &out)
	if err != nil || code != 0 {
		t.Fatalf("in the rig: exit code %d, %v", code, err)
	}
	return out.String()
}

// lastLine returns what a check printed last before it ended or another began.
func lastLine(out, check string) (last string) {
	_, rest, _ := strings.Cut(out, "=== RUN   "+check+"\n")
	for line := range strings.Lines(rest) {
		if strings.HasPrefix(line, "=== ") || strings.HasPrefix(strings.TrimSpace(line), "--- ") {
			break
		}
		last = strings.TrimSpace(line)
	}
	return last
}
