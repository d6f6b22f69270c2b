package socketcan

import (
	"errors"
	"testing"

	"golang.org/x/sys/unix"

	"plugproof/replay/rig/adapter"
)

func testSetUp(t *testing.T) {
	if _, err := SetUp("nowhere0", 500_000, ListenOnly); !errors.Is(err, unix.ENODEV) {
		t.Errorf("no such interface: %v", err)
	}
	if _, err := SetUp("vcan0", 500_000, ListenOnly); !errors.Is(err, ErrNoController) {
		t.Errorf("a virtual interface: %v", err)
	}
	if !find(t, "vcan0").Up {
		t.Error("a refusal took vcan0 down")
	}
	name, _ := adapter.Plug(t)
	for _, step := range []struct {
		bitrate int64
		mode    Mode
	}{
		{125_000, ListenOnly}, // from down, without a bit rate
		{500_000, ListenOnly},
		{500_000, ListenOnly}, // as it is
		{500_000, Active},
		{250_000, ListenOnly},
	} {
		got, err := SetUp(name, step.bitrate, step.mode)
		if err != nil || !got.Up || got.Bitrate != step.bitrate || got.ListenOnly != (step.mode == ListenOnly) {
			t.Errorf("asked for %d bit/s, mode %d: %v, %+v", step.bitrate, step.mode, err, got)
		}
	}
	// The serial driver knows a fixed set of bit rates (drivers/net/can/slcan).
	if _, err := SetUp(name, 123_456, ListenOnly); !errors.Is(err, unix.EINVAL) {
		t.Errorf("a bit rate that the driver does not have: %v", err)
	}
}
