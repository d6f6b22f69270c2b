package atomicfile_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"plugproof/decode/atomicfile"
)

// What is no regular file must never be renamed over: as root that would
// replace a device such as /dev/null.
func TestPipeIsWrittenNotReplaced(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Fatal(err)
	}
	got := make(chan string, 1)
	go func() {
		data, err := os.ReadFile(path)
		if err != nil {
			data = []byte(err.Error())
		}
		got <- string(data)
	}()
	if err := atomicfile.WriteFile(path, []byte("through")); err != nil {
		t.Fatal(err)
	}
	if s := <-got; s != "through" {
		t.Errorf("the pipe gave %q", s)
	}
	if info, err := os.Stat(path); err != nil || info.Mode()&fs.ModeNamedPipe == 0 {
		t.Errorf("the pipe is now %v, %v", info.Mode(), err)
	}
}

func TestDeviceFull(t *testing.T) {
	err := atomicfile.WriteFile("/dev/full", []byte("x"))
	if !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("/dev/full: %v, want ENOSPC", err)
	}
}
