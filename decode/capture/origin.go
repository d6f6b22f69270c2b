package capture

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"sync/atomic"
)

// bufferSize holds the longest text line (maxLine) several times over and still
// fits a second-level cache.
const bufferSize = 256 << 10

// origin is one opened path: its raw bytes on their way through counting,
// hashing and decompression.
type origin struct {
	raw         io.Reader
	file        *os.File // nil for standard input
	regular     bool     // can be opened again
	size        int64    // -1: unknown
	read        int64
	done        *atomic.Int64 // the Reader's progress; nil: not counted
	sum         hash.Hash     // nil: not asked for
	err         error         // first error of raw other than io.EOF
	plain       *bufio.Reader // decompressed
	closer      io.Closer     // of the decompressor, or nil
	compression string
}

// openOrigin opens path, "-" being opts.Stdin.
func openOrigin(path string, opts Options) (*origin, error) {
	o := &origin{size: -1}
	if path == "-" {
		if opts.Stdin == nil {
			return nil, errors.New("standard input cannot be read here")
		}
		o.raw = opts.Stdin
	} else if err := o.openFile(path); err != nil {
		return nil, err
	}
	if opts.Hash {
		o.sum = sha256.New()
	}
	return o, nil
}

func (o *origin) openFile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return reason(err)
	}
	info, err := f.Stat()
	switch {
	case err != nil:
		f.Close()
		return reason(err)
	case info.IsDir():
		f.Close()
		return fmt.Errorf("%w: it is a folder", ErrNotCapture)
	}
	o.raw, o.file = f, f
	if o.regular = info.Mode().IsRegular(); o.regular {
		o.size = info.Size()
	}
	return nil
}

// reason strips the path from a file error: *Error names it already.
func reason(err error) error {
	if p, ok := errors.AsType[*os.PathError](err); ok {
		return p.Err
	}
	return err
}

// prepare makes the decompressed bytes available in plain and finds their format.
func (o *origin) prepare(columns *Columns) (format, error) {
	f := format{}
	err := o.inflate()
	if err == nil {
		f, err = sniff(o.plain, columns)
	}
	if o.err != nil {
		err = o.err
	}
	return f, err
}

func (o *origin) inflate() error {
	o.plain = bufio.NewReaderSize(o, bufferSize)
	head, _ := o.plain.Peek(4) // an error, such as the end, comes again when it is read
	if o.compression = compressionOf(head); o.compression == "" {
		return nil
	}
	unpacked, err := decompress(o.plain, o.compression)
	if err != nil {
		return err
	}
	o.closer = unpacked
	o.plain = bufio.NewReaderSize(unpacked, bufferSize)
	return nil
}

// Read hands out raw bytes and counts and hashes them.
func (o *origin) Read(p []byte) (int, error) {
	n, err := o.raw.Read(p)
	o.read += int64(n)
	if o.done != nil {
		o.done.Add(int64(n))
	}
	if o.sum != nil {
		o.sum.Write(p[:n])
	}
	if err != nil && err != io.EOF && o.err == nil {
		o.err = reason(err)
	}
	return n, err
}

// drain reads what the decoder left, so that size and hash are those of the
// whole file. Without a hash there is no need.
func (o *origin) drain(ctx context.Context) {
	if o.sum == nil {
		return
	}
	var err error
	for buf := make([]byte, 64<<10); err == nil && ctx.Err() == nil; {
		_, err = o.Read(buf)
	}
	o.size = o.read
}

func (o *origin) hash() string {
	if o.sum == nil {
		return ""
	}
	return hex.EncodeToString(o.sum.Sum(nil))
}

func (o *origin) close() error {
	if o.closer != nil {
		o.closer.Close()
	}
	if o.file != nil {
		return o.file.Close()
	}
	return nil
}

// Head returns the first bytes of a capture, decompressed: 64 kB of it, or all that
// there is. The error is an *Error.
func Head(path string, opts Options) ([]byte, error) {
	o, err := openOrigin(path, opts)
	if err != nil {
		return nil, &Error{Path: path, Offset: -1, Err: err}
	}
	defer o.close()
	head, err := o.head()
	if err != nil {
		return nil, &Error{Path: path, Offset: -1, Err: err}
	}
	return head, nil
}

func (o *origin) head() ([]byte, error) {
	if err := o.inflate(); err != nil {
		return nil, cmp.Or(o.err, err)
	}
	head, err := o.plain.Peek(lookAhead)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, cmp.Or(o.err, err)
	}
	return bytes.Clone(head), nil
}
