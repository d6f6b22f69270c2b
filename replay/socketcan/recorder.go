package socketcan

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"syscall"
	"time"

	"plugproof/decode/can"
)

// ErrActive refuses to record from an interface that acknowledges frames.
var ErrActive = errors.New("the interface is up in active mode: it acknowledges every frame and disturbs the bus " +
	"if its bit rate is wrong")

const (
	recordBuffer = 8 << 20     // bytes: several seconds of a full bus
	readAtOnce   = 256         // frames
	syncEvery    = time.Second // what a power cut costs at most
)

// Sink takes what is recorded. Sync makes it safe.
type Sink interface {
	Write(frames []can.Frame) error
	Sync() error
}

// Recording is what to record. Nothing is sent, ever.
type Recording struct {
	Interfaces []string
	Buses      *can.Buses        // takes the names and bit rates; Frame.Bus points into it
	Bench      bool              // the user states that no car is on these interfaces: active mode is allowed
	Note       func(text string) // told of interfaces that go away or come back; nil: nobody
}

// Recorded says how much it was.
type Recorded struct {
	Frames, ErrorFrames uint64
	Lost                uint64 // by the kernel, because they were not read in time
}

// Record writes every frame and error frame of the interfaces to sink, in the
// order in which the kernel received them, until ctx ends; it then returns nil.
// An interface may go down, vanish and come back meanwhile; one that comes back
// in active mode ends it with ErrActive. Errors of sink come back unchanged.
func Record(ctx context.Context, what Recording, sink Sink) (Recorded, error) {
	r := recorder{Recording: what, sink: sink, frames: make([]can.Frame, readAtOnce), state: map[string]string{}}
	var err error
	if r.conn, err = Open("", 0, &Config{Errors: can.MaxExtendedID, Buffer: recordBuffer}); err != nil {
		return r.done, err
	}
	defer r.conn.Close()
	if err := r.look(true); err != nil {
		return r.done, err
	}
	for ctx.Err() == nil && err == nil {
		err = r.read(ctx, syncEvery)
		if err == nil {
			err = r.look(false)
		}
	}
	if err == nil { // what the kernel still holds
		const rest = 20 * time.Millisecond
		err = r.read(context.WithoutCancel(ctx), rest)
	}
	r.done.Lost = r.conn.Lost()
	return r.done, err
}

type recorder struct {
	Recording
	conn   *Conn
	sink   Sink
	frames []can.Frame
	state  map[string]string // of each interface, as it was told last
	done   Recorded
}

// read writes what comes within some time, then makes it safe.
func (r *recorder) read(ctx context.Context, length time.Duration) error {
	timed, cancel := context.WithTimeout(ctx, length)
	defer cancel()
	for {
		n, err := r.conn.Read(timed, r.frames)
		if timed.Err() != nil && n == 0 {
			return r.sink.Sync()
		}
		if err != nil && !errors.Is(err, syscall.ENETDOWN) {
			return err
		}
		for i := range r.frames[:n] {
			if r.frames[i].Is(can.Error) {
				r.done.ErrorFrames++
			}
		}
		r.done.Frames += uint64(n)
		if err := r.sink.Write(r.frames[:n]); err != nil {
			return err
		}
	}
}

// look finds the interfaces, which may have come back under another index, and
// refuses those that would disturb a car.
func (r *recorder) look(first bool) error {
	list, err := Interfaces()
	if err != nil {
		return err
	}
	for _, name := range r.Interfaces {
		at := slices.IndexFunc(list, func(i Interface) bool { return i.Name == name })
		if at < 0 {
			if first {
				return &Error{Op: "record from", Interface: name, Err: syscall.ENODEV}
			}
			r.tell(name, "gone", first)
			continue
		}
		found := &list[at]
		if err := found.MayRecord(r.Bench); err != nil {
			return err
		}
		bus, ok := r.Buses.Intern([]byte(name))
		if !ok {
			return &Error{Op: "record from", Interface: name, Err: errors.New("too many buses")}
		}
		r.Buses.SetBitrates(bus, found.Bitrate, found.DataBitrate)
		if r.conn != nil {
			r.conn.Route(found.Index, bus)
		}
		if found.Up {
			r.tell(name, "up", first)
		} else {
			r.tell(name, "down", first)
		}
	}
	return nil
}

// Ready reports why the interfaces cannot be recorded from, or nil.
func Ready(names []string, bench bool) error {
	r := recorder{Recording: Recording{Interfaces: names, Bench: bench, Buses: &can.Buses{}}, state: map[string]string{}}
	return r.look(true)
}

// tell notes a state that is not the one told before; that it is up at first
// goes without saying.
func (r *recorder) tell(name, state string, first bool) {
	if r.state[name] == state {
		return
	}
	r.state[name] = state
	if r.Note != nil && !(first && state == "up") {
		r.Note(fmt.Sprintf("%s is %s", name, state))
	}
}

// MayRecord refuses an interface whose controller takes part in the bus, unless
// a bench is stated. A virtual one has no controller, and one that is down has
// no part in anything.
func (i *Interface) MayRecord(bench bool) error {
	if i.Virtual() || !i.Up || i.ListenOnly || bench {
		return nil
	}
	return &Error{Op: "record from", Interface: i.Name, Err: ErrActive}
}
