package socketcan

import (
	"context"
	"errors"
	"os/exec"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"

	"plugproof/decode/can"
)

func open(t *testing.T, name string, config *Config) *Conn {
	t.Helper()
	c, err := Open(name, 3, config)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func send(t *testing.T, c *Conn, frames ...can.Frame) {
	t.Helper()
	for i := range frames {
		if err := c.send(t.Context(), &frames[i], nil); err != nil {
			t.Fatal(err)
		}
	}
}

// receive reads until nothing comes for 100 ms.
func receive(t *testing.T, c *Conn) (all []can.Frame) {
	t.Helper()
	buf := make([]can.Frame, 100)
	for {
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		n, err := c.Read(ctx, buf)
		cancel()
		if errors.Is(err, context.DeadlineExceeded) {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, buf[:n]...)
	}
}

func frame(id uint32, flags can.Flags, payload ...byte) can.Frame {
	f := can.Frame{ID: id, Flags: flags}
	f.SetPayload(payload)
	return f
}

func ip(t *testing.T, args ...string) {
	t.Helper()
	if out, err := exec.Command("ip", args...).CombinedOutput(); err != nil {
		t.Fatalf("ip %v: %v: %s", args, err, out)
	}
}

// The table of the kernel's own test, tools/testing/selftests/net/can/test_raw_filter.c:
// four frames with id 0x123 (plain, remote, extended, both); want has a bit for each.
func testFilterTable(t *testing.T) {
	const id, S, E, R, X = 0x123, can.MaxStandardID, ExtendedBit, RemoteBit, can.MaxExtendedID
	sender := open(t, "vcan0", &Config{SendOnly: true})
	for _, tt := range []struct {
		id, mask uint32
		want     int
	}{
		{id, S, 0b1111},
		{id | E, S, 0b1111},
		{id | R, S, 0b1111},
		{id | E | R, S, 0b1111},
		{id, S | E, 0b0011},
		{id | E, S | E, 0b1100},
		{id | R, S | E, 0b0011},
		{id | E | R, S | E, 0b1100},
		{id, S | R, 0b0101},
		{id | E, S | R, 0b0101},
		{id | R, S | R, 0b1010},
		{id | E | R, S | R, 0b1010},
		{id, S | E | R, 0b0001},
		{id | E, S | E | R, 0b0100},
		{id | R, S | E | R, 0b0010},
		{id | E | R, S | E | R, 0b1000},
		{id, X | E | R, 0b0001},
		{id | E, X | E | R, 0b0100},
	} {
		c := open(t, "vcan0", &Config{Filters: []Filter{{tt.id, tt.mask}}})
		send(t, sender, frame(id, 0), frame(id, can.Remote), frame(id, can.Extended), frame(id, can.Extended|can.Remote))
		got := 0
		for _, f := range receive(t, c) {
			bit := 0
			if f.Flags&can.Remote != 0 {
				bit++
			}
			if f.Flags&can.Extended != 0 {
				bit += 2
			}
			got |= 1 << bit
		}
		if got != tt.want {
			t.Errorf("filter %#x mask %#x passes %04b, want %04b", tt.id, tt.mask, got, tt.want)
		}
	}
}

// 512 filters at most; inverted and joined ones (linux/can.h, linux/can/raw.h).
func testFilterLimits(t *testing.T) {
	open(t, "vcan0", &Config{Filters: make([]Filter, 512)})
	if _, err := Open("vcan0", 0, &Config{Filters: make([]Filter, 513)}); !errors.Is(err, unix.EINVAL) {
		t.Errorf("513 filters: %v", err)
	}
	sender := open(t, "vcan0", &Config{SendOnly: true})
	both := []Filter{{0x100, 0x700}, {0x123 | InvertBit, 0x7FF}}
	one, all := open(t, "vcan0", &Config{Filters: both}), open(t, "vcan0", &Config{Filters: both, JoinFilters: true})
	none := open(t, "vcan0", &Config{SendOnly: true})
	send(t, sender, frame(0x123, 0), frame(0x124, 0), frame(0x200, 0))
	if n := len(receive(t, all)); n != 1 {
		t.Errorf("joined: %d frames, want only 124", n)
	}
	// An un-joined list delivers a frame once, whatever number of filters match.
	if n := len(receive(t, one)); n != 3 {
		t.Errorf("not joined: %d frames, want 3", n)
	}
	if n := len(receive(t, none)); n != 0 {
		t.Errorf("send only: %d frames", n)
	}
}

func kinds() []can.Frame {
	long := make([]byte, 64)
	for i := range long {
		long[i] = byte(i + 1)
	}
	raw := frame(0x7FF, 0, 1, 2, 3, 4, 5, 6, 7, 8)
	asked := can.Frame{ID: 0x321, Flags: can.Remote, Len: 5, DLC: 5}
	return []can.Frame{
		frame(0, 0), frame(0x123, 0, 0x11, 0x22), raw, asked, frame(0x123, can.Extended, 9), frame(0x1FFFFFFF, can.Extended),
		frame(0x100, can.FD), frame(0x100, can.FD|can.BRS|can.ESI, long...), frame(0x18DB33F1, can.FD|can.Extended|can.BRS, long[:12]...),
	}
}

func testFrameKinds(t *testing.T) {
	sender, c := open(t, "vcan0", nil), open(t, "vcan0", nil)
	want := kinds()
	send(t, sender, want...)
	got := receive(t, c)
	for i := range got {
		if got[i].Time == 0 || got[i].Bus != 3 || got[i].Flags&(can.Tx|can.Rx) != can.Tx {
			t.Errorf("frame %d: time %d, bus %d, flags %#x", i, got[i].Time, got[i].Bus, got[i].Flags)
		}
		got[i].Time, got[i].Bus, got[i].Flags = 0, 0, got[i].Flags&^can.Tx
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-sent +received):\n%s", d)
	}
}

