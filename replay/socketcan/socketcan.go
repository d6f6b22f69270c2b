// Package socketcan is Linux's CAN: raw sockets that read frames, a sender that
// lets nothing through but what the gate's session does, what the kernel knows of
// its CAN interfaces, and a recorder. On other systems
// everything builds and returns ErrNeedsLinux.
package socketcan

import (
	"context"
	"errors"
	"fmt"

	"plugproof/decode/can"
)

// ErrNeedsLinux is the error of everything here on other systems.
var ErrNeedsLinux = errors.New("SocketCAN needs Linux")

// Error is a failed operation on an interface. Err is usually the system's
// error number: ENODEV when there is no such interface (any more), ENETDOWN
// when it is down, EPERM or ENXIO when it is no CAN interface.
type Error struct {
	Op        string // "open", "read", "send", "close"
	Interface string // "": all of them
	Err       error
}

func (e *Error) Error() string {
	if e.Interface == "" {
		return fmt.Sprintf("cannot %s: %v", e.Op, e.Err)
	}
	return fmt.Sprintf("cannot %s %s: %v", e.Op, e.Interface, e.Err)
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

func (c *Conn) fail(op string, err error) error {
	if err == nil {
		return nil
	}
	return &Error{Op: op, Interface: c.name, Err: err}
}

// Filter lets a frame pass when frame id & Mask == ID & Mask, where ids are the
// kernel's: identifier and the flag bits below (linux/can.h).
type Filter struct{ ID, Mask uint32 }

// The flag bits of a filter.
const (
	ExtendedBit = 0x80000000 // 29-bit identifier
	RemoteBit   = 0x40000000 // remote request
	InvertBit   = 0x20000000 // in ID: passes what does not match
)

// Config of Open. nil and the zero value receive every frame but error frames.
type Config struct {
	Filters     []Filter // empty: every frame; at most 512
	JoinFilters bool     // a frame must pass all filters instead of one
	SendOnly    bool     // receive nothing
	Errors      uint32   // classes of error frames to receive: can.MaxExtendedID for all
	ClassicOnly bool     // no FD frames
	OwnFrames   bool     // receive frames sent through this Conn, and count them as Confirmed
	NoLoopback  bool     // other sockets of this machine do not see frames sent here
	Buffer      int      // bytes of received frames that the kernel keeps for us; 0: its default
}

// Conn is a raw socket on one interface, or on all of them. It only listens:
// what sends is a Sender, which asks the gate.
type Conn struct {
	name string // "": all interfaces
	conn        // by system
}

// Open opens a socket on the named interface, which need not be up; "" is all
// CAN interfaces, whose frames then come in the order in which the kernel
// received them. Frames of a single interface have bus as their Frame.Bus.
func Open(name string, bus uint16, config *Config) (*Conn, error) {
	if config == nil {
		config = &Config{}
	}
	c := &Conn{name: name}
	if err := c.open(bus, config); err != nil {
		return nil, c.fail("open", err)
	}
	return c, nil
}

// Route says which bus the frames of an interface get on a Conn for all
// interfaces; frames of interfaces without a route are left out. It must not be
// called during Read.
func (c *Conn) Route(index int, bus uint16) { c.route(index, bus) }

// Read waits for frames and fills in as many as there are. Frame.Time is when the
// frame was received, in nanoseconds since the Unix epoch: by the adapter's own
// clock where its driver offers that, else by the kernel's. Frames have the flag
// can.Tx when this machine sent them, else can.Rx. It returns the cause of ctx
// when that ends first. After ENETDOWN it can be called again: frames come once
// the interface is up.
func (c *Conn) Read(ctx context.Context, frames []can.Frame) (int, error) {
	n, err := c.read(ctx, frames)
	return n, c.fail("read", err)
}

// Confirmed counts frames sent through this Conn that came back from the driver.
// They were on the wire only where the interface reports echo.
func (c *Conn) Confirmed() uint64 { return c.confirmed.Load() }

// Lost counts received frames that the kernel had to throw away because they
// were not read in time.
func (c *Conn) Lost() uint64 { return c.lost() }

// Close ends the socket; a Read that waits returns with an error.
func (c *Conn) Close() error { return c.fail("close", c.close()) }
