package service

import (
	"fmt"
	"time"

	"plugproof/decode/can"
)

// The kinds of an ISO-TP frame: the high half of its first byte (ISO 15765-2).
const (
	kindSingle      = 0x0
	kindFirst       = 0x1
	kindConsecutive = 0x2
	kindFlow        = 0x3
)

// What a flow control frame asks for: the low half of its first byte.
const (
	flowGo       = 0
	flowWait     = 1
	flowOverflow = 2
)

const (
	maxShortLength = 4095    // bytes that the 12 bits of a first frame can announce
	maxMessage     = 1 << 16 // bytes we take: some 16,000 codes, more than a module has
	filler         = 0xCC    // of unused bytes: changes its bits often, so few stuff bits (from memory: ISO 15765-2)
)

// Link is how two parties talk: one identifier each way.
type Link struct {
	Tx, Rx   uint32 // identifiers of what we send and of what we receive
	Extended bool   // 29-bit identifiers
	FD       bool   // frames of up to 64 bytes
	Bus      uint16
}

// Timing of the transport. The zero value of a field takes the default.
type Timing struct {
	FlowControl time.Duration // N_Bs: the wait for a flow control frame; 1 s
	Consecutive time.Duration // N_Cr: the wait for the next consecutive frame; 1 s
	Separation  byte          // STmin that we ask for, as it stands in the frame
	Block       byte          // frames we take before we want to be asked again; 0: all
	MaxWaits    int           // "wait" frames in a row that we accept; 16
}

// withDefaults fills in ISO 15765-2's usual figures; makers' sheets go down to 150 ms.
func (t Timing) withDefaults() Timing {
	if t.FlowControl == 0 {
		t.FlowControl = time.Second
	}
	if t.Consecutive == 0 {
		t.Consecutive = time.Second
	}
	if t.MaxWaits == 0 {
		t.MaxWaits = 16
	}
	return t
}

// separation gives the pause between consecutive frames that a byte of a flow
// control frame asks for. Reserved values count as the longest, 127 ms (from
// memory: ISO 15765-2).
func separation(b byte) time.Duration {
	switch {
	case b <= 0x7F:
		return time.Duration(b) * time.Millisecond
	case b >= 0xF1 && b <= 0xF9:
		return time.Duration(b-0xF0) * 100 * time.Microsecond
	}
	return 127 * time.Millisecond
}

// frame makes a frame of the link with the bytes given, filled up to 8 bytes
// (ISO 15765-4 wants that) or to the next length of FD.
func (l *Link) frame(bytes ...byte) can.Frame {
	f := can.Frame{ID: l.Tx, Bus: l.Bus}
	if l.Extended {
		f.Flags |= can.Extended
	}
	if l.FD {
		f.Flags |= can.FD | can.BRS
	}
	size := len(bytes)
	for size < can.MaxClassicLen || int(can.DLCToLen(can.LenToDLC(size), true)) != size {
		size++
	}
	payload := make([]byte, size)
	for i := copy(payload, bytes); i < size; i++ {
		payload[i] = filler
	}
	f.SetPayload(payload)
	return f
}

// hears reports whether the frame is one that the other party sent on this link.
func (l *Link) hears(f *can.Frame) bool {
	return f.ID == l.Rx && f.Bus == l.Bus && f.Is(can.Extended) == l.Extended &&
		f.Flags&(can.Remote|can.Error) == 0 && f.Len > 0
}

// TransportError is a message that did not come through whole.
type TransportError struct {
	ID   uint32 // of the sender
	What string
}

func (e *TransportError) Error() string { return fmt.Sprintf("id 0x%X: %s", e.ID, e.What) }