// Error frames are off by default and come by class (kernel documentation, can.rst).
func testErrorFrames(t *testing.T) {
	sender := open(t, "vcan0", nil)
	none, all := open(t, "vcan0", nil), open(t, "vcan0", &Config{Errors: can.MaxExtendedID})
	busOff := open(t, "vcan0", &Config{Errors: 0x40})
	send(t, sender, frame(0x004, can.Error, 0, 0x20, 0, 0, 0, 0, 0, 0), frame(0x040, can.Error, make([]byte, 8)...))
	if n := len(receive(t, none)); n != 0 {
		t.Errorf("not asked for: %d error frames", n)
	}
	got := receive(t, all)
	if len(got) != 2 || !got[0].Is(can.Error) || got[0].ID != 4 || got[0].Data[1] != 0x20 || got[1].ID != 0x40 {
		t.Errorf("all classes: %+v", got)
	}
	if got := receive(t, busOff); len(got) != 1 || got[0].ID != 0x40 {
		t.Errorf("bus-off only: %+v", got)
	}
}

func testOwnFrames(t *testing.T) {
	deaf, own := open(t, "vcan0", nil), open(t, "vcan0", &Config{OwnFrames: true})
	send(t, deaf, frame(1, 0))
	send(t, own, frame(2, 0), frame(3, 0))
	if got := receive(t, deaf); len(got) != 2 || got[0].ID != 2 || deaf.Confirmed() != 0 {
		t.Errorf("without own frames: %d, %d confirmed", len(got), deaf.Confirmed())
	}
	if got := receive(t, own); len(got) != 3 || own.Confirmed() != 2 {
		t.Errorf("with own frames: %d, %d confirmed, want 3 and 2", len(got), own.Confirmed())
	}
	filtered := open(t, "vcan0", &Config{OwnFrames: true, Filters: []Filter{{5, 0x7FF}}})
	send(t, filtered, frame(5, 0), frame(6, 0)) // own frames still pass the filters: can.rst
	if got := receive(t, filtered); len(got) != 1 || filtered.Confirmed() != 1 {
		t.Errorf("own frames with a filter: %d, %d confirmed", len(got), filtered.Confirmed())
	}
}

func testLoopback(t *testing.T) {
	quiet, c := open(t, "vcan0", &Config{NoLoopback: true}), open(t, "vcan0", nil)
	send(t, quiet, frame(1, 0))
	if n := len(receive(t, c)); n != 0 {
		t.Errorf("%d frames looped back", n)
	}
}

func testClassicOnly(t *testing.T) {
	sender, classic := open(t, "vcan0", nil), open(t, "vcan0", &Config{ClassicOnly: true})
	send(t, sender, frame(1, can.FD, 1), frame(2, 0))
	if got := receive(t, classic); len(got) != 1 || got[0].ID != 2 {
		t.Errorf("classic only: %+v", got)
	}
	f := frame(1, can.FD)
	if err := classic.send(t.Context(), &f, nil); !errors.Is(err, unix.EINVAL) {
		t.Errorf("FD frame through it: %v", err)
	}
}

