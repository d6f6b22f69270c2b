package socketcan

import "go.einride.tech/can/pkg/candevice"

// setUp sets the bit rate before the mode: the kernel refuses a mode without one.
// Nothing of it reaches the bus while the interface is down.
func setUp(found *Interface, bitrate int64, mode Mode) error {
	device, err := candevice.New(found.Name)
	if err != nil {
		return err
	}
	if found.Up {
		if err := device.SetDown(); err != nil {
			return err
		}
	}
	if err := device.SetBitrate(uint32(bitrate)); err != nil {
		return err
	}
	if err := device.SetListenOnlyMode(mode == ListenOnly); err != nil {
		return err
	}
	return device.SetUp()
}
