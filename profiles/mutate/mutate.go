// Package mutate spoils good captures in known ways: support for the tests that
// ask whether the rules find each fault, and only that.
//
// Nothing here changes the capture that it is given: every function returns new
// frames, in the order of time, and the stamp of the first bad one.
package mutate

import (
	"cmp"
	"context"
	"errors"
	"io"
	"slices"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/stages"
)

// Drive is a capture with what is known of it.
type Drive struct {
	Setting *profiles.Setting
	Buses   *can.Buses
	Frames  []can.Frame
	Stages  stages.Spans // as marked
}

// Record drives the demo car and keeps the frames. setting is the profile that
// goes with it.
func Record(ctx context.Context, car demo.Setting, setting *profiles.Setting, opts demo.Options) (*Drive, error) {
	source, err := demo.New(car, opts)
	if err != nil {
		return nil, err
	}
	d := &Drive{Setting: setting, Buses: source.Buses()}
	buf := make([]can.Frame, 4096)
	for {
		n, err := source.Read(ctx, buf)
		d.Frames = append(d.Frames, buf[:n]...)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
	}
	number(d.Frames)
	for _, m := range source.Markers() {
		d.Stages = append(d.Stages, stages.Span{Stage: m.Name, Start: m.Start, End: m.End, Source: stages.Marked})
	}
	return d, nil
}

// number gives each frame the line it would stand on in a log.
func number(frames []can.Frame) {
	for i := range frames {
		frames[i].Record = uint32(i + 1)
	}
}

// With returns the drive with other frames.
func (d *Drive) With(frames []can.Frame) *Drive {
	out := *d
	out.Frames = frames
	number(out.Frames)
	return &out
}

// Stage returns the stretch of a stage, zero when there is none.
func (d *Drive) Stage(name string) stages.Span {
	for _, span := range d.Stages {
		if span.Stage == name {
			return span
		}
	}
	return stages.Span{}
}

// Where picks frames.
type Where func(f *can.Frame) bool

// Message picks the frames of a message on its bus.
func (d *Drive) Message(name string) Where {
	m := d.Setting.Message(name)
	if m == nil {
		return func(*can.Frame) bool { return false }
	}
	return func(f *can.Frame) bool {
		return f.ID == m.ID.Value && f.Is(can.Extended) == m.ID.Extended && !f.Is(can.Error) &&
			d.Buses.Name(f.Bus) == m.Bus
	}
}

// Sender picks the frames of all messages of a node.
func (d *Drive) Sender(node string) Where {
	var own []Where
	for _, m := range d.Setting.Messages {
		if m.Sender == node {
			own = append(own, d.Message(m.Name))
		}
	}
	return func(f *can.Frame) bool {
		return slices.ContainsFunc(own, func(w Where) bool { return w(f) })
	}
}

// In picks those frames that w picks within [from, to).
func (w Where) In(from, to int64) Where {
	return func(f *can.Frame) bool { return f.Time >= from && f.Time < to && w(f) }
}

// All picks every frame.
func All(*can.Frame) bool { return true }

// Drop leaves the picked frames out. first is the stamp of the first one.
func (d *Drive) Drop(w Where) (frames []can.Frame, first int64) {
	for i := range d.Frames {
		switch f := &d.Frames[i]; {
		case !w(f):
			frames = append(frames, *f)
		case first == 0:
			first = f.Time
		}
	}
	return frames, first
}

// Change lets change alter the picked frames; n counts them from 0.
func (d *Drive) Change(w Where, change func(n int, f *can.Frame)) (frames []can.Frame, first int64) {
	frames = slices.Clone(d.Frames)
	n := 0
	for i := range frames {
		if f := &frames[i]; w(f) {
			change(n, f)
			if n == 0 {
				first = f.Time
			}
			n++
		}
	}
	return frames, first
}

// sorted puts frames in the order of time.
func sorted(frames []can.Frame) []can.Frame {
	slices.SortStableFunc(frames, func(a, b can.Frame) int { return cmp.Compare(a.Time, b.Time) })
	return frames
}

// after returns the stamp of the first picked frame at or after t, 0 when there is none.
func after(frames []can.Frame, w Where, t int64) int64 {
	for i := range frames {
		if frames[i].Time >= t && w(&frames[i]) {
			return frames[i].Time
		}
	}
	return 0
}

// codec reads and writes the signals of a message.
func (d *Drive) codec(message string) *decode.Message {
	m := d.Setting.Message(message)
	table, _ := decode.NewDecoder([]decode.Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{m.Def}}}})
	return table.Bus("").Message(message)
}

// protection compiles how a message is protected; nil where it is not.
func (d *Drive) protection(message string, pick func(guard.Protection) guard.Protection) *guard.Guard {
	p, err := d.Setting.Message(message).Protection()
	if err != nil {
		panic("internal error: a loaded setting has a protection that cannot be: " + err.Error())
	}
	g, err := pick(p).Compile()
	if err != nil {
		panic("internal error: " + err.Error())
	}
	return g
}

// checks is that part of a protection that is worked out from the payload.
func checks(p guard.Protection) guard.Protection {
	return guard.Protection{Parities: p.Parities, Checksums: p.Checksums}
}

func whole(p guard.Protection) guard.Protection { return p }

// fill makes the protection of a changed frame hold again; counters stay as they are.
func fill(g *guard.Guard, f *can.Frame) {
	if g != nil && int(f.Len) >= g.MinLen() {
		if err := g.Fill(nil, f); err != nil {
			panic("internal error: " + err.Error())
		}
	}
}

// recount fills in counters, toggle bits and checksums of the picked frames as a
// sender would that sends just these.
func (d *Drive) recount(frames []can.Frame, message string) {
	g := d.protection(message, whole)
	if g == nil {
		return
	}
	w := d.Message(message)
	n := uint64(0)
	for i := range frames {
		f := &frames[i]
		if !w(f) || int(f.Len) < g.MinLen() {
			continue
		}
		if err := g.FillNth(n, f); err != nil {
			panic("internal error: " + err.Error())
		}
		n++
	}
}
