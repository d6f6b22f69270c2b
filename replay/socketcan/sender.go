package socketcan

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"plugproof/decode/can"
	"plugproof/replay/gate"
)

// Sender sends on one or several interfaces what a session of the gate lets
// through, and nothing else: it is the only way here to put a frame on a bus. All
// its sockets are read until they are empty before every frame, so that none is
// handed to the kernel after the reading that shows a cause to stop.
//
// Its errors are *Error, whose cause is a *gate.Refusal where the gate stopped
// it. Send is called by one goroutine; Key and Note may be by others.
type Sender struct {
	mu      sync.Mutex // guards session
	session *gate.Session
	clock   func() time.Duration
	socks   []*Conn
	locks   []lock
	frame   can.Frame    // of drain
	bus     int          // of Send
	between func() error // again, made once: a method value for every frame would be allocated
	heard   func(bus int, f *can.Frame)

	modes sync.Mutex // held while interfaces are down on purpose
	notes []string   // why interfaces are listened to as they were found
}

// SenderConfig of OpenSender.
type SenderConfig struct {
	Session *gate.Session // names the interfaces
	// Clock is one steady clock, the same that whoever else talks to the session
	// reads.
	Clock func() time.Duration
	// Heard is told of every frame that is read and not our own, error frames
	// included, by the goroutine that sends: it must not wait. nil: nobody.
	Heard func(bus int, f *can.Frame)
}

// ErrBusy is the cause when another sender of this tool has the interface.
var ErrBusy = errors.New("another plugproof is sending there")

const (
	maxInterfaces      = 16
	noLock        lock = -1
)

// OpenSender opens a socket on each interface and keeps other senders of this
// tool away from it until Close. Interfaces that the session wants to listen to in
// listen-only mode are in it then, where that may be; Advance and Close put them
// back.
func OpenSender(config SenderConfig) (*Sender, error) {
	return openSender(config, lockInterface)
}

// OpenVirtual opens a sender on a virtual interface, beside others that may be
// there: for simulated units in tests and trials. Any other interface is refused.
func OpenVirtual(name string, clock func() time.Duration) (*Sender, error) {
	facts, err := Facts([]string{name})
	if err != nil {
		return nil, err
	}
	session, refusals := gate.Judge(&gate.Plan{Buses: []gate.Bus{{Interface: facts[0]}}}, gate.Policy{})
	if session == nil {
		return nil, &Error{Op: "send on", Interface: name, Err: &refusals[0]}
	}
	free := func(string) (lock, error) { return noLock, nil }
	return openSender(SenderConfig{Session: session, Clock: clock}, free)
}

func openSender(config SenderConfig, take func(name string) (lock, error)) (*Sender, error) {
	names := config.Session.Interfaces()
	if len(names) == 0 || len(names) > maxInterfaces {
		return nil, &Error{Op: "send", Err: fmt.Errorf("the gate opened %d interfaces: at least 1 and at most %d", len(names), maxInterfaces)}
	}
	facts, err := Facts(names)
	if err != nil {
		return nil, err
	}
	for i := range facts {
		if why := config.Session.Contradicts(i, &facts[i]); why != "" {
			return nil, &Error{Op: "send on", Interface: names[i], Err: errors.New("it was taken for a virtual one, but " + why)}
		}
	}
	s := &Sender{session: config.Session, clock: config.Clock, heard: config.Heard}
	s.between = s.again
	for i, name := range names {
		l, err := take(name)
		if err != nil {
			s.Close()
			return nil, &Error{Op: "send on", Interface: name, Err: err}
		}
		s.locks = append(s.locks, l)
		c, err := Open(name, uint16(i), &Config{Errors: can.MaxExtendedID, OwnFrames: true, Buffer: recordBuffer})
		if err != nil {
			s.Close()
			return nil, err
		}
		s.socks = append(s.socks, c)
	}
	if config.Session.Physical() {
		s.hush()
	}
	return s, nil
}

// Key tells the session that the dead-man key was seen.
func (s *Sender) Key() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.session.Key(s.clock())
}

