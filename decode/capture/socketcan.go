package capture

import (
	"encoding/binary"

	"plugproof/decode/can"
)

// The SocketCAN structure that packets of link type 227 consist of, and that
// follows the cooked header of types 113 and 276
// (tcpdump.org/linktypes/LINKTYPE_CAN_SOCKETCAN.html):
//
//	byte   0..3    identifier and flags; 227: big endian, cooked: host order
//	byte   4       payload length; CAN XL: its flags, of which 0x80 is always set
//	byte   5       FD flags: 0x01 BRS, 0x02 ESI, 0x04 FDF; classic: 0
//	byte   6       0
//	byte   7       classic with 8 bytes: the raw DLC when it is 9..15
//	byte   8...    payload, then padding, which may be left out
const (
	canHead    = 8  // bytes before the payload
	classicMTU = 16 // sizeof(struct can_frame), linux/can.h
	fdMTU      = 72 // sizeof(struct canfd_frame)
	xlMin      = 13 // CANXL_HDR_SIZE and one byte of payload
	xlMTU      = 2060

	flagEFF = 0x80000000 // linux/can.h: 29-bit identifier
	flagRTR = 0x40000000
	flagERR = 0x20000000

	fdBRS = 0x01 // linux/can.h: CANFD_BRS, CANFD_ESI, CANFD_FDF
	fdESI = 0x02
	fdFDF = 0x04
	xlXLF = 0x80

	knownErrorClasses = 0x3FF // linux/can/error.h: CAN_ERR_TX_TIMEOUT .. CAN_ERR_CNT
)

// Protocols of a cooked header, linux/if_ether.h. 0 stands for link type 227,
// where the structure has to tell for itself.
const (
	protoUnknown = 0
	protoCC      = 0x0C
	protoFD      = 0x0D
	protoXL      = 0x0E
)

// decodeSocketCAN fills the kind, identifier and payload of f from p, the
// captured part of a structure that was orig bytes long. f must be zero but for
// its place and time. It returns good, or why there is no frame.
func decodeSocketCAN(f *can.Frame, p []byte, orig int, proto uint16, big bool) Kind {
	if orig < canHead {
		return Malformed
	}
	if len(p) < canHead {
		return Cut
	}
	limit, most := can.MaxClassicLen, classicMTU
	switch formatOf(p, orig, proto) {
	case protoXL:
		if orig < xlMin || orig > xlMTU {
			return Malformed
		}
		return XL
	case protoFD:
		limit, most = can.MaxFDLen, fdMTU
		f.Flags |= can.FD
		if p[5]&fdBRS != 0 {
			f.Flags |= can.BRS
		}
		if p[5]&fdESI != 0 {
			f.Flags |= can.ESI
		}
	}
	length := int(p[4])
	if length > limit || orig > most || !setWord(f, readU32(p, big)) {
		return Malformed
	}
	return setPayload(f, p, length, orig)
}

// formatOf tells classic, FD and XL apart: by the protocol of the cooked header
// where there is one, else by the rules of link type 227.
func formatOf(p []byte, orig int, proto uint16) uint16 {
	switch {
	case proto != protoUnknown:
		return proto
	case p[4]&xlXLF != 0:
		return protoXL
	case orig == fdMTU || p[5]&fdFDF != 0:
		return protoFD
	}
	return protoCC
}

// setWord splits the identifier word. It returns false for a word that no
// controller and no kernel makes.
func setWord(f *can.Frame, word uint32) bool {
	f.ID = word & can.MaxExtendedID
	switch {
	case word&flagERR != 0: // an error frame is neither remote nor FD
		f.Flags |= can.Error
		return word&flagRTR == 0 && f.Flags&can.FD == 0
	case word&flagEFF != 0:
		f.Flags |= can.Extended
	case f.ID > can.MaxStandardID:
		return false
	}
	if word&flagRTR != 0 {
		f.Flags |= can.Remote
	}
	return f.Flags&(can.Remote|can.FD) != can.Remote|can.FD
}

// setPayload copies the payload. A remote frame keeps its length and has none.
func setPayload(f *can.Frame, p []byte, length, orig int) Kind {
	f.Len, f.DLC = uint8(length), uint8(length)
	if f.Flags&can.FD == 0 && length == can.MaxClassicLen && p[7] > 8 && p[7] <= 15 {
		f.DLC = p[7]
	}
	if f.Flags&can.Remote != 0 {
		return good
	}
	if orig < canHead+length {
		return Malformed
	}
	if len(p) < canHead+length {
		return Cut
	}
	copy(f.Data[:], p[canHead:canHead+length])
	if f.Flags&can.FD != 0 {
		if f.DLC = can.LenToDLC(length); int(can.DLCToLen(f.DLC, true)) != length {
			return Malformed // only a virtual interface lets such a length pass
		}
	}
	return good
}

// appendSocketCAN appends f as the kernel's structure, padding included: a
// reader then tells FD by its length even when it does not know the FDF flag.
func appendSocketCAN(dst []byte, f *can.Frame, order binary.AppendByteOrder) []byte {
	word, size := f.ID, classicMTU
	switch {
	case f.Flags&can.Error != 0:
		word |= flagERR
	case f.Flags&can.Extended != 0:
		word |= flagEFF
	}
	if f.Flags&can.Remote != 0 {
		word |= flagRTR
	}
	var fd, rawDLC byte
	switch {
	case f.Flags&can.FD != 0:
		size = fdMTU
		fd = fdFDF
		if f.Flags&can.BRS != 0 {
			fd |= fdBRS
		}
		if f.Flags&can.ESI != 0 {
			fd |= fdESI
		}
	case f.DLC > can.MaxClassicLen:
		rawDLC = f.DLC
	}
	dst = order.AppendUint32(dst, word)
	dst = append(dst, f.Len, fd, 0, rawDLC)
	return append(dst, f.Data[:size-canHead]...)
}

// idOrder finds out in which byte order the identifiers of a capture stand: some
// writers get link type 227 wrong. An identifier speaks for an order when it
// makes sense in that one only.
type idOrder struct{ seen, big, little int }

// add looks at one structure.
func (o *idOrder) add(p []byte) {
	o.seen++
	if len(p) < canHead || p[4]&xlXLF != 0 {
		return
	}
	big, little := sensible(readU32(p, true)), sensible(readU32(p, false))
	switch {
	case big && !little:
		o.big++
	case little && !big:
		o.little++
	}
}

// settled reports whether more packets would not change the answer for the
// better: three of one mind, or 64 looked at.
func (o *idOrder) settled() bool {
	return o.big+o.little >= 3 || o.seen >= 64
}

// decide returns whether to read big endian: as the link type has it, unless
// every identifier that speaks at all speaks against it.
func (o *idOrder) decide(standard bool) (big bool) {
	if standard {
		return o.big > 0 || o.little == 0
	}
	return o.big > 0 && o.little == 0
}

// sensible reports whether an identifier word is one that a kernel makes.
func sensible(word uint32) bool {
	switch id := word & can.MaxExtendedID; {
	case word&flagERR != 0:
		return word&(flagRTR|flagEFF) == 0 && id&^knownErrorClasses == 0
	case word&flagEFF != 0:
		return true
	default:
		return id <= can.MaxStandardID
	}
}

func readU32(p []byte, big bool) uint32 {
	if big {
		return binary.BigEndian.Uint32(p)
	}
	return binary.LittleEndian.Uint32(p)
}

func readU16(p []byte, big bool) uint16 {
	if big {
		return binary.BigEndian.Uint16(p)
	}
	return binary.LittleEndian.Uint16(p)
}
