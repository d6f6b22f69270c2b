package replay

import (
	"context"
	"errors"
	"io"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

// frames is a Source of a few frames.
type frames struct{ rest []can.Frame }

func (s *frames) Read(_ context.Context, dst []can.Frame) (int, error) {
	if len(s.rest) == 0 {
		return 0, io.EOF
	}
	n := copy(dst, s.rest)
	s.rest = s.rest[n:]
	return n, nil
}

// at returns frames with the stamps in milliseconds and the identifiers 0, 1, 2, ...
func at(stamps ...int64) *frames {
	s := &frames{}
	for i, ms := range stamps {
		s.rest = append(s.rest, can.Frame{Time: 1_700_000_000e9 + ms*1e6, ID: uint32(i), Len: 1, DLC: 1, Data: [64]byte{byte(i)}})
	}
	return s
}

type sent struct {
	MS int64
	ID uint32
}

// played returns what a stream gives, at most n items.
func played(t *testing.T, stream Stream, n int) (list []sent) {
	t.Helper()
	var item Item
	for range n {
		err := stream.Next(&item)
		if errors.Is(err, io.EOF) {
			return list
		}
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, sent{item.Offset.Milliseconds(), item.Frame.ID})
	}
	return list
}

func TestSchedule(t *testing.T) {
	const hour = 3_600_000
	for _, tt := range []struct {
		name    string
		source  *frames
		options ScheduleOptions
		want    []sent
		facts   ScheduleFacts
	}{
		{
			"as it was", at(0, 10, 25),
			ScheduleOptions{},
			[]sent{{0, 0}, {10, 1}, {25, 2}},
			ScheduleFacts{Frames: 3, LongestGap: 15 * ms, GapAt: 10 * ms, Length: 25 * ms},
		},
		{
			"twice as fast", at(0, 10, 30),
			ScheduleOptions{Speed: 2},
			[]sent{{0, 0}, {5, 1}, {15, 2}},
			ScheduleFacts{Frames: 3, LongestGap: 20 * ms, GapAt: 10 * ms, Length: 15 * ms},
		},
		{
			"a gap of hours stays", at(0, 3*hour, 3*hour+10),
			ScheduleOptions{},
			[]sent{{0, 0}, {3 * hour, 1}, {3*hour + 10, 2}},
			ScheduleFacts{Frames: 3, LongestGap: 3 * time.Hour, Length: 3*time.Hour + 10*ms},
		},
		{
			"a gap of hours is shortened", at(0, 3*hour, 3*hour+10),
			ScheduleOptions{MaxGap: time.Second},
			[]sent{{0, 0}, {1000, 1}, {1010, 2}},
			ScheduleFacts{Frames: 3, LongestGap: 3 * time.Hour, Length: 1010 * ms, Shortened: 1},
		},
		{
			"written out of order", at(0, 20, 10, 30),
			ScheduleOptions{},
			[]sent{{0, 0}, {10, 2}, {20, 1}, {30, 3}},
			ScheduleFacts{Frames: 4, Backward: 1, LongestGap: 10 * ms, Length: 30 * ms},
		},
		{
			"the clock was set back an hour", at(2*hour, 2*hour+10, hour, hour+10),
			ScheduleOptions{},
			[]sent{{0, 0}, {10, 1}, {10, 2}, {20, 3}},
			ScheduleFacts{Frames: 4, Backward: 1, LongestGap: 10 * ms, Length: 20 * ms},
		},
		{
			"a selection", at(5, 10, 25),
			ScheduleOptions{Keep: func(f *can.Frame) (int, bool) { return 1, f.ID > 0 }},
			[]sent{{0, 1}, {15, 2}},
			ScheduleFacts{Frames: 2, LeftOut: 1, LongestGap: 15 * ms, Length: 15 * ms},
		},
		{
			"three times", at(0, 10, 20),
			ScheduleOptions{Loops: 3},
			[]sent{{0, 0}, {10, 1}, {20, 2}, {30, 0}, {40, 1}, {50, 2}, {60, 0}, {70, 1}, {80, 2}},
			ScheduleFacts{Frames: 3, LongestGap: 10 * ms, Length: 20 * ms},
		},
		{
			"one frame, twice", at(7), ScheduleOptions{Loops: 2}, []sent{{0, 0}, {1000, 0}}, ScheduleFacts{Frames: 1},
		},
	} {
		s, err := ReadSchedule(t.Context(), tt.source, tt.options)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		if diff := cmp.Diff(tt.want, played(t, s.Stream(), 100)); diff != "" {
			t.Errorf("%s: %s", tt.name, diff)
		}
		if diff := cmp.Diff(tt.facts, s.ScheduleFacts); diff != "" {
			t.Errorf("%s: %s", tt.name, diff)
		}
	}
}

