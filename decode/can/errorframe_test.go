package can

import (
	"slices"
	"strings"
	"testing"
)

func errorFrame(class uint32, data ...byte) *Frame {
	f := &Frame{ID: class, Flags: Error, Len: 8, DLC: 8}
	copy(f.Data[:], data)
	return f
}

// Class bits and detail bytes: linux/can/error.h of Linux 6.1.
func TestErrorText(t *testing.T) {
	tests := []struct {
		class uint32
		data  []byte
		want  string
	}{
		{0x001, nil, "transmit timeout"},
		{0x002, nil, "lost arbitration"},
		{0x002, []byte{29}, "lost arbitration: at bit 29"},
		{0x004, nil, "controller state"},
		{0x004, []byte{0, 0x01}, "controller state: receive buffer overflowed"},
		{0x004, []byte{0, 0x02}, "controller state: transmit buffer overflowed"},
		{0x004, []byte{0, 0x04}, "controller state: many receive errors (warning level)"},
		{0x004, []byte{0, 0x08}, "controller state: many transmit errors (warning level)"},
		{0x004, []byte{0, 0x10}, "controller state: receive errors made it passive"},
		{0x004, []byte{0, 0x20}, "controller state: transmit errors made it passive"},
		{0x004, []byte{0, 0x40}, "controller state: back to error-active"},
		{0x004, []byte{0, 0x80}, "controller state: unknown detail 0x80"},
		{0x004, []byte{0, 0x30}, "controller state: receive errors made it passive, transmit errors made it passive"},
		{0x008, nil, "protocol violation"},
		{0x008, []byte{0, 0, 0x01}, "protocol violation: a bit read back wrong"},
		{0x008, []byte{0, 0, 0x02}, "protocol violation: fixed-form bit wrong"},
		{0x008, []byte{0, 0, 0x04}, "protocol violation: stuff rule broken"},
		{0x008, []byte{0, 0, 0x08}, "protocol violation: could not drive dominant"},
		{0x008, []byte{0, 0, 0x10}, "protocol violation: could not drive recessive"},
		{0x008, []byte{0, 0, 0x20}, "protocol violation: overload on the bus"},
		{0x008, []byte{0, 0, 0x40}, "protocol violation: error flag sent while active"},
		{0x008, []byte{0, 0, 0x80}, "protocol violation: while transmitting"},
		{0x008, []byte{0, 0, 0, 0x03}, "protocol violation: in: start of frame"},
		{0x008, []byte{0, 0, 0x84, 0x08}, "protocol violation: stuff rule broken, while transmitting, in: CRC"},
		{0x008, []byte{0, 0, 0x04, 0x1F}, "protocol violation: stuff rule broken, in: unknown place 0x1f"},
		{0x010, nil, "transceiver fault"},
		{0x010, []byte{4: 0x04}, "transceiver fault: CAN high not connected"},
		{0x010, []byte{4: 0x05}, "transceiver fault: CAN high shorted to battery"},
		{0x010, []byte{4: 0x06}, "transceiver fault: CAN high shorted to supply"},
		{0x010, []byte{4: 0x07}, "transceiver fault: CAN high shorted to ground"},
		{0x010, []byte{4: 0x40}, "transceiver fault: CAN low not connected"},
		{0x010, []byte{4: 0x50}, "transceiver fault: CAN low shorted to battery"},
		{0x010, []byte{4: 0x60}, "transceiver fault: CAN low shorted to supply"},
		{0x010, []byte{4: 0x70}, "transceiver fault: CAN low shorted to ground"},
		{0x010, []byte{4: 0x80}, "transceiver fault: CAN low shorted to CAN high"},
		{0x010, []byte{4: 0x47}, "transceiver fault: CAN high shorted to ground, CAN low not connected"},
		{0x010, []byte{4: 0x08}, "transceiver fault: CAN high unknown fault 0x8"},
		{0x010, []byte{4: 0x90}, "transceiver fault: CAN low unknown fault 0x9"},
		{0x020, nil, "no acknowledgement"},
		{0x040, nil, "bus off"},
		{0x080, nil, "bus error"},
		{0x100, nil, "controller restarted"},
		{0x200, nil, "error counters: sending 0 (active), receiving 0 (active)"},
		{0x200, []byte{6: 95, 7: 96}, "error counters: sending 95 (active), receiving 96 (warning)"},
		{0x200, []byte{6: 127, 7: 128}, "error counters: sending 127 (warning), receiving 128 (passive)"},
		{0x004, []byte{1: 0x20, 6: 136}, // counters without their class bit: older kernels, from memory
			"controller state: transmit errors made it passive; error counters: sending 136 (passive), receiving 0 (active)"},
		{0x400, nil, "unknown class 0x400"},
		{0x10000040, nil, "bus off; unknown class 0x10000000"},
		{
			0x0A8,
			[]byte{2: 0x80, 3: 0x19},
			"protocol violation: while transmitting, in: acknowledge slot; no acknowledgement; bus error",
		},
		{0, nil, ""},
	}
	for _, tt := range tests {
		if got := errorFrame(tt.class, tt.data...).ErrorText(); got != tt.want {
			t.Errorf("class %#x data % X:\n got %s\nwant %s", tt.class, tt.data, got, tt.want)
		}
	}
}

func TestErrorPlaces(t *testing.T) {
	places := map[byte]string{
		0x03: "start of frame", 0x02: "identifier bits 28 to 21", 0x06: "identifier bits 20 to 18",
		0x04: "substitute remote bit", 0x05: "identifier extension bit", 0x07: "identifier bits 17 to 13",
		0x0F: "identifier bits 12 to 5", 0x0E: "identifier bits 4 to 0", 0x0C: "remote bit",
		0x0D: "reserved bit 1", 0x09: "reserved bit 0", 0x0B: "data length code", 0x0A: "data",
		0x08: "CRC", 0x18: "CRC delimiter", 0x19: "acknowledge slot", 0x1B: "acknowledge delimiter",
		0x1A: "end of frame", 0x12: "intermission",
	}
	for b := range 256 {
		text := errorFrame(0x008, 0, 0, 0, byte(b)).ErrorText()
		want, known := places[byte(b)]
		switch {
		case b == 0 && text == "protocol violation":
		case known && text == "protocol violation: in: "+want:
		case b != 0 && !known && strings.Contains(text, "unknown place"):
		default:
			t.Errorf("place %#x: %q", b, text)
		}
	}
}

func TestErrorClasses(t *testing.T) {
	var all []ErrorClass
	for c := range NumErrorClasses {
		all = append(all, c)
		if c.String() == "" || strings.Contains(c.String(), "error class") {
			t.Errorf("class %d has no name", c)
		}
	}
	if got := NumErrorClasses.String(); got != "error class 11" {
		t.Errorf("a class out of range: %q", got)
	}
	if got := slices.Collect(errorFrame(MaxExtendedID).ErrorClasses()); !slices.Equal(got, all) {
		t.Errorf("classes %v, want %v", got, all)
	}
	for c := range errorFrame(0x3).ErrorClasses() { // stopping early is allowed
		if c != ClassTxTimeout {
			t.Errorf("first class %v", c)
		}
		break
	}
	data := Frame{ID: 0x40, Len: 8, DLC: 8, Data: [64]byte{6: 200}}
	if got := slices.Collect(data.ErrorClasses()); len(got) != 0 || data.ErrorText() != "" {
		t.Errorf("a data frame: %v, %q", got, data.ErrorText())
	}
}
