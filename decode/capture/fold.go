package capture

import (
	"context"

	"plugproof/decode/can"
)

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
