package socketcan

import (
	"context"
	"errors"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"plugproof/decode/can"
	"plugproof/replay/gate"
)

// steady is the time since its creation.
func steady() func() time.Duration {
	start := time.Now()
	return func() time.Duration { return time.Since(start) }
}

// session asks the gate about what is to be sent on an interface; facts changes
// what the kernel said of it.
func session(t *testing.T, name string, plan gate.Plan, policy gate.Policy, facts func(*gate.Interface)) *gate.Session {
	t.Helper()
	list, err := Facts([]string{name})
	if err != nil {
		t.Fatal(err)
	}
	if facts != nil {
		facts(&list[0])
	}
	plan.Buses = []gate.Bus{{Interface: list[0]}}
	s, refusals := gate.Judge(&plan, policy)
	if s == nil {
		t.Fatalf("refused: %v", refusals)
	}
	return s
}

func sender(t *testing.T, s *gate.Session, heard func(int, *can.Frame)) *Sender {
	t.Helper()
	out, err := OpenSender(SenderConfig{Session: s, Clock: steady(), Heard: heard})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { out.Close() })
	return out
}

func testSender(t *testing.T) {
	var heard []uint32
	out := sender(t, session(t, "vcan0", gate.Plan{}, gate.Policy{}, nil), func(_ int, f *can.Frame) { heard = append(heard, f.ID) })
	c, other := open(t, "vcan0", nil), open(t, "vcan0", nil)
	for id := range uint32(20) {
		f := frame(id, 0, byte(id))
		if err := out.Send(t.Context(), 0, &f); err != nil {
			t.Fatal(err)
		}
	}
	send(t, other, frame(0x700, 0))
	if err := out.Listen(t.Context(), 50*time.Millisecond); err != nil {
		t.Fatal(err)
	}
	if got := receive(t, c); len(got) != 21 || got[19].ID != 19 {
		t.Errorf("%d frames arrived", len(got))
	}
	if !slices.Equal(heard, []uint32{0x700}) {
		t.Errorf("heard %x, want only what came from elsewhere", heard)
	}
	bad, f := can.Frame{ID: 0x800}, frame(1, 0)
	if err := out.Send(t.Context(), 0, &bad); !errors.Is(err, can.ErrID) {
		t.Errorf("bad frame: %v", err)
	}
	if err := out.Send(t.Context(), 1, &f); err == nil {
		t.Error("a bus that is not there")
	}
	if _, err := OpenSender(SenderConfig{Clock: steady()}); err == nil {
		t.Error("a sender without a session")
	}
	lie := gate.Plan{Buses: []gate.Bus{{Interface: gate.Interface{Name: "lo", Kind: "vcan", Up: true}}}}
	s, _ := gate.Judge(&lie, gate.Policy{})
	if _, err := OpenSender(SenderConfig{Session: s, Clock: steady()}); err == nil || !strings.Contains(err.Error(), "taken for a virtual one") {
		t.Errorf("a session for an interface that is not what it says: %v", err)
	}
}

// The frame that was read last before a send decides: an error frame, a second
// sender, an interface that went down.
func testSenderStops(t *testing.T) {
	ip(t, "link", "set", "vcan1", "up")
	f := frame(0x100, 0)
	plan := gate.Plan{Messages: []gate.Message{{ID: 0x100}}}
	for _, tt := range []struct {
		name string
		do   func(other *Conn)
		want string
	}{
		{"bit error", func(o *Conn) { send(t, o, frame(1<<can.ClassProtocol, can.Error, 0, 0, 0x08, 0, 0, 0, 0, 0)) }, "stop/bit-error"},
		{"bus-off", func(o *Conn) { send(t, o, frame(1<<can.ClassBusOff, can.Error, 0, 0, 0, 0, 0, 0, 0, 0)) }, "stop/bus-off"},
		{"second sender", func(o *Conn) { send(t, o, f) }, "stop/own-id"},
		{"down", func(*Conn) { ip(t, "link", "set", "vcan1", "down") }, "stop/interface"},
	} {
		out := sender(t, session(t, "vcan1", plan, gate.Policy{}, nil), nil)
		other, after := open(t, "vcan1", nil), open(t, "vcan1", nil)
		if err := out.Send(t.Context(), 0, &f); err != nil {
			t.Fatalf("%s: before: %v", tt.name, err)
		}
		receive(t, after)
		tt.do(other)
		for range 2 {
			err := out.Send(t.Context(), 0, &f)
			if r, ok := errors.AsType[*gate.Refusal](err); !ok || r.Rule != tt.want {
				t.Errorf("%s: %v, want %s", tt.name, err, tt.want)
			}
		}
		ip(t, "link", "set", "vcan1", "up")
		ours := slices.DeleteFunc(receiveUp(t, after), func(got can.Frame) bool { return got.ID != f.ID })
		if want := map[string]int{"second sender": 1}[tt.name]; len(ours) != want {
			t.Errorf("%s: %d frames after the cause to stop", tt.name, len(ours)-want)
		}
		out.Close()
	}
}

