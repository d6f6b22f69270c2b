package can

import (
	"fmt"
	"strings"
)

// The slow reference: a frame as a string of '0' and '1', built field by field
// from the tables of linux/can/length.h, sharing nothing with the code under test.

// wire is one frame, bit by bit. Stuff bits are '0' or '1' like the others.
type wire struct {
	nominal, data string // the bits at each bit rate
	crc           uint64 // classic only
	stuff         int    // dynamic stuff bits
	stuffed       string // classic: start of frame to CRC
}

func referenceWire(f *Frame) wire {
	if f.Flags&FD != 0 {
		return referenceFD(f)
	}
	return referenceClassic(f)
}

func referenceClassic(f *Frame) wire {
	rtr := "0"
	if f.Flags&Remote != 0 {
		rtr = "1"
	}
	var raw string
	if f.Flags&Extended == 0 {
		raw = "0" + bitString(f.ID, 11) + rtr + "0" + "0"
	} else {
		raw = "0" + bitString(f.ID>>18, 11) + "1" + "1" + bitString(f.ID&0x3FFFF, 18) + rtr + "0" + "0"
	}
	raw += bitString(uint32(f.DLC), 4)
	for _, b := range f.Payload() {
		raw += bitString(uint32(b), 8)
	}
	w := wire{crc: referenceCRC(raw, 15, 0x4599, 0)}
	raw += bitString(uint32(w.crc), 15)
	w.stuffed = referenceStuff(raw)
	w.stuffed += due(w.stuffed) // the CRC's last bit is stuffed too
	w.stuff = len(w.stuffed) - len(raw)
	w.nominal = w.stuffed + "1" + "01" + "1111111" + "111"
	return w
}

func referenceFD(f *Frame) wire {
	bit := map[bool]string{true: "1", false: "0"}
	raw := "0" + bitString(f.ID, 11) + "0" + "0"
	if f.Flags&Extended != 0 {
		raw = "0" + bitString(f.ID>>18, 11) + "1" + "1" + bitString(f.ID&0x3FFFF, 18) + "0"
	}
	raw += "1" + "0" + bit[f.Is(BRS)]
	untilBRS := len(raw)
	raw += bit[f.Is(ESI)] + bitString(uint32(f.DLC), 4)
	for _, b := range f.Payload() {
		raw += bitString(uint32(b), 8)
	}
	// What would stuff the last bit is not wanted: the first fixed one follows.
	dynamic := referenceStuff(raw)
	w := wire{stuff: len(dynamic) - len(raw)}

	crcBits := 17
	if f.Len > 16 {
		crcBits = 21
	}
	field := strings.Repeat("0", 4+crcBits) // stuff count and CRC: their values do not matter here
	fixed := ""
	for i := 0; i < len(field); i += 4 {
		fixed += "1" + field[i:min(i+4, len(field))]
	}
	tail := "01" + "1111111" + "111"
	if !f.Is(BRS) {
		w.nominal = dynamic + fixed + "1" + tail
		return w
	}
	slow := len(referenceStuff(raw[:untilBRS]))
	w.nominal = dynamic[:slow] + tail
	w.data = dynamic[slow:] + fixed + "1"
	return w
}

// referenceStuff inserts after five equal bits one of the other kind, which
// counts for the next run. It does so when the next bit comes: five equal bits
// at the end stay bare.
func referenceStuff(raw string) string {
	s := ""
	for _, bit := range raw {
		s += due(s) + string(bit)
	}
	return s
}

// due returns the stuff bit that s calls for, or nothing.
func due(s string) string {
	switch {
	case strings.HasSuffix(s, "00000"):
		return "1"
	case strings.HasSuffix(s, "11111"):
		return "0"
	}
	return ""
}

// referenceCRC divides bit by bit.
func referenceCRC(bits string, width int, poly, init uint64) uint64 {
	crc := init
	for _, bit := range bits {
		top := crc >> (width - 1) & 1
		crc = crc << 1 & (1<<width - 1)
		if top != uint64(bit-'0') {
			crc ^= poly
		}
	}
	return crc
}

func bitString(v uint32, width int) string { return fmt.Sprintf("%0*b", width, v) }
