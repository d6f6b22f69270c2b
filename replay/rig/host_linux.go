package rig

import (
	"net"
	"os/exec"

	"golang.org/x/sys/unix"
)

// hostHasCAN reports whether this machine can run checks itself.
func hostHasCAN() bool {
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	if err != nil {
		return false
	}
	unix.Close(fd)
	for _, name := range []string{"vcan0", "vcan1"} {
		if _, err := net.InterfaceByName(name); err == nil {
			continue
		}
		if exec.Command("ip", "link", "add", name, "type", "vcan").Run() != nil {
			return false
		}
		if exec.Command("ip", "link", "set", name, "up").Run() != nil {
			return false
		}
	}
	return true
}
