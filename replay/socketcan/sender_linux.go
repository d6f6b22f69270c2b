package socketcan

import (
	"context"
	"time"

	"golang.org/x/sys/unix"

	"plugproof/decode/can"
	"plugproof/replay/gate"
)

// drain reads everything that came on any of the interfaces and tells the
// session. It waits for nothing and allocates nothing.
func (s *Sender) drain() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for bus, c := range s.socks {
		if err := s.drainOne(bus, c); err != nil {
			return err
		}
	}
	return s.stopped()
}

func (s *Sender) drainOne(bus int, c *Conn) error {
	err := s.takeIn(bus, c)
	if err == unix.ENETDOWN || err == unix.ENODEV {
		s.session.Halt(bus, gate.Refusal{Rule: "stop/interface", Reason: c.name + " went down or away"})
		return nil
	}
	return c.fail("read", err)
}

// settle reads what came while an interface was set down and up again, and the
// error that this leaves on its socket.
func (s *Sender) settle(bus int) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.socks[bus]
	err := s.takeIn(bus, c)
	for err == unix.ENETDOWN {
		err = s.takeIn(bus, c)
	}
	return c.fail("read", err)
}

// takeIn gives the session all that a socket holds, or returns its error as it is.
// s.mu is held.
func (s *Sender) takeIn(bus int, c *Conn) error {
	c.limit = batch
	for {
		if err := c.raw.Control(c.readNow); err != nil {
			return err
		}
		switch c.readErr {
		case nil:
		case unix.EAGAIN:
			return nil
		default:
			return c.readErr
		}
		for i := range c.got {
			s.tell(bus, c, i)
		}
		if c.got < batch {
			return nil
		}
	}
}

// tell gives the session one received message.
func (s *Sender) tell(bus int, c *Conn, i int) {
	m := c.in.message(i)
	if m.dropped > 0 {
		c.noteDropped(m.dropped)
	}
	if m.dropped > 0 && s.session.Physical() {
		s.session.Halt(bus, gate.Refusal{Rule: "stop/unread", Reason: "frames on " + c.name + " were lost before they were read"})
	}
	if !parse(&s.frame, m.packet) {
		return
	}
	s.frame.Bus, s.frame.Time = uint16(bus), m.time
	own := m.confirm && !s.frame.Is(can.Error)
	s.session.Heard(bus, &s.frame, own, s.clock())
	if s.heard != nil && !own {
		s.heard(bus, &s.frame)
	}
}

// wait returns when there is something to read, or after some time.
func (s *Sender) wait(ctx context.Context, length time.Duration) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	var list [maxInterfaces]unix.PollFd
	for i, c := range s.socks {
		list[i] = unix.PollFd{Fd: int32(c.fd), Events: unix.POLLIN}
	}
	timeout := unix.NsecToTimespec(int64(max(length, 0)))
	_, err := unix.Ppoll(list[:len(s.socks)], &timeout, nil)
	if err != nil && err != unix.EINTR {
		return &Error{Op: "read", Err: err}
	}
	return nil
}

// lock keeps others of this tool from sending on an interface. It is a name among
// the abstract sockets (unix(7)), which like interfaces belong to a network
// namespace; the kernel frees it when we end, however we end.
type lock int

func lockInterface(name string) (lock, error) {
	fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return 0, err
	}
	err = unix.Bind(fd, &unix.SockaddrUnix{Name: "@plugproof/sends/" + name})
	if err == nil {
		return lock(fd), nil
	}
	unix.Close(fd)
	if err == unix.EADDRINUSE {
		err = ErrBusy
	}
	return 0, err
}

func (l lock) release() { unix.Close(int(l)) }
