package replay

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"plugproof/decode/can"
)

// Source is where the frames of a schedule come from; a capture reader is one.
type Source interface {
	Read(ctx context.Context, frames []can.Frame) (int, error)
}

// ScheduleOptions of ReadSchedule. The zero value takes every frame as it was.
type ScheduleOptions struct {
	// Keep picks the frames and gives each the bus to send it on. nil: all, on the
	// bus that they have in the capture.
	Keep   func(f *can.Frame) (bus int, keep bool)
	Speed  float64       // times as fast; 0: 1
	MaxGap time.Duration // longer gaps between frames are shortened to this, before Speed; 0: none is
	Loops  int           // how often; 0: once; negative: without an end
}

// Schedule holds the frames of a replay in memory, in the order in which they
// are sent.
type Schedule struct {
	ScheduleFacts
	records []record
	long    []byte // payloads of more than 8 bytes
	loops   int
	period  time.Duration // from the start of a loop to the start of the next
}

// ScheduleFacts says what became of a capture.
type ScheduleFacts struct {
	Frames      int           // of one loop
	LeftOut     uint64        // by Keep
	ErrorFrames uint64        // never sent, and not counted as left out
	Backward    uint64        // steps back in time; small ones were sorted, the others cut short
	LongestGap  time.Duration // between two frames that are sent, before gaps were shortened
	GapAt       time.Duration // where that begins, from the first frame
	Shortened   int           // gaps
	Length      time.Duration // from the first frame of a loop to its last
}

// record is a frame in 24 bytes.
type record struct {
	offset    int64 // ns
	id        uint32
	flags     uint8 // the flags of a capture fit
	bus       uint8
	len, dlc  uint8
	dataOrPos [can.MaxClassicLen]byte // payload; of a longer one its place in long
}

// Limits of what is held in memory: 20 million frames of 24 bytes.
const maxScheduled = 20_000_000

// ErrNothing is the error for a capture of which nothing is left to send.
var ErrNothing = errors.New("no frame to send")

// sortBack is the longest step back in time that comes from frames written out
// of order, as of two interfaces; a longer one is a clock that was set.
const sortBack = time.Second

// ReadSchedule reads source to its end.
func ReadSchedule(ctx context.Context, source Source, options ScheduleOptions) (*Schedule, error) {
	if options.Speed == 0 {
		options.Speed = 1
	}
	if !(options.Speed > 0) || math.IsInf(options.Speed, 0) {
		return nil, fmt.Errorf("speed %g is not a positive number", options.Speed)
	}
	s := &Schedule{loops: max(options.Loops, 1)}
	if options.Loops < 0 {
		s.loops = math.MaxInt
	}
	if err := s.read(ctx, source, options.Keep); err != nil {
		return nil, err
	}
	if len(s.records) == 0 {
		return nil, ErrNothing
	}
	if s.Backward > 0 {
		slices.SortStableFunc(s.records, func(a, b record) int { return cmp.Compare(a.offset, b.offset) })
	}
	s.time(options)
	return s, nil
}

func (s *Schedule) read(ctx context.Context, source Source, keep func(*can.Frame) (int, bool)) error {
	var clock straight
	batch := make([]can.Frame, 512)
	for {
		n, err := source.Read(ctx, batch)
		for i := range batch[:n] {
			f := &batch[i]
			at := clock.at(f.Time)
			if f.Is(can.Error) {
				s.ErrorFrames++
				continue
			}
			bus, ok := int(f.Bus), true
			if keep != nil {
				bus, ok = keep(f)
			}
			if !ok {
				s.LeftOut++
				continue
			}
			if err := s.add(f, bus, at); err != nil {
				return err
			}
		}
		s.Backward = clock.back
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// straight makes one line of a capture's stamps: after a clock was set back, time
// goes on from where it was.
type straight struct {
	last, shift int64
	back        uint64
	begun       bool
}

func (c *straight) at(stamp int64) int64 {
	at := stamp + c.shift
	if c.begun && at < c.last {
		c.back++
		if c.last-at < int64(sortBack) {
			return at
		}
		c.shift += c.last - at
		at = c.last
	}
	c.last, c.begun = at, true
	return at
}

func (s *Schedule) add(f *can.Frame, bus int, at int64) error {
	if len(s.records) >= maxScheduled {
		return fmt.Errorf("more than %d frames: cut a stretch out", maxScheduled)
	}
	if bus < 0 || bus > math.MaxUint8 {
		return fmt.Errorf("bus %d: at most %d", bus, math.MaxUint8)
	}
	r := record{
		offset: at, id: f.ID, flags: uint8(f.Flags &^ (can.Rx | can.Tx)), bus: uint8(bus), len: f.Len, dlc: f.DLC,
	}
	if f.Len <= can.MaxClassicLen {
		copy(r.dataOrPos[:], f.Payload())
	} else {
		pos := len(s.long)
		for i := range r.dataOrPos {
			r.dataOrPos[i] = byte(pos >> (8 * i))
		}
		s.long = append(s.long, f.Payload()...)
	}
	s.records = append(s.records, r)
	return nil
}

// time turns stamps into offsets.
func (s *Schedule) time(options ScheduleOptions) {
	s.Frames = len(s.records)
	first, last, cut := s.records[0].offset, s.records[0].offset, int64(0)
	for i := range s.records {
		r := &s.records[i]
		gap := r.offset - last
		last = r.offset
		if gap > int64(s.LongestGap) {
			s.LongestGap, s.GapAt = time.Duration(gap), time.Duration(r.offset-gap-first)
		}
		if options.MaxGap > 0 && gap > int64(options.MaxGap) {
			cut += gap - int64(options.MaxGap)
			s.Shortened++
		}
		r.offset = int64(float64(r.offset-first-cut) / options.Speed)
	}
	s.Length = time.Duration(s.records[s.Frames-1].offset)
	s.period = s.Length + s.Length/time.Duration(max(s.Frames-1, 1)) // one mean gap from the last to the first
	if s.period == 0 {
		s.period = time.Second
	}
}

// Endless reports whether it has no end.
func (s *Schedule) Endless() bool { return s.loops == math.MaxInt }

// Seam is where the second loop begins, 0 when there is none.
func (s *Schedule) Seam() time.Duration {
	if s.loops == 1 {
		return 0
	}
	return s.period
}

// Stream returns the schedule's frames from the start.
func (s *Schedule) Stream() Stream { return &scheduled{s: s} }

// Loop returns the frames of one loop alone.
func (s *Schedule) Loop() Stream {
	once := *s
	once.loops = 1
	return once.Stream()
}

type scheduled struct {
	s    *Schedule
	next int
	loop int
}

// Next gives the next frame.
func (d *scheduled) Next(item *Item) error {
	if d.next == len(d.s.records) {
		d.next = 0
		d.loop++
	}
	if d.loop >= d.s.loops {
		d.next = len(d.s.records)
		d.loop = d.s.loops - 1
		return io.EOF
	}
	r := &d.s.records[d.next]
	d.next++
	item.Offset = time.Duration(r.offset) + time.Duration(d.loop)*d.s.period
	item.Bus = int(r.bus)
	f := &item.Frame
	*f = can.Frame{ID: r.id, Flags: can.Flags(r.flags), Len: r.len, DLC: r.dlc}
	if r.len <= can.MaxClassicLen {
		copy(f.Data[:], r.dataOrPos[:])
		return nil
	}
	pos := 0
	for i, b := range r.dataOrPos {
		pos |= int(b) << (8 * i)
	}
	copy(f.Data[:r.len], d.s.long[pos:])
	return nil
}
