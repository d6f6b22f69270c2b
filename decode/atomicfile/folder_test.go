package atomicfile

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
)

// folderOf begins a folder with files that hold their own names.
func folderOf(t *testing.T, path string, files ...string) *Folder {
	t.Helper()
	d, err := CreateFolder(path)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range files {
		f, err := d.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if n, err := f.Write([]byte(name)); n != len(name) || err != nil {
			t.Fatalf("wrote %d bytes, %v", n, err)
		}
	}
	return d
}

func TestFolder(t *testing.T) {
	for _, there := range []bool{false, true} {
		dir := t.TempDir()
		path := filepath.Join(dir, "out")
		if there {
			if err := os.Mkdir(path, 0o700); err != nil {
				t.Fatal(err)
			}
		}
		d := folderOf(t, path, "one", "two")
		if _, err := os.Stat(filepath.Join(path, "one")); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("visible before Commit: %v", err)
		}
		_, err := d.Create("one")
		failsFor(t, err, filepath.Join(path, "one"), fs.ErrExist)
		if err := d.Commit(); err != nil {
			t.Fatal(err)
		}
		d.Drop()
		if names(t, dir) != "out" || names(t, path) != "one two" || content(t, filepath.Join(path, "two")) != "two" {
			t.Errorf("there before %t: %s with %s", there, names(t, dir), names(t, path))
		}
		failsFor(t, d.Commit(), path, os.ErrClosed)
	}
}

func TestFolderDropLeavesNothing(t *testing.T) {
	dir := t.TempDir()
	d := folderOf(t, filepath.Join(dir, "out"), "one")
	d.Drop()
	d.Drop()
	if got := names(t, dir); got != "" {
		t.Errorf("left %s", got)
	}
}

// A failed write of one file (it was closed underneath) leaves nothing of any.
func TestFolderFailedWrite(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "out")
	d := folderOf(t, path, "one", "two")
	d.files[1].out.Close()
	_, err := d.files[1].Write([]byte("more"))
	failsFor(t, err, filepath.Join(path, "two"), os.ErrClosed)
	failsFor(t, d.Commit(), filepath.Join(path, "two"), os.ErrClosed)
	if got := names(t, dir); got != "" {
		t.Errorf("left %s", got)
	}
}

func TestFolderRefused(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "file"), "")
	for _, path := range []string{"", dir, filepath.Join(dir, "file"), filepath.Join(dir, "none", "out")} {
		d, err := CreateFolder(path)
		if d != nil {
			t.Errorf("%s: a folder came with the error", path)
		}
		failsFor(t, err, path, nil)
	}
	if got := names(t, dir); got != "file" {
		t.Errorf("left %s", got)
	}
}
