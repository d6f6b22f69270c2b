package service

import (
	"context"
	"fmt"
	"slices"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/profiles"
	"plugproof/replay/gate"
	"plugproof/replay/socketcan"
)

// Targets are the units of a setting that can be asked by an address of their
// own on a bus, by name; the bus of "" is any.
func Targets(s *profiles.Setting, bus string) []Target {
	var list []Target
	for name, node := range s.Nodes {
		d := node.Diagnosis
		if d == nil || !node.IsFitted() || d.Bus != "" && bus != "" && d.Bus != bus {
			continue
		}
		list = append(list, Target{name, Link{Tx: d.Request.Value, Rx: d.Answer.Value, Extended: d.Request.Extended}})
	}
	slices.SortFunc(list, func(a, b Target) int { return byAnswer(a.Link, b.Link) })
	return list
}

// Statement is what the operator states before codes are read.
type Statement struct {
	Stationary bool
	Engine     string            // gate.EngineOff, gate.EngineRunning; "": not stated
	Setting    *profiles.Setting // tells whether the car speaks against it; nil: nobody does
	Bus        string            // of the setting that the interface is; "": any
}

// Live is a Bus on a CAN interface, behind the gate.
type Live struct {
	sender *socketcan.Sender
	heard  []can.Frame // not yet read
}

// maxHeard bounds the frames that wait: a second of a full bus.
const maxHeard = 8192

// OpenLive asks the gate and opens the interface. Refusals are why not.
func OpenLive(name string, plan *Plan, st Statement, clock func() time.Duration) (*Live, []gate.Refusal, error) {
	facts, err := socketcan.Facts([]string{name})
	if err != nil {
		return nil, nil, err
	}
	links := plan.Links()
	session, refusals := gate.JudgeReading(facts[0], gate.Reading{
		Stationary: st.Stationary, Engine: st.Engine,
		Permit:      func(f *can.Frame) error { return Permitted(f, links) },
		Tester:      TesterAsks,
		Contradicts: contradicts(st),
	})
	if session == nil {
		return nil, refusals, nil
	}
	l, err := openSession(session, clock)
	return l, nil, err
}

// openSession opens the interface of a session.
func openSession(session *gate.Session, clock func() time.Duration) (*Live, error) {
	l := &Live{}
	sender, err := socketcan.OpenSender(socketcan.SenderConfig{
		Session: session, Clock: clock,
		Heard: func(_ int, f *can.Frame) {
			if len(l.heard) < maxHeard {
				l.heard = append(l.heard, *f)
			}
		},
	})
	l.sender = sender
	return l, err
}

// Listen listens until the gate lets requests out.
func (l *Live) Listen(ctx context.Context) error {
	for l.sender.Advance() <= gate.Listening {
		if err := l.listen(ctx, slice); err != nil {
			return err
		}
		l.heard = l.heard[:0]
	}
	return l.sender.Stopped()
}

// Notes says how the interface is listened to, where that is not in listen-only
// mode.
func (l *Live) Notes() []string { return l.sender.Notes() }

// slice is how long to listen before the gate and the caller are asked again.
const slice = 5 * time.Millisecond

func (l *Live) listen(ctx context.Context, length time.Duration) error {
	if err := l.sender.Listen(ctx, length); err != nil {
		return err
	}
	return l.sender.Stopped()
}

// Send implements Bus.
func (l *Live) Send(ctx context.Context, f *can.Frame) error { return l.sender.Send(ctx, 0, f) }

// Read implements Bus.
func (l *Live) Read(ctx context.Context, frames []can.Frame) (int, error) {
	for len(l.heard) == 0 {
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		if err := l.listen(ctx, slice); err != nil {
			return 0, err
		}
	}
	n := copy(frames, l.heard)
	l.heard = l.heard[:copy(l.heard, l.heard[n:])]
	return n, nil
}

// Close closes the interface.
func (l *Live) Close() error { return l.sender.Close() }

// contradicts tells by the signals of a setting whether a car is not as stated:
// it moves, or its engine runs when it is off.
func contradicts(st Statement) func(*can.Frame) string {
	if st.Setting == nil {
		return nil
	}
	checks := map[gate.ID]func(*can.Frame) string{}
	add := func(role profiles.Role, above float64, says string) {
		ref, ok := st.Setting.Roles[role]
		if !ok {
			return
		}
		m, def := st.Setting.Signal(ref)
		if m == nil || def == nil || m.Def == nil || st.Bus != "" && m.Bus != st.Bus {
			return
		}
		decoder, _ := decode.NewDecoder([]decode.Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{m.Def}}}})
		signal := decoder.Bus("").Message(m.Def.Name).Signal(def.Name)
		id := gate.IDOf(frameOf(m.ID))
		before := checks[id]
		checks[id] = func(f *can.Frame) string {
			if before != nil {
				if why := before(f); why != "" {
					return why
				}
			}
			if v, ok := signal.Read(f); ok && v.Phys > above && !unavailable(signal, v.Raw) {
				return fmt.Sprintf(says, v.Phys, def.Unit)
			}
			return ""
		}
	}
	const crawl, turning = 1, 50 // km/h, 1/min: above what a standing sensor and a noisy zero give
	add(profiles.VehicleSpeed, crawl, "the car moves: %g %s")
	if st.Engine == gate.EngineOff {
		add(profiles.EngineSpeed, turning, "the engine runs: %g %s")
	}
	return func(f *can.Frame) string {
		if check := checks[gate.IDOf(f)]; check != nil {
			return check(f)
		}
		return ""
	}
}

// frameOf is a frame of an identifier.
func frameOf(id profiles.ID) *can.Frame {
	f := &can.Frame{ID: id.Value}
	if id.Extended {
		f.Flags = can.Extended
	}
	return f
}

// unavailable reports whether all bits are set, the usual pattern for a value
// that is not available.
func unavailable(s *decode.Signal, raw uint64) bool {
	bits := s.Def.Length
	return bits < 64 && raw&(1<<bits-1) == 1<<bits-1
}
