package service

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

func TestParseEmissionCodes(t *testing.T) {
	tests := []struct {
		answer, want, err string
	}{
		{"43 01 35", "stored P0135", ""},                                          // a forum's worked example: bits 00 00 0001 0011 0101
		{"43 01 33 03 01 00 00", "stored P0133,stored P0301", ""},                 // question and answer site: not on CAN, filled up
		{"43 02 01 02 01 13", "stored P0102,stored P0113", ""},                    // the same with CAN's count
		{"47 01 33 03 01 03 03", "pending P0133,pending P0301,pending P0303", ""}, // pending
		{"43 00", "", ""},
		{"4A 01 C1 00", "permanent U0100", ""},
		{"43 03 01 02 01 13", "", "announces 3 codes and sends 2"},
		{"41 00", "", "no answer"},
		{"", "", "no answer"},
	}
	for _, tt := range tests {
		codes, err := ParseEmissionCodes(raw(t, tt.answer))
		var got []string
		for _, c := range codes {
			got = append(got, string(c.Kind)+" "+c.Code)
		}
		if s := strings.Join(got, ","); s != tt.want {
			t.Errorf("%s: %q, want %q", tt.answer, s, tt.want)
		}
		wantError(t, tt.answer, err, tt.err)
	}
}

func wantError(t *testing.T, what string, err error, want string) {
	t.Helper()
	if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
		t.Errorf("%s: error %v, want %q", what, err, want)
	}
}

func TestParseCodes(t *testing.T) {
	listed := func(code string, status Status) Code {
		return Code{Code: code, Kind: Listed, Status: status, HasStatus: true}
	}
	tests := []struct {
		answer    string
		available Status
		want      []Code
		err       string
	}{
		// python-udsoncan, test_read_dtc_information.py.
		{"59 02 FB 12 34 56 20 12 34 57 60", 0xFB, []Code{listed("P1234-56", 0x20), listed("P1234-57", 0x60)}, ""},
		{"59 02 FB", 0xFB, nil, ""},
		// Public OBD test files: the status of the second is cut off.
		{"59 02 FF 01 04 2C 2F 04 01 11", 0xFF, []Code{listed("P0104-2C", 0x2F), {Code: "P0401-11", Kind: Listed}}, ""},
		{"59 0A 7B C1 00 87 09", 0x7B, []Code{listed("U0100-87", 0x09)}, ""},
		{"59 02 FB 00 00 00 00", 0xFB, nil, ""}, // filled up
		{"59 02 FB 12 34 56 20 12", 0, nil, "1 bytes too many"},
		{"59 01 FB", 0, nil, "no answer"},
		{"59", 0, nil, "no answer"},
	}
	for _, tt := range tests {
		available, codes, err := ParseCodes(raw(t, tt.answer))
		if d := cmp.Diff(tt.want, codes); d != "" || available != tt.available {
			t.Errorf("%s: available %02X\n%s", tt.answer, byte(available), d)
		}
		wantError(t, tt.answer, err, tt.err)
	}
}

func TestParseOthers(t *testing.T) {
	// python-udsoncan, test_read_dtc_information.py: 0x1234 codes in the format of ISO 14229-1.
	if n, err := ParseCount(raw(t, "59 01 FB 01 12 34")); n != 0x1234 || err != nil {
		t.Errorf("count %d, %v", n, err)
	}
	_, err := ParseCount(raw(t, "59 01 FB 01 12"))
	wantError(t, "count", err, "no answer")

	vins := map[string]string{
		"49 02 01 31 44 34 47 50 30 30 52 35 35 42 31 32 33 34 35 36":          "1D4GP00R55B123456", // OBD interpreter datasheet
		"49 02 01 57 50 30 5A 5A 5A 39 39 5A 54 53 33 39 32 31 32 34":          "WP0ZZZ99ZTS392124", // python-OBD, test_decoders.py
		"49 02 01 00 00 00 57 50 30 5A 5A 5A 39 39 5A 54 53 33 39 32 31 32 34": "WP0ZZZ99ZTS392124", // filled up in front
	}
	for answer, want := range vins {
		if got, err := ParseVIN(raw(t, answer)); got != want || err != nil {
			t.Errorf("%s: %q, %v; want %q", answer, got, err, want)
		}
	}
	_, err = ParseVIN(raw(t, "49 04 01 31"))
	wantError(t, "vin", err, "no answer")

	// Public OBD test files: a part number.
	if id, data, err := ParseData(raw(t, "62 F1 87 30 33 4C 39 30")); id != 0xF187 || string(data) != "03L90" || err != nil {
		t.Errorf("data %04X %q, %v", id, data, err)
	}
	_, _, err = ParseData(raw(t, "62 F1"))
	wantError(t, "data", err, "no answer")
}

