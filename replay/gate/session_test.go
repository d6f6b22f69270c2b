package gate

import (
	"strings"
	"testing"
	"time"

	"plugproof/decode/can"
)

const ms = time.Millisecond

func frame(id uint32) *can.Frame { return &can.Frame{ID: id, Len: 8, DLC: 8} }

// opened returns a session that has listened, sent its first identifier and
// listened again, and the time then.
func opened(t *testing.T) (*Session, time.Duration) {
	t.Helper()
	s, refusals := Judge(bench(), onBench())
	if s == nil {
		t.Fatal(refusals)
	}
	now := time.Duration(0)
	for s.Advance(now) != Open {
		s.Key(now)
		now += 100 * ms
		if now > time.Minute {
			t.Fatalf("not open after %v: %v, %v", now, s.Phase(), s.Stopped())
		}
	}
	return s, now
}

// Listening for 10 s, one identifier alone for 2 s, listening for 2 s.
func TestPhases(t *testing.T) {
	s, _ := Judge(bench(), onBench())
	s.Advance(0)
	type step struct {
		at    time.Duration
		phase Phase
	}
	for _, tt := range []step{
		{9999 * ms, Listening},
		{10000 * ms, First},
		{11999 * ms, First},
		{12000 * ms, Again},
		{13999 * ms, Again},
		{14000 * ms, Open},
	} {
		s.Key(tt.at)
		if got := s.Advance(tt.at); got != tt.phase {
			t.Errorf("at %v: %v, want %v (%v)", tt.at, got, tt.phase, s.Stopped())
		}
	}
	if bus, id := s.First(); bus != 0 || id != 0x0D6 {
		t.Errorf("first is %s on %d", id, bus)
	}
}

// A plan with a slow message is listened to for ten of its cycles.
func TestListensForTenCycles(t *testing.T) {
	plan := bench()
	plan.Messages[1].Cycle = 5 * time.Second
	s, _ := Judge(plan, onBench())
	if s.ListenFor() != 50*time.Second {
		t.Errorf("listens for %v", s.ListenFor())
	}
}

// Listening goes on until the key is held.
func TestWaitsForTheKey(t *testing.T) {
	s, _ := Judge(bench(), onBench())
	s.Advance(0)
	if got := s.Advance(time.Minute); got != Listening {
		t.Fatalf("without the key: %v", got)
	}
	s.Key(time.Minute)
	if got := s.Advance(time.Minute + KeyTime); got != First {
		t.Errorf("with the key: %v", got)
	}
}

// Ctrl-C while the first identifiers go out lets neutral values follow; before
// them, and after a stop, nothing.
func TestFinish(t *testing.T) {
	at := func(phase Phase) (*Session, time.Duration) {
		s, _ := Judge(bench(), onBench())
		now := time.Duration(0)
		for ; s.Advance(now) != phase; now += 100 * ms {
			s.Key(now)
		}
		return s, now
	}
	for phase, want := range map[Phase]bool{Listening: false, First: true, Again: true, Open: true} {
		s, now := at(phase)
		s.Finish()
		if got := s.May(0, frame(0x31C), now) == nil; got != want {
			t.Errorf("%v: let through: %v", phase, got)
		}
	}
	s, now := at(First)
	s.Heard(0, frame(0x555), false, now)
	s.Finish()
	if r := s.May(0, frame(0x0D6), now); r != s.Stopped() || r == nil {
		t.Errorf("after a stop: %v", r)
	}
}

// A key that was asked for counts on a virtual interface too.
func TestKeyOnVirtual(t *testing.T) {
	s, _ := Judge(virtual(), Policy{DeadMan: true})
	if s.Advance(0) != Listening || s.May(0, frame(1), 0) == nil {
		t.Fatal("open before the key is held")
	}
	s.Key(time.Second)
	if s.Advance(time.Second) != Open || s.May(0, frame(1), time.Second) != nil {
		t.Fatalf("not open with the key: %v, %v", s.Phase(), s.Stopped())
	}
	if r := s.May(0, frame(1), time.Second+KeyTime+1); r == nil || r.Rule != "stop/dead-man" {
		t.Errorf("key released: %v", r)
	}
}

