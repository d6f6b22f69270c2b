package socketcan

import (
	"encoding/binary"
	"os"
	"slices"
	"syscall"

	"golang.org/x/sys/unix"
)

// From linux/can/netlink.h; x/sys does not have them.
const (
	canBitTiming     = 1
	canState         = 4
	canControlMode   = 5
	canErrorCounters = 8
	canDataTiming    = 9
	canModeExt       = 17
	canModeSupported = 1 // inside canModeExt
	modeListenOnly   = 0x02
	flagEcho         = 1 << 18 // IFF_ECHO of linux/if.h
	nestedMask       = 0x3FFF  // without NLA_F_NESTED and NLA_F_NET_BYTEORDER
)

// interfaces asks for all links (rtnetlink(7)) and keeps those that are CAN.
func interfaces() ([]Interface, error) {
	table, err := syscall.NetlinkRIB(unix.RTM_GETLINK, unix.AF_UNSPEC)
	if err != nil {
		return nil, os.NewSyscallError("netlink", err)
	}
	messages, err := syscall.ParseNetlinkMessage(table)
	if err != nil {
		return nil, os.NewSyscallError("netlink", err)
	}
	var list []Interface
	for i := range messages {
		if messages[i].Header.Type != unix.RTM_NEWLINK {
			continue
		}
		if found, ok := parseLink(messages[i].Data); ok {
			list = append(list, found)
		}
	}
	slices.SortFunc(list, func(a, b Interface) int { return a.Index - b.Index })
	ways, err := waysOff()
	if err != nil {
		return nil, err
	}
	follow(list, ways)
	return list, nil
}

// parseLink reads struct ifinfomsg (family 0, type 2, index 4, flags 8) and the
// attributes behind it.
func parseLink(data []byte) (Interface, bool) {
	ne := binary.NativeEndian
	if len(data) < unix.SizeofIfInfomsg || ne.Uint16(data[2:]) != unix.ARPHRD_CAN {
		return Interface{}, false
	}
	flags := ne.Uint32(data[8:])
	i := Interface{Index: int(ne.Uint32(data[4:])), Up: flags&unix.IFF_UP != 0, Echo: flags&flagEcho != 0, State: NoState}
	attributes(data[unix.SizeofIfInfomsg:], func(kind int, v []byte) {
		switch {
		case kind == unix.IFLA_IFNAME:
			i.Name = text(v)
		case kind == unix.IFLA_TXQLEN && len(v) >= 4:
			i.Queue = int(ne.Uint32(v))
		case kind == unix.IFLA_MTU && len(v) >= 4:
			i.FD = ne.Uint32(v) >= fdSize
		case kind == unix.IFLA_STATS64 && len(v) >= 56: // struct rtnl_link_stats64
			i.Received, i.Sent, i.Dropped = ne.Uint64(v), ne.Uint64(v[8:]), ne.Uint64(v[48:])
		case kind == unix.IFLA_LINK && len(v) >= 4:
			i.Peer = int(ne.Uint32(v))
		case kind == unix.IFLA_LINK_NETNSID:
			i.PeerElsewhere = true
		case kind == unix.IFLA_LINKINFO:
			attributes(v, i.linkInfo)
		}
	})
	return i, i.Name != ""
}

func (i *Interface) linkInfo(kind int, v []byte) {
	ne := binary.NativeEndian
	switch {
	case kind == unix.IFLA_INFO_KIND:
		i.Kind = text(v)
	case kind == unix.IFLA_INFO_DATA && i.Kind == "can":
		attributes(v, i.controller)
	case kind == unix.IFLA_INFO_XSTATS && len(v) >= 24: // struct can_device_stats
		for n, p := range []*uint32{&i.BusErrors, &i.Warnings, &i.Passives, &i.BusOffs, &i.LostArbitration, &i.Restarts} {
			*p = ne.Uint32(v[4*n:])
		}
	}
}

func (i *Interface) controller(kind int, v []byte) {
	ne := binary.NativeEndian
	switch {
	case len(v) < 4:
	case kind == canBitTiming:
		i.Bitrate = int64(ne.Uint32(v))
	case kind == canDataTiming:
		i.DataBitrate = int64(ne.Uint32(v))
	case kind == canState:
		i.State = State(ne.Uint32(v))
	case kind == canControlMode && len(v) >= 8:
		i.ListenOnly = ne.Uint32(v[4:])&modeListenOnly != 0
	case kind == canModeExt:
		attributes(v, func(kind int, v []byte) {
			if kind == canModeSupported && len(v) >= 4 {
				i.NoListenOnly = ne.Uint32(v)&modeListenOnly == 0
			}
		})
	case kind == canErrorCounters:
		i.TxErrors, i.RxErrors = int(ne.Uint16(v)), int(ne.Uint16(v[2:]))
	}
}

// attributes calls each with every attribute: length 2, type 2, value, padding
// to 4 bytes. A length that lies ends it.
func attributes(data []byte, each func(kind int, value []byte)) {
	for len(data) >= unix.SizeofNlAttr {
		size := int(binary.NativeEndian.Uint16(data))
		if size < unix.SizeofNlAttr || size > len(data) {
			return
		}
		each(int(binary.NativeEndian.Uint16(data[2:]))&nestedMask, data[unix.SizeofNlAttr:size])
		data = data[min((size+3)&^3, len(data)):]
	}
}

// text is a string with the zero that ends it.
func text(v []byte) string { return unix.ByteSliceToString(v) }
