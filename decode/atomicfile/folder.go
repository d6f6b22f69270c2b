package atomicfile

import (
	"errors"
	"os"
	"path/filepath"
)

// Folder is a folder of files being written. Nothing is visible under its name
// until Commit: it then appears with all of its files.
type Folder struct {
	path   string // as the caller gave it, for messages
	target string // path with its symbolic links followed
	temp   string // "" once committed or dropped
	files  []*FolderFile
}

// FolderFile is a file of a Folder.
type FolderFile struct {
	path string
	out  *os.File
	err  error // first write error
}

// CreateFolder begins a folder beside path. What stands at path must be nothing
// or an empty folder: files of an earlier run would mix with those of this one.
// The caller ends with Commit, and with a deferred Drop for every other way out.
func CreateFolder(path string) (*Folder, error) {
	d := &Folder{path: path}
	if err := d.open(); err != nil {
		return nil, failure(path, err)
	}
	return d, nil
}

func (d *Folder) open() (err error) {
	info, err := os.Stat(d.path)
	switch {
	case d.path == "":
		return err
	case err == nil && !info.IsDir():
		return errors.New("it is a file, and a folder is wanted")
	case err == nil:
		entries, err := os.ReadDir(d.path)
		if err != nil {
			return err
		}
		if len(entries) > 0 {
			return errors.New("the folder is not empty")
		}
	}
	if d.target, err = follow(d.path); err != nil {
		return err
	}
	d.temp, err = os.MkdirTemp(filepath.Dir(d.target), ".plugproof-*.tmp")
	return err
}

// Create begins a file of the folder; the name must be new. Its Write returns
// an *Error.
func (d *Folder) Create(name string) (*FolderFile, error) {
	path := filepath.Join(d.path, name)
	out, err := os.OpenFile(filepath.Join(d.temp, name), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
	if err != nil {
		return nil, failure(path, err)
	}
	f := &FolderFile{path: path, out: out}
	d.files = append(d.files, f)
	return f, nil
}

// Write implements io.Writer.
func (f *FolderFile) Write(p []byte) (int, error) {
	n, err := f.out.Write(p)
	if err != nil {
		f.err = failure(f.path, err)
	}
	return n, f.err
}

// Commit syncs the files and gives the folder its name. On any error nothing of
// it is left.
func (d *Folder) Commit() error {
	if d.temp == "" {
		return failure(d.path, os.ErrClosed)
	}
	defer d.Drop()
	for _, f := range d.files {
		err := f.err
		if err == nil {
			err = failure(f.path, errors.Join(f.out.Sync(), f.out.Close()))
		}
		if err != nil {
			return err
		}
	}
	if err := os.Chmod(d.temp, 0o755); err != nil {
		return failure(d.path, err)
	}
	os.Remove(d.target) // an empty one; not every system renames over it
	if err := os.Rename(d.temp, d.target); err != nil {
		return failure(d.path, err)
	}
	d.temp = ""
	return nil
}

// Drop removes what was not committed.
func (d *Folder) Drop() {
	if d.temp == "" {
		return
	}
	for _, f := range d.files {
		f.out.Close()
	}
	os.RemoveAll(d.temp)
	d.temp = ""
}