// The kernel is asked again when a sender is opened: facts cannot be made up.
func TestContradicts(t *testing.T) {
	wire := Interface{Name: "can0", Kind: "can"}
	s, _ := Judge(virtual(), Policy{})
	if s.Contradicts(0, &wire) == "" || s.Contradicts(0, &Interface{Name: "vcan0", Kind: "vcan"}) != "" {
		t.Error("a session for virtual interfaces takes a wire")
	}
	s, _ = Judge(bench(), onBench())
	if s.Contradicts(0, &wire) != "" {
		t.Error("a session for a wire does not take one")
	}
}

func protocol(bits byte) *can.Frame {
	return &can.Frame{ID: 1 << can.ClassProtocol, Flags: can.Error, Len: 8, Data: [64]byte{2: bits}}
}

func controller(bits byte) *can.Frame {
	return &can.Frame{ID: 1 << can.ClassController, Flags: can.Error, Len: 8, Data: [64]byte{1: bits}}
}

// Every cause to stop while frames leave, and what is no cause.
func TestStops(t *testing.T) {
	class := func(c can.ErrorClass) *can.Frame { return &can.Frame{ID: 1 << c, Flags: can.Error, Len: 8} }
	heard := func(f *can.Frame) func(*Session, time.Duration) {
		return func(s *Session, now time.Duration) { s.Heard(0, f, false, now) }
	}
	note := func(change func(*Interface)) func(*Session, time.Duration) {
		return func(s *Session, _ time.Duration) {
			facts := bench().Buses[0].Interface
			change(&facts)
			s.Note(0, &facts)
		}
	}
	for _, tt := range []struct {
		name string
		do   func(*Session, time.Duration)
		want string // rule; "": goes on
	}{
		{"nothing", func(*Session, time.Duration) {}, ""},
		{"the unit on the bench answers", heard(frame(0x263)), ""},
		{"own identifier from outside", heard(frame(0x0D6)), "stop/own-id"},
		{"another unit of the profile", heard(frame(0x0B3)), "listen/other-sender"},
		{"an unknown identifier", heard(frame(0x555)), "listen/other-sender"},
		{"the same value with 29 bits", heard(&can.Frame{ID: 0x263, Flags: can.Extended}), "listen/other-sender"},
		{"bit error", heard(protocol(0x01)), "stop/bit-error"},
		{"dominant bit error", heard(protocol(0x08)), "stop/bit-error"},
		{"recessive bit error", heard(protocol(0x10)), "stop/bit-error"},
		{"an error while sending", heard(protocol(0x80)), "stop/bit-error"},
		{"a stuffing error", heard(protocol(0x04)), ""},
		{"many stuffing errors", func(s *Session, now time.Duration) {
			for i := range 11 {
				s.Heard(0, protocol(0x04), false, now+time.Duration(i)*10*ms)
			}
		}, "stop/errors"},
		{"a stuffing error now and then", func(s *Session, now time.Duration) {
			for i := range 100 {
				s.Heard(0, protocol(0x04), false, now+time.Duration(i)*200*ms)
			}
			s.Key(now + 20*time.Second)
		}, ""},
		{"error-passive by a frame, receiving", heard(controller(0x10)), "stop/error-passive"},
		{"error-passive by a frame, sending", heard(controller(0x20)), "stop/error-passive"},
		{"error-warning by a frame", heard(controller(0x04)), ""},
		{"bus-off by a frame", heard(class(can.ClassBusOff)), "stop/bus-off"},
		{"restarted after bus-off", heard(class(can.ClassRestarted)), "stop/bus-off"},
		{"no acknowledgement", heard(class(can.ClassNoAck)), "stop/no-ack"},
		{"sending timed out", heard(class(can.ClassTxTimeout)), "stop/not-drained"},
		{"lost arbitration", heard(class(can.ClassLostArbitration)), ""},
		{"bus-off by the interface", note(func(i *Interface) { i.BusOff = true }), "stop/bus-off"},
		{"error-passive by the interface", note(func(i *Interface) { i.Passive = true }), "stop/error-passive"},
		{"interface gone", note(func(i *Interface) { i.Missing = true }), "stop/interface"},
		{"interface down", note(func(i *Interface) { i.Up = false }), "stop/interface"},
		{"bit rate changed", note(func(i *Interface) { i.Bitrate = 125_000 }), "stop/interface"},
		{"made listen-only", note(func(i *Interface) { i.ListenOnly = true }), "stop/interface"},
		{"interface as it was", note(func(*Interface) {}), ""},
		{"not confirmed in time", func(s *Session, now time.Duration) {
			s.May(0, frame(0x0D6), now)
			s.Pending(0, now+DrainTime+1)
		}, "stop/not-drained"},
		{"machine suspended", func(s *Session, _ time.Duration) { s.Slept(MaxSleep + 1) }, "stop/slept"},
		{"clocks drift", func(s *Session, _ time.Duration) { s.Slept(MaxSleep) }, ""},
		{"no room in the queue", func(s *Session, now time.Duration) {
			s.May(0, frame(0x0D6), now)
			s.Stuck(0, now+DrainTime+1)
		}, "stop/not-drained"},
		{"room in the queue in time", func(s *Session, now time.Duration) {
			s.May(0, frame(0x0D6), now)
			s.Stuck(0, now+DrainTime)
		}, ""},
		{"confirmed in time", func(s *Session, now time.Duration) {
			s.May(0, frame(0x0D6), now)
			s.Heard(0, frame(0x0D6), true, now+DrainTime)
			s.Pending(0, now+DrainTime+1)
		}, ""},
		{"load above the limit", func(s *Session, now time.Duration) {
			for i := range 4000 { // 135 bits at most each: 540 kbit in 0.9 s
				s.Heard(0, frame(0x263), false, now+time.Duration(i)*225*time.Microsecond)
			}
		}, "stop/load"},
		{"load below the limit", func(s *Session, now time.Duration) {
			for i := range 2000 {
				s.Heard(0, frame(0x263), false, now+time.Duration(i)*450*time.Microsecond)
			}
			s.Key(now + 900*ms)
		}, ""},
		{"key released", func(s *Session, now time.Duration) { s.Advance(now + KeyTime + 1) }, "stop/dead-man"},
		{"key released, seen at the next frame", func(s *Session, now time.Duration) {
			s.May(0, frame(0x0D6), now+KeyTime+1)
		}, "stop/dead-man"},
		{"key held", func(s *Session, now time.Duration) { s.Advance(now + KeyTime - 100*ms) }, ""},
		{"an identifier outside the plan", func(s *Session, now time.Duration) { s.May(0, frame(0x0D7), now) }, "stop/not-in-plan"},
		{"a remote request in the plan", func(s *Session, now time.Duration) {
			s.May(0, &can.Frame{ID: 0x0D6, Flags: can.Remote}, now)
		}, "stop/not-in-plan"},
		{"frames were lost unread", func(s *Session, _ time.Duration) {
			s.Halt(0, Refusal{Rule: "stop/unread", Reason: "lost"})
		}, "stop/unread"},
	} {
		s, now := opened(t)
		s.Key(now)
		tt.do(s, now)
		if tt.want == "" {
			if s.Stopped() != nil {
				t.Errorf("%s: stopped: %v", tt.name, s.Stopped())
			}
			continue
		}
		if s.Stopped() == nil || s.Stopped().Rule != tt.want || s.Stopped().Reason == "" {
			t.Errorf("%s: %v, want %s", tt.name, s.Stopped(), tt.want)
			continue
		}
		// Nothing after a fault stop, whatever comes.
		s.Key(now + time.Second)
		s.Heard(0, frame(0x0D6), true, now+time.Second)
		for range 3 {
			if r := s.May(0, frame(0x0D6), now+time.Second); r != s.Stopped() {
				t.Errorf("%s: a frame after the stop: %v", tt.name, r)
			}
		}
	}
}

