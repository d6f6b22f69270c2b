package main

import (
	"bufio"
	"errors"
	"io"
	"io/fs"

	"plugproof/decode/atomicfile"
)

// stdoutName stands for standard output in messages.
const stdoutName = "standard output"

// stdout makes a failed write to standard output the same kind of error as a
// failed write to a file, and remembers it: cobra ignores errors of its help.
type stdout struct {
	w   io.Writer
	err error // of the first write that failed
}

func (s *stdout) Write(p []byte) (int, error) {
	if s.err != nil {
		return 0, s.err
	}
	n, err := s.w.Write(p)
	if err != nil {
		s.err = &atomicfile.Error{Path: stdoutName, Err: bareError(err)}
	}
	return n, s.err
}

// output is where the result of a command goes: standard output, or a file that
// appears under its name only once it is whole.
type output struct {
	*bufio.Writer
	file *atomicfile.File // nil: standard output
}

// output opens the file of --out; "" and "-" are standard output. The caller
// ends with Commit, and with a deferred Drop for every other way out.
func (a *app) output(path string) (*output, error) {
	const size = 64 << 10 // bytes; a write of a terminal's worth of lines at a time is slow
	if path == "" || path == "-" {
		return &output{Writer: bufio.NewWriterSize(a.stdout, size)}, nil
	}
	f, err := atomicfile.Create(path)
	if err != nil {
		return nil, err
	}
	return &output{Writer: bufio.NewWriterSize(f, size), file: f}, nil
}

// Commit writes out what is buffered and gives the file its name.
func (o *output) Commit() error {
	if err := o.Flush(); err != nil {
		return err
	}
	if o.file == nil {
		return nil
	}
	return o.file.Commit()
}

// Drop removes a file that was not committed. What has gone to standard output
// stays there.
func (o *output) Drop() {
	if o.file != nil {
		o.file.Drop()
	}
}

// bareError takes the path out of an os error: the message names it already.
func bareError(err error) error {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		return pe.Err
	}
	return err
}
