package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/spf13/pflag"

	"plugproof/decode/atomicfile"
)

// stdoutName stands for standard output in messages.
const stdoutName = "standard output"

// resultOptions are the flags of every command that writes one result in the
// format that is asked for, to standard output or into a file.
type resultOptions struct {
	format, out string
	formats     []string
}

// addFlags adds --format, of text and the others given, by default json, and --out.
func (o *resultOptions) addFlags(flags *pflag.FlagSet, others ...string) {
	if len(others) == 0 {
		others = []string{"json"}
	}
	o.formats = append([]string{"text"}, others...)
	flags.StringVarP(&o.format, "format", "f", "text", "`FORMAT` of the output: "+alternatives(o.formats))
	flags.StringVarP(&o.out, "out", "o", "", "write to `FILE` instead of standard output")
}

// known refuses formats that there are none of.
func (o *resultOptions) known() error { return oneOf("--format", o.format, o.formats...) }

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
	path string           // of --out
	file *atomicfile.File // nil: standard output
}

// output opens the file of --out; "" and "-" are standard output. It refuses to
// replace one of the inputs. The caller ends with Commit, and with a deferred
// Drop for every other way out.
func (a *app) output(path string, inputs ...string) (*output, error) {
	const size = 64 << 10 // bytes; a write of a terminal's worth of lines at a time is slow
	if path == "" || path == "-" {
		return &output{Writer: bufio.NewWriterSize(a.stdout, size), path: path}, nil
	}
	if err := refuseOverwriting(path, inputs); err != nil {
		return nil, err
	}
	f, err := atomicfile.Create(path)
	if err != nil {
		return nil, err
	}
	return &output{Writer: bufio.NewWriterSize(f, size), path: path, file: f}, nil
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

// refuseOverwriting keeps an input from being replaced by the output: a capture
// is evidence.
func refuseOverwriting(out string, inputs []string) error {
	target, err := os.Stat(out)
	present := err == nil && target.Mode().IsRegular()
	for _, path := range inputs {
		if info, err := os.Stat(path); present && err == nil && os.SameFile(target, info) {
			return hint(fmt.Errorf("--out %s would replace an input", out), "choose another name")
		}
	}
	return nil
}

// bareError takes the path out of an os error: the message names it already.
func bareError(err error) error {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		return pe.Err
	}
	return err
}
