package socketcan

import (
	"encoding/binary"
	"errors"
	"slices"

	"golang.org/x/sys/unix"
)

// setListenOnly sets the controller down, into or out of listen-only mode, and up
// again. Bit timing and all other settings stay as they are. One that somebody set
// down stays down; where the mode cannot be had, it comes up as it was.
func (c *Conn) setListenOnly(on bool) error {
	found, err := lookUp(c.name)
	switch {
	case err != nil:
		return err
	case found.Index != c.index: // another one that got its name
		return unix.ENODEV
	case found.Kind != "can":
		return ErrNoController
	case found.NoListenOnly:
		return ErrNoListenOnly
	case found.ListenOnly == on:
		return nil
	}
	if !found.Up {
		return changeLink(&found, 0, 0, modeRequest(on))
	}
	if err := changeLink(&found, 0, unix.IFF_UP, nil); err != nil {
		return err
	}
	up := func() error { return changeLink(&found, unix.IFF_UP, unix.IFF_UP, nil) }
	err = changeLink(&found, 0, 0, modeRequest(on))
	switch {
	case errors.Is(err, unix.EOPNOTSUPP):
		return errors.Join(ErrNoListenOnly, up())
	case err != nil:
		return errors.Join(err, up())
	}
	if err := up(); err != nil {
		return errors.Join(err, changeLink(&found, 0, 0, modeRequest(!on)), up())
	}
	return nil
}

// changeLink changes some flags of an interface, and what the attributes say.
func changeLink(i *Interface, flags, change uint32, attributes []byte) error {
	ne := binary.NativeEndian
	request := make([]byte, unix.SizeofIfInfomsg) // struct ifinfomsg: index 4, flags 8, change 12
	ne.PutUint32(request[4:], uint32(i.Index))
	ne.PutUint32(request[8:], flags)
	ne.PutUint32(request[12:], change)
	return ask(unix.RTM_NEWLINK, unix.NLM_F_ACK, slices.Concat(request, attributes), func([]byte) {})
}

// modeRequest is the attributes that change the listen-only mode and nothing else:
// struct can_ctrlmode has a mask of the modes meant, and their flags.
func modeRequest(on bool) []byte {
	ne := binary.NativeEndian
	mode := make([]byte, 8)
	ne.PutUint32(mode, modeListenOnly)
	if on {
		ne.PutUint32(mode[4:], modeListenOnly)
	}
	data := attribute(unix.IFLA_INFO_DATA, attribute(canControlMode, mode))
	return attribute(unix.IFLA_LINKINFO, append(attribute(unix.IFLA_INFO_KIND, []byte("can\x00")), data...))
}

// attribute is the inverse of attributes.
func attribute(kind uint16, value []byte) []byte {
	ne := binary.NativeEndian
	a := make([]byte, unix.SizeofNlAttr, unix.SizeofNlAttr+len(value)+3)
	ne.PutUint16(a, uint16(unix.SizeofNlAttr+len(value)))
	ne.PutUint16(a[2:], kind)
	a = append(a, value...)
	for len(a)%4 != 0 {
		a = append(a, 0)
	}
	return a
}
