package atomicfile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// names returns what is in a folder, temporaries included.
func names(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return strings.Join(list, " ")
}

func content(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// failsFor checks that err is an *Error for path with the wanted cause, and that
// it does not name the temporary.
func failsFor(t *testing.T, err error, path string, cause error) {
	t.Helper()
	e, ok := errors.AsType[*Error](err)
	if !ok || e.Path != path || cause != nil && !errors.Is(err, cause) {
		t.Fatalf("error %#v, want one for %s with cause %v", err, path, cause)
	}
	text := err.Error()
	if !strings.HasPrefix(text, "cannot write "+path+": ") || strings.Contains(text, ".plugproof-") {
		t.Errorf("message %q", text)
	}
}

func TestNewFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "out.log")
	f, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Drop()
	for _, text := range []string{"one ", "two"} {
		if n, err := f.Write([]byte(text)); n != len(text) || err != nil {
			t.Fatalf("wrote %d bytes, %v", n, err)
		}
	}
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("visible before Commit: %v", err)
	}
	if err := f.Commit(); err != nil {
		t.Fatal(err)
	}
	f.Drop()
	if got := content(t, path); got != "one two" {
		t.Errorf("content %q", got)
	}
	if got := names(t, dir); got != "out.log" {
		t.Errorf("folder holds %s", got)
	}
	_, err = f.Write([]byte("late"))
	failsFor(t, err, path, os.ErrClosed)
	failsFor(t, f.Commit(), path, os.ErrClosed)
}

func TestReplaceKeepsRights(t *testing.T) {
	path := filepath.Join(t.TempDir(), "out.log")
	if err := WriteFile(path, []byte("new")); err != nil {
		t.Fatal(err)
	}
	rights := func() fs.FileMode {
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		return info.Mode().Perm()
	}
	if runtime.GOOS != "windows" && rights() != 0o644 {
		t.Errorf("a new file has rights %o", rights())
	}
	if err := os.Chmod(path, 0o640); err != nil {
		t.Fatal(err)
	}
	before := rights()
	if err := WriteFile(path, []byte("newer")); err != nil {
		t.Fatal(err)
	}
	if content(t, path) != "newer" || rights() != before {
		t.Errorf("content %q, rights %o, want %o", content(t, path), rights(), before)
	}
}

func TestDropLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "out.log")
	write(t, path, "old")
	f, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write([]byte("half")); err != nil {
		t.Fatal(err)
	}
	f.Drop()
	f.Drop()
	if names(t, dir) != "out.log" || content(t, path) != "old" {
		t.Errorf("folder holds %s, content %q", names(t, dir), content(t, path))
	}
	failsFor(t, f.Commit(), path, os.ErrClosed)
}

// A write that fails (here because the file was closed underneath) makes Commit
// refuse and leaves the old file.
func TestFailedWriteLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "out.log")
	write(t, path, "old")
	f, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write([]byte("half")); err != nil {
		t.Fatal(err)
	}
	f.out.Close()
	_, err = f.Write([]byte("more"))
	failsFor(t, err, path, os.ErrClosed)
	failsFor(t, f.Commit(), path, os.ErrClosed)
	if names(t, dir) != "out.log" || content(t, path) != "old" {
		t.Errorf("folder holds %s, content %q", names(t, dir), content(t, path))
	}
}

// The folder goes, or becomes a target that cannot be replaced, before Commit.
func TestFailedCommitLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "out.log")
	f, err := Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Drop()
	if err := os.MkdirAll(filepath.Join(path, "full"), 0o755); err != nil {
		t.Fatal(err)
	}
	failsFor(t, f.Commit(), path, nil)
	if got := names(t, dir); got != "out.log" {
		t.Errorf("folder holds %s", got)
	}
}

func TestCannotCreate(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "file"), "")
	tests := []struct {
		name, path string
		cause      error
		says       string
	}{
		{"folder missing", filepath.Join(dir, "none", "out.log"), fs.ErrNotExist, ""},
		{"file as folder", filepath.Join(dir, "file", "out.log"), nil, ""},
		{"target is a folder", dir, nil, "it is a folder"},
		{"no name", "", nil, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f, err := Create(tt.path)
			if f != nil {
				t.Error("a file came with the error")
			}
			failsFor(t, err, tt.path, tt.cause)
			if !strings.Contains(err.Error(), tt.says) {
				t.Errorf("%q does not say %q", err, tt.says)
			}
			failsFor(t, WriteFile(tt.path, []byte("x")), tt.path, tt.cause)
		})
	}
	if got := names(t, dir); got != "file" {
		t.Errorf("folder holds %s", got)
	}
}

func symlink(t *testing.T, to, path string) {
	t.Helper()
	if err := os.Symlink(to, path); err != nil {
		t.Skipf("no symbolic links here: %v", err)
	}
}

func TestLinkStays(t *testing.T) {
	for _, exists := range []bool{true, false} {
		dir := t.TempDir()
		if err := os.Mkdir(filepath.Join(dir, "real"), 0o755); err != nil {
			t.Fatal(err)
		}
		target := filepath.Join(dir, "real", "out.log")
		if exists {
			write(t, target, "old")
		}
		symlink(t, filepath.Join("real", "out.log"), filepath.Join(dir, "first"))
		link := filepath.Join(dir, "second")
		symlink(t, filepath.Join(dir, "first"), link)
		if err := WriteFile(link, []byte("new")); err != nil {
			t.Fatal(err)
		}
		if content(t, target) != "new" {
			t.Errorf("target exists %t: content %q", exists, content(t, target))
		}
		for _, name := range []string{"first", "second"} {
			if info, err := os.Lstat(filepath.Join(dir, name)); err != nil || info.Mode()&fs.ModeSymlink == 0 {
				t.Errorf("target exists %t: %s is no longer a link", exists, name)
			}
		}
		if got := names(t, filepath.Join(dir, "real")); got != "out.log" {
			t.Errorf("folder holds %s", got)
		}
	}
}

func TestLinkLoop(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a")
	symlink(t, filepath.Join(dir, "b"), path)
	symlink(t, path, filepath.Join(dir, "b"))
	err := WriteFile(path, []byte("x"))
	failsFor(t, err, path, nil)
	if !strings.Contains(err.Error(), "too many symbolic links") {
		t.Errorf("%q", err)
	}
}
