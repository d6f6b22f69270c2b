package gate

import (
	"testing"
	"time"

	"plugproof/decode/can"
)

// Which interfaces are to be in listen-only mode before the first frame.
func TestAsFound(t *testing.T) {
	for _, tt := range []struct {
		in   Interface
		want string
	}{
		{Interface{Name: "can0", Kind: "can"}, ""},
		{Interface{Name: "can0", Kind: "can", NoListenOnly: true}, "the adapter of can0 has no listen-only mode"},
		{Interface{Name: "can0"}, "can0 has no controller"},
		{Interface{Name: "vcan0", Kind: "vcan"}, "vcan0 is virtual"},
		{Interface{Name: "vcan0", Kind: "vcan", LeadsTo: []string{"can0"}}, "vcan0 has no controller"},
		{Interface{Name: "vxcan0", Kind: "vxcan", PeerElsewhere: true}, "vxcan0 has no controller"},
	} {
		if got := tt.in.AsFound(); got != tt.want {
			t.Errorf("%+v: %q, want %q", tt.in, got, tt.want)
		}
	}
}

// hushed is a session whose interface is in listen-only mode.
func hushed(t *testing.T) *Session {
	t.Helper()
	s, refusals := Judge(bench(), onBench())
	if s == nil {
		t.Fatal(refusals)
	}
	s.Hush(0)
	s.Advance(0)
	return s
}

// In listen-only mode for 10 s, without a key; then as found: for 2 s when the unit
// was heard well, else as long again, because nobody acknowledged it.
func TestQuietPhases(t *testing.T) {
	heard := func(s *Session) { s.Heard(0, frame(0x263), false, ms) }
	garbled := func(s *Session) { s.Heard(0, protocol(0x10), false, ms) }
	for name, tt := range map[string]struct {
		do     func(*Session)
		listen time.Duration
	}{
		"heard":               {heard, FirstTime},
		"silent":              {func(*Session) {}, ListenTime},
		"garbled":             {garbled, ListenTime},
		"heard and garbled":   {func(s *Session) { heard(s); garbled(s) }, ListenTime},
		"heard, passive also": {func(s *Session) { heard(s); s.Heard(0, controller(0x10), false, ms) }, ListenTime},
	} {
		s := hushed(t)
		tt.do(s)
		if got := s.Advance(ListenTime - ms); got != Quiet {
			t.Errorf("%s: %v before its time", name, got)
		}
		if got := s.Advance(ListenTime); got != Listening || !s.Quiet(0) {
			t.Errorf("%s: %v after listening in listen-only mode", name, got)
		}
		const woke = ListenTime + 700*ms // setting an interface down and up takes its time
		s.Wake(0, woke)
		s.Key(woke + tt.listen - ms)
		if got := s.Advance(woke + tt.listen - ms); got != Listening || s.ListenFor() != tt.listen {
			t.Errorf("%s: %v, which lasts %v, want %v", name, got, s.ListenFor(), tt.listen)
		}
		if got := s.Advance(woke + tt.listen); got != First {
			t.Errorf("%s: %v after listening (%v)", name, got, s.Stopped())
		}
	}
}

// What stops a session in listen-only mode, and what only does in the mode that
// takes part.
func TestQuietStops(t *testing.T) {
	note := func(change func(*Interface)) func(*Session) {
		return func(s *Session) {
			facts := bench().Buses[0].Interface
			facts.ListenOnly = true
			change(&facts)
			s.Note(0, &facts)
		}
	}
	heard := func(f *can.Frame) func(*Session) { return func(s *Session) { s.Heard(0, f, false, ms) } }
	for _, tt := range []struct {
		name string
		do   func(*Session)
		want string
	}{
		{"the unit on the bench", heard(frame(0x263)), ""},
		{"another unit", heard(frame(0x0B3)), "listen/other-sender"},
		{"an identifier of the plan", heard(frame(0x31C)), "listen/plan-id"},
		{"a bit error", heard(protocol(0x01)), ""},
		{"error-passive by a frame", heard(controller(0x10)), ""},
		{"a frame without end that nobody acknowledges", func(s *Session) {
			for i := range 4000 {
				s.Heard(0, frame(0x263), false, time.Duration(i)*225*time.Microsecond)
			}
		}, ""},
		{"in listen-only mode", note(func(*Interface) {}), ""},
		{"error-passive by the interface", note(func(i *Interface) { i.Passive = true }), ""},
		{"bus-off by the interface", note(func(i *Interface) { i.BusOff = true }), "stop/bus-off"},
		{"in active mode", note(func(i *Interface) { i.ListenOnly = false }), "stop/interface"},
		{"down", note(func(i *Interface) { i.Up = false }), "stop/interface"},
		{"at another bit rate", note(func(i *Interface) { i.Bitrate = 125_000 }), "stop/interface"},
		{"woken, but in listen-only mode", func(s *Session) {
			s.Wake(0, ms)
			note(func(*Interface) {})(s)
		}, "stop/interface"},
		{"woken, a bit error", func(s *Session) {
			s.Wake(0, ms)
			heard(protocol(0x01))(s)
		}, "stop/bit-error"},
	} {
		s := hushed(t)
		tt.do(s)
		got := ""
		if s.Stopped() != nil {
			got = s.Stopped().Rule
		}
		if got != tt.want {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
	}
}

// A frame that is handed to an adapter in listen-only mode never reaches the wire,
// though it may say so: none is, in no phase.
func TestQuietMayNot(t *testing.T) {
	s := hushed(t)
	for _, at := range []time.Duration{0, ListenTime, 2 * ListenTime, 3 * ListenTime} {
		s.Key(at)
		s.Advance(at)
		if r := s.May(0, frame(0x0D6), at); r == nil || r.Rule != "stop/listen-only" {
			t.Errorf("%v at %v: %v", s.Phase(), at, r)
		}
	}
	s = hushed(t)
	s.Heard(0, frame(0x555), false, ms)
	s.Hush(0)
	if s.Phase() != Closed {
		t.Errorf("a stopped session goes on: %v", s.Phase())
	}
}

// A reading of codes listens in listen-only mode, too, and asks nothing meanwhile.
func TestQuietReading(t *testing.T) {
	s, refusals := JudgeReading(physicalBus(), reading())
	if s == nil {
		t.Fatal(refusals)
	}
	s.Hush(0)
	s.Advance(0)
	s.Heard(0, frame(0x263), false, ms)
	if r := s.May(0, frame(0x7DF), ms); r == nil || r.Rule != "stop/listen-only" {
		t.Errorf("a request in listen-only mode: %v", r)
	}
	if got := s.Advance(ReadListen); got != Listening {
		t.Fatal(got)
	}
	s.Wake(0, ReadListen)
	if r := s.May(0, frame(0x7DF), ReadListen); r == nil || r.Rule != "stop/listening" {
		t.Errorf("a request before listening: %v", r)
	}
	if got := s.Advance(ReadListen + FirstTime); got != Open || s.May(0, frame(0x7DF), ReadListen+FirstTime) != nil {
		t.Errorf("%v after listening", got)
	}
}
