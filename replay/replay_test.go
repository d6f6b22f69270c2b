package replay

import (
	"context"
	"errors"
	"io"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"plugproof/decode/can"
)

// steady returns n items, one every gap.
func steady(n int, gap time.Duration) []Item {
	items := make([]Item, n)
	for i := range items {
		items[i].Offset = time.Duration(i) * gap
		items[i].Frame.ID = uint32(i & can.MaxStandardID)
	}
	return items
}

// Two hours pass in no time, and no frame is late for the one before it.
func TestPlayKeepsOffsets(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		items := steady(7200, time.Second)
		bus := NewMemory(len(items))
		summary, err := Play(t.Context(), Items(items), bus, nil)
		if err != nil {
			t.Fatal(err)
		}
		frames := bus.Frames()
		if len(frames) != len(items) || summary.Frames != uint64(len(items)) {
			t.Fatalf("%d frames, summary says %d", len(frames), summary.Frames)
		}
		for i := range frames {
			if got := time.Duration(frames[i].Time); got != items[i].Offset || frames[i].ID != items[i].Frame.ID {
				t.Fatalf("frame %d: id %#x at %v, want %#x at %v", i, frames[i].ID, got, items[i].Frame.ID, items[i].Offset)
			}
		}
		if summary.Lateness.Max() != 0 || summary.Length != 7199*time.Second {
			t.Errorf("max lateness %v, length %v", summary.Lateness.Max(), summary.Length)
		}
	})
}

// slowSink takes its time for one frame.
type slowSink struct {
	*Memory
	slow uint32
	time time.Duration
}

func (s *slowSink) Send(ctx context.Context, bus int, f *can.Frame) error {
	if f.ID == s.slow {
		time.Sleep(s.time)
	}
	return s.Memory.Send(ctx, bus, f)
}

// One slow frame delays those that are due meanwhile and none after them.
func TestLatenessIsNotAddedUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sink := &slowSink{NewMemory(0), 10, 25 * time.Millisecond}
		var late []time.Duration
		options := &Options{Sent: func(_ *Item, l time.Duration) { late = append(late, l) }}
		summary, err := Play(t.Context(), Items(steady(20, 10*time.Millisecond)), sink, options)
		if err != nil {
			t.Fatal(err)
		}
		for i, l := range late {
			want := map[int]time.Duration{10: 25 * time.Millisecond, 11: 15 * time.Millisecond, 12: 5 * time.Millisecond}[i]
			if l != want {
				t.Errorf("frame %d late by %v, want %v", i, l, want)
			}
		}
		if summary.Lateness.Max() != 25*time.Millisecond || summary.Last != 0 {
			t.Errorf("max %v, last %v", summary.Lateness.Max(), summary.Last)
		}
	})
}

// A replay that stood still ends: what is overdue does not go out in one go.
func TestTooLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		sink := &slowSink{NewMemory(0), 10, 2 * time.Second}
		summary, err := Play(t.Context(), Items(steady(2000, 10*time.Millisecond)), sink, nil)
		late, ok := errors.AsType[*LateError](err)
		if !ok || late.Late != 1990*time.Millisecond || summary.Frames != 11 {
			t.Errorf("%d frames, %v", summary.Frames, err)
		}
		sink = &slowSink{NewMemory(0), 10, 2 * time.Second}
		if _, err := Play(t.Context(), Items(steady(2000, 10*time.Millisecond)), sink, &Options{MaxLate: -1}); err != nil {
			t.Errorf("without a limit: %v", err)
		}
	})
}

var errSinkBroke = errors.New("broke")

type brokenSink struct{ after int }

func (s *brokenSink) Send(context.Context, int, *can.Frame) error {
	if s.after--; s.after < 0 {
		return errSinkBroke
	}
	return nil
}

func TestPlayEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		if s, err := Play(t.Context(), Items(steady(9, 1)), &brokenSink{4}, nil); !errors.Is(err, errSinkBroke) || s.Frames != 4 {
			t.Errorf("broken sink: %d frames, %v", s.Frames, err)
		}
		cause := errors.New("key released")
		ctx, cancel := context.WithCancelCause(t.Context())
		time.AfterFunc(4500*time.Millisecond, func() { cancel(cause) })
		s, err := Play(ctx, Items(steady(9, time.Second)), NewMemory(0), nil)
		if !errors.Is(err, cause) || s.Frames != 5 {
			t.Errorf("cancelled: %d frames, %v", s.Frames, err)
		}
		if s, err := Play(t.Context(), Items(nil), NewMemory(0), nil); err != nil || s.Frames != 0 {
			t.Errorf("nothing to play: %d frames, %v", s.Frames, err)
		}
		bad := []Item{{Frame: can.Frame{ID: 0x800}}}
		if _, err := Play(t.Context(), Items(bad), NewMemory(0), nil); !errors.Is(err, can.ErrID) {
			t.Errorf("invalid frame: %v", err)
		}
	})
}

