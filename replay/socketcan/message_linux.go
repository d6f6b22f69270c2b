package socketcan

import (
	"encoding/binary"
	"unsafe" // recvmmsg: many frames for one system call, nothing allocated

	"golang.org/x/sys/unix"
)

const (
	batch       = 64  // messages per system call
	controlSize = 128 // bytes; the time stamps take 64, a drop count 24
)

// inbox is where the kernel puts received messages. It must not move while a
// call is under way: it lies in a Conn, on the heap.
type inbox struct {
	heads   [batch]messageHead
	vectors [batch]unix.Iovec
	packets [batch][fdSize]byte
	control [batch][controlSize]byte
	from    [batch]unix.RawSockaddrCAN
}

// messageHead is struct mmsghdr of recvmmsg(2).
type messageHead struct {
	unix.Msghdr
	length uint32
	_      [4]byte
}

// message is one received message; packet aliases the inbox.
type message struct {
	packet         []byte
	time           int64 // the kernel's stamp, nanoseconds since the Unix epoch
	adapter        int64 // the adapter's own, nanoseconds since anything; 0: none
	index          int32 // of the interface
	dropped        uint32
	confirm, local bool
}

// receive reads up to limit messages without waiting.
func (in *inbox) receive(fd uintptr, limit int) (int, error) {
	limit = min(limit, batch)
	for i := range limit {
		in.vectors[i].Base = &in.packets[i][0]
		in.vectors[i].SetLen(fdSize)
		h := &in.heads[i]
		h.Name, h.Namelen = (*byte)(unsafe.Pointer(&in.from[i])), unix.SizeofSockaddrCAN
		h.Iov, h.Control = &in.vectors[i], &in.control[i][0]
		h.SetIovlen(1)
		h.SetControllen(controlSize)
	}
	n, _, errno := unix.Syscall6(unix.SYS_RECVMMSG, fd, uintptr(unsafe.Pointer(&in.heads)), uintptr(limit),
		unix.MSG_DONTWAIT, 0, 0)
	switch errno {
	case 0:
		return int(n), nil
	case unix.EINTR, unix.EAGAIN:
		return 0, unix.EAGAIN
	}
	return 0, errno
}

// message returns a received message with what its control messages say.
func (in *inbox) message(i int) message {
	h := &in.heads[i]
	m := message{
		packet:  in.packets[i][:h.length],
		index:   in.from[i].Ifindex,
		confirm: h.Flags&unix.MSG_CONFIRM != 0,
		local:   h.Flags&unix.MSG_DONTROUTE != 0,
	}
	rest := in.control[i][:min(int(h.Controllen), controlSize)]
	for len(rest) >= unix.SizeofCmsghdr {
		c := (*unix.Cmsghdr)(unsafe.Pointer(&rest[0]))
		size := int(c.Len)
		if size < unix.SizeofCmsghdr || size > len(rest) {
			break
		}
		m.note(c.Type, rest[unix.CmsgLen(0):size])
		rest = rest[min(unix.CmsgSpace(size-unix.SizeofCmsghdr), len(rest)):]
	}
	return m
}

// note reads one control message of level SOL_SOCKET: of three time stamps the
// first is software's, the third the adapter's own (linux/errqueue.h).
func (m *message) note(kind int32, data []byte) {
	switch {
	case kind == unix.SO_RXQ_OVFL && len(data) >= 4:
		m.dropped = binary.NativeEndian.Uint32(data)
	case kind == unix.SO_TIMESTAMPING && len(data) >= int(unsafe.Sizeof([3]unix.Timespec{})):
		stamps := (*[3]unix.Timespec)(unsafe.Pointer(&data[0]))
		m.time, m.adapter = stamps[0].Nano(), stamps[2].Nano()
	}
}

// droppedNow reads the socket's own count (linux/sock_diag.h: SK_MEMINFO_DROPS
// is the last of nine).
func droppedNow(fd uintptr) (uint32, bool) {
	var info [9]uint32
	size := uint32(unsafe.Sizeof(info))
	_, _, errno := unix.Syscall6(unix.SYS_GETSOCKOPT, fd, unix.SOL_SOCKET, unix.SO_MEMINFO,
		uintptr(unsafe.Pointer(&info)), uintptr(unsafe.Pointer(&size)), 0)
	return info[8], errno == 0
}
