package traffic

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/profiles"
)

// Source makes the frames of some or all nodes. It has the one method that
// readers of captures have, so what reads a file also reads this.
type Source struct {
	config Config
	script Script
	buses  *can.Buses
	lines  []*line
	units  []*unit
	byName map[string]*message

	now   int64 // time of the step whose frames are being made, ns
	next  int64 // time of the next step
	ended bool
}

// unit is a node on one bus: it is powered there by itself.
type unit struct {
	node  string
	line  *line
	boot  int64   // ns from power to the first frame
	init  int64   // ns of start values after that
	pace  float64 // its clock: a second of its own takes so many seconds
	on    bool
	alive int64 // when it sends its first frame
	ready int64 // when it has values
}

// New makes a source. Nothing is powered yet. The error names the message or
// signal whose definition does not work out.
func New(config Config, script Script) (*Source, error) {
	s := &Source{config: config, script: script, buses: new(can.Buses), byName: make(map[string]*message)}
	if s.config.Step <= 0 {
		s.config.Step = DefaultStep
	}
	for _, bus := range config.Buses {
		if err := readable(bus); err != nil {
			return nil, err
		}
		if err := s.addBus(bus); err != nil {
			return nil, fmt.Errorf("bus %s: %w", bus.Name, err)
		}
	}
	return s, nil
}

// readable refuses definitions that were not read as they were meant.
func readable(bus Bus) error {
	for _, db := range bus.Databases {
		for _, d := range db.Diagnostics {
			if d.Severity == dbc.Error {
				return errors.New(d.String())
			}
		}
	}
	return nil
}

func (s *Source) addBus(bus Bus) error {
	index, ok := s.buses.Intern([]byte(bus.Name))
	if !ok {
		return fmt.Errorf("more than %d buses", can.MaxBuses)
	}
	if int(index) < len(s.lines) {
		return errors.New("listed twice")
	}
	rate := bus.Bitrate
	maps := make([]decode.Mapping, len(bus.Databases))
	for i, db := range bus.Databases {
		maps[i] = decode.Mapping{Database: db}
		rate = cmp.Or(rate, db.Bitrate)
	}
	if rate <= 0 {
		return errors.New("no bit rate, and no DBC file states one")
	}
	s.buses.SetBitrates(index, rate, 0)
	decoder, diagnostics := decode.NewDecoder(maps)
	for _, d := range diagnostics {
		if d.Severity == dbc.Error {
			return errors.New(d.String())
		}
	}
	ln := &line{bitrate: rate}
	s.lines = append(s.lines, ln)
	for _, def := range decoder.Bus("").Messages() {
		if s.silent(def.Def) {
			continue
		}
		if have := s.byName[def.Def.Name]; have != nil {
			if have.unit.line != ln {
				return fmt.Errorf("message %s is on bus %s as well", def.Def.Name, s.buses.Name(have.unit.line.index()))
			}
			continue
		}
		m, err := newMessage(def, s.config.Protections[def.Def.Name])
		if err != nil {
			return err
		}
		m.empty.Bus = index
		m.unit = s.unit(sender(def.Def), ln)
		m.setClock(s.config)
		s.byName[def.Def.Name] = m
		ln.messages = append(ln.messages, m)
	}
	ln.sort()
	return nil
}

func sender(def *dbc.Message) string {
	if len(def.Senders) == 0 {
		return ""
	}
	return def.Senders[0]
}

// silent reports whether the configuration leaves the message out.
func (s *Source) silent(def *dbc.Message) bool {
	node := sender(def)
	if s.config.Only != nil && !slices.Contains(s.config.Only, node) {
		return true
	}
	return slices.Contains(s.config.Without, node) || slices.Contains(s.config.Without, def.Name)
}

// unit returns the node on a bus, and adds it when it is new.
func (s *Source) unit(node string, ln *line) *unit {
	for _, u := range s.units {
		if u.node == node && u.line == ln {
			return u
		}
	}
	n := s.config.Nodes[node]
	share := 2*hash(s.config.Seed, node).unit(0) - 1
	u := &unit{node: node, line: ln, boot: int64(n.Boot), init: int64(n.Init), pace: 1 + float64(s.config.ClockError*share)}
	s.units = append(s.units, u)
	return u
}

