package can

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// linux/can/length.h and drivers/net/can/dev/length.c.
func TestLengthCodes(t *testing.T) {
	fd := []uint8{0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64}
	for dlc, want := range fd {
		if got := DLCToLen(uint8(dlc), true); got != want {
			t.Errorf("FD length of code %d = %d, want %d", dlc, got, want)
		}
		if got := DLCToLen(uint8(dlc), false); got != min(uint8(dlc), 8) {
			t.Errorf("classic length of code %d = %d", dlc, got)
		}
	}
	for _, tt := range []struct {
		from, to int
		dlc      uint8
	}{{0, 0, 0}, {8, 8, 8}, {9, 12, 9}, {13, 16, 10}, {17, 20, 11}, {21, 24, 12}, {25, 32, 13}, {33, 48, 14}, {49, 64, 15}, {65, 70, 15}} {
		for n := tt.from; n <= tt.to; n++ {
			if got := LenToDLC(n); got != tt.dlc {
				t.Errorf("code of %d bytes = %d, want %d", n, got, tt.dlc)
			}
		}
	}
}

func TestValid(t *testing.T) {
	tests := []struct {
		name string
		f    Frame
		want error // nil, or the sentinel
		text string
	}{
		{"empty", Frame{}, nil, ""},
		{"largest standard", Frame{ID: MaxStandardID, Len: 8, DLC: 8}, nil, ""},
		{"largest extended", Frame{ID: MaxExtendedID, Flags: Extended}, nil, ""},
		{"small extended", Frame{ID: 0x55, Flags: Extended}, nil, ""},
		{"raw code", Frame{Len: 8, DLC: 15}, nil, ""},
		{"remote", Frame{Flags: Remote, Len: 7, DLC: 7}, nil, ""},
		{"error frame", Frame{ID: 0x20, Flags: Error, Len: 8, DLC: 8}, nil, ""},
		{"all error bits", Frame{ID: MaxExtendedID, Flags: Error, Len: 8, DLC: 8}, nil, ""},
		{"FD", Frame{Flags: FD | BRS | ESI, Len: 64, DLC: 15}, nil, ""},

		{"standard too large", Frame{ID: 0x800}, ErrID, "0x800"},
		{"extended too large", Frame{ID: 0x20000000, Flags: Extended}, ErrID, "0x20000000"},
		{"error too large", Frame{ID: 0x20000000, Flags: Error, Len: 8, DLC: 8}, ErrID, "0x20000000"},
		{"classic of 9", Frame{Len: 9, DLC: 9}, ErrLength, "9 bytes with DLC 9"},
		{"length without code", Frame{Len: 3}, ErrLength, "3 bytes with DLC 0"},
		{"code without length", Frame{DLC: 3}, ErrLength, "0 bytes with DLC 3"},
		{"code 16", Frame{Len: 8, DLC: 16}, ErrLength, "DLC 16"},
		{"FD code 16", Frame{Flags: FD, DLC: 16}, ErrLength, "DLC 16"},
		{"FD of 9", Frame{Flags: FD, Len: 9, DLC: 9}, ErrLength, "9 bytes with DLC 9"},
		{"remote FD", Frame{Flags: Remote | FD}, ErrKind, "remote"},
		{"remote error", Frame{Flags: Remote | Error, Len: 8, DLC: 8}, ErrKind, "remote"},
		{"BRS alone", Frame{Flags: BRS}, ErrKind, "without FD"},
		{"ESI alone", Frame{Flags: ESI}, ErrKind, "without FD"},
		{"FD error", Frame{Flags: FD | Error, Len: 8, DLC: 8}, ErrKind, "FD"},
	}
	for _, tt := range tests {
		err := tt.f.Valid()
		if !errors.Is(err, tt.want) || (err == nil) != (tt.want == nil) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
			continue
		}
		if err != nil && !strings.Contains(err.Error(), tt.text) {
			t.Errorf("%s: %q does not say %q", tt.name, err, tt.text)
		}
	}
}

func TestSetPayload(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := Frame{}
		limit := MaxClassicLen
		if rapid.Bool().Draw(t, "fd") {
			f.Flags, limit = FD, MaxFDLen
		}
		for range 2 { // the second payload meets the rest of the first
			p := rapid.SliceOfN(rapid.ByteRange(1, 255), 0, limit).Draw(t, "payload")
			f.SetPayload(p)
			if err := f.Valid(); err != nil {
				t.Fatal(err)
			}
			got := f.Payload()
			if len(got) < len(p) || !bytes.Equal(got[:len(p)], p) {
				t.Fatalf("payload % X, want % X", got, p)
			}
			if rest := bytes.Trim(f.Data[len(p):], "\x00"); len(rest) != 0 {
				t.Fatalf("rest of the data is not zero: % X", rest)
			}
		}
	})
}

func TestSetPayloadRefusesTooMuch(t *testing.T) {
	for _, tt := range []struct {
		flags Flags
		n     int
	}{{0, 9}, {FD, 65}} {
		func() {
			defer func() {
				if r, ok := recover().(string); !ok || !strings.HasPrefix(r, "internal error:") {
					t.Errorf("flags %d, %d bytes: %v", tt.flags, tt.n, r)
				}
			}()
			f := Frame{Flags: tt.flags}
			f.SetPayload(make([]byte, tt.n))
		}()
	}
}

func TestRemotePayload(t *testing.T) {
	f := Frame{Flags: Remote, Len: 8, DLC: 8}
	if p := f.Payload(); len(p) != 0 {
		t.Errorf("payload % X", p)
	}
	if !f.Is(Remote) || f.Is(Remote|Extended) || !f.Is(0) {
		t.Error("Is does not ask for all of its flags")
	}
}

// linux/can.h.
func TestConstants(t *testing.T) {
	if MaxStandardID != 0x7FF || MaxExtendedID != 0x1FFFFFFF || MaxClassicLen != 8 || MaxFDLen != 64 {
		t.Error("constants differ from linux/can.h")
	}
}

// TestAssign: a copy is whole whatever was there before.
func TestAssign(t *testing.T) {
	frame := func(n int, flags Flags) Frame {
		f := Frame{Time: int64(n + 1), Offset: 2, ID: 3, Record: 4, Bus: 5, File: 6, Flags: flags}
		f.SetPayload(bytes.Repeat([]byte{0xA5}, n))
		return f
	}
	list := []Frame{frame(0, 0), frame(3, Extended), frame(8, Rx), frame(8, FD), frame(12, FD|BRS), frame(64, FD)}
	for i := range list {
		for j := range list {
			to := list[i]
			to.Assign(&list[j])
			if to != list[j] {
				t.Errorf("frame %d over frame %d: got %+v, want %+v", j, i, to, list[j])
			}
		}
	}
}
