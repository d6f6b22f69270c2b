// Package can holds the CAN frame as the rest of plugproof passes it around,
// its exact length on the wire, and the meaning of SocketCAN error frames.
// It depends on the standard library only.
package can

import (
	"errors"
	"fmt"
)

// Sizes and masks, from linux/can.h.
const (
	MaxClassicLen = 8          // payload bytes of a classic frame
	MaxFDLen      = 64         // payload bytes of an FD frame
	MaxStandardID = 0x7FF      // 11-bit identifier
	MaxExtendedID = 0x1FFFFFFF // 29-bit identifier; also the class bits of an error frame
)

// Flags says which kind of frame it is and how it came into the capture.
type Flags uint16

// The flags of a frame.
const (
	Extended Flags = 1 << iota // 29-bit identifier
	Remote                     // remote request: Len is asked for, no data is carried
	Error                      // SocketCAN error frame: ID holds the class bits, Data the details
	FD                         // CAN FD format
	BRS                        // FD: data phase at the second bit rate
	ESI                        // FD: the sender is error-passive
	Rx                         // the capture says: received from the bus
	Tx                         // the capture says: sent by the capturing host
)

// Frame is one CAN frame as it stands in a capture or comes off a socket.
// Loops pass it by pointer. The zero value is an empty data frame with
// identifier 0 on bus 0.
type Frame struct {
	Time   int64  // nanoseconds; since the Unix epoch where the capture's clock is absolute
	Offset int64  // byte offset of the record in the (decompressed) capture
	ID     uint32 // identifier without flag bits; class bits for an error frame
	Record uint32 // 1-based number of the record in its capture; for text its line number
	Bus    uint16 // index into the Buses table the frame came with
	File   uint16 // index of the capture among those read together
	Flags  Flags
	Len    uint8 // payload length in bytes: 0..8, or 0..64 for FD
	DLC    uint8 // data length code as on the wire, 0..15
	Data   [MaxFDLen]byte
	// Bytes of Data from Len on are zero: every producer keeps that, so that
	// frames can be compared and loaded word by word.
}

// Is reports whether all of the given flags are set.
func (f *Frame) Is(flags Flags) bool { return f.Flags&flags == flags }

// Payload returns the payload bytes; it aliases the frame. A remote frame has
// none, whatever length it asks for.
func (f *Frame) Payload() []byte {
	if f.Flags&Remote != 0 {
		return nil
	}
	return f.Data[:f.Len]
}

// Assign makes f a copy of another frame. Because bytes past Len are zero, it
// need not copy those that neither has, which are most of a classic frame.
func (f *Frame) Assign(from *Frame) {
	long := f.Len > MaxClassicLen || from.Len > MaxClassicLen
	f.Time, f.Offset, f.ID, f.Record = from.Time, from.Offset, from.ID, from.Record
	f.Bus, f.File, f.Flags, f.Len, f.DLC = from.Bus, from.File, from.Flags, from.Len, from.DLC
	if copy(f.Data[:MaxClassicLen], from.Data[:MaxClassicLen]); long {
		f.Data = from.Data
	}
}

// SetPayload copies p into the frame, sets Len and DLC, and clears the rest of
// Data. A length that FD cannot carry is padded with zeros to the next one that
// it can. It panics when p is longer than 64 bytes, or longer than 8 and the
// frame is not FD: an internal error of the caller.
func (f *Frame) SetPayload(p []byte) {
	if len(p) > MaxFDLen || f.Flags&FD == 0 && len(p) > MaxClassicLen {
		panic(fmt.Sprintf("internal error: payload of %d bytes in a frame with flags %#x", len(p), f.Flags))
	}
	n := copy(f.Data[:], p)
	clear(f.Data[n:])
	f.DLC = LenToDLC(n)
	f.Len = DLCToLen(f.DLC, f.Flags&FD != 0)
}

// Reasons a frame is not valid.
var (
	ErrID     = errors.New("identifier out of range")
	ErrLength = errors.New("length not possible")
	ErrKind   = errors.New("contradicting frame kinds")
)

// Valid reports whether a controller or the kernel could have produced the
// frame: identifier in range, a length its format can carry, and at most one
// of remote, FD and error frame. The error wraps ErrID, ErrLength or ErrKind.
func (f *Frame) Valid() error {
	fd := f.Flags&FD != 0
	switch {
	case f.Flags&Remote != 0 && (fd || f.Flags&Error != 0):
		return fmt.Errorf("%w: remote with FD or error", ErrKind)
	case fd && f.Flags&Error != 0:
		return fmt.Errorf("%w: error frame in FD format", ErrKind)
	case !fd && f.Flags&(BRS|ESI) != 0:
		return fmt.Errorf("%w: BRS or ESI without FD", ErrKind)
	case f.Flags&(Extended|Error) == 0 && f.ID > MaxStandardID, f.ID > MaxExtendedID:
		return fmt.Errorf("%w: %#x", ErrID, f.ID)
	case f.DLC > 15 || DLCToLen(f.DLC, fd) != f.Len:
		return fmt.Errorf("%w: %d bytes with DLC %d", ErrLength, f.Len, f.DLC)
	}
	return nil
}

var fdLen = [16]uint8{0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64}

// DLCToLen returns the payload length in bytes of a data length code 0..15.
// A classic frame carries 8 bytes for every code from 8 to 15.
func DLCToLen(dlc uint8, fd bool) uint8 {
	if !fd && dlc > MaxClassicLen {
		return MaxClassicLen
	}
	return fdLen[dlc&15]
}

// LenToDLC returns the smallest data length code that carries n bytes;
// lengths over 64 give 15. The table is that of the kernel's can_fd_len2dlc.
func LenToDLC(n int) uint8 {
	for dlc, l := range fdLen {
		if n <= int(l) {
			return uint8(dlc)
		}
	}
	return 15
}
