package socketcan

import (
	"encoding/binary"
	"os"
	"slices"
	"strconv"

	"golang.org/x/sys/unix"
)

// way is how the kernel carries frames off an interface by itself.
type way struct {
	from, to int    // indices of interfaces; to 0: not known
	what     string // what does it, where to is not known
}

// From linux/can/gw.h and linux/rtnetlink.h; x/sys does not have them.
const (
	gatewayHead   = 4 // struct rtcanmsg: family 0, type 1, flags 2
	gatewaySource = 9
	gatewayTarget = 10
	qdiscHead     = 20 // struct tcmsg: family 0, index 4, handle 8, parent 12, info 16
	qdiscKind     = 1
)

// waysOff asks for the routes of the CAN gateway and for the queueing
// disciplines, some of which can redirect frames.
func waysOff() (ways []way, err error) {
	err = dump(unix.RTM_GETROUTE, []byte{unix.AF_CAN, 0, 0, 0}, func(data []byte) {
		if w, ok := parseRoute(data); ok {
			ways = append(ways, w)
		}
	})
	if err != nil {
		return nil, err
	}
	err = dump(unix.RTM_GETQDISC, make([]byte, qdiscHead), func(data []byte) {
		if w, ok := parseQdisc(data); ok {
			ways = append(ways, w)
		}
	})
	return ways, err
}

// parseRoute reads a route of the gateway. Without the gateway's module the
// kernel answers with routes of other families.
func parseRoute(data []byte) (w way, ok bool) {
	if len(data) < gatewayHead || data[0] != unix.AF_CAN {
		return way{}, false
	}
	attributes(data[gatewayHead:], func(kind int, v []byte) {
		switch {
		case len(v) < 4:
		case kind == gatewaySource:
			w.from = int(binary.NativeEndian.Uint32(v))
		case kind == gatewayTarget:
			w.to = int(binary.NativeEndian.Uint32(v))
		}
	})
	return w, w.from != 0
}

// parseQdisc knows the disciplines that only queue; any other may hold a filter
// that redirects frames (tc-mirred(8)).
func parseQdisc(data []byte) (way, bool) {
	if len(data) < qdiscHead {
		return way{}, false
	}
	w := way{from: int(binary.NativeEndian.Uint32(data[4:]))}
	attributes(data[qdiscHead:], func(kind int, v []byte) {
		if kind == qdiscKind {
			w.what = text(v)
		}
	})
	queues := []string{"noqueue", "pfifo_fast", "pfifo", "bfifo", "pfifo_head_drop", "fq", "fq_codel", "codel", "sfq", "tbf", "netem"}
	return w, !slices.Contains(queues, w.what)
}

// follow notes on each interface where its frames are carried on to. What leads
// off one end of a vxcan leads off the other.
func follow(list []Interface, ways []way) {
	name := func(w way) string {
		if at := slices.IndexFunc(list, func(i Interface) bool { return i.Index == w.to }); at >= 0 {
			return list[at].Name
		}
		if w.what != "" {
			return "anywhere (traffic control " + w.what + ")"
		}
		return "interface " + strconv.Itoa(w.to)
	}
	for n := range list {
		i := &list[n]
		if i.Kind == "vxcan" && !slices.ContainsFunc(list, func(o Interface) bool { return o.Index == i.Peer }) {
			i.PeerElsewhere = true
		}
		for _, w := range ways {
			if w.from == i.Index || i.Kind == "vxcan" && w.from == i.Peer {
				i.LeadsTo = append(i.LeadsTo, name(w))
			}
		}
	}
}

// dump asks the kernel for a table and calls each with the body of every message.
func dump(kind uint16, request []byte, each func(data []byte)) error {
	return ask(kind, unix.NLM_F_DUMP, request, each)
}

// ask sends the kernel a request (rtnetlink(7)) and calls each with the body of
// every message of the answer. A refusal is the system's error number.
func ask(kind, flags uint16, request []byte, each func(data []byte)) error {
	fd, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.NETLINK_ROUTE)
	if err != nil {
		return os.NewSyscallError("netlink", err)
	}
	defer unix.Close(fd)
	ne := binary.NativeEndian
	message := make([]byte, unix.SizeofNlMsghdr, unix.SizeofNlMsghdr+len(request))
	ne.PutUint32(message, uint32(cap(message)))
	ne.PutUint16(message[4:], kind)
	ne.PutUint16(message[6:], unix.NLM_F_REQUEST|flags)
	message = append(message, request...)
	if err := unix.Sendto(fd, message, 0, &unix.SockaddrNetlink{Family: unix.AF_NETLINK}); err != nil {
		return os.NewSyscallError("netlink", err)
	}
	buf := make([]byte, 1<<16)
	for {
		n, _, err := unix.Recvfrom(fd, buf, 0)
		if err != nil {
			return os.NewSyscallError("netlink", err)
		}
		if done, err := messages(buf[:n], each); done || err != nil {
			return err
		}
	}
}

// messages calls each with the bodies in one datagram: length 4, type 2, flags 2,
// sequence 4, port 4, body. It is done at the end of the table.
func messages(data []byte, each func(body []byte)) (done bool, err error) {
	ne := binary.NativeEndian
	for len(data) >= unix.SizeofNlMsghdr {
		size := int(ne.Uint32(data))
		if size < unix.SizeofNlMsghdr || size > len(data) {
			return true, unix.EBADMSG
		}
		body := data[unix.SizeofNlMsghdr:size]
		switch ne.Uint16(data[4:]) {
		case unix.NLMSG_DONE:
			return true, nil
		case unix.NLMSG_ERROR:
			if len(body) >= 4 {
				if code := int32(ne.Uint32(body)); code != 0 {
					return true, unix.Errno(-code)
				}
			}
			return true, nil
		default:
			each(body)
		}
		data = data[min((size+3)&^3, len(data)):]
	}
	return false, nil
}
