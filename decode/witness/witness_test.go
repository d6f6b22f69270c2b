package witness

import (
	"os"
	"path/filepath"
	"runtime"
	"testing"
)

// outcome runs a helper in the place of a test and says how it ended.
func outcome(t *testing.T, helper func(testing.TB)) (result string) {
	t.Helper()
	r := &recorder{TB: t}
	done := make(chan struct{})
	go func() { // Skip and Fatal end the goroutine
		defer close(done)
		helper(r)
	}()
	<-done
	return r.result
}

// recorder is a testing.TB that notes how the helper ended its test.
type recorder struct {
	testing.TB
	result string
}

func (r *recorder) Fatalf(string, ...any) { r.end("fatal") }
func (r *recorder) Fatal(...any)          { r.end("fatal") }
func (r *recorder) Skipf(string, ...any)  { r.end("skip") }

func (r *recorder) end(result string) {
	r.result = result
	runtime.Goexit()
}

func TestMissing(t *testing.T) {
	for _, tt := range []struct{ require, want string }{
		{"", "skip"}, {"tshark", "fatal"}, {"public-data,tshark", "fatal"}, {"tshark2,socketcan", "skip"},
	} {
		t.Setenv("PLUGPROOF_REQUIRE", tt.require)
		if got := outcome(t, func(tb testing.TB) { Missing(tb, "tshark", "gone") }); got != tt.want {
			t.Errorf("PLUGPROOF_REQUIRE=%q: %q, want %q", tt.require, got, tt.want)
		}
		got := outcome(t, func(tb testing.TB) { Program(tb, "tshark", "no-such-program-anywhere") })
		if got != tt.want {
			t.Errorf("Program, PLUGPROOF_REQUIRE=%q: %q, want %q", tt.require, got, tt.want)
		}
	}
}

func TestPublicData(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("PLUGPROOF_PUBLIC_DATA", dir)
	if got := PublicData(t); got != dir {
		t.Errorf("PublicData = %s, want %s", got, dir)
	}
	t.Setenv("PLUGPROOF_PUBLIC_DATA", filepath.Join(dir, "none"))
	t.Setenv("PLUGPROOF_REQUIRE", "public-data")
	if got := outcome(t, func(tb testing.TB) { PublicData(tb) }); got != "fatal" {
		t.Errorf("absent and required: %q", got)
	}
}

func TestRoot(t *testing.T) {
	if _, err := os.Stat(filepath.Join(Root(t), "go.mod")); err != nil {
		t.Error(err)
	}
	t.Chdir(t.TempDir())
	if got := outcome(t, func(tb testing.TB) { Root(tb) }); got != "fatal" {
		t.Errorf("outside of any project: %q", got)
	}
}