// Buses is the table that Frame.Bus points into.
func (s *Source) Buses() *can.Buses { return s.buses }

// Has reports whether the message is sent here.
func (s *Source) Has(message string) bool { return s.byName[message] != nil }

// Bind lets a function give the physical value of a signal. It is called when a
// frame is made; NaN stands for a value that the sender does not have. A signal
// that is not bound keeps its start value; a second function replaces the first.
// The error wraps ErrNoSignal or ErrGuarded.
func (s *Source) Bind(ref profiles.SignalRef, value func() float64) error {
	name, signal := ref.Split()
	m := s.byName[name]
	if m == nil || m.msg.Signal(signal) == nil {
		return fmt.Errorf("%s: %w", ref, ErrNoSignal)
	}
	return m.bind(m.msg.Signal(signal), value)
}

// Check reports why a value cannot be sent in a signal: the error of a value that
// its bits cannot hold, one that wraps ErrNoSignal, or ErrNoSNA for NaN.
func (s *Source) Check(ref profiles.SignalRef, value float64) error {
	name, signal := ref.Split()
	m := s.byName[name]
	if m == nil || m.msg.Signal(signal) == nil {
		return fmt.Errorf("%s: %w", ref, ErrNoSignal)
	}
	src := newSource(m.msg.Signal(signal), nil)
	_, err := src.convert(value)
	return err
}

// Unbound lists the signals that neither a function nor the protection fills,
// sorted.
func (s *Source) Unbound() []profiles.SignalRef {
	var list []profiles.SignalRef
	for name, m := range s.byName {
		for i := range m.msg.Signals {
			if sig := &m.msg.Signals[i]; !m.owns(sig) && !m.bound(sig) {
				list = append(list, profiles.SignalRef(name+"."+sig.Def.Name))
			}
		}
	}
	slices.Sort(list)
	return list
}

// Power switches a node on one bus on or off, from the current step on. It
// starts anew each time it is switched on.
func (s *Source) Power(bus, node string, on bool) {
	for _, u := range s.units {
		if u.node != node || s.buses.Name(u.line.index()) != bus || u.on == on {
			continue
		}
		u.on, u.alive = on, s.now+u.boot
		u.ready = u.alive + u.init
		u.line.power(u)
	}
}

// Send makes the message's sender send it at once, if it is up. It does nothing
// for a message that is not sent here.
func (s *Source) Send(message string) {
	if m := s.byName[message]; m != nil && m.unit.on && s.now >= m.unit.alive {
		m.unit.line.request(m, s.now)
	}
}

// Mute stops a message, from the current step on, or lets it be sent again. It
// does nothing for a message that is not sent here.
func (s *Source) Mute(message string, off bool) {
	if m := s.byName[message]; m != nil && m.muted != off {
		m.muted = off
		m.unit.line.mute(m, s.now)
	}
}

// Read fills dst with the next frames and returns their number. It returns
// io.EOF when the script has ended the traffic, and the error of a value that
// its signal cannot hold.
func (s *Source) Read(ctx context.Context, dst []can.Frame) (int, error) {
	for n := range dst {
		ln, at, err := s.advance(ctx)
		if err != nil {
			if err == io.EOF && n > 0 {
				err = nil
			}
			return n, err
		}
		if err := ln.send(at, &dst[n]); err != nil {
			return n, fmt.Errorf("at %v: %w", time.Duration(at), err)
		}
		dst[n].Time = s.config.Start + at
	}
	return len(dst), nil
}

// advance runs the script up to the next frame, and returns the bus and the time
// of that frame.
func (s *Source) advance(ctx context.Context) (*line, int64, error) {
	for {
		var first *line
		at := int64(never)
		for _, ln := range s.lines {
			if t := ln.nextTime(); t < at {
				first, at = ln, t
			}
		}
		if at < s.next {
			return first, at, nil
		}
		if err := ctx.Err(); err != nil {
			return nil, 0, err
		}
		if s.ended || !s.step() {
			s.ended = true
			return nil, 0, io.EOF
		}
	}
}

// step calls the script and looks for changed values.
func (s *Source) step() bool {
	s.now = s.next
	s.next += int64(s.config.Step)
	if !s.script(time.Duration(s.now)) {
		return false
	}
	for _, ln := range s.lines {
		ln.lookForChanges(s.now)
	}
	return true
}
