package gate

import (
	"errors"
	"testing"
	"time"

	"plugproof/decode/can"
)

// reading is a reading of codes in which everything is as it should be.
func reading() Reading {
	return Reading{
		Stationary: true, Engine: EngineOff,
		Permit: func(f *can.Frame) error {
			if f.ID != 0x7DF {
				return errors.New("no request that reads")
			}
			return nil
		},
		Tester: func(id uint32, _ bool) bool { return id == 0x7DF || id == 0x7E0 },
		Contradicts: func(f *can.Frame) string {
			if f.ID == 0x0D6 {
				return "the car moves"
			}
			return ""
		},
	}
}

func physicalBus() Interface {
	return Interface{Name: "can0", Kind: "can", Up: true, Echo: true, Bitrate: 500_000}
}

func TestJudgeReading(t *testing.T) {
	tests := map[string]struct {
		change func(*Interface, *Reading)
		want   []string
	}{
		"as it should be":     {func(*Interface, *Reading) {}, nil},
		"engine running":      {func(_ *Interface, r *Reading) { r.Engine = EngineRunning }, nil},
		"not stationary":      {func(_ *Interface, r *Reading) { r.Stationary = false }, []string{"read/not-stationary"}},
		"engine not stated":   {func(_ *Interface, r *Reading) { r.Engine = "" }, []string{"read/engine-not-stated"}},
		"engine stated oddly": {func(_ *Interface, r *Reading) { r.Engine = "idle" }, []string{"read/engine-not-stated"}},
		"down":                {func(i *Interface, _ *Reading) { i.Up = false }, []string{"bus/down"}},
		"gone":                {func(i *Interface, _ *Reading) { i.Missing = true }, []string{"bus/missing"}},
		"bus-off":             {func(i *Interface, _ *Reading) { i.BusOff = true }, []string{"bus/bus-off"}},
		"listen-only":         {func(i *Interface, _ *Reading) { i.ListenOnly = true }, []string{"bus/listen-only"}},
		"no echo":             {func(i *Interface, _ *Reading) { i.Echo = false }, []string{"bus/no-echo"}},
		"nothing stated": {
			func(_ *Interface, r *Reading) { r.Stationary, r.Engine = false, "" },
			[]string{"read/not-stationary", "read/engine-not-stated"},
		},
		"virtual needs no statement": {
			func(i *Interface, r *Reading) {
				*i = Interface{Name: "vcan0", Kind: "vcan", Up: true}
				r.Stationary, r.Engine = false, ""
			}, nil,
		},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			bus, r := physicalBus(), reading()
			tt.change(&bus, &r)
			s, refusals := JudgeReading(bus, r)
			got := rules(refusals)
			if len(got) != len(tt.want) || (s == nil) != (len(tt.want) > 0) {
				t.Fatalf("refused by %v, want %v", got, tt.want)
			}
			for i := range got {
				if got[i] != tt.want[i] {
					t.Errorf("refused by %v, want %v", got, tt.want)
				}
			}
		})
	}
}

func TestReadingListensFirst(t *testing.T) {
	s, _ := JudgeReading(physicalBus(), reading())
	s.Advance(0)
	if r := s.May(0, frame(0x7DF), time.Second); r == nil || r.Rule != "stop/listening" {
		t.Errorf("while listening: %v", r)
	}
	s.Heard(0, frame(0x123), false, 2*time.Second) // a car talks
	if got := s.Advance(ReadListen - 1); got != Listening {
		t.Errorf("after nearly %v: %v", ReadListen, got)
	}
	if got := s.Advance(ReadListen); got != Open {
		t.Errorf("after %v: %v, %v", ReadListen, got, s.Stopped())
	}
	if r := s.May(0, frame(0x7DF), ReadListen); r != nil {
		t.Errorf("a request that reads: %v", r)
	}
	if r := s.May(0, frame(0x7DF), ReadListen); r == nil || r.Rule != "stop/in-flight" {
		t.Errorf("before it is confirmed: %v", r)
	}
	s.Heard(0, frame(0x7DF), true, ReadListen+time.Millisecond)
	if r := s.May(0, frame(0x7DF), ReadListen+2*time.Millisecond); r != nil {
		t.Errorf("after it is confirmed: %v", r)
	}
}

func TestReadingStops(t *testing.T) {
	tests := map[string]struct {
		do   func(*Session)
		want string
	}{
		"another request": {func(s *Session) { s.May(0, frame(0x100), ReadListen) }, "read/not-reading"},
		"another tester":  {func(s *Session) { s.Heard(0, frame(0x7E0), false, ReadListen) }, "read/other-tester"},
		"the car moves":   {func(s *Session) { s.Heard(0, frame(0x0D6), false, ReadListen) }, "read/not-as-stated"},
		"bus-off": {func(s *Session) {
			s.Note(0, &Interface{Name: "can0", Kind: "can", Up: true, BusOff: true, Bitrate: 500_000})
		}, "stop/bus-off"},
		"interface gone":   {func(s *Session) { s.Note(0, &Interface{Name: "can0", Missing: true}) }, "stop/interface"},
		"an error of ours": {func(s *Session) { s.Heard(0, protocol(0x01), false, ReadListen) }, "stop/bit-error"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			s, _ := JudgeReading(physicalBus(), reading())
			s.Advance(0)
			s.Advance(ReadListen)
			tt.do(s)
			if r := s.Stopped(); r == nil || r.Rule != tt.want {
				t.Fatalf("stopped by %v, want %s", r, tt.want)
			}
			if r := s.May(0, frame(0x7DF), ReadListen); r == nil {
				t.Error("it goes on")
			}
		})
	}
	// The same on a virtual interface: only reading is let out there, too.
	s, _ := JudgeReading(Interface{Name: "vcan0", Kind: "vcan", Up: true}, reading())
	if r := s.May(0, frame(0x100), 0); r == nil || r.Rule != "read/not-reading" {
		t.Errorf("on vcan: %v", r)
	}
}