// What is heard while nothing is sent yet.
func TestListens(t *testing.T) {
	for _, tt := range []struct {
		name string
		f    *can.Frame
		want string
	}{
		{"an identifier of the plan", frame(0x31C), "listen/plan-id"},
		{"another unit", frame(0x0B3), "listen/other-sender"},
		{"an unknown sender", frame(0x123), "listen/other-sender"},
		{"the unit on the bench", frame(0x263), ""},
		{"a bit error", protocol(0x01), "stop/bit-error"},
	} {
		s, _ := Judge(bench(), onBench())
		s.Advance(0)
		s.Heard(0, tt.f, false, ms)
		got := ""
		if s.Stopped() != nil {
			got = s.Stopped().Rule
		}
		if got != tt.want {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
	}
}

// What is refused without ending the session.
func TestMayNotYet(t *testing.T) {
	s, _ := Judge(bench(), onBench())
	s.Advance(0)
	deny := func(want string, f *can.Frame, now time.Duration) {
		t.Helper()
		if r := s.May(0, f, now); r == nil || r.Rule != want {
			t.Errorf("at %v: %v, want %s", now, r, want)
		}
	}
	deny("stop/listening", frame(0x0D6), ms)
	s.Key(10 * time.Second)
	s.Advance(10 * time.Second)
	deny("stop/first-alone", frame(0x31C), 10*time.Second)
	if r := s.May(0, frame(0x0D6), 10*time.Second); r != nil {
		t.Errorf("the first identifier: %v", r)
	}
	deny("stop/in-flight", frame(0x0D6), 10*time.Second)
	s.Heard(0, frame(0x0D6), true, 10*time.Second)
	s.Key(12 * time.Second)
	s.Advance(12 * time.Second)
	deny("stop/listening", frame(0x0D6), 12*time.Second)
	s.Close()
	deny("stop/closed", frame(0x0D6), 12*time.Second)
	if s.Stopped() != nil {
		t.Errorf("stopped by that: %v", s.Stopped())
	}
	var none *Session
	if r := none.May(0, frame(1), 0); r == nil || r.Rule != "stop/no-session" {
		t.Errorf("no session: %v", r)
	}
	if r := s.May(1, frame(1), 0); r == nil || r.Rule != "stop/no-session" {
		t.Errorf("no such bus: %v", r)
	}
}

// Virtual interfaces take whatever comes, and stop when they are virtual no more.
func TestVirtualSession(t *testing.T) {
	s, _ := Judge(virtual(), Policy{})
	for i := range uint32(100) {
		if r := s.May(0, frame(i), 0); r != nil {
			t.Fatal(r)
		}
	}
	if r := s.May(0, &can.Frame{ID: 4, Flags: can.Error}, 0); r == nil || r.Rule != "stop/not-in-plan" {
		t.Errorf("an error frame: %v", r)
	}
	s.Heard(0, frame(0x555), false, 0) // others may be there
	if s.Stopped() != nil {
		t.Fatal(s.Stopped())
	}
	s.Note(0, &Interface{Name: "vcan0", Kind: "vcan", Up: true, LeadsTo: []string{"can0"}})
	if r := s.May(0, frame(1), 0); r == nil || r.Rule != "stop/not-virtual" || !strings.Contains(r.Reason, "can0") {
		t.Errorf("with a route to a wire: %v", r)
	}
	for _, tt := range []struct {
		f    *can.Frame
		want string
	}{
		{frame(0x0D6), "stop/own-id"},
		{protocol(0x08), "stop/bit-error"},
		{&can.Frame{ID: 1 << can.ClassBusOff, Flags: can.Error}, "stop/bus-off"},
	} {
		s, _ := Judge(virtual(), Policy{})
		s.Heard(0, tt.f, false, 0)
		if s.Stopped() == nil || s.Stopped().Rule != tt.want {
			t.Errorf("%v, want %s", s.Stopped(), tt.want)
		}
	}
}

// The decision about a frame costs no allocation.
func TestMayAllocatesNothing(t *testing.T) {
	s, now := opened(t)
	f, answer := frame(0x0D6), frame(0x263)
	if n := testing.AllocsPerRun(100, func() {
		s.Key(now)
		if r := s.May(0, f, now); r != nil {
			t.Fatal(r)
		}
		s.Heard(0, f, true, now)
		s.Heard(0, answer, false, now)
		now += ms
	}); n > 0 {
		t.Errorf("%v allocations a frame", n)
	}
}
