package exercise

import (
	"context"
	"errors"
	"io"
	"math"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/profiles"
)

// Source gives the frames of a capture; a capture.Reader is one.
type Source interface {
	Read(ctx context.Context, frames []can.Frame) (int, error)
}

// Control looks in a capture of the factory unit for a stretch in which the
// function stood where it can be told from rest: the frames to play as a positive
// control, and the value that they show. on says whether a frame is of the bus
// that the function's message is on. No frames and no error: there is no such
// stretch.
func (x *Exercise) Control(ctx context.Context, capture Source, on func(*can.Frame) bool) ([]can.Frame, float64, error) {
	decoder, _ := decode.NewDecoder([]decode.Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{x.facts.Def}}}})
	_, signal := x.ref.Split()
	c := &controls{x: x, signal: decoder.Bus("").Message(x.facts.Name).Signal(signal)}
	own := x.facts.Own.Signals[signal]
	if own == nil {
		own = &profiles.Signal{}
	}
	c.na = own.NotAvailable(c.signal.Def)
	batch := make([]can.Frame, 512)
	for !c.enough() {
		n, err := capture.Read(ctx, batch)
		for i := range batch[:n] {
			f := &batch[i]
			if f.ID == x.facts.ID.Value && f.Is(can.Extended) == x.facts.ID.Extended && !f.Is(can.Error) && !f.Is(can.Remote) && on(f) {
				c.add(f)
			}
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, 0, err
		}
	}
	c.finish()
	return c.best, c.shown, nil
}

// controls gathers stretches of frames with one reading.
type controls struct {
	x      *Exercise
	signal *decode.Signal
	na     []uint64
	run    []can.Frame
	first  float64 // value of the first frame of run
	best   []can.Frame
	shown  float64
}

// A control is long enough for a needle to settle, and need not be longer than
// this.
const (
	leastControl = 4 * time.Second
	mostControl  = 10 * time.Second
)

func length(frames []can.Frame) time.Duration {
	if len(frames) < 2 {
		return 0
	}
	return time.Duration(frames[len(frames)-1].Time - frames[0].Time)
}

func (c *controls) enough() bool { return length(c.best) >= mostControl }

func (c *controls) add(f *can.Frame) {
	if c.enough() {
		return
	}
	v, ok := c.signal.Read(f)
	mask := ^uint64(0) >> max(0, 64-c.signal.Def.Length)
	for _, pattern := range c.na {
		ok = ok && v.Raw&mask != pattern
	}
	n := len(c.run)
	late := n > 0 && time.Duration(f.Time-c.run[n-1].Time) > 3*c.x.facts.Cycle.Value
	if n > 0 && (!ok || late || !c.same(v.Phys) || length(c.run) >= mostControl) {
		c.finish()
	}
	if !ok {
		return
	}
	if len(c.run) == 0 {
		c.first = v.Phys
	}
	c.run = append(c.run, *f)
}

// finish takes the run as the best one where it is.
func (c *controls) finish() {
	least := leastControl
	if c.x.function.Lamp != nil {
		least /= 2
	}
	if length(c.run) >= least && length(c.run) > length(c.best) && c.tells() {
		c.best = append(c.best[:0], c.run...)
		c.shown = c.first
	}
	c.run = c.run[:0]
}

// same reports whether nobody would see a difference to the first value.
func (c *controls) same(v float64) bool {
	if g := c.x.function.Gauge; g != nil {
		return math.Abs(g.Shows(v)-g.Shows(c.first)) <= g.Reads/2
	}
	return v == c.first
}

// tells reports whether the reading can be told from rest.
func (c *controls) tells() bool {
	g := c.x.function.Gauge
	if g == nil {
		return c.first == c.x.lampOn()
	}
	return !g.Level(c.first) && math.Abs(g.Shows(c.first)-g.Shows(c.x.rest())) > 2*g.Reads
}

// SetControl makes the dialogue begin with the factory unit's own frames. It is
// called before Stream.
func (x *Exercise) SetControl(frames []can.Frame, shown float64) {
	x.config.Control, x.config.Shown = frames, shown
}

// HasControl reports whether there is a positive control.
func (x *Exercise) HasControl() bool { return x.config.Control != nil }
