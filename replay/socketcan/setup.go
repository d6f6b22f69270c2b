package socketcan

import (
	"errors"
	"slices"
	"syscall"
)

// Mode says whether a controller takes part in the bus.
type Mode int

// The modes.
const (
	ListenOnly Mode = iota // hears, never acknowledges
	Active                 // acknowledges, sends, and reports errors on the wire
)

// Reasons for which an interface is not set up.
var (
	ErrNoController = errors.New("it has no controller, so no bit rate")
	ErrNoListenOnly = errors.New("its driver has no listen-only mode")
)

// SetUp sets the bit rate (bit/s) and the mode of a controller and brings the
// interface up; one that is up with other settings goes down first, one that is
// up with these is left alone. It returns what the kernel says of it then: the
// driver may have rounded the bit rate. CAN FD's second bit rate is not set.
func SetUp(name string, bitrate int64, mode Mode) (Interface, error) {
	found, err := lookUp(name)
	if err != nil {
		return found, &Error{Op: "set up", Interface: name, Err: err}
	}
	if found.Virtual() {
		return found, &Error{Op: "set up", Interface: name, Err: ErrNoController}
	}
	if found.Up && found.Bitrate == bitrate && found.ListenOnly == (mode == ListenOnly) {
		return found, nil
	}
	if err = setUp(&found, bitrate, mode); err == nil {
		found, err = lookUp(name)
	}
	if errors.Is(err, syscall.EOPNOTSUPP) && mode == ListenOnly {
		err = ErrNoListenOnly
	}
	if err != nil {
		return found, &Error{Op: "set up", Interface: name, Err: err}
	}
	return found, nil
}

// lookUp returns what the kernel says of one interface.
func lookUp(name string) (Interface, error) {
	list, err := interfaces()
	if err != nil {
		return Interface{}, err
	}
	at := slices.IndexFunc(list, func(i Interface) bool { return i.Name == name })
	if at < 0 {
		return Interface{}, syscall.ENODEV
	}
	return list[at], nil
}
