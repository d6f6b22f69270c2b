package socketcan

import (
	"errors"
	"fmt"
	"slices"
	"syscall"

	"plugproof/replay/gate"
)

// hush sets interfaces into listen-only mode where the session wants that. Where it
// may not be, they are listened to as they were found, and a note says why.
func (s *Sender) hush() {
	s.modes.Lock()
	defer s.modes.Unlock()
	for bus, c := range s.socks {
		why := s.session.AsFound(bus)
		if why == "" {
			why = whyNot(c.name, s.setMode(bus, true))
		}
		if why != "" {
			s.notes = append(s.notes, c.name+" stays in the mode that it was found in while it is listened to: "+why)
		}
	}
}

// whyNot says why an interface is not in listen-only mode; "" when it is.
func whyNot(name string, err error) string {
	switch {
	case err == nil:
		return ""
	case errors.Is(err, ErrNoListenOnly):
		return "the adapter of " + name + " has no listen-only mode"
	case errors.Is(err, ErrNoController):
		return name + " has no controller"
	case errors.Is(err, syscall.EPERM):
		return "setting it needs root's rights"
	}
	return err.Error()
}

// setMode sets an interface down and up again, into or out of listen-only mode, and
// tells the session. What is heard until then counts as heard in listen-only mode.
func (s *Sender) setMode(bus int, quiet bool) error {
	c := s.socks[bus]
	failed := c.setListenOnly(quiet)
	if err := s.settle(bus); err != nil {
		return err
	}
	facts, err := Facts([]string{c.name})
	if err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case failed != nil && facts[0].Up: // as it was
		return failed
	case failed != nil:
	case quiet:
		s.session.Hush(bus)
	default:
		s.session.Wake(bus, s.clock())
	}
	s.session.Note(bus, &facts[0])
	return failed
}

// wake puts interfaces back to how they were found, because the session has
// listened long enough. Where that fails it ends.
func (s *Sender) wake() {
	s.modes.Lock()
	defer s.modes.Unlock()
	for bus, c := range s.socks {
		if !s.session.Quiet(bus) {
			continue
		}
		if err := s.setMode(bus, false); err != nil {
			s.mu.Lock()
			s.session.Halt(bus, gate.Refusal{
				Rule: "stop/interface", Reason: fmt.Sprintf("%s could not be set back from listen-only mode: %v", c.name, err), Try: upAgain(c.name),
			})
			s.mu.Unlock()
		}
	}
}

// putBack puts interfaces back to how they were found at the end, however it came.
// One that is gone needs nothing.
func (s *Sender) putBack() (first error) {
	s.modes.Lock()
	defer s.modes.Unlock()
	for bus, c := range s.socks {
		if !s.session.Quiet(bus) {
			continue
		}
		if err := c.setListenOnly(false); err != nil && !errors.Is(err, syscall.ENODEV) && first == nil {
			first = &Error{Op: "set back from listen-only mode", Interface: c.name, Err: fmt.Errorf("%w: %s", err, upAgain(c.name))}
		}
	}
	return first
}

// upAgain is what a person does by hand.
func upAgain(name string) string {
	return fmt.Sprintf("ip link set %s down; ip link set %[1]s type can listen-only off; ip link set %[1]s up", name)
}

// Quiet returns the names of interfaces that are in listen-only mode for now.
func (s *Sender) Quiet() (names []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for bus, c := range s.socks {
		if s.session.Quiet(bus) {
			names = append(names, c.name)
		}
	}
	return names
}

// Notes says which interfaces are listened to in the mode that they were found in,
// and why.
func (s *Sender) Notes() []string { return slices.Clone(s.notes) }
