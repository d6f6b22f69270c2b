package capture

import (
	"encoding/binary"

	"plugproof/decode/can"
)

// pcapngEncoder writes one little-endian section. An interface block is written
// when the first frame of its bus is.
type pcapngEncoder struct {
	link       link
	buses      *can.Buses
	interfaces []uint32 // by bus: the interface's number + 1; 0: not written yet
	next       uint32
}

const (
	nanoResol   = 9
	optEnd      = 4 // bytes of opt_endofopt
	flagsOption = 8 // bytes of epb_flags
	anySize     = ^uint64(0)
)

func (e *pcapngEncoder) head(dst []byte) []byte {
	le := binary.LittleEndian
	dst = le.AppendUint32(dst, blockSection)
	dst = le.AppendUint32(dst, sectionMin)
	dst = le.AppendUint32(dst, orderMagic)
	dst = le.AppendUint32(dst, 1) // version 1.0
	dst = le.AppendUint64(dst, anySize)
	return le.AppendUint32(dst, sectionMin)
}

func (e *pcapngEncoder) frame(dst []byte, f *can.Frame) ([]byte, error) {
	if f.Time < 0 {
		return dst, errStamp(f, Pcapng, "from 1970 on")
	}
	for int(f.Bus) >= len(e.interfaces) {
		e.interfaces = append(e.interfaces, 0)
	}
	if e.interfaces[f.Bus] == 0 {
		dst = e.appendInterface(dst, f.Bus)
		e.next++
		e.interfaces[f.Bus] = e.next
	}
	return e.appendFrame(dst, f, e.interfaces[f.Bus]-1), nil
}

func (e *pcapngEncoder) appendFrame(dst []byte, f *can.Frame, iface uint32) []byte {
	le := binary.LittleEndian
	length := uint32(e.link.size(f)) // always a multiple of four
	total := packetMin + length
	direction := uint32(0)
	switch {
	case f.Flags&can.Tx != 0:
		direction = dirOutbound
	case f.Flags&can.Rx != 0:
		direction = dirInbound
	}
	if direction != 0 {
		total += flagsOption + optEnd
	}
	dst = le.AppendUint32(dst, blockPacket)
	dst = le.AppendUint32(dst, total)
	dst = le.AppendUint32(dst, iface)
	dst = le.AppendUint32(dst, uint32(f.Time>>32))
	dst = le.AppendUint32(dst, uint32(f.Time))
	dst = le.AppendUint32(dst, length)
	dst = le.AppendUint32(dst, length)
	dst = e.link.appendPacket(dst, f)
	if direction != 0 {
		dst = le.AppendUint16(dst, optFlags)
		dst = le.AppendUint16(dst, 4)
		dst = le.AppendUint32(dst, direction)
		dst = le.AppendUint32(dst, 0) // end of options
	}
	return le.AppendUint32(dst, total)
}

func (e *pcapngEncoder) appendInterface(dst []byte, bus uint16) []byte {
	le := binary.LittleEndian
	options := appendOption(nil, optName, plainBusName(e.buses, bus))
	if all := e.buses.All(); int(bus) < len(all) && all[bus].Bitrate > 0 {
		options = appendOption(options, optSpeed, le.AppendUint64(nil, uint64(all[bus].Bitrate)))
	}
	options = appendOption(options, optResol, []byte{nanoResol})
	options = appendOption(options, 0, nil)
	total := uint32(interfaceMin + len(options))
	dst = le.AppendUint32(dst, blockInterface)
	dst = le.AppendUint32(dst, total)
	dst = le.AppendUint32(dst, e.link.typ) // and 16 reserved bits
	dst = le.AppendUint32(dst, 0)          // no snaplen
	dst = append(dst, options...)
	return le.AppendUint32(dst, total)
}

func appendOption(dst []byte, code uint16, value []byte) []byte {
	le := binary.LittleEndian
	dst = le.AppendUint16(dst, code)
	dst = le.AppendUint16(dst, uint16(len(value)))
	dst = append(dst, value...)
	for range -len(value) & 3 {
		dst = append(dst, 0)
	}
	return dst
}
