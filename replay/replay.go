// Package replay puts frames out at the right time. A Stream says what is due
// when, a Sink takes it, and Play keeps the clock: every frame waits for its own
// offset from one start instant, so that lateness is recorded and never added up.
//
//	summary, err := replay.Play(ctx, replay.Items(items), sink, nil)
//
// Streams are schedules made from captures (Schedule) and stand-ins made live.
// Whatever reaches a real bus goes through the gate: see Open.
package replay

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"plugproof/decode/can"
)

// Item is one frame and when it is due.
type Item struct {
	Offset time.Duration // from the start instant, which all buses share
	Bus    int           // index of the bus at the Sink
	Frame  can.Frame     // its Bus and Time mean nothing here
}

// Stream gives the items of a replay in the order of their offsets. Next fills
// in the next one and returns io.EOF after the last. It is called on the
// player's thread: it must neither wait nor allocate.
type Stream interface {
	Next(*Item) error
}

// Sink takes frames. Send returns when the bus may take the next frame, which on
// a real one is when this one was on the wire. It keeps no reference to f and is
// called by one goroutine at a time. Its error ends a replay.
type Sink interface {
	Send(ctx context.Context, bus int, f *can.Frame) error
}

// Options of Play. nil and the zero value are fine for tests: the clock is then
// that of package time, which testing/synctest can turn.
type Options struct {
	// Precise plays on a thread of its own, with real-time priority and locked
	// memory where the system allows it. One precise replay at a time.
	Precise bool
	// MaxLate ends a replay that fell behind its schedule by more, as after
	// SIGSTOP or when the machine slept: what is overdue is not sent in one go.
	// 0: DefaultMaxLate; negative: no limit.
	MaxLate time.Duration
	// Sent is told of every frame that the sink took, on the player's thread: it
	// must neither wait nor allocate. late is how long after its offset the sink
	// had taken it. nil: nobody.
	Sent func(item *Item, late time.Duration)
}

// DefaultMaxLate is below the shortest timeout that listeners commonly have.
const DefaultMaxLate = 500 * time.Millisecond

// LateError ends a replay that fell behind.
type LateError struct {
	Late, Max time.Duration
	Sent      uint64 // frames before that
}

func (e *LateError) Error() string {
	return fmt.Sprintf("fell behind by %v (at most %v) after %d frames: the program or the machine stood still; "+
		"what is overdue is not sent in one go", e.Late.Round(time.Millisecond), e.Max, e.Sent)
}

// Summary says how a replay went.
type Summary struct {
	Frames   uint64        // that the sink took
	Length   time.Duration // from the start instant to the end of the last Send
	Lateness Lateness      // of every frame: from its offset to when the sink had taken it
	Last     time.Duration // lateness of the last frame
	Notes    []string      // what the system or an adapter did not allow: "no real-time priority: ..."
}

// Play sends the stream's items, each at its offset from now, until the stream
// or ctx ends; the latter gives the cause of ctx as the error. Frames whose
// offset has passed go out at once, in order. The summary is valid with an error
// too. Stream and sink are used by one goroutine.
func Play(ctx context.Context, stream Stream, sink Sink, options *Options) (Summary, error) {
	p := player{stream: stream, sink: sink}
	if options != nil {
		p.Options = *options
	}
	if p.MaxLate == 0 {
		p.MaxLate = DefaultMaxLate
	}
	if p.Precise {
		err := p.playPrecisely(ctx)
		return p.summary, err
	}
	clock := newTimerClock()
	defer clock.stop()
	err := p.play(ctx, clock)
	return p.summary, err
}

// clock is the time since the start instant.
type clock interface {
	now() time.Duration
	// until waits for a time and returns the cause of ctx if that ends first.
	until(ctx context.Context, t time.Duration) error
}

type player struct {
	Options
	stream   Stream
	sink     Sink
	item     Item
	summary  Summary
	ordinary bool // no real-time priority, for measurements
}

// play is the whole loop; it allocates nothing.
func (p *player) play(ctx context.Context, clock clock) error {
	for {
		if err := p.stream.Next(&p.item); err != nil {
			if errors.Is(err, io.EOF) {
				return nil
			}
			return err
		}
		if err := clock.until(ctx, p.item.Offset); err != nil {
			return err
		}
		if late := clock.now() - p.item.Offset; p.MaxLate > 0 && late > p.MaxLate {
			return &LateError{Late: late, Max: p.MaxLate, Sent: p.summary.Frames}
		}
		if err := p.sink.Send(ctx, p.item.Bus, &p.item.Frame); err != nil {
			return err
		}
		now := clock.now()
		late := now - p.item.Offset
		p.summary.add(late, now)
		if p.Sent != nil {
			p.Sent(&p.item, late)
		}
	}
}

func (s *Summary) add(late, now time.Duration) {
	s.Frames++
	s.Lateness.Add(late)
	s.Last, s.Length = late, now
}

// Items returns a stream of items that are already in the order of their offsets.
func Items(items []Item) Stream { return &itemStream{items} }

type itemStream struct{ rest []Item }

func (s *itemStream) Next(item *Item) error {
	if len(s.rest) == 0 {
		return io.EOF
	}
	*item, s.rest = s.rest[0], s.rest[1:]
	return nil
}
