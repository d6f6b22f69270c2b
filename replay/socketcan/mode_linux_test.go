package socketcan

import (
	"errors"
	"fmt"
	"runtime"
	"slices"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"plugproof/replay/rig/adapter"
)

// testSetListenOnly looks at both sides: what the kernel says of the interface, and
// what the driver says to the adapter.
func testSetListenOnly(t *testing.T) {
	a := adapter.Insert(t)
	ip(t, "link", "set", a.Name, "txqueuelen", "77", "type", "can", "bitrate", "500000")
	c := open(t, a.Name, nil)
	set := func(on bool, want error) Interface {
		t.Helper()
		if err := c.setListenOnly(on); !errors.Is(err, want) {
			t.Errorf("listen-only %v: %v, want %v", on, err, want)
		}
		return find(t, a.Name)
	}
	if got := set(true, nil); got.Up || !got.ListenOnly {
		t.Errorf("one that somebody set down: %+v", got)
	}
	set(false, nil)
	ip(t, "link", "set", a.Name, "up")
	found := find(t, a.Name)
	if found.NoListenOnly || !found.Up || found.ListenOnly {
		t.Fatalf("found %+v", found)
	}
	quiet := found
	quiet.ListenOnly = true
	if got := set(true, nil); fmt.Sprint(got) != fmt.Sprint(quiet) {
		t.Errorf("listen-only:\n%+v, want\n%+v", got, quiet)
	}
	set(true, nil) // as it is
	if got := set(false, nil); fmt.Sprint(got) != fmt.Sprint(found) {
		t.Errorf("back:\n%+v, want\n%+v", got, found)
	}
	without(t, unix.CAP_NET_ADMIN, func() {
		if got := set(true, unix.EPERM); fmt.Sprint(got) != fmt.Sprint(found) {
			t.Errorf("without the right to:\n%+v, want\n%+v", got, found)
		}
	})
	told := func() []string {
		list := a.Told()
		return list[max(slices.Index(list, "O"), 0):]
	}
	for end := time.Now().Add(5 * time.Second); len(told()) < 9 && time.Now().Before(end); {
		time.Sleep(10 * time.Millisecond)
	}
	if got := told(); !slices.Equal(got, []string{"O", "C", "C", "S6", "L", "C", "C", "S6", "O"}) {
		t.Errorf("the adapter was told %q", got)
	}
	if err := open(t, "vcan0", nil).setListenOnly(true); !errors.Is(err, ErrNoController) || !find(t, "vcan0").Up {
		t.Errorf("a virtual interface: %v", err)
	}
	c.index++
	set(true, unix.ENODEV)
}

// without runs a function while this thread lacks a capability.
func without(t *testing.T, capability int, do func()) {
	t.Helper()
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	head := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var had, has [2]unix.CapUserData
	if err := unix.Capget(&head, &had[0]); err != nil {
		t.Fatal(err)
	}
	has = had
	has[capability/32].Effective &^= 1 << (capability % 32)
	if err := unix.Capset(&head, &has[0]); err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := unix.Capset(&head, &had[0]); err != nil {
			t.Fatal(err)
		}
	}()
	do()
}

// What a driver can do stands in an attribute of its own, which old kernels lack.
func TestNoListenOnly(t *testing.T) {
	link := func(data []byte) []byte {
		info := append(attribute(unix.IFLA_INFO_KIND, []byte("can\x00")), attribute(unix.IFLA_INFO_DATA, data)...)
		head := make([]byte, unix.SizeofIfInfomsg)
		head[2], head[3] = byte(unix.ARPHRD_CAN&0xFF), byte(unix.ARPHRD_CAN>>8)
		return slices.Concat(head, attribute(unix.IFLA_IFNAME, []byte("can0\x00")), attribute(unix.IFLA_LINKINFO, info))
	}
	modes := func(b byte) []byte { return attribute(canModeExt, attribute(canModeSupported, []byte{b, 0, 0, 0})) }
	for name, tt := range map[string]struct {
		data []byte
		want bool
	}{
		"not said": {attribute(canState, []byte{0, 0, 0, 0}), false},
		"has it":   {modes(0x03), false},
		"lacks it": {modes(0x01), true},
		"cut":      {attribute(canModeExt, []byte{1, 2}), false},
	} {
		if i, ok := parseLink(link(tt.data)); !ok || i.NoListenOnly != tt.want || i.Name != "can0" {
			t.Errorf("%s: %+v, %v", name, i, ok)
		}
	}
}
