package capture

import (
	"encoding/binary"
	"fmt"

	"plugproof/decode/can"
)

// Link types that can hold CAN (tcpdump.org/linktypes.html).
const (
	linkCAN  = 227 // the SocketCAN structure alone
	linkSLL  = 113 // Linux cooked capture: 16-byte header
	linkSLL2 = 276 // its second version: 20-byte header, with the interface's number

	sllHead   = 16
	sll2Head  = 20
	arphrdCAN = 280 // linux/if_arp.h

	packetBroadcast = 1 // linux/if_packet.h: how the kernel marks a received CAN frame
	packetOther     = 3
	packetOutgoing  = 4

	// maxPacket is the longest packet that is believed (libpcap MAXIMUM_SNAPLEN).
	maxPacket = 262144
	// packetHead is how much of a packet is needed to make a frame of it.
	packetHead = sll2Head + fdMTU
)

// link says how the packets of a capture, or of one interface of it, are read.
// The headers of cooked packets:
//
//	113  packet type 2 | ARPHRD 2 | address length 2 | address 8 | protocol 2
//	276  protocol 2 | 0 2 | interface 4 | ARPHRD 2 | packet type 1 | length 1 | address 8
//
// are big endian; the structure behind them is in the order of the machine that
// captured, which is that of the file (pcapng: of the section).
type link struct {
	typ uint32
	big bool // byte order of the identifiers
}

// newLink returns the standard reading of a link type in a file whose own
// fields are big endian or not.
func newLink(typ uint32, bigFile bool) link {
	return link{typ: typ, big: typ == linkCAN || bigFile}
}

// holdsCAN reports whether packets of this link type can be CAN.
func (l link) holdsCAN() bool {
	return l.typ == linkCAN || l.typ == linkSLL || l.typ == linkSLL2
}

// maxLen is the longest packet of this link type that is believed.
func (l link) maxLen() uint32 {
	if l.typ == linkCAN {
		return xlMTU
	}
	return maxPacket
}

// follow takes over the byte order that identifiers were found to be in. It
// returns whether that is against the standard.
func (l *link) follow(order idOrder) (unusual bool) {
	standard := l.big
	l.big = order.decide(standard)
	return l.big != standard
}

// unusualNote says that identifiers are read against the standard.
func (l link) unusualNote() string {
	order := "little-endian"
	if l.big {
		order = "big-endian"
	}
	return fmt.Sprintf("link type %d with %s identifiers: "+
		"they make no sense in the order that the standard asks for", l.typ, order)
}

// cooked is a packet without its cooked header.
type cooked struct {
	body    []byte // the captured part of the SocketCAN structure
	orig    int    // length of the whole structure
	ifindex uint32 // link type 276 only
	proto   uint16
	dir     can.Flags
}

// strip takes the cooked header off the captured part of a packet that was orig
// bytes long. It returns good, or why the packet is not CAN.
func (l link) strip(data []byte, orig int) (cooked, Kind) {
	c := cooked{body: data, orig: orig}
	if l.typ == linkCAN {
		return c, good
	}
	head := sllHead
	if l.typ == linkSLL2 {
		head = sll2Head
	}
	if orig < head {
		return c, Malformed
	}
	if len(data) < head {
		return c, Cut
	}
	var hardware, packetType uint16
	if l.typ == linkSLL2 {
		c.proto = binary.BigEndian.Uint16(data)
		c.ifindex = binary.BigEndian.Uint32(data[4:])
		hardware = binary.BigEndian.Uint16(data[8:])
		packetType = uint16(data[10])
	} else {
		packetType = binary.BigEndian.Uint16(data)
		hardware = binary.BigEndian.Uint16(data[2:])
		c.proto = binary.BigEndian.Uint16(data[14:])
	}
	if hardware != arphrdCAN || c.proto < protoCC || c.proto > protoXL {
		return c, OtherLink
	}
	switch {
	case packetType == packetOutgoing:
		c.dir = can.Tx
	case packetType <= packetOther:
		c.dir = can.Rx
	}
	c.body, c.orig = data[head:], orig-head
	return c, good
}

// decode makes a frame of the captured part of a packet; f must be zero but for
// its place and time. The interface number is that of link type 276, else 0.
func (l link) decode(f *can.Frame, data []byte, orig int) (ifindex uint32, k Kind) {
	if l.typ == linkCAN {
		return 0, decodeSocketCAN(f, data, orig, protoUnknown, l.big)
	}
	c, k := l.strip(data, orig)
	if k != good {
		return 0, k
	}
	f.Flags = c.dir
	return c.ifindex, decodeSocketCAN(f, c.body, c.orig, c.proto, l.big)
}

// size is the length of the packet that appendPacket makes of f.
func (l link) size(f *can.Frame) int {
	n := classicMTU
	if f.Flags&can.FD != 0 {
		n = fdMTU
	}
	switch l.typ {
	case linkSLL:
		n += sllHead
	case linkSLL2:
		n += sll2Head
	}
	return n
}

// appendPacket appends f as a packet of a file whose own fields are little endian.
func (l link) appendPacket(dst []byte, f *can.Frame) []byte {
	if l.typ == linkCAN {
		return appendSocketCAN(dst, f, binary.BigEndian)
	}
	be := binary.BigEndian
	proto, packetType := uint16(protoCC), uint16(packetBroadcast)
	if f.Flags&can.FD != 0 {
		proto = protoFD
	}
	if f.Flags&can.Tx != 0 {
		packetType = packetOutgoing
	}
	if l.typ == linkSLL {
		dst = be.AppendUint16(dst, packetType)
		dst = be.AppendUint16(dst, arphrdCAN)
		dst = append(dst, make([]byte, 10)...) // no address
		dst = be.AppendUint16(dst, proto)
	} else {
		dst = be.AppendUint16(dst, proto)
		dst = append(dst, 0, 0)
		dst = be.AppendUint32(dst, uint32(f.Bus)+1) // the kernel counts interfaces from 1
		dst = be.AppendUint16(dst, arphrdCAN)
		dst = append(dst, byte(packetType))
		dst = append(dst, make([]byte, 9)...)
	}
	return appendSocketCAN(dst, f, binary.LittleEndian)
}
