package capture

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

	"plugproof/decode/can"
)

// WriteFormat is a format that plugproof writes.
type WriteFormat uint8

// The formats, with what each cannot hold.
const (
	// CandumpLog is a text log. Stamps have six fraction digits, or nine where
	// six would lose something.
	CandumpLog WriteFormat = iota
	// Pcap is the classic format with nanoseconds. It holds stamps of the years
	// 1970 to 2106 and no bus names. Link types 227 and 113 do not tell buses
	// apart at all, 276 does by number: the bus with index 0 reads back as "if1".
	// 227 holds no direction.
	Pcap
	// Pcapng holds everything from 1970 on: bus names, and the bit rates of
	// their arbitration phase where known, but not of the FD data phase.
	Pcapng
	// With link types 113 and 276, in either format, every frame has a
	// direction: one that had none reads back as received.
)

// String names the format as FileReport.Format does.
func (f WriteFormat) String() string {
	switch f {
	case CandumpLog:
		return "candump log"
	case Pcap:
		return "pcap"
	case Pcapng:
		return "pcapng"
	}
	return fmt.Sprintf("format %d", uint8(f))
}

// Compression of a written capture.
type Compression uint8

// The compressions.
const (
	Plain Compression = iota
	Gzip
	Zstd
)

// WriterOptions of NewWriter. The zero value writes a plain candump log.
type WriterOptions struct {
	Format      WriteFormat
	Compression Compression
	LinkType    int // pcap and pcapng: 227, 113 or 276; 0: 227
}

// FormatFor returns the format and compression that a file of this name should
// be written in: .log or .txt, .pcap, .pcapng, each with .gz or .zst behind it
// or not. Only writing goes by names; reading never does.
func FormatFor(path string) (WriterOptions, error) {
	var opts WriterOptions
	name := strings.ToLower(filepath.Base(path))
	switch filepath.Ext(name) {
	case ".gz":
		opts.Compression = Gzip
		name = strings.TrimSuffix(name, ".gz")
	case ".zst":
		opts.Compression = Zstd
		name = strings.TrimSuffix(name, ".zst")
	}
	switch filepath.Ext(name) {
	case ".log", ".txt":
		opts.Format = CandumpLog
	case ".pcap":
		opts.Format = Pcap
	case ".pcapng":
		opts.Format = Pcapng
	default:
		return WriterOptions{}, fmt.Errorf("the name %q does not say what to write: "+
			"end it in .log, .txt, .pcap or .pcapng, with .gz or .zst behind that to compress", path)
	}
	return opts, nil
}

// encoder turns frames into the bytes of one format.
type encoder interface {
	// head appends what a capture starts with.
	head(dst []byte) []byte
	// frame appends one valid frame.
	frame(dst []byte, f *can.Frame) ([]byte, error)
}

// Writer writes frames in one format. Frame.Bus is looked up in the Buses table
// it was made with, which may still grow.
type Writer struct {
	enc    encoder
	out    io.Writer
	pack   io.Closer // the compressor, or nil
	buf    []byte    // on its way to out
	frames uint64
	err    error // sticky
}

// writeBuffer is how many bytes are gathered before they are passed on.
const writeBuffer = 64 << 10

// NewWriter writes to w. Close flushes but does not close w.
func NewWriter(w io.Writer, buses *can.Buses, opts WriterOptions) (*Writer, error) {
	enc, err := newEncoder(buses, opts)
	if err != nil {
		return nil, err
	}
	wr := &Writer{enc: enc, out: w, buf: make([]byte, 0, writeBuffer+writeBuffer/8)}
	switch opts.Compression {
	case Plain:
	case Gzip:
		z := gzip.NewWriter(w)
		wr.out, wr.pack = z, z
	case Zstd:
		z, err := zstd.NewWriter(w, zstd.WithEncoderConcurrency(1)) // no goroutines to own
		if err != nil {
			return nil, fmt.Errorf("cannot compress: %w", err)
		}
		wr.out, wr.pack = z, z
	default:
		return nil, fmt.Errorf("compression %d is not known", opts.Compression)
	}
	wr.buf = enc.head(wr.buf)
	return wr, nil
}

func newEncoder(buses *can.Buses, opts WriterOptions) (encoder, error) {
	l := link{typ: uint32(opts.LinkType), big: opts.LinkType == linkCAN}
	if opts.LinkType == 0 {
		l = link{typ: linkCAN, big: true}
	}
	switch {
	case opts.Format > Pcapng:
		return nil, fmt.Errorf("%v is not known", opts.Format)
	case opts.Format == CandumpLog && opts.LinkType != 0:
		return nil, errors.New("a candump log has no link type")
	case !l.holdsCAN():
		return nil, fmt.Errorf("link type %d cannot hold CAN: use 227, 113 or 276", opts.LinkType)
	}
	switch opts.Format {
	case Pcap:
		return pcapEncoder{l}, nil
	case Pcapng:
		return &pcapngEncoder{link: l, buses: buses}, nil
	}
	return &candumpEncoder{buses: buses}, nil
}

// Write appends frames. It keeps no reference to them. A frame that no
// controller could have sent, or with a stamp that the format cannot hold, is
// refused; the Writer then takes no more. Errors of the underlying writer come
// back unchanged.
func (w *Writer) Write(frames []can.Frame) error {
	for i := range frames {
		if w.err != nil {
			break
		}
		w.one(&frames[i])
	}
	return w.err
}

func (w *Writer) one(f *can.Frame) {
	w.frames++
	err := f.Valid()
	if err == nil {
		w.buf, err = w.enc.frame(w.buf, f)
	}
	if err != nil {
		w.err = fmt.Errorf("frame %d cannot be written: %w", w.frames, err)
		return
	}
	if len(w.buf) >= writeBuffer {
		w.flush()
	}
}

func (w *Writer) flush() {
	_, w.err = w.out.Write(w.buf)
	w.buf = w.buf[:0]
}

// Flush passes everything written so far on to the underlying writer, in whole
// records. It returns the error that stopped Write, if one did.
func (w *Writer) Flush() error {
	if w.err == nil {
		w.flush()
	}
	if z, ok := w.pack.(interface{ Flush() error }); ok && w.err == nil {
		w.err = z.Flush()
	}
	return w.err
}

// Close writes what is still buffered. It returns the error that stopped Write,
// if one did.
func (w *Writer) Close() error {
	if w.err == nil {
		w.flush()
	}
	if w.pack != nil {
		err := w.pack.Close()
		if w.err == nil {
			w.err = err
		}
	}
	if w.err != nil {
		return w.err
	}
	w.err = errors.New("the writer is closed")
	return nil
}

// errStamp is the reason when a format cannot hold a stamp.
func errStamp(f *can.Frame, format WriteFormat, years string) error {
	return fmt.Errorf("its time of %d ns is not within the years %s that a %v holds", f.Time, years, format)
}