// Errors of net/can/raw.c and af_can.c.
func testSendErrors(t *testing.T) {
	if _, err := Open("nowhere0", 0, nil); !errors.Is(err, unix.ENODEV) {
		t.Errorf("no such interface: %v", err)
	}
	if _, err := Open("lo", 0, nil); !errors.Is(err, unix.ENODEV) {
		t.Errorf("no CAN interface: %v", err)
	}
	c := open(t, "vcan1", nil)
	f, fd := frame(1, 0), frame(1, can.FD)
	ip(t, "link", "set", "vcan1", "down")
	defer ip(t, "link", "set", "vcan1", "up", "mtu", "72")
	if err := c.send(t.Context(), &f, nil); !errors.Is(err, unix.ENETDOWN) {
		t.Errorf("down: %v", err)
	}
	ip(t, "link", "set", "vcan1", "mtu", "16")
	ip(t, "link", "set", "vcan1", "up")
	// The kernel answers EINVAL where it checks the frame, EMSGSIZE where the size.
	if err := c.send(t.Context(), &fd, nil); !errors.Is(err, unix.EINVAL) && !errors.Is(err, unix.EMSGSIZE) {
		t.Errorf("FD on a classic interface: %v", err)
	}
	ip(t, "link", "set", "vcan1", "down")
	bad := can.Frame{ID: 0x800}
	if err := c.send(t.Context(), &bad, nil); !errors.Is(err, can.ErrID) {
		t.Errorf("bad frame: %v", err)
	}
}

// A socket whose interface is gone, and one for all interfaces, have nowhere to
// send to: ENXIO (net/can/raw.c). ENOMEM, the kernel being out of memory, is not
// to be had on demand.
func testVanished(t *testing.T) {
	ip(t, "link", "add", "vcan9", "type", "vcan")
	gone, all, f := open(t, "vcan9", nil), open(t, "", nil), frame(1, 0)
	ip(t, "link", "del", "vcan9")
	for name, c := range map[string]*Conn{"gone": gone, "all interfaces": all} {
		if err := c.send(t.Context(), &f, nil); !errors.Is(err, unix.ENXIO) {
			t.Errorf("%s: %v, want ENXIO", name, err)
		}
	}
}

// CAN XL: our sockets do not ask for it, so such frames neither come in nor can
// be sent, even on an interface that has them.
func testLongFrames(t *testing.T) {
	const optionXL, flagXL, maxSize = 7, 0x80, 2060 // CAN_RAW_XL_FRAMES, CANXL_XLF, CANXL_MAX_MTU of linux/can.h
	ip(t, "link", "set", "vcan1", "down")
	ip(t, "link", "set", "vcan1", "mtu", "2060")
	ip(t, "link", "set", "vcan1", "up")
	defer ip(t, "link", "set", "vcan1", "mtu", "72")
	defer ip(t, "link", "set", "vcan1", "down")
	defer ip(t, "link", "set", "vcan1", "up")
	ours, sender := open(t, "vcan1", nil), open(t, "vcan1", nil)
	packet := make([]byte, 12+100)
	packet[4], packet[6] = flagXL, 100
	write := func(c *Conn) (err error) {
		if e := c.raw.Control(func(fd uintptr) { _, err = unix.Write(int(fd), packet) }); e != nil {
			t.Fatal(e)
		}
		return err
	}
	if err := write(ours); err != unix.EINVAL {
		t.Errorf("a CAN XL frame through our socket: %v, want EINVAL", err)
	}
	var err error
	if e := sender.raw.Control(func(fd uintptr) {
		err = unix.SetsockoptInt(int(fd), unix.SOL_CAN_RAW, optionXL, 1)
	}); e != nil || err != nil {
		t.Skipf("not on this system: no CAN XL: %v", errors.Join(e, err))
	}
	if err := write(sender); err != nil {
		t.Fatalf("a CAN XL frame through a socket that has it: %v", err)
	}
	f := frame(5, can.FD, 1)
	send(t, sender, f)
	if got := receive(t, ours); len(got) != 1 || got[0].ID != 5 {
		t.Errorf("received %+v, want the FD frame only", got)
	}
	if parse(&f, make([]byte, maxSize)) {
		t.Error("a CAN XL packet is taken for a frame")
	}
}