// receiveUp is receive for an interface that was down meanwhile.
func receiveUp(t *testing.T, c *Conn) []can.Frame {
	t.Helper()
	buf := make([]can.Frame, 1)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if n, err := c.Read(ctx, buf); n == 1 {
		return append(slices.Clone(buf), receive(t, c)...)
	} else if !errors.Is(err, unix.ENETDOWN) && !errors.Is(err, context.DeadlineExceeded) {
		t.Fatal(err)
	}
	return receive(t, c)
}

// As on a physical interface, of which vcan0 has the echo: one frame in flight,
// and nothing before listening.
func testSenderPhysical(t *testing.T) {
	plan := gate.Plan{Profile: "p", Messages: []gate.Message{{ID: 0x100, Name: "M", Listed: true, Listeners: []string{"Cluster"}}}}
	policy := gate.Policy{OnBench: "Cluster", DeadMan: true, Nodes: []gate.Node{{Name: "Cluster", Bench: true}}}
	s := session(t, "vcan0", plan, policy, func(i *gate.Interface) { i.Kind, i.Echo, i.Bitrate = "can", true, 500_000 })
	clock := time.Duration(0)
	out, err := OpenSender(SenderConfig{Session: s, Clock: func() time.Duration { return clock }})
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	f := frame(0x100, 0)
	out.Advance()
	if r, ok := errors.AsType[*gate.Refusal](out.Send(t.Context(), 0, &f)); !ok || r.Rule != "stop/listening" {
		t.Errorf("before listening: %v", r)
	}
	clock = gate.ListenTime
	out.Key()
	if phase := out.Advance(); phase != gate.First {
		t.Fatalf("after listening: %v, %v", phase, out.Stopped())
	}
	for range 20 {
		if err := out.Send(t.Context(), 0, &f); err != nil {
			t.Fatal(err)
		}
	}
	if err := out.Flush(t.Context()); err != nil {
		t.Error(err)
	}
	clock += gate.KeyTime + 1
	if err := out.Stopped(); err == nil || !strings.Contains(err.Error(), "dead-man") {
		t.Errorf("key released: %v", err)
	}
}

