package gate

import (
	"fmt"
	"time"

	"plugproof/decode/can"
)

// ReadListen is how long a reading listens first, for another tester and for a
// car that is not as stated.
const ReadListen = 5 * time.Second

// Reading is the gate's class for reading trouble codes: requests that only read,
// on a car that stands, with no other tester on the bus. Everybody else may talk:
// it is a car. There is no key to hold, since nothing moves.
type Reading struct {
	Stationary bool   // the operator states that the car stands and stays
	Engine     string // what the operator states: off or running; "": nothing

	Permit func(*can.Frame) error         // why a frame is no request that reads; nil lets it out
	Tester func(id uint32, ext bool) bool // identifiers on which a tester asks
	// Contradicts says why a frame of the car speaks against what was stated: it
	// moves, its engine runs; "" when it does not.
	Contradicts func(*can.Frame) string
}

// JudgeReading looks at a reading of trouble codes before anything is heard or
// sent. It returns a session, or every reason against one.
func JudgeReading(bus Interface, r Reading) (*Session, []Refusal) {
	physical := bus.Physical() != ""
	refusals := judgeBus(&Bus{Interface: bus}, &Policy{}, physical)
	if bus.Missing {
		return nil, refusals
	}
	if physical && !r.Stationary {
		refusals = append(refusals, Refusal{
			Rule: "read/not-stationary", Bus: bus.Name, Reason: "nobody stated that the car stands and stays",
			Try: "--stationary, with the car on flat ground, parking brake on, wheels chocked",
		})
	}
	if physical && r.Engine != EngineOff && r.Engine != EngineRunning {
		refusals = append(refusals, Refusal{
			Rule: "read/engine-not-stated", Bus: bus.Name, Reason: "nobody stated whether the engine runs",
			Try: "--engine off, or --engine running",
		})
	}
	if len(refusals) > 0 {
		return nil, refusals
	}
	s := newSession(&Plan{Buses: []Bus{{Interface: bus}}}, Policy{}, []bool{physical})
	s.reading = &r
	s.listen = ReadListen
	return s, nil
}

// What an operator states of the engine.
const (
	EngineOff     = "off"
	EngineRunning = "running"
)

// mayRead decides about one frame of a reading.
func (s *Session) mayRead(bus int, f *can.Frame) *Refusal {
	if s.phase <= Listening {
		return &Refusal{Rule: "stop/listening", Bus: s.buses[bus].Name, Reason: "listening comes first"}
	}
	if err := s.reading.Permit(f); err != nil {
		s.halt(bus, Refusal{Rule: "read/not-reading", ID: IDOf(f), HasID: true, Reason: err.Error(), Try: "nothing opens this"})
		return s.stop
	}
	return nil
}

// hearsReading looks at a frame of the car during a reading.
func (s *Session) hearsReading(bus int, f *can.Frame) {
	id := IDOf(f)
	if s.reading.Tester(f.ID, f.Is(can.Extended)) {
		s.halt(bus, Refusal{
			Rule: "read/other-tester", ID: id, HasID: true,
			Reason: fmt.Sprintf("another tester asks on %s by %s", s.buses[bus].Name, id),
			Try:    "take it off the bus, or read the codes with it and import its list",
		})
		return
	}
	if s.reading.Contradicts == nil {
		return
	}
	if why := s.reading.Contradicts(f); why != "" {
		s.halt(bus, Refusal{Rule: "read/not-as-stated", ID: id, HasID: true, Reason: why, Try: "state what is so, with the car standing"})
	}
}
