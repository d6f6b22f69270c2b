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
	"fmt"
	"io"
	"math"
	"sync/atomic"

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

// input is one opened capture: its decompressed bytes from the start, and where
// what is found goes.
type input struct {
	r     *bufio.Reader // bufferSize bytes
	file  uint16        // for Frame.File
	buses *can.Buses
	rep   *FileReport
}

// decoder reads the frames of one format from an input. read fills dst from the
// front and returns the number of frames; it may return 0, nil after a stretch
// without frames, so that its caller can look at the context. It counts every
// record in the report's Records, and each record without a frame by setAside.
// At the end it returns io.EOF (n may be > 0). Any other error ends this
// capture: the input cannot be read on; a record that this cuts is set aside
// first. Frames (the count), remarks (Backward, Jump, Duplicate, Clumped),
// FirstTime, LastTime and, unless the decoder sets it, Clock are the Reader's
// business, for all formats alike.
type decoder interface {
	read(dst []can.Frame) (n int, err error)
}

// Reader reads the frames of one or more captures, one after the other.
type Reader struct {
	opts    Options
	buses   can.Buses
	origins []*origin // of captures that cannot be opened twice; nil: open by path
	reports []FileReport
	cur     *origin // being read; nil: open the next
	dec     decoder
	seen    *remarks // of cur
	next    int      // capture to open next
	err     error    // sticky
	done    atomic.Int64
	total   int64 // -1: unknown

	chunkSize int // of Fold; smaller in tests
}

// Open opens the captures in the given order. The first record of each is
// looked at, so that a file which is no capture is refused here with an *Error.
func Open(paths []string, opts Options) (*Reader, error) {
	if len(paths) == 0 || len(paths) > math.MaxUint16 {
		return nil, fmt.Errorf("%d captures given: between 1 and %d can be read together", len(paths), math.MaxUint16)
	}
	r := &Reader{opts: opts, chunkSize: chunkSize}
	for _, path := range paths {
		if err := r.examine(path); err != nil {
			r.Close()
			return nil, &Error{Path: path, Offset: -1, Err: err}
		}
	}
	return r, nil
}

// examine sniffs one capture and keeps it open only when it must be.
func (r *Reader) examine(path string) error {
	for _, earlier := range r.reports {
		if path == "-" && earlier.Path == "-" {
			return errors.New("standard input can be read only once")
		}
	}
	s, err := openOrigin(path, r.opts)
	if err != nil {
		return err
	}
	f, err := s.sniff()
	if err != nil {
		s.close()
		return err
	}
	r.reports = append(r.reports, newReport(path, s, f))
	if s.size < 0 || r.total < 0 {
		r.total = -1
	} else {
		r.total += s.size
	}
	if s.regular {
		s.close()
		s = nil
	}
	r.origins = append(r.origins, s)
	return nil
}

func (s *origin) sniff() (format, error) {
	if err := s.inflate(); err != nil {
		return format{}, err
	}
	f, err := sniff(s.plain)
	if s.err != nil {
		return f, s.err
	}
	return f, err
}

func newReport(path string, s *origin, f format) FileReport {
	rep := newTallies()
	rep.Path, rep.Format, rep.Compression, rep.Size = path, f.name, s.compression, s.size
	return rep
}

// Read fills dst with the next frames and returns their number. It returns
// io.EOF, with no frames, at the end of the last capture. It allocates nothing
// per frame and keeps no reference to dst.
func (r *Reader) Read(ctx context.Context, dst []can.Frame) (int, error) {
	for r.err == nil && len(dst) > 0 {
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		if r.open() != nil {
			break
		}
		if n, _ := r.readOpen(dst); n > 0 {
			return n, nil
		}
	}
	return 0, r.err
}

// open opens the next capture unless one is open. Its error is sticky; at the
// end of the last it is io.EOF.
func (r *Reader) open() error {
	if r.err == nil && r.cur == nil {
		r.err = r.openNext()
	}
	return r.err
}

// readOpen reads from the open capture, which it closes at its end. Its error is
// sticky: the failure of a disk or pipe.
func (r *Reader) readOpen(dst []can.Frame) (int, error) {
	n, err := r.dec.read(dst)
	r.reports[r.next-1].Frames += uint64(n)
	r.seen.Add(dst[:n])
	if err != nil {
		r.err = r.finish(err)
	}
	return n, r.err
}

// openNext starts the next capture, or returns io.EOF after the last.
func (r *Reader) openNext() error {
	if r.next == len(r.reports) {
		return io.EOF
	}
	rep := &r.reports[r.next]
	s, err := r.reopen(rep.Path)
	if err != nil {
		return &Error{Path: rep.Path, Offset: -1, Err: err}
	}
	in := &input{r: s.plain, file: uint16(r.next), buses: &r.buses, rep: rep}
	f, err := sniff(s.plain)
	if err == nil {
		r.dec, err = f.open(in)
	}
	if err != nil {
		s.close()
		return &Error{Path: rep.Path, Offset: -1, Err: err}
	}
	r.cur, r.seen = s, newRemarks()
	r.next++
	return nil
}

func (r *Reader) reopen(path string) (*origin, error) {
	if s := r.origins[r.next]; s != nil {
		s.done = &r.done
		r.done.Add(s.read)
		return s, nil
	}
	s, err := openOrigin(path, r.opts)
	if err != nil {
		return nil, err
	}
	s.done = &r.done
	if err := s.inflate(); err != nil {
		s.close()
		return nil, err
	}
	return s, nil
}

// finish completes the report of the capture that ended with err. Damage ends
// up in the report; only a failure of the disk or pipe itself is returned.
func (r *Reader) finish(err error) error {
	rep, s := &r.reports[r.next-1], r.cur
	r.cur = nil
	r.seen.report(rep)
	s.drain()
	s.close()
	rep.SHA256 = s.hash()
	if rep.Size < 0 {
		rep.Size = s.read
	}
	switch {
	case s.err != nil:
		return &Error{Path: rep.Path, Offset: -1, Err: s.err}
	case err != io.EOF:
		rep.Broken = err.Error()
	}
	return nil
}

// Buses is the table that Frame.Bus points into. It grows while reading.
func (r *Reader) Buses() *can.Buses { return &r.buses }

// Reports says what was found, one entry per capture in the order given. It is
// complete once Read returned io.EOF or Fold returned.
func (r *Reader) Reports() []FileReport { return r.reports }

// Progress returns bytes consumed so far and their total (-1: unknown), of the
// files as they lie on disk. It may be called from another goroutine.
func (r *Reader) Progress() (done, total int64) { return r.done.Load(), r.total }

// Close closes whatever is open.
func (r *Reader) Close() error {
	var first error
	for _, s := range append(r.origins, r.cur) {
		if s == nil {
			continue
		}
		if err := s.close(); err != nil && first == nil && !errors.Is(err, io.ErrClosedPipe) {
			first = err
		}
	}
	r.origins, r.cur, r.err = nil, nil, errors.New("the reader is closed")
	return first
}
