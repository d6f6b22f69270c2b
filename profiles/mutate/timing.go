package mutate

import (
	"math/rand/v2"
	"slices"

	"plugproof/decode/can"
)

// Slower keeps every nth frame of a message, counters as its sender would count.
func (d *Drive) Slower(message string, n int) (frames []can.Frame, first int64) {
	w, i := d.Message(message), 0
	frames, first = d.Drop(func(f *can.Frame) bool {
		if !w(f) {
			return false
		}
		i++
		return (i-1)%n != 0
	})
	d.recount(frames, message)
	return frames, first
}

// Faster sends every frame of a message a second time, half a cycle later.
func (d *Drive) Faster(message string) (frames []can.Frame, first int64) {
	w := d.Message(message)
	half := int64(d.Setting.Message(message).Cycle.Value) / 2
	for i := range d.Frames {
		f := d.Frames[i]
		if frames = append(frames, f); !w(&f) {
			continue
		}
		f.Time += half
		if first == 0 {
			first = f.Time
		}
		frames = append(frames, f)
	}
	sorted(frames)
	d.recount(frames, message)
	return frames, first
}

// Stall holds the frames of a message back for cycles of its pace now and then,
// a share of them; what has piled up follows at once.
func (d *Drive) Stall(message string, cycles int64, share float64, r *rand.Rand) (frames []can.Frame, first int64) {
	hold := cycles * int64(d.Setting.Message(message).Cycle.Value)
	until := int64(0)
	frames, _ = d.Change(d.Message(message), func(n int, f *can.Frame) {
		if until > f.Time { // still held back: goes out behind the others
			until += 600_000
			f.Time = until
			return
		}
		if n > 5 && r.Float64() < share {
			f.Time += hold
			until = f.Time
			if first == 0 {
				first = f.Time
			}
		}
	})
	return sorted(frames), first
}

// Gap silences a message for a time; its counter goes on where it stopped. first
// is the stamp of the frame after it.
func (d *Drive) Gap(message string, from, length int64) (frames []can.Frame, first int64) {
	w := d.Message(message)
	frames, _ = d.Drop(w.In(from, from+length))
	d.recount(frames, message)
	return frames, after(frames, w, from)
}

// Lose drops a share of all frames at random, as an adapter that cannot keep up.
func (d *Drive) Lose(share float64, r *rand.Rand) (frames []can.Frame, first int64) {
	return d.Drop(func(*can.Frame) bool { return r.Float64() < share })
}

// Clump gives frames the stamps of an adapter that delivers every interval.
func (d *Drive) Clump(interval int64) (frames []can.Frame, first int64) {
	last := int64(0)
	return d.Change(All, func(_ int, f *can.Frame) {
		f.Time = max((f.Time/interval+1)*interval, last+1000)
		last = f.Time
	})
}

// Jump sets the clock forward, or back, from a stamp on.
func (d *Drive) Jump(from, by int64) (frames []can.Frame, first int64) {
	return d.Change(Where(All).In(from, 1<<62), func(_ int, f *can.Frame) { f.Time += by })
}

// Loop plays a stretch several times over, raw. first is the start of the second pass.
func (d *Drive) Loop(from, length int64, times int) (frames []can.Frame, first int64) {
	var part []can.Frame
	for i := range d.Frames {
		if f := &d.Frames[i]; f.Time >= from && f.Time < from+length {
			part = append(part, *f)
		}
	}
	for n := range int64(times) {
		for i := range part {
			f := part[i]
			f.Time += n * length
			frames = append(frames, f)
		}
	}
	return frames, part[0].Time + length
}

// Interleave adds a second sender of a message that starts at a stamp, a share of
// a cycle behind the first one, with content of its own.
func (d *Drive) Interleave(message string, from int64, behind float64, content func(f *can.Frame)) (frames []can.Frame, first int64) {
	w := d.Message(message)
	g := d.protection(message, whole)
	lag := int64(behind * float64(d.Setting.Message(message).Cycle.Value))
	n := uint64(7) // its counter stands elsewhere
	for i := range d.Frames {
		f := d.Frames[i]
		frames = append(frames, f)
		if !w(&f) || f.Time < from {
			continue
		}
		f.Time += lag
		content(&f)
		if g != nil {
			if err := g.FillNth(n, &f); err != nil {
				panic("internal error: " + err.Error())
			}
		}
		n++
		if first == 0 {
			first = f.Time
		}
		frames = append(frames, f)
	}
	return sorted(frames), first
}

