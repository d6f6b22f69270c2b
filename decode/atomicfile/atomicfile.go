// Package atomicfile writes a file so that either the whole new content is
// there or the old one still is: a temporary in the same folder, synced, then
// renamed.
package atomicfile

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// Error is a failure to write output: disk full, no permission, folder missing.
// Commands end with their own exit code for it.
type Error struct {
	Path string
	Err  error
}

// Error names the file and what went wrong.
func (e *Error) Error() string { return fmt.Sprintf("cannot write %s: %v", e.Path, e.Err) }

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// File is a file being written. Nothing is visible under its name until Commit.
type File struct {
	path string
	tmp  *os.File // nil once committed or dropped
	err  error    // first write error; Commit refuses after it
}

// Create opens a temporary beside path. The caller ends with Commit, and with a
// deferred Drop for every other way out.
func Create(path string) (*File, error) {
	tmp, err := os.CreateTemp(filepath.Dir(path), ".plugproof-*.tmp")
	if err != nil {
		return nil, &Error{Path: path, Err: bare(err)}
	}
	return &File{path: path, tmp: tmp}, nil
}

// Write implements io.Writer. Its error is an *Error.
func (f *File) Write(p []byte) (int, error) {
	if f.tmp == nil {
		return 0, &Error{Path: f.path, Err: os.ErrClosed}
	}
	n, err := f.tmp.Write(p)
	if err != nil {
		f.err = &Error{Path: f.path, Err: bare(err)}
		return n, f.err
	}
	return n, nil
}

// Commit syncs the temporary and renames it to its final name, with the rights
// of the file it replaces or 0644. On any error the temporary is removed and an
// existing file stays as it was.
func (f *File) Commit() error {
	if f.tmp == nil {
		return &Error{Path: f.path, Err: os.ErrClosed}
	}
	if f.err != nil {
		f.Drop()
		return f.err
	}
	mode := os.FileMode(0o644)
	if info, err := os.Stat(f.path); err == nil {
		mode = info.Mode().Perm()
	}
	name := f.tmp.Name()
	err := errors.Join(f.tmp.Chmod(mode), f.tmp.Sync(), f.tmp.Close())
	if err == nil {
		err = os.Rename(name, f.path)
	}
	f.tmp = nil
	if err != nil {
		os.Remove(name)
		return &Error{Path: f.path, Err: bare(err)}
	}
	return nil
}

// Drop removes the temporary. It does nothing after Commit.
func (f *File) Drop() {
	if f.tmp == nil {
		return
	}
	f.tmp.Close()
	os.Remove(f.tmp.Name())
	f.tmp = nil
}

// WriteFile writes all of data to path, whole or not at all.
func WriteFile(path string, data []byte) error {
	f, err := Create(path)
	if err != nil {
		return err
	}
	defer f.Drop()
	if _, err := f.Write(data); err != nil {
		return err
	}
	return f.Commit()
}

// bare takes the path out of an os error: the temporary's name means nothing to a user.
func bare(err error) error {
	if pe, ok := errors.AsType[*os.PathError](err); ok {
		return pe.Err
	}
	return err
}

var _ io.Writer = (*File)(nil)
