package adapter

import (
	"io"
	"net"
	"os"
	"slices"
	"strconv"
	"testing"

	"golang.org/x/sys/unix"
)

// Terminal makes a pseudo-terminal: what is written to far is typed at near, and
// what a program writes to near is read from far.
func Terminal(t *testing.T) (far, near *os.File) {
	t.Helper()
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	far = os.NewFile(uintptr(fd), "far end")
	t.Cleanup(func() { far.Close() })
	number, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err == nil {
		err = unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0)
	}
	if err != nil {
		t.Fatal(err)
	}
	near, err = os.OpenFile("/dev/pts/"+strconv.Itoa(number), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { near.Close() })
	return far, near
}

// Plug plugs in an adapter with a real controller's settings: the kernel's
// serial CAN driver on a pseudo-terminal, at whose other end nobody answers. The
// interface is down and without a bit rate. unplug takes it away.
func Plug(t *testing.T) (name string, unplug func()) {
	t.Helper()
	before := interfaceNames(t)
	far, near := Terminal(t)
	go func() { _, _ = io.Copy(io.Discard, far) }() // what the driver says to it; ends with the Close
	const slcanDiscipline = 17                      // N_SLCAN of linux/tty.h
	if err := unix.IoctlSetPointerInt(int(near.Fd()), unix.TIOCSETD, slcanDiscipline); err != nil {
		t.Skipf("not on this system: no serial CAN driver: %v", err)
	}
	for _, name := range interfaceNames(t) {
		if !slices.Contains(before, name) {
			return name, func() { near.Close(); far.Close() }
		}
	}
	t.Fatal("the driver made no interface")
	return "", nil
}

func interfaceNames(t *testing.T) (names []string) {
	t.Helper()
	list, err := net.Interfaces()
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range list {
		names = append(names, i.Name)
	}
	return names
}
