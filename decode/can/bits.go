package can

import "encoding/binary"

// A classic frame on the wire, most significant bit first. Stuffing and CRC
// cover what stands before the bar:
//
//	11-bit: SOF id[11]                  RTR IDE r0    DLC[4] data CRC[15] | delimiter ACK[2] EOF[7] intermission[3]
//	29-bit: SOF id[11] SRR IDE id[18]   RTR r1 r0     DLC[4] data CRC[15] | the same
//
// An FD frame: dynamic stuffing ends with the data; the CRC field that follows
// (stuff count, CRC, delimiter) has stuff bits at fixed places. With BRS, what
// stands between BRS and ACK runs at the data bit rate:
//
//	11-bit: SOF id[11]                  RRS IDE FDF res BRS ESI DLC[4] data | CRC field ACK[2] EOF[7] intermission[3]
//	29-bit: SOF id[11] SRR IDE id[18]   RRS     FDF res BRS ESI DLC[4] data | the same
//
// Field widths: linux/can/length.h.
const (
	classicTail = 1 + 2 + 7 + 3 // CRC delimiter, ACK, end of frame, intermission
	fdTail      = 2 + 7 + 3     // ACK, end of frame, intermission
	crc15Bits   = 15
	fdAfterBRS  = 1 + 4                 // ESI, DLC
	fdCRC17     = 4 + 17 + 1 + 6        // stuff count, CRC, delimiter, fixed stuff bits
	fdCRC21     = 4 + 21 + 1 + 7        // for more than 16 bytes
	maxCRCBytes = 5 + MaxClassicLen     // a 29-bit header, padded to bytes, and its data
	alternating = 0x5555_5555_5555_5555 // bits that need no stuffing and end in 1
)

// WireBits returns the exact number of bits that a valid frame occupies on the
// bus, stuff bits and the 3-bit intermission included: those at the arbitration
// bit rate and those at the FD data bit rate (0 without BRS). An error frame
// gives 0, 0: its length is not recorded in a capture.
func (f *Frame) WireBits() (nominal, data int) {
	switch {
	case f.Flags&Error != 0:
		return 0, 0
	case f.Flags&FD != 0:
		return f.fdBits()
	}
	header, bits := f.classicHeader()
	n := f.carried(MaxClassicLen)

	crc := crc15(header, binary.BigEndian.Uint64(f.Data[:]), n)
	s := stuffing(header, bits)
	for _, b := range f.Data[:n] {
		s.add(b)
	}
	// The 15 CRC bits are made two bytes by a bit that ends any run.
	s.add(byte(crc >> 7))
	s.add(byte(crc<<1) | byte(^crc&1))
	return bits + 8*n + crc15Bits + s.count + classicTail, 0
}

func (f *Frame) fdBits() (nominal, data int) {
	header, bits := f.fdHeader()
	n := f.carried(MaxFDLen)
	s := stuffing(header, bits)
	last := byte(header)
	for _, b := range f.Data[:n] {
		s.add(b)
		last = b
	}
	if s.lastBit() != int(last&1) {
		s.count-- // a stuff bit behind the last data bit: the first fixed one stands there instead
	}
	least, fast := MinWireBits(f.Flags, n)
	if f.Flags&BRS == 0 {
		return least + s.count, 0
	}
	slow := stuffing(header>>fdAfterBRS, bits-fdAfterBRS).count
	return least + slow, fast + s.count - slow
}

// MinWireBits returns the bits of a frame with a payload of the given length as
// WireBits does, but without any stuff bits other than the fixed ones of FD.
// Of kind, the flags Extended, Remote, FD and BRS count.
func MinWireBits(kind Flags, length int) (nominal, data int) {
	header := headerBits(kind)
	switch {
	case kind&Remote != 0:
		return header + crc15Bits + classicTail, 0
	case kind&FD == 0:
		return header + 8*length + crc15Bits + classicTail, 0
	}
	after := 8*length + fdCRC17
	if length > 16 {
		after = 8*length + fdCRC21
	}
	if kind&BRS == 0 {
		return header + after + fdTail, 0
	}
	return header - fdAfterBRS + fdTail, fdAfterBRS + after
}

// MaxWireBits returns what no frame of that kind and length exceeds: N bits
// subject to stuffing get at most (N-1)/4 stuff bits, the first after five
// bits, then one every four (linux/can/length.h).
func MaxWireBits(kind Flags, length int) (nominal, data int) {
	nominal, data = MinWireBits(kind, length)
	stuffed := headerBits(kind) + 8*length
	switch {
	case kind&Remote != 0:
		stuffed = headerBits(kind) + crc15Bits
	case kind&FD == 0:
		stuffed += crc15Bits
	}
	stuff := (stuffed - 1) / 4
	if kind&BRS == 0 {
		return nominal + stuff, 0
	}
	slow := (headerBits(kind) - fdAfterBRS - 1) / 4
	return nominal + slow, data + stuff - slow
}