// Bits: a public page on ISO 14229-1's status byte.
func TestStatus(t *testing.T) {
	for s, want := range map[Status]string{
		0x00: "",
		0x09: "failed now, confirmed",
		0x2F: "failed now, failed this drive, pending, confirmed, failed since clearing",
		0x50: "not tested since clearing, not tested this drive",
		0x80: "asks for the lamp",
	} {
		if got := s.String(); got != want {
			t.Errorf("%02X: %q, want %q", byte(s), got, want)
		}
		if got := s.Present(); got != (s != 0 && s != 0x50) {
			t.Errorf("%02X: present is %v", byte(s), got)
		}
	}
}

// python-udsoncan, ResponseCode.py: the numbers in use.
func TestRefusals(t *testing.T) {
	numbers := raw(t, "10 11 12 13 14 21 22 24 25 26 31 33 34 35 36 37 70 71 72 73 78 7E 7F 92 93")
	for _, code := range numbers {
		if w := (&Refusal{Service: 3, Code: code}).Words(); w == "" || strings.Contains(w, "maker") {
			t.Errorf("%02X: %q", code, w)
		}
	}
	if w := (&Refusal{Service: 3, Code: 0xF0}).Words(); !strings.Contains(w, "maker") {
		t.Errorf("F0: %q", w)
	}
}

// Addresses: ISO 15765-4 as python-OBD and scapy use it; the kernel's document on
// ISO-TP for the physical 29-bit pair.
func TestAddresses(t *testing.T) {
	asks := map[uint32]bool{0x7DF: true, 0x7E0: true, 0x7E7: true, 0x7E8: false, 0x7DE: false, 0x100: false}
	for id, want := range asks {
		if got := TesterAsks(id, false); got != want {
			t.Errorf("TesterAsks(%X) = %v", id, got)
		}
	}
	asks = map[uint32]bool{0x18DB33F1: true, 0x18DA42F1: true, 0x18DAF142: false, 0x18FEF100: false, 0x18DA42FA: true}
	for id, want := range asks {
		if got := TesterAsks(id, true); got != want {
			t.Errorf("TesterAsks(%X, 29-bit) = %v", id, got)
		}
	}
	for _, l := range Standard(true) {
		if l.Tx == 0x18DA42F1 && l.Rx == 0x18DAF142 && l.Extended {
			return
		}
	}
	t.Error("no link 18DA42F1 to 18DAF142")
}

// TestPermitted: what a reader may send, and that nothing else gets out.
func TestPermitted(t *testing.T) {
	cluster := Link{Tx: 0x720, Rx: 0x728}
	tests := []struct {
		id   uint32
		data string
		ok   bool
	}{
		{0x7DF, "01 03 CC CC CC CC CC CC", true},
		{0x7DF, "02 09 02 CC CC CC CC CC", true},
		{0x7E0, "30 00 00 CC CC CC CC CC", true},
		{0x720, "03 19 02 AF CC CC CC CC", true},
		{0x720, "03 22 F1 90 CC CC CC CC", true},
		{0x721, "03 22 F1 90 CC CC CC CC", false}, // no module of the car
		{0x100, "01 03 CC CC CC CC CC CC", false},
		{0x7DF, "01 04 CC CC CC CC CC CC", false}, // clear
		{0x7DF, "02 01 0C CC CC CC CC CC", false}, // live data: not asked for
		{0x7E0, "04 14 FF FF FF CC CC CC", false}, // clear
		{0x7E0, "02 10 03 CC CC CC CC CC", false}, // session
		{0x7E0, "02 11 01 CC CC CC CC CC", false}, // reset
		{0x7E0, "02 27 01 CC CC CC CC CC", false}, // key
		{0x7E0, "04 2E F1 90 00 CC CC CC", false}, // write
		{0x7E0, "04 31 01 02 03 CC CC CC", false}, // routine
		{0x7E0, "02 3E 00 CC CC CC CC CC", false}, // keep a session up
		{0x7E0, "02 19 04 CC CC CC CC CC", false}, // another kind of list
		{0x7E0, "02 03 04 CC CC CC CC CC", false}, // a second byte where none belongs
		{0x7E0, "10 14 22 F1 90 01 02 03", false}, // several frames
		{0x7E0, "21 14 22 F1 90 01 02 03", false},
		{0x7E0, "00 03 CC CC CC CC CC CC", false},
		{0x7E0, "01", false},
		{0x7E0, "", false},
	}
	for _, tt := range tests {
		f := &can.Frame{ID: tt.id}
		f.SetPayload(raw(t, tt.data))
		if err := Permitted(f, []Link{cluster}); (err == nil) != tt.ok {
			t.Errorf("0x%X %s: %v", tt.id, tt.data, err)
		}
	}
}