const ms = time.Millisecond

func TestScheduleErrors(t *testing.T) {
	broken := errors.New("broken")
	for _, tt := range []struct {
		name    string
		source  Source
		options ScheduleOptions
		want    error
	}{
		{"zero frames", at(), ScheduleOptions{}, ErrNothing},
		{"error frames only", &frames{[]can.Frame{{Flags: can.Error}}}, ScheduleOptions{}, ErrNothing},
		{"nothing selected", at(1), ScheduleOptions{Keep: func(*can.Frame) (int, bool) { return 0, false }}, ErrNothing},
		{"source breaks", brokenSource{broken}, ScheduleOptions{}, broken},
		{"negative speed", at(1), ScheduleOptions{Speed: -1}, nil},
		{"bus out of range", at(1), ScheduleOptions{Keep: func(*can.Frame) (int, bool) { return 256, true }}, nil},
	} {
		s, err := ReadSchedule(t.Context(), tt.source, tt.options)
		if err == nil || s != nil || tt.want != nil && !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, %v", tt.name, s, err)
		}
	}
}

type brokenSource struct{ err error }

func (s brokenSource) Read(context.Context, []can.Frame) (int, error) { return 0, s.err }

// An endless schedule goes on, and ends nowhere; Loop ends it.
func TestEndless(t *testing.T) {
	s, err := ReadSchedule(t.Context(), at(0, 10), ScheduleOptions{Loops: -1})
	if err != nil {
		t.Fatal(err)
	}
	list := played(t, s.Stream(), 1001)
	if len(list) != 1001 || list[1000] != (sent{500 * 20, 0}) || !s.Endless() || s.Seam() != 20*ms {
		t.Errorf("%d frames, the last %v", len(list), list[len(list)-1])
	}
	if list := played(t, s.Loop(), 100); len(list) != 2 {
		t.Errorf("one loop has %d frames", len(list))
	}
}

// Every kind of frame comes out as it went in.
func TestScheduleKeepsFrames(t *testing.T) {
	long := can.Frame{ID: 0x1ABCDEF0, Flags: can.Extended | can.FD | can.BRS}
	for range 3 {
		long.SetPayload(slices.Repeat([]byte{1, 2, 3, 4}, 12))
	}
	short := can.Frame{ID: 0x123, Flags: can.FD | can.ESI}
	short.SetPayload([]byte{1, 2, 3})
	in := []can.Frame{
		long, short,
		{ID: 0x7FF, Len: 8, DLC: 15, Data: [64]byte{9, 8, 7, 6, 5, 4, 3, 2}},
		{ID: 0x100, Flags: can.Remote, Len: 4, DLC: 4},
		{ID: 0x101},
	}
	s, err := ReadSchedule(t.Context(), &frames{slices.Clone(in)}, ScheduleOptions{})
	if err != nil {
		t.Fatal(err)
	}
	stream := s.Stream()
	var item Item
	item.Frame = can.Frame{ID: 1, Len: 64, Data: [64]byte{63: 1}} // nothing of it may stay
	for i := range in {
		if err := stream.Next(&item); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(in[i], item.Frame); diff != "" {
			t.Errorf("frame %d: %s", i, diff)
		}
	}
}

func TestScheduleAllocatesNothing(t *testing.T) {
	s, err := ReadSchedule(t.Context(), at(0, 10, 20), ScheduleOptions{Loops: -1})
	if err != nil {
		t.Fatal(err)
	}
	stream := s.Stream()
	var item Item
	if n := testing.AllocsPerRun(100, func() {
		if err := stream.Next(&item); err != nil {
			t.Fatal(err)
		}
	}); n > 0 {
		t.Errorf("%v allocations a frame", n)
	}
}