// The kernel has the filter that we asked for. A buffer that is too small for
// all filters gets ERANGE (net/can/raw.c). The buffer is that of another option,
// with room for one filter of 8 bytes, not for two.
func testFiltersReadBack(t *testing.T) {
	filters := []Filter{{0x80000456 | InvertBit, 0x9FFFFFFF}, {0x123, 0x7FF}}
	for count, want := range map[int]error{1: nil, 2: unix.ERANGE} {
		c := open(t, "vcan0", &Config{Filters: filters[:count]})
		var got *unix.Ucred
		var err error
		if e := c.raw.Control(func(fd uintptr) {
			got, err = unix.GetsockoptUcred(int(fd), unix.SOL_CAN_RAW, unix.CAN_RAW_FILTER)
		}); e != nil {
			t.Fatal(e)
		}
		if err != want {
			t.Errorf("%d filters: %v, want %v", count, err, want)
		}
		if err == nil && (uint32(got.Pid) != filters[0].ID || got.Uid != filters[0].Mask) {
			t.Errorf("the kernel has %#x, %#x; want %+v", uint32(got.Pid), got.Uid, filters[0])
		}
	}
}

func testStamps(t *testing.T) {
	c, sender := open(t, "vcan0", nil), open(t, "vcan0", nil)
	before := time.Now().UnixNano()
	for range 20 {
		send(t, sender, frame(1, 0))
	}
	after := time.Now().UnixNano()
	time.Sleep(50 * time.Millisecond)
	last := before
	for i, f := range receive(t, c) {
		if f.Time < last || f.Time > after {
			t.Errorf("frame %d: stamped %d ns after the one before, %d ns before the last was sent", i, f.Time-last, after-f.Time)
		}
		last = f.Time
	}
	if last == before {
		t.Error("nothing received")
	}
}

// A buffer of the least size takes few frames; the rest is counted.
func testOverflow(t *testing.T) {
	c, sender := open(t, "vcan0", &Config{Buffer: 1}), open(t, "vcan0", nil)
	const sent = 200
	for range sent {
		send(t, sender, frame(1, 0))
	}
	lost := c.Lost()
	got := receive(t, c)
	if lost == 0 || len(got) == 0 || len(got)+int(lost) != sent || c.Lost() != lost {
		t.Errorf("%d received and %d (then %d) lost of %d", len(got), lost, c.Lost(), sent)
	}
	send(t, sender, frame(2, 0)) // the count comes with the frame, too
	if receive(t, c); c.dropped.Load() != lost {
		t.Errorf("the frame says %d lost, want %d", c.dropped.Load(), lost)
	}
}

// A queueing discipline that holds five frames back for 20 ms each time.
func testQueueFull(t *testing.T) {
	if out, err := exec.Command("tc", "qdisc", "add", "dev", "vcan1", "root", "netem", "limit", "5", "delay", "20ms").CombinedOutput(); err != nil {
		t.Fatalf("tc: %v: %s", err, out)
	}
	defer exec.Command("tc", "qdisc", "del", "dev", "vcan1", "root").Run()
	c, sender := open(t, "vcan1", nil), open(t, "vcan1", nil)
	var full error
	packet := make([]byte, classicSize)
	for i := 0; i < 50 && full == nil; i++ {
		err := sender.raw.Control(func(fd uintptr) { _, full = unix.Write(int(fd), packet) })
		if err != nil {
			t.Fatal(err)
		}
	}
	if full != unix.ENOBUFS {
		t.Fatalf("the queue does not fill: %v", full)
	}
	receive(t, c)
	const sent = 50
	for i := range uint32(sent) {
		send(t, sender, frame(i, 0))
	}
	got := receive(t, c)
	if len(got) != sent {
		t.Errorf("%d of %d frames arrived", len(got), sent)
	}
	for i := range got {
		if got[i].ID != uint32(i) {
			t.Errorf("frame %d has id %d", i, got[i].ID)
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Millisecond)
	defer cancel()
	var err error
	for i := 0; i < 100 && err == nil; i++ {
		f := frame(1, 0)
		err = sender.send(ctx, &f, nil)
	}
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("a full queue and a deadline: %v", err)
	}
}

