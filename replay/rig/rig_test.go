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
	out, code, err := run(t, time.Minute, "sh", "-c", `echo "$WORD $PLUGPROOF_RIG"; ip link show vcan1 >/dev/null && exit 7`)
	if code != 7 || err != nil || !bytes.Contains([]byte(out), []byte("it's 1\n")) {
		t.Errorf("exit code %d, %v, output %q", code, err, out)
	}
}

func TestTimeLimit(t *testing.T) {
	if _, _, err := run(t, 4*time.Second, "sleep", "60"); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("a program that does not end: %v", err)
	}
}
