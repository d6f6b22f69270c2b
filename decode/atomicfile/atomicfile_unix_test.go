//go:build unix

package atomicfile

import (
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
)

func TestDevices(t *testing.T) {
	if err := WriteFile(os.DevNull, []byte("gone")); err != nil {
		t.Error(err)
	}
	info, err := os.Stat(os.DevNull)
	if err != nil || info.Mode().IsRegular() {
		t.Fatalf("%s was replaced: %v, %v", os.DevNull, info, err)
	}
}

// /dev/full answers every write as a full disk does.
func TestDiskFull(t *testing.T) {
	const full = "/dev/full"
	if _, err := os.Stat(full); err != nil {
		t.Skip("no " + full + " here")
	}
	f, err := Create(full)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Drop()
	_, err = f.Write([]byte("x"))
	failsFor(t, err, full, syscall.ENOSPC)
	failsFor(t, f.Commit(), full, syscall.ENOSPC)
	failsFor(t, WriteFile(full, []byte("x")), full, syscall.ENOSPC)
}

func TestPipe(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "pipe")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Skipf("no pipes here: %v", err)
	}
	got := make(chan string, 1)
	go func() {
		data, err := os.ReadFile(path)
		if err != nil {
			data = []byte(err.Error())
		}
		got <- string(data)
	}()
	if err := WriteFile(path, []byte("through")); err != nil {
		t.Fatal(err)
	}
	if text := <-got; text != "through" {
		t.Errorf("the reader got %q", text)
	}
	if info, err := os.Lstat(path); err != nil || info.Mode()&fs.ModeNamedPipe == 0 || names(t, dir) != "pipe" {
		t.Errorf("the pipe is now %v, %v, and its folder holds %s", info, err, names(t, dir))
	}
}

// Through a link as /dev/stdout is one: the device behind it is written to.
func TestLinkToDevice(t *testing.T) {
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	link := filepath.Join("/dev/fd", strconv.Itoa(int(w.Fd())))
	if _, err := os.Stat(link); err != nil {
		t.Skipf("no %s here", link)
	}
	if err := WriteFile(link, []byte("out")); err != nil {
		t.Fatal(err)
	}
	w.Close()
	if data, err := io.ReadAll(r); err != nil || string(data) != "out" {
		t.Errorf("read %q, %v", data, err)
	}
}

func TestFolderWithoutRights(t *testing.T) {
	if os.Getuid() == 0 {
		t.Skip("root may write everywhere")
	}
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o500); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "out.log")
	failsFor(t, WriteFile(path, []byte("x")), path, os.ErrPermission)
}
