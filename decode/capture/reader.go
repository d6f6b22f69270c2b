// Package capture reads and writes CAN captures: candump logs, candump console
// output, pcap and pcapng, plain or compressed with gzip or zstd. What a file
// is follows from its content, never from its name. Delimited text is read where
// its Columns are stated.
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
	"slices"
	"sync/atomic"

	"plugproof/decode/can"
)

// Options of Open. The zero value reads files and refuses standard input.
type Options struct {
	Stdin   io.Reader // what the path "-" stands for; nil: "-" is refused
	Hash    bool      // compute FileReport.SHA256 while reading
	Workers int       // goroutines of Fold; 0: GOMAXPROCS, at most 8

	// Columns says how captures that are delimited text are laid out; nil: they are
	// refused. Whatever has a format of its own is read by that.
	Columns *Columns
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
	waiting []*origin // captures that cannot be opened twice; nil: open by path
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
	if opts.Columns != nil {
		if err := opts.Columns.Check(); err != nil {
			return nil, err
		}
	}
	r := &Reader{opts: opts, chunkSize: chunkSize}
	for i, path := range paths {
		err := errors.New("standard input can be read only once")
		if path != "-" || !slices.Contains(paths[:i], path) {
			err = r.examine(path)
		}
		if err != nil {
			r.Close()
			return nil, &Error{Path: path, Offset: -1, Err: err}
		}
	}
	return r, nil
}

// examine sniffs one capture and keeps it open only when it must be.
func (r *Reader) examine(path string) error {
	o, err := openOrigin(path, r.opts)
	if err != nil {
		return err
	}
	f, err := o.prepare(r.opts.Columns)
	if err != nil {
		o.close()
		return err
	}
	rep := newTallies()
	rep.Path, rep.Format, rep.Compression, rep.Size = path, f.name, o.compression, o.size
	r.reports = append(r.reports, rep)
	if o.size < 0 || r.total < 0 {
		r.total = -1
	} else {
		r.total += o.size
	}
	if o.regular {
		o.close()
		o = nil
	}
	r.waiting = append(r.waiting, o)
	return nil
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
		if n, _ := r.readOpen(ctx, dst); n > 0 {
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
func (r *Reader) readOpen(ctx context.Context, dst []can.Frame) (int, error) {
	n, err := r.dec.read(dst)
	r.reports[r.next-1].Frames += uint64(n)
	r.seen.Add(dst[:n])
	if err != nil {
		r.err = r.finish(ctx, err)
	}
	return n, r.err
}

// openNext starts the next capture, or returns io.EOF after the last.
func (r *Reader) openNext() error {
	if r.next == len(r.reports) {
		return io.EOF
	}
	rep := &r.reports[r.next]
	o, f, err := r.reopen(rep.Path)
	if err == nil {
		r.dec, err = f.open(&input{r: o.plain, file: uint16(r.next), buses: &r.buses, rep: rep})
	}
	if err != nil {
		if o != nil {
			o.close()
		}
		return &Error{Path: rep.Path, Offset: -1, Err: err}
	}
	r.cur, r.seen = o, newRemarks()
	r.next++
	return nil
}

func (r *Reader) reopen(path string) (*origin, format, error) {
	o := r.waiting[r.next]
	if r.waiting[r.next] = nil; o == nil {
		var err error
		if o, err = openOrigin(path, r.opts); err != nil {
			return nil, format{}, err
		}
		o.done = &r.done
		f, err := o.prepare(r.opts.Columns)
		return o, f, err
	}
	o.done = &r.done
	r.done.Add(o.read)
	f, err := sniff(o.plain, r.opts.Columns)
	return o, f, err
}

// finish completes the report of the capture that ended with err. Damage ends
// up in the report; only a failure of the disk or pipe itself is returned.
func (r *Reader) finish(ctx context.Context, err error) error {
	rep, o := &r.reports[r.next-1], r.cur
	r.cur = nil
	r.seen.report(rep)
	o.drain(ctx)
	o.close()
	rep.SHA256 = o.hash()
	if rep.Size = o.size; rep.Size < 0 {
		rep.Size = o.read
	}
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case o.err != nil:
		return &Error{Path: rep.Path, Offset: -1, Err: o.err}
	case !errors.Is(err, io.EOF):
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

// Close closes whatever is open. It may be called more than once.
func (r *Reader) Close() error {
	var failed []error
	for _, o := range append(r.waiting, r.cur) {
		if o != nil {
			failed = append(failed, o.close())
		}
	}
	r.waiting, r.cur, r.err = nil, nil, errors.New("the reader is closed")
	return errors.Join(failed...)
}
