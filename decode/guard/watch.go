package guard

import "plugproof/decode/can"

const (
	// maxLost bounds the frames that a pause may have lost for its counter to be
	// judged: with more, an error of 2 % in the cycle time is half a step.
	maxLost = 25
	// runMemory is for how many frames of a message a run that has stopped is
	// remembered.
	runMemory = 16
)

// Watch verifies the frames of one message on one bus in the order of time,
// with the memory that slow toggle bits and second senders call for.
//
// Frames whose counters follow one another are a run. A frame that follows
// neither of the last two runs is a wrong step and begins a run of its own; two
// runs that go on side by side are two senders.
type Watch struct {
	Lost uint64 // frames that the counters say are missing; beside a second sender too few

	guard   *Guard
	cycle   int64 // nanoseconds
	frames  uint64
	runs    [2]run
	current int // the run that the last frame belonged to
}

// run is what is remembered of a run.
type run struct {
	last   can.Frame
	at     uint64 // Watch.frames of last
	length int    // frames, counted up to 2; 0: there is no run
	flips  []flips
}

// Watch starts to watch a message whose frames come every cycle nanoseconds; 0
// where the cycle is not known or there is none: then a single lost frame is a
// wrong step.
func (g *Guard) Watch(cycle int64) *Watch {
	w := &Watch{guard: g, cycle: cycle}
	for i := range w.runs {
		w.runs[i].flips = make([]flips, len(g.toggles))
	}
	return w
}

// Add returns the faults of the next frame. What Verify finds of counters and
// toggle bits against the last frame it finds against the run that the frame
// belongs to. A frame that is too short or has a counter value that is never
// sent belongs to none.
func (w *Watch) Add(f *can.Frame) Faults {
	w.frames++
	faults := w.guard.content(f)
	if faults&Short != 0 {
		return faults
	}
	if begins := w.guard.begins(f); begins != 0 {
		return faults | begins
	}
	now := w.follow(f)
	r := &w.runs[now.run]
	if now.begins {
		r.length = 0
		clear(r.flips)
	}
	for i := range r.flips {
		t := &w.guard.toggles[i]
		faults |= r.flips[i].add(t.at.read(f.Payload()), t.every, now.steps)
	}
	r.last.Assign(f)
	r.at, r.length = w.frames, min(r.length+1, 2)
	w.current = now.run
	w.Lost += uint64(now.lost)
	return faults | now.faults
}

// match is how a frame fits to a run.
type match struct {
	run    int
	steps  int // cycles since the run's last frame; 0: too long ago to count them
	lost   int // frames missing in between
	faults Faults
	begins bool // it fits to none and begins this one anew
}

// follow finds the run that a frame belongs to.
func (w *Watch) follow(f *can.Frame) match {
	cur, other := w.match(w.current, f), match{run: 1 - w.current}
	if w.runs[cur.run].length == 0 || len(w.guard.counters) == 0 {
		return cur
	}
	remembered := w.runs[other.run].length != 0 && w.frames-w.runs[other.run].at <= runMemory
	if remembered {
		other = w.match(other.run, f)
	}
	switch {
	case remembered && other.faults == 0 && (cur.faults != 0 || w.nearer(other.run, cur.run, f)):
		if w.runs[0].length == 2 && w.runs[1].length == 2 {
			other.faults = SecondSender
		}
		return other
	case cur.faults == 0 || cur.faults == FrozenCounter && !w.early(cur.run, f):
		return cur
	}
	// A new run; it takes the place of the other one or of a single odd frame.
	begin := match{run: cur.run, faults: cur.faults, begins: true}
	if !remembered || w.runs[cur.run].length == 2 {
		begin.run = other.run
	}
	return begin
}

// early reports whether a frame comes so soon after the last one of a run that
// it is hardly the same sender's: a repeated value is then no frozen counter.
func (w *Watch) early(run int, f *can.Frame) bool {
	return 4*(f.Time-w.runs[run].last.Time) < 3*w.cycle
}

// match judges a frame as the next one of a run.
func (w *Watch) match(run int, f *can.Frame) match {
	m := match{run: run, steps: 1}
	r := &w.runs[run]
	if gap := f.Time - r.last.Time; w.cycle > 0 && gap > 0 {
		m.steps = int(max(1, (gap+w.cycle/2)/w.cycle))
	}
	if r.length == 0 || m.steps > maxLost {
		m.steps = 0
		return m
	}
	m.faults = w.guard.follows(&r.last, f, m.steps)
	if m.steps > 1 && m.faults == 0 && w.guard.follows(&r.last, f, 1) != 0 {
		// Frames that came meanwhile and belong to no run were not lost.
		m.lost = max(0, m.steps-1-int(w.frames-r.at-1))
	}
	return m
}

// nearer reports whether a frame's distance in time from the last one of run a is
// nearer to the cycle than that from run b.
func (w *Watch) nearer(a, b int, f *can.Frame) bool {
	off := func(run int) int64 {
		d := f.Time - w.runs[run].last.Time - w.cycle
		return max(d, -d)
	}
	return w.cycle > 0 && off(a) < off(b)
}

// flips is what is remembered of a toggle bit.
type flips struct {
	bit    uint64
	frames uint64 // with this bit, as far as seen
	exact  bool   // the flip to this bit was seen, so frames is all of them
}

// add judges the bit in the next frame, which came after so many steps.
func (s *flips) add(bit, every uint64, steps int) Faults {
	switch {
	case steps != 1 || s.frames == 0:
		*s = flips{bit: bit, frames: 1} // what happened in between is not known
	case bit != s.bit:
		wrong := s.exact && s.frames != every
		*s = flips{bit: bit, frames: 1, exact: true}
		if wrong {
			return WrongToggle
		}
	default:
		if s.frames++; s.frames > every {
			s.exact = false // one fault is enough: do not count the late flip as well
			return WrongToggle
		}
	}
	return 0
}
