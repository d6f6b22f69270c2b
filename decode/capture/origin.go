package capture

import (
	"bufio"
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
	s := &origin{size: -1}
	if path == "-" {
		if opts.Stdin == nil {
			return nil, errors.New("standard input cannot be read here")
		}
		s.raw = opts.Stdin
	} else if err := s.openFile(path); err != nil {
		return nil, err
	}
	if opts.Hash {
		s.sum = sha256.New()
	}
	return s, nil
}

func (s *origin) openFile(path string) error {
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
	s.raw, s.file = f, f
	if s.regular = info.Mode().IsRegular(); s.regular {
		s.size = info.Size()
	}
	return nil
}

// reason strips the path from a file error: *Error names it already.
func reason(err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// inflate makes the decompressed bytes available in plain.
func (s *origin) inflate() error {
	s.plain = bufio.NewReaderSize(s, bufferSize)
	head, err := s.plain.Peek(4)
	if s.err != nil {
		return s.err
	}
	if s.compression = compressionOf(head); err != nil || s.compression == "" {
		return nil
	}
	unpacked, err := decompress(s.plain, s.compression)
	if err != nil {
		return err
	}
	s.closer = unpacked
	s.plain = bufio.NewReaderSize(unpacked, bufferSize)
	return nil
}

// Read hands out raw bytes and counts and hashes them.
func (s *origin) Read(p []byte) (int, error) {
	n, err := s.raw.Read(p)
	s.read += int64(n)
	if s.done != nil {
		s.done.Add(int64(n))
	}
	if s.sum != nil {
		s.sum.Write(p[:n])
	}
	if err != nil && err != io.EOF && s.err == nil {
		s.err = reason(err)
	}
	return n, err
}

// drain reads what the decoder left, so that size and hash are those of the
// whole file. It does nothing when neither is wanted.
func (s *origin) drain() {
	if s.sum != nil && s.err == nil {
		io.CopyBuffer(io.Discard, struct{ io.Reader }{s}, make([]byte, 64<<10))
	}
}

func (s *origin) hash() string {
	if s.sum == nil {
		return ""
	}
	return hex.EncodeToString(s.sum.Sum(nil))
}

func (s *origin) close() error {
	if s.closer != nil {
		s.closer.Close()
	}
	if s.file != nil {
		return s.file.Close()
	}
	return nil
}