// A queue that does not drain: the frame waits for room, then ctx or the gate
// ends the wait.
func testSenderQueueFull(t *testing.T) {
	if out, err := exec.Command("tc", "qdisc", "add", "dev", "vcan1", "root", "netem", "limit", "5", "delay", "20ms").CombinedOutput(); err != nil {
		t.Fatalf("tc: %v: %s", err, out)
	}
	defer exec.Command("tc", "qdisc", "del", "dev", "vcan1", "root").Run()
	out := sender(t, session(t, "vcan1", gate.Plan{}, gate.Policy{}, nil), nil)
	c := open(t, "vcan1", nil)
	for id := range uint32(30) {
		f := frame(id, 0)
		if err := out.Send(t.Context(), 0, &f); err != nil {
			t.Fatal(err)
		}
	}
	if got := receive(t, c); len(got) != 30 {
		t.Errorf("%d of 30 frames arrived", len(got))
	}
	if out, err := exec.Command("tc", "qdisc", "change", "dev", "vcan1", "root", "netem", "limit", "5", "delay", "1s").CombinedOutput(); err != nil {
		t.Fatalf("tc: %v: %s", err, out)
	}
	stuck, err := OpenVirtual("vcan1", steady())
	if err != nil {
		t.Fatal(err)
	}
	defer stuck.Close()
	var stop error
	for i := 0; i < 20 && stop == nil; i++ {
		f := frame(1, 0)
		stop = stuck.Send(t.Context(), 0, &f)
	}
	if r, ok := errors.AsType[*gate.Refusal](stop); !ok || r.Rule != "stop/not-drained" {
		t.Errorf("a queue that does not drain: %v", stop)
	}
	time.Sleep(time.Second)
	if out, err := exec.Command("tc", "qdisc", "change", "dev", "vcan1", "root", "netem", "limit", "5", "delay", "20ms").CombinedOutput(); err != nil {
		t.Fatalf("tc: %v: %s", err, out)
	}
	other := open(t, "vcan1", nil)
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Millisecond)
	defer cancel()
	for i := 0; i < 100 && err == nil; i++ {
		f := frame(1, 0)
		err = out.Send(ctx, 0, &f)
	}
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("a full queue and a deadline: %v", err)
	}
	receive(t, c)
	for range 5 { // the queue fills up before the session hears of the fault
		f := frame(2, 0)
		if err := out.Send(t.Context(), 0, &f); err != nil {
			t.Fatal(err)
		}
	}
	time.AfterFunc(5*time.Millisecond, func() {
		e := frame(1<<can.ClassBusOff, can.Error, 0, 0, 0, 0, 0, 0, 0, 0)
		other.send(context.Background(), &e, nil)
	})
	for i := 0; i < 200 && err == nil || errors.Is(err, context.DeadlineExceeded); i++ {
		f := frame(3, 0)
		err = out.Send(t.Context(), 0, &f)
	}
	if r, ok := errors.AsType[*gate.Refusal](err); !ok || r.Rule != "stop/bus-off" {
		t.Errorf("a fault while the queue is full: %v", err)
	}
}

// Two senders on one interface.
func testSenderLock(t *testing.T) {
	first := sender(t, session(t, "vcan0", gate.Plan{}, gate.Policy{}, nil), nil)
	second := session(t, "vcan0", gate.Plan{}, gate.Policy{}, nil)
	if _, err := OpenSender(SenderConfig{Session: second, Clock: steady()}); !errors.Is(err, ErrBusy) {
		t.Errorf("second sender: %v", err)
	}
	sender(t, session(t, "vcan1", gate.Plan{}, gate.Policy{}, nil), nil)
	first.Close()
	sender(t, session(t, "vcan0", gate.Plan{}, gate.Policy{}, nil), nil)
}

// cangw adds or takes away a route of the CAN gateway: no tool for it is needed.
func cangw(t *testing.T, kind uint16, from, to int) {
	t.Helper()
	ne := func(v int) []byte { return []byte{byte(v), byte(v >> 8), byte(v >> 16), byte(v >> 24)} }
	attribute := func(kind byte, v []byte) []byte { return append([]byte{8, 0, kind, 0}, v...) }
	body := slices.Concat([]byte{unix.AF_CAN, 1, 0x01, 0}, attribute(gatewaySource, ne(from)), attribute(gatewayTarget, ne(to)))
	head := slices.Concat(ne(16+len(body)), []byte{byte(kind), byte(kind >> 8), unix.NLM_F_REQUEST | unix.NLM_F_ACK, 0}, make([]byte, 8))
	fd, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_RAW, unix.NETLINK_ROUTE)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(fd)
	if err := unix.Sendto(fd, append(head, body...), 0, &unix.SockaddrNetlink{Family: unix.AF_NETLINK}); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 4096)
	n, _, err := unix.Recvfrom(fd, buf, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := messages(buf[:n], func([]byte) {}); err != nil {
		t.Fatalf("gateway route: %v", err)
	}
}

