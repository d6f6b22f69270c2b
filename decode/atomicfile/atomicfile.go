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
	path   string
	target string   // path with symbolic links followed: what is replaced
	tmp    *os.File // nil once committed or dropped
	direct bool     // tmp is the target itself: a device or a pipe
	err    error    // first write error; Commit refuses after it
}

// Create opens a temporary beside path. The caller ends with Commit, and with a
// deferred Drop for every other way out. A symbolic link stays one: the file it
// points to is replaced. A device or a named pipe cannot be replaced and is
// written to as it is.
func Create(path string) (*File, error) {
	f := &File{path: path, target: path}
	if target, err := filepath.EvalSymlinks(path); err == nil {
		f.target = target
	}
	var err error
	if info, serr := os.Stat(f.target); serr == nil && !info.Mode().IsRegular() {
		f.direct = true
		f.tmp, err = os.OpenFile(f.target, os.O_WRONLY, 0)
	} else {
		f.tmp, err = os.CreateTemp(filepath.Dir(f.target), ".plugproof-*.tmp")
	}
	if err != nil {
		return nil, &Error{Path: path, Err: bare(err)}
	}
	return f, nil
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
	commit := f.rename
	if f.direct {
		commit = f.tmp.Close
	}
	err := commit()
	f.tmp = nil
	if err != nil {
		return &Error{Path: f.path, Err: bare(err)}
	}
	return nil
}

// rename gives the temporary its final rights and name, or removes it.
func (f *File) rename() error {
	mode := os.FileMode(0o644)
	if info, err := os.Stat(f.target); err == nil {
		mode = info.Mode().Perm()
	}
	name := f.tmp.Name()
	err := errors.Join(f.tmp.Chmod(mode), f.tmp.Sync(), f.tmp.Close())
	if err == nil {
		err = os.Rename(name, f.target)
	}
	if err != nil {
		os.Remove(name)
	}
	return err
}

// Drop removes the temporary. It does nothing after Commit.
func (f *File) Drop() {
	if f.tmp == nil {
		return
	}
	f.tmp.Close()
	if !f.direct {
		os.Remove(f.tmp.Name())
	}
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
