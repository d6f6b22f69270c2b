package rig

import (
	"bytes"
	"context"
	"errors"
	"testing"
	"time"

	"plugproof/decode/witness"
)

func run(t *testing.T, limit time.Duration, args ...string) (string, int, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	var out bytes.Buffer
	code, err := Run(ctx, Program{Args: args, Env: []string{"WORD=it's"}, Out: &out})
	if errors.Is(err, ErrAbsent) {
		witness.Missing(t, "socketcan", err.Error())
	}
	return out.String(), code, err
}

func TestRun(t *testing.T) {
	// It boots in 2 s; on a machine with much else to do in more than a minute.
	out, code, err := run(t, 3*time.Minute, "sh", "-c", `echo "$WORD $PLUGPROOF_RIG"; ip link show vcan1 >/dev/null && exit 7`)
	if code != 7 || err != nil || !bytes.Contains([]byte(out), []byte("it's 1\n")) {
		t.Errorf("exit code %d, %v, output %q", code, err, out)
	}
}

func TestTimeLimit(t *testing.T) {
	if _, _, err := run(t, 4*time.Second, "sleep", "60"); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("a program that does not end: %v", err)
	}
}

func TestTooFew(t *testing.T) {
	for _, tt := range []struct {
		skipped, all int
		want         bool
	}{{0, 0, false}, {0, 11, false}, {5, 11, false}, {6, 11, true}, {1, 1, false}, {1, 2, false}, {2, 2, true}, {11, 11, true}} {
		if got := tooFew(tt.skipped, tt.all); got != tt.want {
			t.Errorf("%d of %d: %v", tt.skipped, tt.all, got)
		}
	}
}

func TestLastLine(t *testing.T) {
	const out = "=== RUN   TestA\n=== RUN   TestA/B\n    a.go:1: first\n    a.go:2: not on this system now: [1s]\n=== RUN   TestA/C\n    a.go:3: c\n--- PASS: TestA (1s)\n    --- SKIP: TestA/B (1s)\n"
	for check, want := range map[string]string{"TestA/B": "a.go:2: not on this system now: [1s]", "TestA/C": "a.go:3: c", "TestA/D": ""} {
		if got := lastLine(out, check); got != want {
			t.Errorf("%s: %q, want %q", check, got, want)
		}
	}
}
