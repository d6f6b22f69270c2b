package adapter

import (
	"io"
	"net"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
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

// Plug is Insert for those who only want the interface. unplug takes it away.
func Plug(t *testing.T) (name string, unplug func()) {
	t.Helper()
	a := Insert(t)
	return a.Name, a.Unplug
}

// Adapter is a serial CAN adapter, seen from its own side.
type Adapter struct {
	Name      string // of its interface
	far, near *os.File
	mu        sync.Mutex
	said      strings.Builder
}

// Insert plugs in an adapter with a real controller's settings: the kernel's serial
// CAN driver on a pseudo-terminal, at whose other end nobody answers. The interface
// is down and without a bit rate.
func Insert(t *testing.T) *Adapter {
	t.Helper()
	before := interfaceNames(t)
	far, near := Terminal(t)
	a := &Adapter{far: far, near: near}
	go func() { _, _ = io.Copy(a, far) }() // ends with the Close
	const slcanDiscipline = 17             // N_SLCAN of linux/tty.h
	if err := unix.IoctlSetPointerInt(int(near.Fd()), unix.TIOCSETD, slcanDiscipline); err != nil {
		t.Skipf("not on this system: no serial CAN driver: %v", err)
	}
	for _, name := range interfaceNames(t) {
		if !slices.Contains(before, name) {
			a.Name = name
			return a
		}
	}
	t.Fatal("the driver made no interface")
	return nil
}

// Unplug takes the adapter away.
func (a *Adapter) Unplug() {
	a.near.Close()
	a.far.Close()
}

// Write takes what the driver says to the adapter.
func (a *Adapter) Write(p []byte) (int, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.said.Write(p)
}

// Told returns what the driver said so far: S6 sets 500 kbit/s, O opens it, L opens
// it in listen-only mode, C closes it, t and T are frames to send.
func (a *Adapter) Told() []string {
	a.mu.Lock()
	defer a.mu.Unlock()
	return strings.FieldsFunc(a.said.String(), func(r rune) bool { return r == '\r' })
}

// Hears makes the adapter receive a frame, in the words of such adapters: t2630 is
// 0x263 without data.
func (a *Adapter) Hears(frame string) { _, _ = a.far.WriteString(frame + "\r") }

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