// headerBits counts start of frame up to the DLC.
func headerBits(kind Flags) int {
	switch {
	case kind&(FD|Extended) == FD|Extended:
		return 41
	case kind&FD != 0:
		return 22
	case kind&Extended != 0:
		return 39
	}
	return 19
}

// carried returns the payload bytes on the wire, never more than limit.
func (f *Frame) carried(limit int) int {
	if f.Flags&Remote != 0 {
		return 0
	}
	return min(int(f.Len), limit)
}

// classicHeader returns start of frame up to the DLC, and how many bits that is.
func (f *Frame) classicHeader() (header uint64, bits int) {
	tail := uint64(f.DLC & 15)
	if f.Flags&Remote != 0 {
		tail |= 1 << 6
	}
	if f.Flags&Extended == 0 {
		return uint64(f.ID&MaxStandardID)<<7 | tail, headerBits(0)
	}
	return f.extendedID()<<7 | tail, headerBits(Extended)
}

// fdHeader is classicHeader for FD.
func (f *Frame) fdHeader() (header uint64, bits int) {
	tail := uint64(f.DLC&15) | 1<<7 // FDF
	if f.Flags&BRS != 0 {
		tail |= 1 << 5
	}
	if f.Flags&ESI != 0 {
		tail |= 1 << 4
	}
	if f.Flags&Extended == 0 {
		return uint64(f.ID&MaxStandardID)<<10 | tail, headerBits(FD)
	}
	return f.extendedID()<<9 | tail, headerBits(FD | Extended)
}

// extendedID returns a 29-bit identifier with SRR and IDE between its two parts.
func (f *Frame) extendedID() uint64 {
	id := uint64(f.ID & MaxExtendedID)
	return id>>18<<20 | 3<<18 | id&(1<<18-1)
}

// stuffer counts stuff bits byte by byte.
type stuffer struct {
	state int // its low 3 bits: see stuffTable
	count int
}

// stuffing starts with a header of the given number of bits. Alternating bits
// lead in to make whole bytes: start of frame is a 0 and follows a 1 on the bus
// too.
func stuffing(header uint64, bits int) stuffer {
	var s stuffer
	header |= alternating << bits
	for shift := (bits+7)&^7 - 8; shift >= 0; shift -= 8 {
		s.add(byte(header >> shift))
	}
	return s
}

func (s *stuffer) add(b byte) {
	step := int(stuffTable[int(b)<<3|s.state&7])
	s.state = step
	s.count += step >> 3
}

// lastBit returns the bit sent last, which may be a stuff bit.
func (s *stuffer) lastBit() int { return s.state >> 2 & 1 }

// stuffTable says what a byte does to a stuffer in each of its 8 states. An
// index is byte * 8 + state; an entry is new stuff bits * 8 + next state; a
// state is last bit * 4 + run - 1. A run of five never lasts: its stuff bit
// starts a run of one.
var stuffTable = buildStuffTable()

func buildStuffTable() (table [256 << 3]uint8) {
	for i := range table {
		bit, run, count := i>>2&1, i&3+1, 0
		for k := 10; k >= 3; k-- {
			if next := i >> k & 1; next != bit {
				bit, run = next, 0
			}
			if run++; run == 5 {
				bit, run = bit^1, 1
				count++
			}
		}
		table[i] = uint8(count<<3 | bit<<2 | (run - 1))
	}
	return table
}

// crc15 returns the CRC over a classic header and the first n bytes of data,
// which stand in its upper end. The register starts at zero, so zeros may lead
// in to make whole bytes, and each byte adds its share on its own.
func crc15(header, data uint64, n int) uint16 {
	high := header >> (64 - 8*n)
	low := header<<(8*n) | data>>(64-8*n)
	t := &crcShare
	return t[0][byte(low)] ^ t[1][byte(low>>8)] ^ t[2][byte(low>>16)] ^ t[3][byte(low>>24)] ^
		t[4][byte(low>>32)] ^ t[5][byte(low>>40)] ^ t[6][byte(low>>48)] ^ t[7][byte(low>>56)] ^
		t[8][byte(high)] ^ t[9][byte(high>>8)] ^ t[10][byte(high>>16)] ^ t[11][byte(high>>24)] ^
		t[12][byte(high>>32)]
}

// crcShare[k][b] is what a byte b followed by k bytes adds to the CRC-15:
// polynomial 0x4599, register starting at zero, most significant bit first.
var crcShare = buildCRCShare()

func buildCRCShare() (table [maxCRCBytes][256]uint16) {
	for b := range 256 {
		crc := uint16(b) << 7
		for k := range table {
			for range 8 {
				crc <<= 1
				if crc&(1<<crc15Bits) != 0 {
					crc ^= 1<<crc15Bits | 0x4599
				}
			}
			table[k][b] = crc
		}
	}
	return table
}
