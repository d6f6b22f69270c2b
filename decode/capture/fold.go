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
// returns the merged one. Candump logs are cut into chunks of fixed size and
// read by Options.Workers goroutines, each chunk through a collector of its own;
// the chunks, and so the result, do not depend on the number of workers. Any
// other capture is read in one stretch. fresh is never called by two goroutines
// at once. After an error the collector holds what was read before it.
func Fold[C Collector[C]](ctx context.Context, r *Reader, fresh func() C) (C, error) {
	total := sum[C]{}
	err := r.open()
	for err == nil {
		if dec, ok := r.dec.(*candump); ok && !dec.text.skipping {
			err = foldChunks(ctx, r, dec, fresh, &total)
		} else {
			err = foldStretch(ctx, r, fresh, &total)
		}
		if err == nil {
			err = r.open()
		}
	}
	if !total.any {
		total.add(fresh())
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return total.c, err
}

// sum is the merged collector so far.
type sum[C Collector[C]] struct {
	c   C
	any bool
}

func (s *sum[C]) add(next C) {
	if !s.any {
		s.c, s.any = next, true
		return
	}
	s.c.Merge(next)
}

// foldStretch reads the rest of the open capture into one collector.
func foldStretch[C Collector[C]](ctx context.Context, r *Reader, fresh func() C, total *sum[C]) error {
	c := fresh()
	defer func() { total.add(c) }()
	batch := make([]can.Frame, foldBatch)
	for r.cur != nil {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := r.readOpen(ctx, batch)
		c.Add(batch[:n])
		if err != nil {
			return err
		}
	}
	return nil
}
