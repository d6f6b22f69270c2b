package capture

import (
	"context"
	"errors"
	"io"

	"plugproof/decode/can"
)

// Collector gathers something over batches of frames. Merge takes over what the
// collector of the following stretch of the capture gathered.
type Collector[C any] interface {
	Add(batch []can.Frame)
	Merge(next C)
}

// foldBatch is how many frames a collector is given at once: 48 KB of them.
const foldBatch = 512

// Fold reads all captures to their end through collectors made by fresh and
// returns the merged one. Candump logs, and delimited text whose stamps do not
// hang together, are cut into chunks of fixed size and read by Options.Workers
// goroutines, each chunk through a collector of its own; the chunks, and so the
// result, do not depend on the number of workers. Any other capture is read in one
// stretch. fresh is never called by two goroutines at once, and as late as can be:
// when it is called for a stretch, those long before it are merged. After an error
// the collector holds what was read before it.
func Fold[C Collector[C]](ctx context.Context, r *Reader, fresh func() C) (C, error) {
	f := folding[C]{ctx: ctx, r: r, fresh: fresh, total: fresh()}
	err := r.open()
	for err == nil {
		if dec, ok := r.dec.(chunkDecoder); ok && dec.apart() && !dec.place().skipping {
			err = f.chunks(dec)
		} else {
			err = f.stretch()
		}
		if err == nil {
			err = r.open()
		}
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return f.total, err
}

// folding is one run of Fold.
type folding[C Collector[C]] struct {
	ctx   context.Context
	r     *Reader
	fresh func() C
	total C // of everything so far
}

// stretch reads the rest of the open capture into one collector.
func (f *folding[C]) stretch() error {
	c := f.fresh()
	defer func() { f.total.Merge(c) }()
	batch := make([]can.Frame, foldBatch)
	for f.r.cur != nil {
		if err := f.ctx.Err(); err != nil {
			return err
		}
		n, err := f.r.readOpen(f.ctx, batch)
		c.Add(batch[:n])
		if err != nil {
			return err
		}
	}
	return nil
}
