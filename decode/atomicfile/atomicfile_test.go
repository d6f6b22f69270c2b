package atomicfile_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"plugproof/decode/atomicfile"
)

func TestCommitReplacesWhole(t *testing.T) {
	path := filepath.Join(t.TempDir(), "out.txt")
	for _, content := range []string{"first, and longer", "second"} {
		if err := atomicfile.WriteFile(path, []byte(content)); err != nil {
			t.Fatal(err)
		}
		wantFiles(t, path, content)
	}
}

func TestNothingVisibleBeforeCommit(t *testing.T) {
	path := filepath.Join(t.TempDir(), "out.txt")
	f, err := atomicfile.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write([]byte("half")); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("before Commit: stat gives %v, want it absent", err)
	}
	f.Drop()
	if left, _ := os.ReadDir(filepath.Dir(path)); len(left) != 0 {
		t.Errorf("after Drop the folder holds %v", left)
	}
	if err := f.Commit(); !errors.Is(err, os.ErrClosed) {
		t.Errorf("Commit after Drop: %v, want ErrClosed", err)
	}
}

func TestDropKeepsTheOldFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "out.txt")
	if err := os.WriteFile(path, []byte("old"), 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := atomicfile.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	f.Write([]byte("new"))
	f.Drop()
	wantFiles(t, path, "old")
}

func TestRights(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("windows has no such rights")
	}
	dir := t.TempDir()
	kept, fresh := filepath.Join(dir, "kept"), filepath.Join(dir, "fresh")
	if err := os.WriteFile(kept, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]fs.FileMode{kept: 0o600, fresh: 0o644} {
		if err := atomicfile.WriteFile(path, []byte("x")); err != nil {
			t.Fatal(err)
		}
		if info, err := os.Stat(path); err != nil || info.Mode().Perm() != want {
			t.Errorf("%s: mode %v, %v, want %v", filepath.Base(path), info.Mode(), err, want)
		}
	}
}

func TestLinkStaysLink(t *testing.T) {
	dir := t.TempDir()
	target, link := filepath.Join(dir, "target"), filepath.Join(dir, "link")
	if err := os.WriteFile(target, []byte("old"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(target, link); err != nil {
		t.Skipf("no symbolic links here: %v", err)
	}
	if err := atomicfile.WriteFile(link, []byte("new")); err != nil {
		t.Fatal(err)
	}
	if got, _ := os.ReadFile(target); string(got) != "new" {
		t.Errorf("target holds %q", got)
	}
	if info, err := os.Lstat(link); err != nil || info.Mode()&fs.ModeSymlink == 0 {
		t.Errorf("the link became %v, %v", info.Mode(), err)
	}
}

func TestErrorsNameTheFile(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for name, path := range map[string]string{
		"missing folder": filepath.Join(dir, "no", "out"),
		"a folder":       dir,
		"below a file":   filepath.Join(file, "out"),
	} {
		err := atomicfile.WriteFile(path, []byte("x"))
		e, ok := errors.AsType[*atomicfile.Error](err)
		if !ok || e.Path != path {
			t.Errorf("%s: got %v, want an Error about %s", name, err, path)
		}
	}
}

// wantFiles checks that path holds content and that nothing lies beside it.
func wantFiles(t *testing.T, path, content string) {
	t.Helper()
	got, err := os.ReadFile(path)
	if err != nil || string(got) != content {
		t.Errorf("%s holds %q, %v; want %q", path, got, err, content)
	}
	if all, _ := os.ReadDir(filepath.Dir(path)); len(all) != 1 {
		t.Errorf("left beside it: %v", all)
	}
}