// Note gives the session what look says of its interfaces now. It does not look
// while they are down on purpose.
func (s *Sender) Note(look func() ([]gate.Interface, error)) {
	s.modes.Lock()
	defer s.modes.Unlock()
	facts, err := look()
	if err != nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range facts {
		s.session.Note(i, &facts[i])
	}
}

// Slept tells the session for how long the machine was suspended since sending
// began.
func (s *Sender) Slept(length time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.session.Slept(length)
}

// Finish lets the session's last frames follow, though it ends before its time.
func (s *Sender) Finish() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.session.Finish()
}

// Phase returns how far the session has come.
func (s *Sender) Phase() gate.Phase {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.session.Phase()
}

// ListenFor returns how long the session's present phase lasts at least.
func (s *Sender) ListenFor() time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.session.ListenFor()
}

// Stopped returns the error for which the session was stopped, nil while it is
// not. It looks at the key, too, so that a wait between frames can be broken off.
func (s *Sender) Stopped() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.session.Advance(s.clock())
	return s.stopped()
}

func (s *Sender) stopped() error {
	r := s.session.Stopped()
	if r == nil {
		return nil
	}
	return &Error{Op: "send on", Interface: r.Bus, Err: r}
}

// Send sends a frame on a bus. It waits for room in the queue, and on a physical
// interface for the frame before to be confirmed.
func (s *Sender) Send(ctx context.Context, bus int, f *can.Frame) error {
	if bus < 0 || bus >= len(s.socks) {
		return &Error{Op: "send", Err: fmt.Errorf("there is no bus %d", bus)}
	}
	c := s.socks[bus]
	if err := f.Valid(); err != nil {
		return c.fail("send", err)
	}
	if err := s.ready(ctx, bus); err != nil {
		return err
	}
	if r := s.may(bus, f); r != nil {
		return c.fail("send on", r)
	}
	s.bus = bus
	return c.send(ctx, f, s.between)
}

// again comes before every further try of a frame for which there was no room.
func (s *Sender) again() error {
	if err := s.drain(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.session.Stuck(s.bus, s.clock())
	return s.stopped()
}

func (s *Sender) may(bus int, f *can.Frame) *gate.Refusal {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.session.May(bus, f, s.clock())
}

// ready reads what is there, and waits while a frame on the bus is on its way.
func (s *Sender) ready(ctx context.Context, bus int) error {
	for {
		if err := s.drain(); err != nil {
			return err
		}
		s.mu.Lock()
		pending := s.session.Pending(bus, s.clock())
		err := s.stopped()
		s.mu.Unlock()
		if err != nil || !pending {
			return err
		}
		if err := s.wait(ctx, confirmSlice); err != nil {
			return err
		}
	}
}

// confirmSlice is how long to wait at most before the session is asked again
// whether a frame took too long.
const confirmSlice = 5 * time.Millisecond

// Flush waits until every frame that was sent is confirmed.
func (s *Sender) Flush(ctx context.Context) error {
	for i := range s.socks {
		if err := s.ready(ctx, i); err != nil {
			return err
		}
	}
	return nil
}

// Listen reads for some time, while nothing is sent.
func (s *Sender) Listen(ctx context.Context, length time.Duration) error {
	for end := s.clock() + length; s.clock() < end; {
		if err := s.drain(); err != nil {
			return err
		}
		if err := s.wait(ctx, min(confirmSlice, end-s.clock())); err != nil {
			return err
		}
	}
	return s.drain()
}

// Advance asks the session for its phase now. Interfaces in listen-only mode are
// put back when the session wants to listen without it.
func (s *Sender) Advance() gate.Phase {
	s.mu.Lock()
	phase := s.session.Advance(s.clock())
	s.mu.Unlock()
	if phase != gate.Listening || len(s.Quiet()) == 0 {
		return phase
	}
	s.wake()
	return s.Phase()
}

// Close ends the session, puts interfaces back to how they were found and closes
// the sockets.
func (s *Sender) Close() error {
	first := s.putBack()
	for _, c := range s.socks {
		if err := c.Close(); first == nil {
			first = err
		}
	}
	for _, l := range s.locks {
		if l != noLock {
			l.release()
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.session.Close()
	return first
}