func TestItemsEnd(t *testing.T) {
	s := Items(steady(1, 0))
	var item Item
	if err := s.Next(&item); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := s.Next(&item); err != io.EOF {
			t.Errorf("after the last: %v", err)
		}
	}
}

func TestPlayAllocatesNothing(t *testing.T) {
	items := steady(1000, 0)
	var sink brokenSink
	sink.after = 1 << 40
	p := player{sink: &sink}
	clock := newTimerClock()
	defer clock.stop()
	stream := &itemStream{}
	p.stream = stream
	ctx := t.Context()
	if n := testing.AllocsPerRun(10, func() {
		stream.rest = items
		if err := p.play(ctx, clock); err != nil {
			t.Fatal(err)
		}
	}); n > 0 {
		t.Errorf("%v allocations per 1000 frames", n)
	}
}

// A precise replay keeps order and offsets, is broken off within a slice of its
// sleep, and says what the system does not allow.
func TestPlayPrecisely(t *testing.T) {
	items := steady(50, 2*time.Millisecond)
	bus := NewMemory(len(items))
	summary, err := Play(t.Context(), Items(items), bus, &Options{Precise: true, MaxLate: -1})
	if err != nil || summary.Frames != 50 || summary.Length < 98*time.Millisecond {
		t.Fatalf("%d frames in %v, %v", summary.Frames, summary.Length, err)
	}
	frames := bus.Frames()
	for i := range frames {
		if frames[i].ID != uint32(i) || time.Duration(frames[i].Time) < items[i].Offset {
			t.Errorf("frame %d: id %d at %v, due at %v", i, frames[i].ID, time.Duration(frames[i].Time), items[i].Offset)
		}
	}
	why := errors.New("enough")
	ctx, cancel := context.WithCancelCause(t.Context())
	time.AfterFunc(20*time.Millisecond, func() { cancel(why) })
	late := []Item{{Offset: time.Hour}}
	if _, err := Play(ctx, Items(late), bus, &Options{Precise: true}); !errors.Is(err, why) {
		t.Errorf("broken off: %v", err)
	}
}

// Whoever wants to stop the whole program for a moment gets to, however dense or
// sparse the frames are: while the player waits, Go's scheduler must not be shut
// out for good. Without a way in, this test runs into its time limit.
func TestPlayPreciselyLetsCollect(t *testing.T) {
	for name, gap := range map[string]time.Duration{"dense": 20 * time.Microsecond, "1 Mbit/s": 111 * time.Microsecond, "sparse": time.Hour} {
		t.Run(name, func(t *testing.T) {
			why := errors.New("collected")
			ctx, cancel := context.WithCancelCause(t.Context())
			playing := make(chan struct{}, 1)
			go func() {
				<-playing
				runtime.GC()
				cancel(why)
			}()
			begun := false
			if _, err := Play(ctx, &endless{gap: gap}, &brokenSink{after: 1 << 40}, &Options{
				Precise: true, MaxLate: -1,
				Sent: func(*Item, time.Duration) {
					if !begun {
						begun = true
						playing <- struct{}{}
					}
				},
			}); !errors.Is(err, why) {
				t.Errorf("ended with %v", err)
			}
		})
	}
}

// A context that has ended lets no frame out, also the first.
func TestPlayPreciselyNothing(t *testing.T) {
	why := errors.New("never")
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(why)
	for range 100 {
		bus := NewMemory(1)
		if s, err := Play(ctx, Items(steady(1, 0)), bus, &Options{Precise: true}); !errors.Is(err, why) || s.Frames > 0 {
			t.Fatalf("%d frames, %v", s.Frames, err)
		}
	}
}

// endless gives frames without end, one every gap.
type endless struct{ gap, at time.Duration }

func (e *endless) Next(item *Item) error {
	item.Offset = e.at
	e.at += e.gap
	return nil
}
