package can

import (
	"fmt"
	"iter"
	"math/bits"
	"strings"
)

// ErrorClass is one of the things that a SocketCAN error frame can report. Its
// number is that of the bit in the frame's ID (linux/can/error.h).
type ErrorClass uint8

// The classes.
const (
	ClassTxTimeout ErrorClass = iota
	ClassLostArbitration
	ClassController
	ClassProtocol
	ClassTransceiver
	ClassNoAck
	ClassBusOff
	ClassBus
	ClassRestarted
	ClassCounters   // not a fault: says that the error counters are in the frame
	ClassUnknown    // any bit that error.h of Linux 6.1 does not know
	NumErrorClasses // how many there are, for tables
)

var classNames = [NumErrorClasses]string{
	"transmit timeout", "lost arbitration", "controller state", "protocol violation",
	"transceiver fault", "no acknowledgement", "bus off", "bus error", "controller restarted",
	"error counters", "unknown class",
}

// String returns the class in words.
func (c ErrorClass) String() string {
	if c < NumErrorClasses {
		return classNames[c]
	}
	return fmt.Sprintf("error class %d", uint8(c))
}

// ErrorClasses yields the classes that an error frame reports, lowest bit first;
// ClassUnknown comes last and once. It yields nothing for other frames.
func (f *Frame) ErrorClasses() iter.Seq[ErrorClass] {
	return func(yield func(ErrorClass) bool) {
		set := f.ID & MaxExtendedID
		if f.Flags&Error == 0 {
			set = 0
		}
		if known := uint32(1<<ClassUnknown - 1); set&^known != 0 {
			set = set&known | 1<<ClassUnknown
		}
		for ; set != 0; set &= set - 1 {
			if !yield(ErrorClass(bits.TrailingZeros32(set))) {
				return
			}
		}
	}
}

// ErrorText says in words what a SocketCAN error frame reports: its classes in
// the order of ErrorClasses, each with the details from its data byte. It
// returns "" for other frames.
func (f *Frame) ErrorText() string {
	var parts []string
	for c := range f.ErrorClasses() {
		part := c.String()
		if c == ClassUnknown {
			part = fmt.Sprintf("%s %#x", part, f.ID&MaxExtendedID>>ClassUnknown<<ClassUnknown)
		}
		if detail := f.errorDetail(c); detail != "" {
			part += ": " + detail
		}
		parts = append(parts, part)
	}
	// Kernels before the class bit existed put the counters there all the same.
	if f.Flags&Error != 0 && f.ID&(1<<ClassCounters) == 0 && f.Data[6]|f.Data[7] != 0 {
		parts = append(parts, ClassCounters.String()+": "+f.errorDetail(ClassCounters))
	}
	return strings.Join(parts, "; ")
}

func (f *Frame) errorDetail(c ErrorClass) string {
	switch c {
	case ClassLostArbitration:
		if f.Data[0] != 0 {
			return fmt.Sprintf("at bit %d", f.Data[0])
		}
	case ClassController:
		return bitWords(f.Data[1], &controllerWords)
	case ClassProtocol:
		return protocolDetail(f.Data[2], f.Data[3])
	case ClassTransceiver:
		return transceiverDetail(f.Data[4])
	case ClassCounters:
		return fmt.Sprintf("sending %s, receiving %s", counterState(f.Data[6]), counterState(f.Data[7]))
	}
	return ""
}

var controllerWords = [8]string{
	"receive buffer overflowed", "transmit buffer overflowed",
	"many receive errors (warning level)", "many transmit errors (warning level)",
	"receive errors made it passive", "transmit errors made it passive",
	"back to error-active", "",
}

var protocolWords = [8]string{
	"a bit read back wrong", "fixed-form bit wrong", "stuff rule broken",
	"could not drive dominant", "could not drive recessive",
	"overload on the bus", "error flag sent while active", "while transmitting",
}

// protocolPlaces says where in the frame the fault was seen.
var protocolPlaces = map[byte]string{
	0x02: "identifier bits 28 to 21", 0x03: "start of frame",
	0x04: "substitute remote bit", 0x05: "identifier extension bit",
	0x06: "identifier bits 20 to 18", 0x07: "identifier bits 17 to 13",
	0x08: "CRC", 0x09: "reserved bit 0", 0x0A: "data", 0x0B: "data length code",
	0x0C: "remote bit", 0x0D: "reserved bit 1", 0x0E: "identifier bits 4 to 0",
	0x0F: "identifier bits 12 to 5", 0x12: "intermission", 0x18: "CRC delimiter",
	0x19: "acknowledge slot", 0x1A: "end of frame", 0x1B: "acknowledge delimiter",
}

func protocolDetail(kinds, place byte) string {
	text := bitWords(kinds, &protocolWords)
	if place == 0 {
		return text
	}
	where, ok := protocolPlaces[place]
	if !ok {
		where = fmt.Sprintf("unknown place %#x", place)
	}
	return strings.TrimPrefix(text+", in: "+where, ", ")
}

// lineFaults holds the low and the high nibble's values; the wires share them
// but for the nibble.
var lineFaults = map[byte]string{
	4: "not connected", 5: "shorted to battery", 6: "shorted to supply", 7: "shorted to ground",
}

func transceiverDetail(b byte) string {
	var parts []string
	for _, wire := range []struct {
		name  string
		fault byte
	}{{"CAN high", b & 15}, {"CAN low", b >> 4}} {
		switch text, ok := lineFaults[wire.fault]; {
		case ok:
			parts = append(parts, wire.name+" "+text)
		case wire.fault == 8 && wire.name == "CAN low":
			parts = append(parts, "CAN low shorted to CAN high")
		case wire.fault != 0:
			parts = append(parts, fmt.Sprintf("%s unknown fault %#x", wire.name, wire.fault))
		}
	}
	return strings.Join(parts, ", ")
}

// counterState adds to an error counter what state it puts a controller in.
func counterState(n byte) string {
	switch {
	case n < 96:
		return fmt.Sprintf("%d (active)", n)
	case n < 128:
		return fmt.Sprintf("%d (warning)", n)
	}
	return fmt.Sprintf("%d (passive)", n)
}

// bitWords joins the words of the bits that are set, lowest first.
func bitWords(b byte, words *[8]string) string {
	var parts []string
	for i, word := range words {
		switch {
		case b>>i&1 == 0:
		case word == "":
			parts = append(parts, fmt.Sprintf("unknown detail %#x", 1<<i))
		default:
			parts = append(parts, word)
		}
	}
	return strings.Join(parts, ", ")
}
