package socketcan

import (
	"context"
	"errors"
	"net"
	"os"
	"sync/atomic"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"plugproof/decode/can"
)

type conn struct {
	fd        int
	file      *os.File // owns the descriptor; the runtime's poller waits for it
	raw       syscall.RawConn
	bus       uint16
	index     int              // of the interface; 0: all of them
	routes    map[int32]uint16 // by interface index; nil: a single interface
	in        inbox
	readNow   func(fd uintptr)        // made once: a closure for every call would be allocated
	limit     int                     // of readNow: messages to read
	got       int                     // by readNow
	readErr   error                   // of readNow
	clocks    map[int32]*adapterClock // by interface index, of those that stamp frames themselves
	packet    [fdSize]byte            // of try
	size      int                     // of packet
	writeNow  func(fd uintptr)
	writeErr  error // of writeNow
	confirmed atomic.Uint64
	dropped   atomic.Uint64
}

// open makes the descriptor, sets every option before it binds, so that no
// frame comes in under other options, and gives it to the poller.
func (c *Conn) open(bus uint16, config *Config) error {
	index := 0
	if c.name != "" {
		found, err := net.InterfaceByName(c.name)
		if err != nil {
			return unix.ENODEV
		}
		index = found.Index
	}
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	if err != nil {
		return err
	}
	if err := setOptions(fd, config); err != nil {
		unix.Close(fd)
		return err
	}
	if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: index}); err != nil {
		unix.Close(fd)
		return err
	}
	c.fd, c.file = fd, os.NewFile(uintptr(fd), "can:"+c.name)
	c.bus, c.index, c.clocks = bus, index, map[int32]*adapterClock{}
	if c.name == "" {
		c.routes = map[int32]uint16{}
	}
	c.readNow = func(fd uintptr) { c.got, c.readErr = c.in.receive(fd, c.limit) }
	c.writeNow = func(fd uintptr) { _, c.writeErr = unix.Write(int(fd), c.packet[:c.size]) }
	c.raw, err = c.file.SyscallConn()
	if err != nil {
		c.file.Close()
	}
	return err
}

func (c *Conn) route(index int, bus uint16) { c.routes[int32(index)] = bus }

// setOptions sets the options of linux/can/raw.h.
func setOptions(fd int, config *Config) error {
	flag := func(on bool) int {
		if on {
			return 1
		}
		return 0
	}
	for _, o := range []struct{ level, option, value int }{
		{unix.SOL_CAN_RAW, unix.CAN_RAW_ERR_FILTER, int(config.Errors)},
		{unix.SOL_CAN_RAW, unix.CAN_RAW_LOOPBACK, flag(!config.NoLoopback)},
		{unix.SOL_CAN_RAW, unix.CAN_RAW_RECV_OWN_MSGS, flag(config.OwnFrames)},
		{unix.SOL_CAN_RAW, unix.CAN_RAW_FD_FRAMES, flag(!config.ClassicOnly)},
		{unix.SOL_CAN_RAW, unix.CAN_RAW_JOIN_FILTERS, flag(config.JoinFilters)},
		{unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1},
		{unix.SOL_SOCKET, unix.SO_TIMESTAMPING, unix.SOF_TIMESTAMPING_RX_SOFTWARE | unix.SOF_TIMESTAMPING_SOFTWARE |
			unix.SOF_TIMESTAMPING_RX_HARDWARE | unix.SOF_TIMESTAMPING_RAW_HARDWARE},
	} {
		if err := unix.SetsockoptInt(fd, o.level, o.option, o.value); err != nil {
			return os.NewSyscallError("setsockopt", err)
		}
	}
	if err := setBuffer(fd, config.Buffer); err != nil {
		return os.NewSyscallError("setsockopt", err)
	}
	if len(config.Filters) == 0 && !config.SendOnly {
		return nil
	}
	filters := make([]unix.CanFilter, 0, len(config.Filters))
	for _, f := range config.Filters {
		filters = append(filters, unix.CanFilter{Id: f.ID, Mask: f.Mask})
	}
	if config.SendOnly {
		filters = nil
	}
	err := unix.SetsockoptCanRawFilter(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_FILTER, filters)
	return os.NewSyscallError("setsockopt filters", err)
}

// setBuffer asks for a larger buffer than net.core.rmem_max where we may
// (socket(7): SO_RCVBUFFORCE needs CAP_NET_ADMIN).
func setBuffer(fd, size int) error {
	if size == 0 {
		return nil
	}
	if unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, size) == nil {
		return nil
	}
	return unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, size)
}

