package socketcan

import (
	"encoding/hex"
	"errors"
	"strings"
	"testing"

	"plugproof/decode/can"
)

// Layout of struct can_frame and canfd_frame: linux/can.h, written out by hand
// for a little-endian machine.
func TestPacketLayout(t *testing.T) {
	for _, tt := range []struct {
		packet string
		want   can.Frame
	}{
		{"23010000 02000000 1122000000000000", frameOf(0x123, 0, 2, 2, 0x11, 0x22)},
		{"f133db98 01000000 0900000000000000", frameOf(0x18DB33F1, can.Extended, 1, 1, 9)},
		{"21030040 05000000 0000000000000000", frameOf(0x321, can.Remote, 5, 5)},
		{"04000020 08000000 0020000000000000", frameOf(4, can.Error, 8, 8, 0, 0x20)},
		{"ff070000 0800000e 0102030405060708", frameOf(0x7FF, 0, 8, 14, 1, 2, 3, 4, 5, 6, 7, 8)},
		{"00010000 0c030000 0102030405060708090a0b0c" + strings.Repeat("00", 52), frameOf(0x100, can.FD|can.BRS|can.ESI, 12, 9, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12)},
	} {
		raw, err := hex.DecodeString(strings.ReplaceAll(tt.packet, " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		got := can.Frame{Record: 9}
		if !parse(&got, raw) || got != tt.want {
			t.Errorf("%s: %+v, want %+v", tt.packet, got, tt.want)
		}
		var packet [fdSize]byte
		if n := format(&packet, &tt.want); hex.EncodeToString(packet[:n]) != hex.EncodeToString(raw) {
			t.Errorf("%+v: % x, want % x", tt.want, packet[:n], raw)
		}
	}
	for _, size := range []int{0, 8, 15, 17, 71, 73} { // XL packets begin at 76
		if parse(&can.Frame{}, make([]byte, size)) {
			t.Errorf("a packet of %d bytes is taken for a frame", size)
		}
	}
}

func frameOf(id uint32, flags can.Flags, length, dlc uint8, data ...byte) can.Frame {
	f := can.Frame{ID: id, Flags: flags, Len: length, DLC: dlc}
	copy(f.Data[:], data)
	return f
}

func TestHints(t *testing.T) {
	good := Interface{Name: "can0", Kind: "can", Up: true, Queue: 1000, State: ErrorActive}
	with := func(change func(*Interface)) Interface {
		i := good
		change(&i)
		return i
	}
	for _, tt := range []struct {
		i    Interface
		want string // the first word or words of each hint
	}{
		{good, ""},
		{with(func(i *Interface) { i.Up = false; i.State = Stopped }), "down: ip link set can0 up type can"},
		{with(func(i *Interface) { i.State = BusOff; i.Queue = 10 }), "bus-off|a queue of 10"},
		{with(func(i *Interface) { i.State = ErrorPassive }), "error-passive"},
		{with(func(i *Interface) { i.State = ErrorWarning }), "error-warning"},
		{with(func(i *Interface) { i.Queue = 11 }), ""},
		{Interface{Name: "vcan0", Kind: "vcan", State: NoState, Queue: 10}, "down: ip link set vcan0 up"},
		{Interface{Name: "vcan0", Kind: "vcan", State: NoState, Queue: 10, Up: true}, ""},
	} {
		hints, want := tt.i.Hints(), strings.FieldsFunc(tt.want, func(r rune) bool { return r == '|' })
		ok := len(hints) == len(want)
		for n := 0; ok && n < len(want); n++ {
			ok = strings.HasPrefix(hints[n], want[n])
		}
		if !ok {
			t.Errorf("%+v: %q, want %q", tt.i, hints, want)
		}
	}
}

// The rule of recording: a controller that takes part in the bus is refused.
func TestMayRecord(t *testing.T) {
	for _, tt := range []struct {
		i     Interface
		bench bool
		want  error
	}{
		{Interface{Kind: "can", Up: true}, false, ErrActive},
		{Interface{Kind: "", Up: true}, false, ErrActive}, // of an unknown kind: taken for physical
		{Interface{Kind: "can", Up: true}, true, nil},
		{Interface{Kind: "can", Up: true, ListenOnly: true}, false, nil},
		{Interface{Kind: "can"}, false, nil},
		{Interface{Kind: "vcan", Up: true}, false, nil},
		{Interface{Kind: "vxcan", Up: true}, false, nil},
	} {
		if err := tt.i.MayRecord(tt.bench); !errors.Is(err, tt.want) {
			t.Errorf("%+v, bench %v: %v, want %v", tt.i, tt.bench, err, tt.want)
		}
	}
}
