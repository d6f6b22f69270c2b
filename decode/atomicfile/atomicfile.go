// Package atomicfile writes a file, or a folder of files, so that either the
// whole new content is there or the old one still is: a temporary in the same
// folder, synced, then renamed.
package atomicfile

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
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

// File is a file being written. Nothing is visible under its name until Commit,
// unless the name is that of a device or a pipe.
type File struct {
	path   string   // as the caller gave it, for messages
	target string   // what is renamed over: path with its symbolic links followed
	out    *os.File // the temporary, or the device itself; nil once committed or dropped
	direct bool     // out is the device or pipe: nothing to rename or remove
	err    error    // first write error; Commit refuses after it
}

// Create opens a temporary beside path. The caller ends with Commit, and with a
// deferred Drop for every other way out.
//
// A symbolic link stays and what it points to is replaced. What exists and is
// no regular file (/dev/null, a named pipe) is written to as it is. A folder is
// refused.
func Create(path string) (*File, error) {
	f := &File{path: path}
	if err := f.open(); err != nil {
		return nil, f.fail(err)
	}
	return f, nil
}

func (f *File) open() (err error) {
	info, err := os.Stat(f.path)
	switch {
	case f.path == "":
		return err
	case err == nil && info.IsDir():
		return errors.New("it is a folder")
	case err == nil && !info.Mode().IsRegular():
		f.direct = true
		f.out, err = os.OpenFile(f.path, os.O_WRONLY, 0)
		return err
	}
	if f.target, err = follow(f.path); err != nil {
		return err
	}
	f.out, err = os.CreateTemp(filepath.Dir(f.target), temporaryStart+"*"+temporaryEnd)
	return err
}

// What the name of a temporary begins and ends with.
const (
	temporaryStart = ".plugproof-"
	temporaryEnd   = ".tmp"
)

// IsTemporary reports whether a file's name, without its folder, is that of a
// temporary: it stays where a process is killed while it writes.
func IsTemporary(name string) bool {
	return strings.HasPrefix(name, temporaryStart) && strings.HasSuffix(name, temporaryEnd)
}

// follow returns where the symbolic links of path's last element lead, whether
// that exists or not.
func follow(path string) (string, error) {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		return real, nil
	}
	for range 40 { // as many as Linux follows
		to, err := os.Readlink(path)
		if err != nil {
			return path, nil // the end of a link to a file that is yet to be, or no link
		}
		if !filepath.IsAbs(to) {
			to = filepath.Join(filepath.Dir(path), to)
		}
		path = to
	}
	return "", errors.New("too many symbolic links")
}

// fail makes an *Error of err, or nil of nil.
func (f *File) fail(err error) error { return failure(f.path, err) }

// failure makes an *Error of err, or nil of nil. The temporary's name would mean
// nothing to a user, so the path that the os package put in is taken out.
func failure(path string, err error) error {
	if err == nil {
		return nil
	}
	if pe, ok := errors.AsType[*os.PathError](err); ok {
		err = pe.Err
	} else if le, ok := errors.AsType[*os.LinkError](err); ok {
		err = le.Err
	}
	return &Error{Path: path, Err: err}
}

// Write implements io.Writer. Its error is an *Error.
func (f *File) Write(p []byte) (int, error) {
	if f.out == nil {
		return 0, f.fail(os.ErrClosed)
	}
	n, err := f.out.Write(p)
	if err != nil {
		f.err = f.fail(err)
		return n, f.err
	}
	return n, nil
}

// Commit syncs the temporary and renames it to its final name, with the rights
// of the file it replaces or 0644. On any error the temporary is removed and an
// existing file stays as it was.
func (f *File) Commit() error {
	switch {
	case f.out == nil:
		return f.fail(os.ErrClosed)
	case f.err != nil:
		f.Drop()
		return f.err
	case f.direct:
		err := f.out.Close()
		f.out = nil
		return f.fail(err)
	}
	mode := os.FileMode(0o644)
	if info, err := os.Stat(f.target); err == nil {
		mode = info.Mode().Perm()
	}
	name := f.out.Name()
	err := errors.Join(f.out.Chmod(mode), f.out.Sync(), f.out.Close())
	f.out = nil
	if err == nil {
		err = os.Rename(name, f.target)
	}
	if err != nil {
		os.Remove(name)
	}
	return f.fail(err)
}

// Drop removes the temporary. It does nothing after Commit.
func (f *File) Drop() {
	if f.out == nil {
		return
	}
	f.out.Close()
	if !f.direct {
		os.Remove(f.out.Name())
	}
	f.out = nil
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

var _ io.Writer = (*File)(nil)
