// Package exercise plays one function of a listener alone on the bench: it moves
// a needle or a lamp and asks what is seen, without saying what to expect. It
// tells "the cluster is fine, the frame was wrong" from "the cluster does not
// react to a right frame".
//
// An Exercise is a stream for the player and a dialogue beside it:
//
//	x, err := exercise.New(config)
//	go replay.Run(ctx, replay.Job{Stream: x.Stream, ...})
//	outcome, err := x.Guide(ctx, talk)
//
// Both run at the same time: what Guide decides is what Stream sends.
package exercise

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/replay"
	"plugproof/replay/standin"
)

// Config of New.
type Config struct {
	Setting  *profiles.Setting
	Function string
	// Control holds frames of the function's message as the factory unit sent
	// them, in order, and Shown what the signal was in the middle of them: the
	// positive control. nil: there is none.
	Control []can.Frame
	Shown   float64
	Seed    uint64 // of the values that nobody sees
}

// CannotError says why a function is not exercised.
type CannotError struct{ Function, Reason string }

func (e *CannotError) Error() string {
	return fmt.Sprintf("%s cannot be exercised: %s", e.Function, e.Reason)
}

// Exercise is one function being exercised.
type Exercise struct {
	config   Config
	function *profiles.Function
	ref      profiles.SignalRef // of the sender
	facts    *profiles.MessageFacts
	listener profiles.ListenerFacts

	mu      sync.Mutex
	values  map[profiles.SignalRef]float64
	current *standin.Standin // what is being played; nil before
	muted   atomic.Bool      // the message is not sent
	control atomic.Bool      // its frames are those of Config.Control
	ended   atomic.Bool
}

// New prepares a function. The error is *CannotError where the function is no
// needle or lamp, or its message may never be sent.
func New(config Config) (*Exercise, error) {
	x := &Exercise{config: config, values: map[profiles.SignalRef]float64{}}
	x.function = config.Setting.Functions[config.Function]
	if x.function == nil {
		return nil, fmt.Errorf("%s has no function %q", config.Setting.Name, config.Function)
	}
	if why := x.unfit(); why != "" {
		return nil, &CannotError{config.Function, why}
	}
	for _, l := range x.facts.Listeners {
		if l.Node == x.function.Ends {
			x.listener = l
		}
	}
	x.values[x.ref] = x.rest()
	s, err := x.make() // so that what is wrong with it is said at once
	if err == nil {
		err = s.Set(x.ref, x.rest())
	}
	return x, err
}

// unfit says why the function cannot be exercised; "" when it can.
func (x *Exercise) unfit() string {
	s := x.config.Setting
	x.ref = x.function.Chain[0]
	x.facts, _ = s.Signal(x.ref)
	switch {
	case x.function.Gauge == nil && x.function.Lamp == nil:
		return "it is no gauge and no lamp of the profile"
	case len(x.function.Chain) > 1:
		return "a gateway passes it on: nobody sees it on the unit that is fed"
	case x.facts.Sender == "":
		return "nobody is known to send it"
	case x.facts.Cycle.Value == 0:
		return x.facts.Name + " has no cycle"
	}
	for _, never := range s.NeverSent {
		if never.Holds(x.facts.ID) {
			return fmt.Sprintf("%s (%s) is never sent", x.facts.Name, x.facts.ID)
		}
	}
	return ""
}

// rest is the value to begin and to end with.
func (x *Exercise) rest() float64 {
	if g := x.function.Gauge; g != nil {
		least, _ := g.Range()
		return least
	}
	return 1 - x.lampOn()
}

// lampOn is the value that lights the lamp.
func (x *Exercise) lampOn() float64 {
	if x.function.Lamp.On == 0 {
		return 0
	}
	return float64(x.function.Lamp.On)
}

// Messages lists what is sent: the function's message, and what else of the same
// unit the listener waits for and the profile lets a bench send, so that it stays
// content.
func (x *Exercise) Messages() []string {
	names := []string{x.facts.Name}
	for _, ref := range x.config.Setting.MaySend {
		name, _ := ref.Split()
		m := x.config.Setting.Message(name)
		if m == nil || m.Sender != x.facts.Sender || m.Bus != x.facts.Bus || !m.Expected {
			continue
		}
		if slices.ContainsFunc(m.Listeners, func(l profiles.ListenerFacts) bool { return l.Node == x.function.Ends }) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// Title names the function for people.
func (x *Exercise) Title() string { return cmp.Or(x.function.Title, x.config.Function) }

// Message is the name of the function's message.
func (x *Exercise) Message() string { return x.facts.Name }

// Bus is the bus of the setting that the function's message is on.
func (x *Exercise) Bus() string { return x.facts.Bus }

func (x *Exercise) make() (*standin.Standin, error) {
	s, err := standin.New(standin.Config{Setting: x.config.Setting, Nodes: []string{x.facts.Sender}, Messages: x.Messages()})
	if err != nil {
		return nil, err
	}
	return s, s.Bind(x.ref)
}

// Stream returns the frames from power-up on. It may be called several times: the
// last one is what the dialogue moves. It goes on until the dialogue ends.
func (x *Exercise) Stream() replay.Stream {
	s, err := x.make()
	x.mu.Lock()
	defer x.mu.Unlock()
	if err == nil {
		err = s.Set(x.ref, x.values[x.ref])
	}
	x.current = s
	return &stream{x: x, standin: s, err: err}
}

// set gives the signal a value; NaN is "not available".
func (x *Exercise) set(v float64) error {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.values[x.ref] = v
	if x.current == nil {
		return nil
	}
	return x.current.Set(x.ref, v)
}

// End ends the stream, as at the end of the dialogue.
func (x *Exercise) End() { x.ended.Store(true) }

// stream is the stand-in as the dialogue wants it.
type stream struct {
	x       *Exercise
	standin *standin.Standin
	err     error
	start   time.Time // of playing
	played  int       // of Config.Control
}

// Next gives the next frame. In the place of one that is stopped it waits until that
// would be due, so that a stream with nothing left to send does not run ahead of the
// clock, and one that is late does not fall behind further.
func (s *stream) Next(item *replay.Item) error {
	if s.err != nil {
		return s.err
	}
	if s.start.IsZero() {
		s.start = time.Now() //nolint:forbidigo // a wait, no result
	}
	for {
		if s.x.ended.Load() {
			return io.EOF
		}
		if err := s.standin.Next(item); err != nil {
			return err
		}
		if item.Frame.ID != s.x.facts.ID.Value || item.Frame.Is(can.Extended) != s.x.facts.ID.Extended {
			return nil
		}
		if !s.x.muted.Load() {
			s.controlled(item)
			return nil
		}
		time.Sleep(time.Until(s.start.Add(item.Offset))) // at most a cycle
	}
}

// controlled puts a frame of the factory unit in the place of ours.
func (s *stream) controlled(item *replay.Item) {
	if !s.x.control.Load() {
		s.played = 0
		return
	}
	bus := item.Frame.Bus
	item.Frame = s.x.config.Control[s.played%len(s.x.config.Control)]
	item.Frame.Bus = bus
	s.played++
}
