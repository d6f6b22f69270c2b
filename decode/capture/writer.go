package capture

import (
	"io"

	"plugproof/decode/can"
)

// WriteFormat is a format that plugproof writes.
type WriteFormat uint8

// The formats.
const (
	CandumpLog WriteFormat = iota
	Pcap
	Pcapng
)

// Compression of a written capture.
type Compression uint8

// The compressions.
const (
	Plain Compression = iota
	Gzip
	Zstd
)

// WriterOptions of NewWriter and Create. The zero value writes a plain candump log.
type WriterOptions struct {
	Format      WriteFormat
	Compression Compression
	LinkType    int // pcap and pcapng: 227, 113 or 276; 0: 227
}

// Writer writes frames in one format. Frame.Bus is looked up in the Buses table
// it was made with.
type Writer struct{}

// NewWriter writes to w. Close flushes but does not close w.
func NewWriter(w io.Writer, buses *can.Buses, opts WriterOptions) (*Writer, error) {
	panic("to be written")
}

// Write appends frames. It keeps no reference to them.
func (w *Writer) Write(frames []can.Frame) error { panic("to be written") }

// Close writes what is still buffered.
func (w *Writer) Close() error { panic("to be written") }
