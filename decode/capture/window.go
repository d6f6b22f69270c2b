package capture

import (
	"bufio"
	"errors"
	"math"

	"plugproof/decode/can"
)

// window looks ahead in an input and knows where it stands. What it shows is the
// input's own buffer: nothing is copied.
type window struct {
	r    *bufio.Reader
	seen []byte // what is buffered, none of it taken from r yet
	pos  int    // how far seen was passed over
	off  int64  // offset of the next byte in the decompressed capture
}

// peek returns what is buffered of the next bytes, at least n of them; fewer
// only with the error that ended the input. n is at most the buffer's size. The
// bytes are valid until the next call of peek or skip.
func (w *window) peek(n int) ([]byte, error) {
	if w.has(n) {
		return w.buffered(), nil
	}
	w.drop()
	_, err := w.r.Peek(n)
	w.seen, _ = w.r.Peek(w.r.Buffered())
	return w.seen, err
}

// buffered returns what is buffered, without waiting for more.
func (w *window) buffered() []byte { return w.seen[w.pos:] }

// has reports whether the next n bytes are buffered.
func (w *window) has(n int) bool { return len(w.seen)-w.pos >= n }

// skip passes over n bytes. The error is that which ended the input early.
func (w *window) skip(n int64) error {
	if here := int64(len(w.seen) - w.pos); n > here {
		w.pos = len(w.seen)
		w.off += here
		w.drop()
		return w.discard(n - here)
	}
	w.pos += int(n)
	w.off += n
	return nil
}

// skipLast passes over n bytes after which there may be no more, and takes them
// from the input at once.
func (w *window) skipLast(n int) error {
	err := w.skip(int64(n))
	w.drop()
	return err
}

// drop takes from r what was passed over.
func (w *window) drop() {
	w.r.Discard(w.pos) // cannot fail: these bytes are buffered
	w.seen, w.pos = w.seen[w.pos:], 0
}

// discard takes n bytes from r, of which none are in seen.
func (w *window) discard(n int64) error {
	for n > 0 {
		done, err := w.r.Discard(int(min(n, math.MaxInt32)))
		w.off += int64(done)
		n -= int64(done)
		if err != nil {
			return err
		}
	}
	return nil
}

// batchSteps is how many records are read before a decoder returns, frames or
// not, so that its caller can look at the context.
const batchSteps = 1 << 14

// recordReader reads one record, or passes over one stretch of damage. It
// returns whether that gave a frame. Unless it may wait, it returns errWait,
// having taken nothing, when the record is not buffered yet.
type recordReader interface {
	next(f *can.Frame, mayWait bool) (bool, error)
}

var errWait = errors.New("internal error: the record is not there yet")

// readRecords fills dst. Frames that it has are not held back until more come,
// so that a live pipe gives its frames as they come.
func readRecords(r recordReader, dst []can.Frame) (int, error) {
	n := 0
	for step := 0; n < len(dst) && step < batchSteps; step++ {
		ok, err := r.next(&dst[n], n == 0)
		if err == errWait {
			break
		}
		if ok {
			n++
		}
		if err != nil {
			return n, err
		}
	}
	return n, nil
}
