package rules

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The letters and digits of trouble codes: python-OBD tests/test_decoders.py for
// the first four, a public table of network codes as decimal numbers for the
// others (49408 is C100, 49472 is C140).
func TestDecodeCode(t *testing.T) {
	for raw, want := range map[uint16]string{
		0x0104: "P0104", 0x4123: "C0123", 0x8003: "B0003", 0x0000: "",
		0xC123: "U0123", 0x0301: "P0301", 0x0420: "P0420",
		49408: "U0100", 0xC122: "U0122", 0xC131: "U0131", 49472: "U0140", 0xC401: "U0401", 0xC415: "U0415",
	} {
		if got := DecodeCode(raw); got != want {
			t.Errorf("%04X is %q, want %q", raw, got, want)
		}
	}
	// Three bytes: U0100-00 and U3000-00 of the same public table; the failure
	// type 87, message missing, of service manuals of two makers.
	for raw, want := range map[uint32]string{
		0xC10000: "U0100-00", 0xF00000: "U3000-00", 0xC10087: "U0100-87", 0: "",
	} {
		if got := DecodeLongCode(raw); got != want {
			t.Errorf("%06X is %q, want %q", raw, got, want)
		}
	}
}

// Whose messages a network code is about: the assignments of SAE J2012, as
// python-OBD obd/codes.py lists them; the words are ours.
func TestCodeMeans(t *testing.T) {
	for code, want := range map[string]string{
		"U0001": "TCM cannot use the fast CAN bus", "U0028": "TCM cannot use bus A", "U0037": "TCM cannot use bus B",
		"U0073": "TCM was cut off the bus (bus-off)",
		"U0100": "TCM misses the messages of the engine controller",
		"U0101": "TCM misses the messages of the gearbox controller",
		"U0102": "TCM misses the messages of the transfer case",
		"U0103": "TCM misses the messages of the gear shift module",
		"U0110": "TCM misses the messages of the drive motor controller",
		"U0121": "TCM misses the messages of the brake or stability controller",
		"U0122": "TCM misses the messages of the vehicle dynamics controller",
		"U0126": "TCM misses the messages of the steering angle sensor",
		"U0129": "TCM misses the messages of the brake or stability controller",
		"U0131": "TCM misses the messages of the steering",
		"U0140": "TCM misses the messages of the body controller",
		"U0151": "TCM misses the messages of the restraint controller",
		"U0155": "TCM misses the messages of the instrument cluster",
		"U0159": "TCM misses the messages of the parking assistance",
		"U0164": "TCM misses the messages of the climate control",
		"U0168": "TCM misses the messages of the immobiliser",
		"U0184": "TCM misses the messages of the radio",
		"U0401": "TCM does not believe what it gets from the engine controller",
		"U0402": "TCM does not believe what it gets from the gearbox controller",
		"U0415": "TCM does not believe what it gets from the brake or stability controller",
		"U0426": "TCM does not believe what it gets from the immobiliser",

		"U0100-87": "TCM misses the messages of the engine controller (failure type: message missing)",
		"P0300":    "", "U1999": "",
	} {
		c := Code{Module: "TCM", Code: code}
		if got := c.Means(); got != want {
			t.Errorf("%s: %q, want %q", code, got, want)
		}
	}
}

func TestParseCodes(t *testing.T) {
	for name, row := range map[string]struct {
		in   string
		want []Code
	}{
		"columns": {"TCM  U0100  lost engine\nABS\tu0401-87\tbad data\n", []Code{
			{"TCM", "U0100", "lost engine", 1}, {"ABS", "U0401-87", "bad data", 2},
		}},
		"headings": {"[Gearbox]\nU010087 lost engine (stored)\n\nModule: ECM\n  P0300 - misfire\n", []Code{
			{"Gearbox", "U0100-87", "lost engine (stored)", 2}, {"ECM", "P0300", "misfire", 5},
		}},
		"several":   {"1) TCM: U0100, U0101\n", []Code{{"TCM", "U0100", "", 1}, {"TCM", "U0101", "", 1}}},
		"commas":    {"TCM,U0100,87,lost engine\n", []Code{{"TCM", "U0100-87", "lost engine", 1}}},
		"bare":      {"P0420", []Code{{"", "P0420", "", 1}}},
		"no codes":  {"TCM: no trouble codes\n", nil},
		"a heading": {"TCM:\nnone\nABS:\nU0100\n", []Code{{"ABS", "U0100", "", 4}}},
	} {
		got, err := ParseCodes("list.txt", []byte(row.in))
		if diff := cmp.Diff(row.want, got); diff != "" || err != nil {
			t.Errorf("%s: %v\n%s", name, err, diff)
		}
	}
	for _, bad := range []string{"", "\n", "the battery is flat", "P4000 X0100 U01"} {
		if got, err := ParseCodes("list.txt", []byte(bad)); err == nil {
			t.Errorf("%q gives %v", bad, got)
		}
	}
}
