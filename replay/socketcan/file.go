package socketcan

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"plugproof/decode/atomicfile"
	"plugproof/decode/can"
	"plugproof/decode/capture"
)

// File is a capture that grows while it is recorded, and can be read at any
// moment up to the last Sync. It is a Sink.
type File struct {
	path  string
	out   *os.File
	whole int64 // bytes that end with a whole record
	w     *capture.Writer
}

// Create makes a new capture in the format that its name says, uncompressed. It
// never replaces a file. Its errors, but for those of the name, are *atomicfile.Error.
func Create(path string, buses *can.Buses) (*File, error) {
	options, err := capture.FormatFor(path)
	if err != nil {
		return nil, err
	}
	if options.Compression != capture.Plain {
		return nil, fmt.Errorf("%s: a recording is not compressed, so that it can be read if it breaks off: "+
			"record to .log or .pcapng and convert it afterwards", path)
	}
	f := &File{path: path}
	if f.out, err = os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644); err != nil {
		return nil, f.fail(err)
	}
	if f.w, err = capture.NewWriter((*sink)(f), buses, options); err != nil { // writes nothing yet
		f.out.Close()
		os.Remove(path)
		return nil, err
	}
	return f, nil
}

// sink is what capture.Writer writes to: whole records at a time.
type sink File

// Write cuts a write that failed half-way off again (disk full), so that the
// capture ends with a whole record.
func (s *sink) Write(p []byte) (int, error) {
	n, err := s.out.Write(p)
	if err != nil {
		return n, (*File)(s).fail(errors.Join(err, s.out.Truncate(s.whole)))
	}
	s.whole += int64(n)
	return n, nil
}

// Write appends frames.
func (f *File) Write(frames []can.Frame) error { return f.w.Write(frames) }

// Sync puts all frames on the disk.
func (f *File) Sync() error {
	if err := f.w.Flush(); err != nil {
		return err
	}
	return f.fail(f.out.Sync())
}

// Close ends the capture. One that failed before stays readable.
func (f *File) Close() error {
	err := f.w.Close()
	if closing := f.fail(f.out.Close()); err == nil {
		err = closing
	}
	return err
}

func (f *File) fail(err error) error {
	if err == nil {
		return nil
	}
	if path, ok := errors.AsType[*fs.PathError](err); ok {
		err = path.Err
	}
	return &atomicfile.Error{Path: f.path, Err: err}
}