func testDeadline(t *testing.T) {
	c, sender := open(t, "vcan0", nil), open(t, "vcan0", nil)
	buf := make([]can.Frame, 4)
	ctx, cancel := context.WithCancelCause(t.Context())
	why := errors.New("enough")
	time.AfterFunc(20*time.Millisecond, func() { cancel(why) })
	if _, err := c.Read(ctx, buf); !errors.Is(err, why) {
		t.Errorf("cancelled while waiting: %v", err)
	}
	if _, err := c.Read(ctx, buf); !errors.Is(err, why) {
		t.Errorf("cancelled before: %v", err)
	}
	if f := frame(8, 0); sender.send(ctx, &f, nil) != why {
		t.Error("sending when cancelled: not the bare cause")
	}
	if n, err := c.Read(ctx, nil); n != 0 || err != nil {
		t.Errorf("room for nothing: %d, %v", n, err)
	}
	time.AfterFunc(20*time.Millisecond, func() { f := frame(7, 0); sender.send(context.Background(), &f, nil) })
	if n, err := c.Read(t.Context(), buf); n != 1 || err != nil || buf[0].ID != 7 {
		t.Errorf("after a cancelled wait: %d, %v", n, err)
	}
	time.AfterFunc(20*time.Millisecond, func() { c.Close() })
	if _, err := c.Read(t.Context(), buf); err == nil {
		t.Error("closed while waiting: no error")
	}
}

func testDownAndUp(t *testing.T) {
	c, sender := open(t, "vcan1", nil), open(t, "vcan1", nil)
	buf := make([]can.Frame, 4)
	ip(t, "link", "set", "vcan1", "down")
	if _, err := c.Read(t.Context(), buf); !errors.Is(err, unix.ENETDOWN) {
		t.Errorf("down: %v", err)
	}
	ip(t, "link", "set", "vcan1", "up")
	send2 := frame(9, 0)
	if err := sender.send(t.Context(), &send2, nil); errors.Is(err, unix.ENETDOWN) { // the error that waited
		send(t, sender, send2)
	}
	if n, err := c.Read(t.Context(), buf); n != 1 || err != nil || buf[0].ID != 9 {
		t.Errorf("up again: %d, %v", n, err)
	}
	ip(t, "link", "add", "vcan9", "type", "vcan")
	gone := open(t, "vcan9", nil)
	ip(t, "link", "del", "vcan9")
	if _, err := gone.Read(t.Context(), buf); !errors.Is(err, unix.ENODEV) {
		t.Errorf("unplugged: %v", err)
	}
}

func testAllInterfaces(t *testing.T) {
	c, zero, one := open(t, "", nil), open(t, "vcan0", nil), open(t, "vcan1", nil)
	list, err := Interfaces()
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range list {
		if i.Name == "vcan1" {
			c.Route(i.Index, 7)
		}
	}
	send(t, zero, frame(1, 0))
	send(t, one, frame(2, 0))
	if got := receive(t, c); len(got) != 1 || got[0].ID != 2 || got[0].Bus != 7 {
		t.Errorf("with a route for vcan1: %+v", got)
	}
}

func testAllocations(t *testing.T) {
	c, sender := open(t, "vcan0", nil), open(t, "vcan0", nil)
	const runs, each = 10, 8
	for range (runs + 1) * each {
		send(t, sender, frame(1, 0, 1, 2, 3))
	}
	buf := make([]can.Frame, each)
	got := 0
	allocated := testing.AllocsPerRun(runs, func() {
		n, err := c.Read(t.Context(), buf)
		if err != nil {
			t.Fatal(err)
		}
		got += n
	})
	if got != (runs+1)*each || allocated != 0 {
		t.Errorf("%g allocations for each %d frames, %d read", allocated, each, got)
	}
}

func testInterfaces(t *testing.T) {
	list, err := Interfaces()
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, i := range list {
		if i.Name == "vcan0" {
			found = true
			if i.Kind != "vcan" || !i.Up || !i.Virtual() || i.State != NoState || i.Received == 0 {
				t.Errorf("vcan0: %+v", i)
			}
		}
		if i.Name == "lo" {
			t.Error("lo is listed")
		}
	}
	if !found {
		t.Errorf("vcan0 is not listed: %+v", list)
	}
}

// BenchmarkRead reads frames through vcan0 that were sent before. In the rig:
// go test -c ./replay/socketcan && go run ./cmd/rig ./socketcan.test -test.run=- -test.bench=.
func BenchmarkRead(b *testing.B) {
	c, err := Open("vcan0", 0, &Config{OwnFrames: true})
	if err != nil {
		b.Skipf("needs a bus interface, run it in the rig: %v", err)
	}
	defer c.Close()
	buf := make([]can.Frame, batch)
	f := frame(1, 0, 1, 2, 3, 4, 5, 6, 7, 8)
	b.ReportAllocs()
	b.SetBytes(batch * classicSize)
	for b.Loop() {
		b.StopTimer()
		for range batch {
			if err := c.send(b.Context(), &f, nil); err != nil {
				b.Fatal(err)
			}
		}
		b.StartTimer()
		if _, err := c.Read(b.Context(), buf); err != nil {
			b.Fatal(err)
		}
	}
}
