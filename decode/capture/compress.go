package capture

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
)

// Names of the compressions, as they stand in FileReport.Compression.
const (
	gzipName = "gzip"
	zstdName = "zstd"
)

// maxZstdWindow is the largest window a zstd stream may ask for, in bytes. It
// bounds the memory that a hostile header can claim and is what the reference
// program accepts by default (RFC 8878 asks for 8 MB, its highest level uses 128 MB).
const maxZstdWindow = 128 << 20

// damageError says that compressed data ends early or is corrupt. What was
// decompressed before it is good and has been handed out.
type damageError struct {
	compression string
	err         error
}

func (e *damageError) Error() string {
	if errors.Is(e.err, io.ErrUnexpectedEOF) {
		return e.compression + " data ends before it is complete; the file was probably cut"
	}
	return fmt.Sprintf("%s data is damaged: %v", e.compression, e.err)
}

func (e *damageError) Unwrap() error { return e.err }

// compressionOf tells a compressed stream by its first four bytes: RFC 1952 for
// gzip, RFC 8878 for zstd and its skippable frames. It returns "" for anything else.
func compressionOf(head []byte) string {
	switch {
	case bytes.HasPrefix(head, []byte{0x1F, 0x8B}):
		return gzipName
	case bytes.HasPrefix(head, []byte{0x28, 0xB5, 0x2F, 0xFD}),
		len(head) >= 4 && head[0]&0xF0 == 0x50 && bytes.Equal(head[1:4], []byte{0x2A, 0x4D, 0x18}):
		return zstdName
	}
	return ""
}

// decompress returns a reader of the plain bytes of r, which is compressed as
// compressionOf said. Gzip members and zstd frames that follow each other are
// read as one stream. Its Read returns a *damageError for bad data, and errors
// of r itself unchanged. Memory is bounded whatever the data claims: everything
// streams, in a window of at most maxZstdWindow.
func decompress(r io.Reader, compression string) (io.ReadCloser, error) {
	d := &decompressor{compression: compression}
	d.src.r = r
	var err error
	switch compression {
	case gzipName:
		d.ReadCloser, err = gzip.NewReader(&d.src)
	case zstdName:
		var z *zstd.Decoder
		z, err = zstd.NewReader(&d.src, zstd.WithDecoderConcurrency(1), // no goroutines to own
			zstd.WithDecoderMaxWindow(maxZstdWindow))
		if err == nil {
			d.ReadCloser = z.IOReadCloser()
		}
	default:
		err = fmt.Errorf("internal error: no compression %q", compression)
	}
	if err != nil {
		return nil, d.explain(err)
	}
	return d, nil
}

// decompressor tells what went wrong with the data from what went wrong while
// reading the file.
type decompressor struct {
	io.ReadCloser
	src         source
	compression string
}

func (d *decompressor) Read(p []byte) (int, error) {
	n, err := d.ReadCloser.Read(p)
	return n, d.explain(err)
}

func (d *decompressor) explain(err error) error {
	switch {
	case d.src.err != nil:
		return d.src.err
	case err == nil, errors.Is(err, io.EOF):
		return err
	}
	return &damageError{compression: d.compression, err: err}
}

// source remembers an error of the compressed file itself.
type source struct {
	r   io.Reader
	err error
}

func (s *source) Read(p []byte) (int, error) {
	n, err := s.r.Read(p)
	if err != nil && !errors.Is(err, io.EOF) {
		s.err = err
	}
	return n, err
}