// What leads off a virtual interface makes it physical: a route of the CAN
// gateway, a vxcan with its other end in another namespace, traffic control that
// may redirect.
func testWaysOff(t *testing.T) {
	physical := func(name string) string {
		t.Helper()
		facts, err := Facts([]string{name})
		if err != nil {
			t.Fatal(err)
		}
		return facts[0].Physical()
	}
	index := func(name string) int {
		list, _ := Interfaces()
		return list[slices.IndexFunc(list, func(i Interface) bool { return i.Name == name })].Index
	}
	if why := physical("vcan0"); why != "" {
		t.Fatal(why)
	}
	cangw(t, unix.RTM_NEWROUTE, index("vcan0"), index("vcan1"))
	if why := physical("vcan0"); !strings.Contains(why, "on to vcan1") {
		t.Errorf("with a route: %q", why)
	}
	if why := physical("vcan1"); why != "" {
		t.Errorf("the route's end: %q", why)
	}
	cangw(t, unix.RTM_DELROUTE, index("vcan0"), index("vcan1"))
	if why := physical("vcan0"); why != "" {
		t.Errorf("without the route: %q", why)
	}

	ip(t, "link", "add", "vx0", "type", "vxcan", "peer", "name", "vx1")
	if why := physical("vx0") + physical("vx1"); why != "" {
		t.Errorf("vxcan with both ends here: %q", why)
	}
	cangw(t, unix.RTM_NEWROUTE, index("vx1"), index("vcan1"))
	if why := physical("vx0"); !strings.Contains(why, "on to vcan1") {
		t.Errorf("a route from the other end: %q", why)
	}
	cangw(t, unix.RTM_DELROUTE, index("vx1"), index("vcan1"))
	ip(t, "netns", "add", "away")
	defer exec.Command("ip", "netns", "del", "away").Run()
	ip(t, "link", "set", "vx1", "netns", "away")
	if why := physical("vx0"); !strings.Contains(why, "other end of vx0") {
		t.Errorf("vxcan with its other end elsewhere: %q", why)
	}
	ip(t, "link", "del", "vx0")
}

// Disciplines that only queue, and those that may redirect (tc-mirred(8)).
func TestParseQdisc(t *testing.T) {
	message := func(kind string) []byte {
		data := make([]byte, qdiscHead, 64)
		data[4] = 7
		return append(append(data, byte(4+len(kind)+1), 0, qdiscKind, 0), kind+"\x00"...)
	}
	for kind, want := range map[string]bool{
		"noqueue": false, "pfifo_fast": false, "fq_codel": false, "netem": false,
		"prio": true, "htb": true, "ingress": true, "clsact": true, "new": true,
	} {
		w, ok := parseQdisc(message(kind))
		if ok != want || w.from != 7 || w.what != kind {
			t.Errorf("%s: %+v, leads off: %v", kind, w, ok)
		}
	}
	list := []Interface{{Index: 7, Kind: "vcan"}, {Index: 8, Kind: "vcan"}}
	follow(list, []way{{from: 7, what: "prio"}, {from: 8, to: 99}})
	if got := list[0].LeadsTo[0] + ", " + list[1].LeadsTo[0]; got != "anywhere (traffic control prio), interface 99" {
		t.Error(got)
	}
	if _, ok := parseQdisc(nil); ok {
		t.Error("an empty message")
	}
	if _, ok := parseRoute([]byte{unix.AF_INET, 0, 0, 0}); ok {
		t.Error("a route of another family")
	}
}

func testSenderAllocations(t *testing.T) {
	out := sender(t, session(t, "vcan0", gate.Plan{}, gate.Policy{}, nil), nil)
	f := frame(1, 0, 1, 2, 3)
	if n := testing.AllocsPerRun(50, func() {
		if err := out.Send(context.Background(), 0, &f); err != nil {
			t.Fatal(err)
		}
	}); n > 0 {
		t.Errorf("%v allocations a frame", n)
	}
}