// talkOver is how many frames of a message TalkOn repeats: all of its pages.
const talkOver = 12

// TalkOn lets the messages of a node go on at their pace for a time after the end.
func (d *Drive) TalkOn(node string, length int64) (frames []can.Frame, first int64) {
	frames = slices.Clone(d.Frames)
	end := d.Frames[len(d.Frames)-1].Time + length
	for _, m := range d.Setting.Messages {
		w := d.Message(m.Name)
		own := slices.DeleteFunc(slices.Clone(d.Frames), func(f can.Frame) bool { return !w(&f) })
		if m.Sender != node || m.Cycle.Value == 0 || len(own) < talkOver {
			continue
		}
		again := own[len(own)-talkOver:]
		at := again[talkOver-1].Time + int64(m.Cycle.Value)
		for n := 0; at < end; n++ {
			f := again[n%talkOver]
			f.Time = at
			frames = append(frames, f)
			at += int64(m.Cycle.Value)
		}
		d.recount(frames, m.Name)
	}
	return sorted(frames), end - length
}

// Errors adds error frames of one bus at the stamps given.
func (d *Drive) Errors(bus string, at []int64) (frames []can.Frame, first int64) {
	index, _ := d.Buses.Intern([]byte(bus))
	frames = slices.Clone(d.Frames)
	for _, t := range at {
		frames = append(frames, errorFrame(index, t))
	}
	return sorted(frames), at[0]
}

// errorFrame is what a controller reports of a broken frame: a protocol violation
// and a bus error (linux/can/error.h: CAN_ERR_PROT 0x08, CAN_ERR_BUSERROR 0x80).
func errorFrame(bus uint16, t int64) can.Frame {
	f := can.Frame{Time: t, Bus: bus, ID: 0x088, Flags: can.Error}
	f.SetPayload(make([]byte, 8))
	return f
}

// Bursts returns stamps of n error frames, a millisecond apart, every interval.
func Bursts(from, to, interval int64, n int) (at []int64) {
	for t := from; t < to; t += interval {
		for i := range int64(n) {
			at = append(at, t+i*1e6)
		}
	}
	return at
}

// Scatter returns n stamps at random.
func Scatter(from, to int64, n int, r *rand.Rand) (at []int64) {
	for range n {
		at = append(at, from+r.Int64N(to-from))
	}
	slices.Sort(at)
	return at
}

// Flood adds frames of an identifier that nobody else has wherever the bus is
// free for a whole one, at most one in every interval. Stamps are taken for the
// ends of frames.
func (d *Drive) Flood(bus string, id uint32, from, to, interval int64) (frames []can.Frame, first int64) {
	index, _ := d.Buses.Intern([]byte(bus))
	f := can.Frame{Bus: index, ID: id}
	f.SetPayload([]byte{0x12, 0x34, 0x56, 0x78, 0x9A, 0xBC, 0xDE, 0xF0})
	long := d.onWire(&f)
	free, next := from, from
	fill := func(until int64) {
		for start := max(free, next); start+long <= until; start = max(free, next) {
			free, next = start+long, start+interval
			f.Time = free
			f.Data[7]++
			frames = append(frames, f)
		}
	}
	for i := range d.Frames {
		other := &d.Frames[i]
		if other.Bus == index && other.Time >= from && other.Time < to {
			fill(other.Time - d.onWire(other))
			free = other.Time
		}
	}
	fill(to)
	return sorted(append(frames, d.Frames...)), from
}

// onWire returns how long a frame takes at the bit rate of its bus, ns.
func (d *Drive) onWire(f *can.Frame) int64 {
	nominal, _ := f.WireBits()
	for _, b := range d.Setting.Buses {
		if b.Name == d.Buses.Name(f.Bus) {
			return int64(nominal) * 1e9 / b.Bitrate
		}
	}
	return 0
}

// Arbitrate lets each frame wait until its bus is free: frames that were added
// must not lie over others. Stamps are taken for the ends of frames.
func (d *Drive) Arbitrate() []can.Frame {
	frames := slices.Clone(d.Frames)
	free := map[uint16]int64{}
	for i := range frames {
		f := &frames[i]
		f.Time = max(f.Time, free[f.Bus]+d.onWire(f))
		free[f.Bus] = f.Time
	}
	return sorted(frames)
}
