// Package gate decides what may be sent on which CAN interface. It is data and
// pure functions: facts about interfaces, a plan and the operator's statements
// go in; a Session or the reasons against it come out. Time enters as an
// argument and nothing here opens a socket, so every refusal has a table row in
// the tests.
//
// Judge looks at a plan before anything happens. The Session that it returns
// then follows what is heard and decides frame by frame:
//
//	session, refusals := gate.Judge(&plan, policy)
//	...
//	if stop := session.May(bus, &frame, now); stop != nil { ... }
//
// A virtual interface is open. Everything else is physical, and denied until all
// conditions hold. The sockets that send (replay/socketcan) ask the session they
// were opened with before every frame; there is no other way to the wire.
package gate

import (
	"fmt"
	"time"

	"plugproof/decode/can"
)

// ID is an identifier; 29-bit ones have bit 31 set.
type ID uint32

const extendedBit = 1 << 31

// NewID returns an identifier by its value and length.
func NewID(value uint32, extended bool) ID {
	if extended {
		value |= extendedBit
	}
	return ID(value)
}

// IDOf returns the identifier of a frame.
func IDOf(f *can.Frame) ID { return NewID(f.ID, f.Is(can.Extended)) }

// String writes 11 bits with three digits and 29 bits with eight.
func (id ID) String() string {
	if id&extendedBit != 0 {
		return fmt.Sprintf("0x%08X", uint32(id&^extendedBit))
	}
	return fmt.Sprintf("0x%03X", uint32(id))
}

// Interface is what is known of a CAN interface.
type Interface struct {
	Name       string
	Missing    bool   // there is none of that name
	Kind       string // as the kernel names it: vcan, vxcan, can; "" where it does not
	Up         bool
	Echo       bool // confirms a sent frame only once it was on the wire
	FD         bool // takes FD frames
	ListenOnly bool
	Passive    bool // error-passive
	BusOff     bool

	NoListenOnly bool // the kernel says that its adapter has no such mode

	Bitrate, DataBitrate int64 // bit/s; 0: not known

	// PeerElsewhere says of a vxcan that its other end is not among the
	// interfaces seen here.
	PeerElsewhere bool
	// LeadsTo names interfaces that the kernel carries its frames on to: routes
	// of the CAN gateway, redirections of the traffic control.
	LeadsTo []string
}

// Physical returns why frames sent on the interface may reach a wire; "" when
// they cannot.
func (i *Interface) Physical() string {
	switch {
	case i.Kind != "vcan" && i.Kind != "vxcan":
		return fmt.Sprintf("%s is not a virtual interface", i.Name)
	case i.PeerElsewhere:
		return fmt.Sprintf("the other end of %s is not on this system", i.Name)
	case len(i.LeadsTo) > 0:
		return fmt.Sprintf("the kernel carries the frames of %s on to %s", i.Name, i.LeadsTo[0])
	}
	return ""
}

// AsFound returns why the interface is listened to in the mode that it is found
// in; "" when it is to be in listen-only mode meanwhile.
func (i *Interface) AsFound() string {
	switch {
	case i.Physical() == "":
		return i.Name + " is virtual"
	case i.Kind != "can":
		return i.Name + " has no controller"
	case i.NoListenOnly:
		return "the adapter of " + i.Name + " has no listen-only mode"
	}
	return ""
}

// Plan is all that is to be sent.
type Plan struct {
	Buses    []Bus
	Messages []Message
	Length   time.Duration // from the first frame to the last; what was looked at of an endless plan
	Endless  bool
	Profile  string // name of the setting that gives meaning; "": none
}

// Bus is what is to be sent on one interface.
type Bus struct {
	Interface Interface
	Bitrate   int64 // bit/s to reckon with where the interface has none; 0: not known

	Frames   uint64
	FD       bool          // FD frames are among them
	PeakLoad float64       // share of the bus that the busiest second takes, 0 to 1 and more; 0: no bit rate known
	PeakRate int           // frames of the busiest second
	Backlog  time.Duration // how late the latest frame would leave with one frame in flight and Turnaround after each
	WorstAt  time.Duration // where that is
}

// Message is one identifier of a plan.
type Message struct {
	Bus       int
	ID        ID
	Frames    uint64
	Remote    bool // remote requests are among them
	First     time.Duration
	Cycle     time.Duration // usual distance between its frames; 0: only one
	Name      string        // "": of unknown meaning
	Sender    string        // node
	Listeners []string      // nodes
	Words     []string      // what its definition says of it: names of its signals
	Listed    bool          // the profile's list lets it be sent
	Never     string        // why the profile never lets it be sent; ""
	Request   byte          // diagnostic service that its payload looks like; 0: none
}

// Node is a unit of the profile.
type Node struct {
	Name  string
	Bench bool // the profile lets it be fed alone on a bench
	Sends []ID // on the buses of the plan
}

// Policy is what the operator states and what the profile knows of units.
type Policy struct {
	OnBench string // the one listener on the bench; "": not stated
	DeadMan bool   // a dead-man key is held
	Nodes   []Node
	MaxLoad float64 // share of the bus, 0 to 1; 0: DefaultMaxLoad
}

// What the gate goes by where nobody says otherwise.
const (
	DefaultMaxLoad = 0.7                    // common practice for a bus with several senders
	MaxBacklog     = 20 * time.Millisecond  // of one frame in flight
	Turnaround     = 150 * time.Microsecond // from the end of a frame to its confirmation and the next frame
	ListenTime     = 10 * time.Second       // at least, and ListenCycles cycles of the slowest message
	ListenCycles   = 10
	FirstTime      = 2 * time.Second        // the first identifier alone, and listening after it
	KeyTime        = 500 * time.Millisecond // a dead-man key is released when it was not seen for so long
	DrainTime      = 250 * time.Millisecond // a frame that is not confirmed by then never will be
)

func (p *Policy) maxLoad() float64 {
	if p.MaxLoad == 0 {
		return DefaultMaxLoad
	}
	return p.MaxLoad
}

func (p *Policy) node(name string) *Node {
	for i := range p.Nodes {
		if p.Nodes[i].Name == name {
			return &p.Nodes[i]
		}
	}
	return nil
}

// Refusal is one reason not to send. As an error it is what ended sending.
type Refusal struct {
	Rule   string // which rule, in words: "never/diagnostics"
	Bus    string // interface; "": all
	ID     ID     // where HasID
	HasID  bool
	Reason string
	Try    string // what to do about it; ""
}

// Error gives rule and reason.
func (r *Refusal) Error() string { return "not sent: " + r.Reason + " (" + r.Rule + ")" }
