package mutate

import (
	"context"
	"slices"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
)

// Again drives the same car once more, with units that react to what the options
// leave out.
func (d *Drive) Again(ctx context.Context, opts demo.Options) (*Drive, error) {
	car, err := demo.ParseSetting(d.Setting.Name)
	if err != nil {
		return nil, err
	}
	return Record(ctx, car, d.Setting, opts)
}

// Request is one request of a dialogue: from the frame that brings it to the one
// that withdraws it, ns.
type Request struct{ Start, End int64 }

// Requests returns those of a dialogue, in order.
func (d *Drive) Requests(dialogue string) (list []Request) {
	asked := d.Setting.Dialogues[dialogue].Asked
	message, name := asked.Signal.Split()
	sig, w := d.codec(message).Signal(name), d.Message(message)
	standing := false
	for i := range d.Frames {
		f := &d.Frames[i]
		if !w(f) {
			continue
		}
		v, ok := sig.Read(f)
		asks := ok && slices.Contains(asked.Is, int64(v.Raw))
		switch {
		case asks && !standing:
			list = append(list, Request{f.Time, f.Time})
		case standing:
			list[len(list)-1].End = f.Time
		}
		standing = asks
	}
	return list
}

// While picks the frames of a message from the start of each request until after
// its end, ns.
func (d *Drive) While(message string, requests []Request, after int64) Where {
	w := d.Message(message)
	return func(f *can.Frame) bool {
		return w(f) && slices.ContainsFunc(requests, func(r Request) bool { return f.Time >= r.Start && f.Time < r.End+after })
	}
}

// Rewrite lets change give new physical values to some signals of the picked
// frames of a message, by the values that the frame has, and makes its checksum
// hold again.
func (d *Drive) Rewrite(message string, w Where, change func(f *can.Frame, values map[string]float64)) (frames []can.Frame, first int64) {
	codec, g := d.codec(message), d.protection(message, checks)
	return d.Change(w, func(_ int, f *can.Frame) {
		values := map[string]float64{}
		for i := range codec.Signals {
			if v, ok := codec.Signals[i].Read(f); ok {
				values[v.Signal.Def.Name] = v.Phys
			}
		}
		change(f, values)
		for i := range codec.Signals {
			sig := &codec.Signals[i]
			if v, ok := sig.Read(f); ok && v.Phys != values[sig.Def.Name] {
				put(sig, f, closest(sig, values[sig.Def.Name], nil))
			}
		}
		fill(g, f)
	})
}

// Recopy lets a unit receive a value as it is now.
func (d *Drive) Recopy(source, copied profiles.SignalRef) []can.Frame {
	frames := slices.Clone(d.Frames)
	d.relay(frames, source, copied)
	return frames
}

// Graft puts a unit of another car in the place of this one's: its frames instead
// of the unit's own. The other drive must be of a car with the same buses.
func (d *Drive) Graft(other *Drive, node string) []can.Frame {
	frames, _ := d.Drop(d.Sender(node))
	w := other.Sender(node)
	for i := range other.Frames {
		if w(&other.Frames[i]) {
			frames = append(frames, other.Frames[i])
		}
	}
	return sorted(frames)
}
