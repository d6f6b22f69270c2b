package socketcan

import (
	"fmt"
	"slices"

	"plugproof/replay/gate"
)

// State of a controller, in the kernel's order (linux/can/netlink.h).
type State int

// The states.
const (
	ErrorActive State = iota
	ErrorWarning
	ErrorPassive
	BusOff
	Stopped
	Sleeping
	NoState // a virtual interface has no controller
)

// String names the state.
func (s State) String() string {
	names := [...]string{"error-active", "error-warning", "error-passive", "bus-off", "stopped", "sleeping", "none"}
	if s < 0 || int(s) >= len(names) {
		return fmt.Sprintf("state %d", int(s))
	}
	return names[s]
}

// Interface is what the kernel says of a CAN interface.
type Interface struct {
	Name  string
	Index int
	Kind  string // vcan, vxcan, can for a controller; "" where the kernel does not say
	Up    bool
	Echo  bool // sent frames come back only once they were on the wire
	FD    bool // takes FD frames
	Queue int  // frames that wait for the wire at most

	Peer          int      // index of a vxcan's other end; 0: none
	PeerElsewhere bool     // the other end is in another network namespace
	LeadsTo       []string // where the kernel carries its frames on to by itself

	Bitrate, DataBitrate int64 // bit/s; 0: none
	State                State
	ListenOnly           bool
	NoListenOnly         bool // the driver has no such mode; kernels before 5.17 do not say
	TxErrors, RxErrors   int  // the controller's error counters

	Received, Sent, Dropped uint64 // frames since it exists

	// Events since it exists.
	BusErrors, Warnings, Passives, BusOffs, LostArbitration, Restarts uint32
}

// Virtual reports whether frames on it reach no wire by themselves. What the
// kernel carries elsewhere is for the gate to judge.
func (i *Interface) Virtual() bool { return i.Kind == "vcan" || i.Kind == "vxcan" }

// Interfaces lists the CAN interfaces of the machine, ordered by index.
func Interfaces() ([]Interface, error) {
	list, err := interfaces()
	if err != nil {
		return nil, &Error{Op: "list the interfaces", Err: err}
	}
	return list, nil
}

// Facts returns what the gate wants to know of the named interfaces.
func Facts(names []string) ([]gate.Interface, error) {
	list, err := Interfaces()
	if err != nil {
		return nil, err
	}
	facts := make([]gate.Interface, 0, len(names))
	for _, name := range names {
		at := slices.IndexFunc(list, func(i Interface) bool { return i.Name == name })
		if at < 0 {
			facts = append(facts, gate.Interface{Name: name, Missing: true})
			continue
		}
		i := &list[at]
		facts = append(facts, gate.Interface{
			Name: name, Kind: i.Kind, Up: i.Up, Echo: i.Echo, FD: i.FD,
			ListenOnly: i.ListenOnly, NoListenOnly: i.NoListenOnly,
			Passive: i.State == ErrorPassive, BusOff: i.State == BusOff,
			Bitrate: i.Bitrate, DataBitrate: i.DataBitrate, PeerElsewhere: i.PeerElsewhere, LeadsTo: i.LeadsTo,
		})
	}
	return facts, nil
}

// shortQueue is the kernel's default, which a few milliseconds of traffic fill.
const shortQueue = 10

// Hints says what is wrong with an interface and what to try, worst first;
// empty when nothing is.
func (i *Interface) Hints() []string {
	var hints []string
	add := func(wrong bool, format string, args ...any) {
		if wrong {
			hints = append(hints, fmt.Sprintf(format, args...))
		}
	}
	physical := !i.Virtual()
	add(!i.Up && physical, "down: ip link set %s up type can bitrate 500000 listen-only on (with the bus's bit rate)", i.Name)
	add(!i.Up && !physical, "down: ip link set %s up", i.Name)
	add(i.Up && i.State == BusOff,
		"bus-off: the controller took itself off the bus; check the bit rate and the wiring, then set it down and up")
	add(i.Up && i.State == ErrorPassive,
		"error-passive: nobody acknowledges, or the bit rate or the termination (60 ohm between CANH and CANL) is wrong")
	add(i.Up && i.State == ErrorWarning, "error-warning: frames go wrong on the bus; check bit rate, wiring and termination")
	add(physical && i.Queue > 0 && i.Queue <= shortQueue,
		"a queue of %d frames is soon full when sending: ip link set %s txqueuelen 1000", i.Queue, i.Name)
	return hints
}
