package socketcan

import (
	"encoding/binary"

	"plugproof/decode/can"
)

// struct can_frame and canfd_frame (linux/can.h): id 0, length 4, FD flags 5,
// raw DLC 7 (classic), data 8.
const (
	classicSize = 16
	fdSize      = 72
	errorBit    = 0x20000000
	fdBRS       = 0x01
	fdESI       = 0x02
)

// parse reads a packet of the kernel into f, whose other fields it clears.
// Packets that are neither classic nor FD are left out.
func parse(f *can.Frame, packet []byte) bool {
	if len(packet) != classicSize && len(packet) != fdSize {
		return false
	}
	*f = can.Frame{}
	id := binary.NativeEndian.Uint32(packet)
	switch {
	case id&errorBit != 0:
		f.Flags, f.ID = can.Error, id&can.MaxExtendedID
	case id&ExtendedBit != 0:
		f.Flags, f.ID = can.Extended, id&can.MaxExtendedID
	default:
		f.ID = id & can.MaxStandardID
	}
	if len(packet) == fdSize {
		f.Flags |= can.FD
		if packet[5]&fdBRS != 0 {
			f.Flags |= can.BRS
		}
		if packet[5]&fdESI != 0 {
			f.Flags |= can.ESI
		}
	}
	f.Len = min(packet[4], uint8(len(packet)-8))
	f.DLC = can.LenToDLC(int(f.Len))
	if raw := packet[7]; len(packet) == classicSize && f.Len == can.MaxClassicLen && raw > 8 && raw <= 15 {
		f.DLC = raw
	}
	if id&RemoteBit != 0 && id&errorBit == 0 {
		f.Flags |= can.Remote
		return true
	}
	copy(f.Data[:f.Len], packet[8:])
	return true
}

// format writes a valid frame as the kernel's packet and returns its size.
func format(packet *[fdSize]byte, f *can.Frame) int {
	id := f.ID
	if f.Flags&can.Extended != 0 {
		id |= ExtendedBit
	}
	if f.Flags&can.Remote != 0 {
		id |= RemoteBit
	}
	if f.Flags&can.Error != 0 {
		id |= errorBit
	}
	binary.NativeEndian.PutUint32(packet[:], id)
	packet[4] = f.Len
	copy(packet[8:], f.Payload())
	if f.Flags&can.FD == 0 {
		if f.DLC > can.MaxClassicLen {
			packet[7] = f.DLC
		}
		return classicSize
	}
	if f.Flags&can.BRS != 0 {
		packet[5] |= fdBRS
	}
	if f.Flags&can.ESI != 0 {
		packet[5] |= fdESI
	}
	return fdSize
}
