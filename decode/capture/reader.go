// Package capture reads and writes CAN captures: candump logs, candump console
// output, pcap and pcapng, plain or compressed with gzip or zstd. What a file
// is follows from its content, never from its name.
//
// Damage is data. A line that is cut, glued or foreign is counted with its
// place and reading goes on; a file that is no capture at all is refused. For
// every file, records = frames read + records set aside.
package capture

import (
	"bufio"
	"context"
	"errors"
	"io"

	"plugproof/decode/can"
)

// Options of Open. The zero value reads files and refuses standard input.
type Options struct {
	Stdin   io.Reader // what the path "-" stands for; nil: "-" is refused
	Hash    bool      // compute FileReport.SHA256 while reading
	Workers int       // goroutines of Fold; 0: GOMAXPROCS
}

// ErrNotCapture is the reason when a file holds no frame in any known format.
var ErrNotCapture = errors.New("not a CAN capture that plugproof can read")

// Reader reads the frames of one or more captures, one after the other.
type Reader struct{}

// Open opens the captures in the given order. The first record of each is
// looked at, so that a file which is no capture is refused here with an *Error.
func Open(paths []string, opts Options) (*Reader, error) { panic("to be written") }

// Read fills dst with the next frames and returns their number. It returns
// io.EOF, with no frames, at the end of the last capture. It allocates nothing
// per frame and keeps no reference to dst.
func (r *Reader) Read(ctx context.Context, dst []can.Frame) (int, error) { panic("to be written") }

// Buses is the table that Frame.Bus points into. It grows while reading.
func (r *Reader) Buses() *can.Buses { panic("to be written") }

// Reports says what was found, one entry per capture in the order given. It is
// complete once Read returned io.EOF or Fold returned.
func (r *Reader) Reports() []FileReport { panic("to be written") }

// Progress returns bytes consumed so far and their total (-1: unknown), of the
// files as they lie on disk. It may be called from another goroutine.
func (r *Reader) Progress() (done, total int64) { panic("to be written") }

// Close closes whatever is open.
func (r *Reader) Close() error { panic("to be written") }

// Collector gathers something over batches of frames. Merge takes over what the
// collector of the following stretch of the capture gathered.
type Collector[C any] interface {
	Add(batch []can.Frame)
	Merge(next C)
}

// Fold reads all captures to their end through collectors made by fresh and
// returns the merged one. Plain text logs are cut into chunks of fixed size and
// read by Options.Workers goroutines; the chunks, and so the result, do not
// depend on their number. Everything else is read in one stretch.
func Fold[C Collector[C]](ctx context.Context, r *Reader, fresh func() C) (C, error) {
	panic("to be written")
}

// input is one opened capture: its decompressed bytes from the start, and where
// what is found goes.
type input struct {
	r     *bufio.Reader
	file  uint16 // for Frame.File
	buses *can.Buses
	rep   *FileReport
}

// decoder reads the frames of one format from an input. read fills dst from the
// front and returns the number of frames. It counts every record in the
// report's Records, and each record without a frame by setAside. At the end it
// returns io.EOF (n may be > 0). Any other error ends this capture: the input
// cannot be read on. Remarks (Backward, Jump, Duplicate, Clumped) and
// FirstTime/LastTime are the Reader's business, for all formats alike.
type decoder interface {
	read(dst []can.Frame) (n int, err error)
}