// read takes what is there without waiting, and waits only when nothing is.
func (c *Conn) read(ctx context.Context, frames []can.Frame) (int, error) {
	if len(frames) == 0 {
		return 0, nil
	}
	c.limit = len(frames)
	for {
		if ctx.Err() != nil {
			return 0, context.Cause(ctx)
		}
		err := c.raw.Control(c.readNow)
		if err == nil && c.readErr == unix.EAGAIN {
			err = c.await(ctx)
		}
		switch {
		case err != nil && ctx.Err() != nil:
			return 0, context.Cause(ctx)
		case err != nil:
			return 0, err
		case c.readErr != nil:
			return 0, c.readErr
		}
		if n := c.take(frames, c.got); n > 0 {
			return n, nil
		}
	}
}

// await waits for frames until ctx ends. A deadline in the past is how a wait of
// the runtime's poller is broken off.
func (c *Conn) await(ctx context.Context) error {
	ended := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(ended)
		_ = c.file.SetReadDeadline(time.Unix(1, 0)) // fails only on a closed file, which nobody waits for
	})
	err := c.raw.Read(func(fd uintptr) bool {
		c.readNow(fd)
		return c.readErr != unix.EAGAIN
	})
	if !stop() {
		<-ended
		err = errors.Join(err, c.file.SetReadDeadline(time.Time{}))
	}
	return err
}

// take decodes the received messages into frames.
func (c *Conn) take(frames []can.Frame, got int) (n int) {
	for i := range got {
		m := c.in.message(i)
		if m.confirm {
			c.confirmed.Add(1)
		}
		if m.dropped > 0 {
			c.noteDropped(m.dropped)
		}
		bus, known := c.bus, true
		if c.routes != nil {
			bus, known = c.routes[m.index]
		}
		if !known || !parse(&frames[n], m.packet) {
			continue
		}
		f := &frames[n]
		f.Bus, f.Time = bus, c.time(&m)
		f.Flags |= can.Rx
		if m.local {
			f.Flags ^= can.Rx | can.Tx
		}
		n++
	}
	return n
}

// time returns when a message was received: by the adapter's clock where it has
// one. A frame of this machine has no stamp of an adapter.
func (c *Conn) time(m *message) int64 {
	if m.adapter == 0 {
		return m.time
	}
	clock := c.clocks[m.index]
	if clock == nil {
		clock = &adapterClock{}
		c.clocks[m.index] = clock
	}
	return clock.wall(m.time, m.adapter)
}

// noteDropped keeps the larger count: the kernel's wraps after 32 bits, ours is
// read again from there.
func (c *Conn) noteDropped(count uint32) {
	old := c.dropped.Load()
	c.dropped.Store(old + uint64(count-uint32(old)))
}

// lost asks for the count as it is now: the last frames may have been dropped
// after the last one that was received.
func (c *Conn) lost() uint64 {
	_ = c.raw.Control(func(fd uintptr) { // a closed socket keeps the last count
		if count, ok := droppedNow(fd); ok {
			c.noteDropped(count)
		}
	})
	return c.dropped.Load()
}

// retryQueue is the wait before a full queue is tried again: about the time that
// four frames take at 500 kbit/s. There is nothing to wait on: poll says
// writable while the interface's queue is full.
const retryQueue = time.Millisecond

// try hands one frame to the kernel, or returns the error for which it did not
// take it. It allocates nothing.
func (c *Conn) try(f *can.Frame) error {
	c.packet = [fdSize]byte{}
	c.size = format(&c.packet, f)
	if err := c.raw.Control(c.writeNow); err != nil {
		return err
	}
	return c.writeErr
}

// send waits for room where a queue is full: it never drops the frame, and
// returns without it being sent only with an error. between is called before
// every further try; its error ends them.
func (c *Conn) send(ctx context.Context, f *can.Frame, between func() error) error {
	if err := f.Valid(); err != nil {
		return c.fail("send", err)
	}
	for {
		switch ctx.Err() {
		case nil:
		case context.DeadlineExceeded: // of a full queue
			return c.fail("send", context.Cause(ctx))
		default: // whoever broke it off says why: the interface has no part in it
			return context.Cause(ctx)
		}
		// EAGAIN is a full socket buffer, ENOBUFS a full queue of the interface.
		err := c.try(f)
		if err != unix.ENOBUFS && err != unix.EAGAIN {
			return c.fail("send", err)
		}
		timer := time.NewTimer(retryQueue)
		select {
		case <-ctx.Done():
			timer.Stop()
		case <-timer.C:
		}
		if between == nil {
			continue
		}
		if err := between(); err != nil {
			return err
		}
	}
}

func (c *Conn) close() error { return c.file.Close() }
