// Package standin sends what control units of the car would send: the rest of
// the car for a cluster alone on the bench, or the engine for a gearbox. Cycles,
// counters, checksums, multiplexer pages and start values come from the profile
// and its DBC files, values from a script or from the program.
//
// A Standin makes the frames (package traffic does, as for captures) and says
// when they are due. It is a replay.Stream: replay.Play sends it, through the
// gate.
package standin

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles"
	"plugproof/profiles/traffic"
	"plugproof/replay"
)

// Config says whose frames are sent, and what is in them.
type Config struct {
	Setting  *profiles.Setting
	Nodes    []string // that are stood in for
	Messages []string // of these nodes; nil: all that they send in this setting
	Script   *Script  // nil: start values, and what Set says
}

// usualInit is how long units send start values, where a script does not say.
const usualInit = 250 * time.Millisecond

// ErrSilent ends a stand-in that would send nothing any more.
var ErrSilent = errors.New("nothing is sent for an hour: the unit is without power, or waits for changes that do not come")

const longestSilence = time.Hour

// Standin makes frames in the order of their times, on one clock that begins
// with power-up. It is used by one goroutine, but for Set, which any may call.
type Standin struct {
	setting *profiles.Setting
	source  *traffic.Source
	nodes   []string
	cells   []*cell
	index   map[profiles.SignalRef]int
	line    timeline
	now     time.Duration // of the last frame
	silent  bool          // ErrSilent
	frame   [1]can.Frame
}

// cell holds the value of one signal.
type cell struct {
	bits atomic.Uint64 // of the float64; NaN: not available

	from, to    float64 // of the ramp under way
	begin, over time.Duration
	ramping     bool
}

func (c *cell) value() float64  { return math.Float64frombits(c.bits.Load()) }
func (c *cell) store(v float64) { c.bits.Store(math.Float64bits(v)) }
func (c *cell) moved(t time.Duration) {
	share := float64(t-c.begin) / float64(c.over)
	if share >= 1 {
		share, c.ramping = 1, false
	}
	c.store(c.from + (c.to-c.from)*share)
}

// New makes a stand-in. The error is profiles.Problems where the script is at
// fault.
func New(c Config) (*Standin, error) {
	s := &Standin{setting: c.Setting, nodes: c.Nodes, index: map[profiles.SignalRef]int{}}
	config, err := c.traffic()
	if err != nil {
		return nil, err
	}
	if s.source, err = traffic.New(config, s.step); err != nil {
		return nil, err
	}
	if err := s.constants(); err != nil {
		return nil, err
	}
	script := c.Script
	if script == nil {
		script = &Script{}
	}
	compiler := compiler{script: script, line: &s.line, target: s.cell, has: s.source.Has, value: s.value}
	return s, compiler.compile()
}

// traffic returns what is sent: the definitions of the DBC files with what the
// profile says over them.
func (c *Config) traffic() (traffic.Config, error) {
	config := traffic.Config{Only: c.Nodes, Nodes: map[string]traffic.Node{}, Protections: map[string]guard.Protection{}}
	for _, node := range c.Nodes {
		if c.Setting.Nodes[node] == nil {
			return config, fmt.Errorf("%s has no unit %q", c.Setting.Profile.Name, node)
		}
		config.Nodes[node] = c.start()
	}
	databases := map[string]*dbc.Database{}
	for _, m := range c.Setting.Messages {
		if !c.sends(m) {
			continue
		}
		protection, err := m.Protection()
		if err != nil {
			return config, fmt.Errorf("message %s: %w", m.Name, err)
		}
		config.Protections[m.Name] = protection
		if databases[m.Bus] == nil {
			databases[m.Bus] = &dbc.Database{}
		}
		databases[m.Bus].Messages = append(databases[m.Bus].Messages, definition(m))
	}
	for _, name := range c.Messages {
		if m := c.Setting.Message(name); m == nil || !c.sends(m) {
			return config, fmt.Errorf("%s sends no message %q in %s", strings.Join(c.Nodes, ", "), name, c.Setting.Profile.Name)
		}
	}
	for _, bus := range c.Setting.Buses {
		if db := databases[bus.Name]; db != nil {
			config.Buses = append(config.Buses, traffic.Bus{Name: bus.Name, Bitrate: bus.Bitrate, Databases: []*dbc.Database{db}})
		}
	}
	if len(config.Buses) == 0 {
		return config, fmt.Errorf("%s sends nothing in %s", strings.Join(c.Nodes, ", "), c.Setting.Profile.Name)
	}
	return config, nil
}

// sends reports whether the message is stood in for. One that only a profile
// knows has no content that could be sent.
func (c *Config) sends(m *profiles.MessageFacts) bool {
	return m.Def != nil && m.Expected && slices.Contains(c.Nodes, m.Sender) &&
		(c.Messages == nil || slices.Contains(c.Messages, m.Name))
}

func (c *Config) start() traffic.Node {
	node := traffic.Node{Init: usualInit}
	if c.Script != nil {
		node.Boot = time.Duration(c.Script.file.Boot)
		if init := c.Script.file.StartValues; init != nil {
			node.Init = time.Duration(*init)
		}
	}
	return node
}

// definition is the DBC's definition with what the profile says instead.
func definition(m *profiles.MessageFacts) *dbc.Message {
	def := *m.Def
	def.ID, def.Extended = m.ID.Value, m.ID.Extended
	def.Length, def.CycleTime, def.Senders = m.Length.Value, m.Cycle.Value, []string{m.Sender}
	if m.Kind == profiles.OnChange || m.Kind == profiles.Mixed {
		def.SendType = cmp.Or(def.SendType, "OnChange")
	}
	copies := map[*dbc.Signal]*dbc.Signal{}
	def.Signals = slices.Clone(def.Signals)
	for i, sig := range def.Signals {
		own := *sig
		copies[sig], def.Signals[i] = &own, &own
	}
	for _, sig := range def.Signals {
		sig.Switch = copies[sig.Switch]
		says := m.Own.Signals[sig.Name]
		if says == nil {
			continue
		}
		if says.Start != nil {
			start := float64(*says.Start)
			sig.Start0 = &start
		}
		if len(says.SNA) > 0 {
			own := dbc.ValueText{Value: signed(sig, says.SNA[0]), Text: traffic.NotAvailable}
			sig.Values = append(slices.Clone(sig.Values), own) // the last of that text counts
		}
	}
	return &def
}

// signed returns the value of a pattern of bits: profiles write patterns.
func signed(sig *dbc.Signal, pattern uint64) int64 {
	if unused := 64 - sig.Length; sig.Type == dbc.Signed && unused > 0 {
		return int64(pattern<<unused) >> unused
	}
	return int64(pattern)
}

// constants binds what every car of the setting sends.
func (s *Standin) constants() error {
	for _, m := range s.setting.Messages {
		if !s.source.Has(m.Name) {
			continue
		}
		for _, name := range slices.Sorted(maps.Keys(m.Own.Constants)) {
			constant, sig := m.Own.Constants[name], m.Signal(name)
			if sig == nil {
				continue
			}
			v := float64(float64(constant.Value)*sig.Factor) + sig.Offset
			if err := s.source.Bind(profiles.SignalRef(m.Name+"."+name), func() float64 { return v }); err != nil {
				return err
			}
		}
	}
	return nil
}

// cell returns the cell of a signal, bound when it is new. Until it is set it
// holds the signal's start value.
func (s *Standin) cell(ref profiles.SignalRef) (int, error) {
	if i, ok := s.index[ref]; ok {
		return i, nil
	}
	c := &cell{}
	if _, sig := s.setting.Signal(ref); sig != nil && sig.Start0 != nil {
		c.store(float64(*sig.Start0*sig.Factor) + sig.Offset)
	}
	if err := s.source.Bind(ref, c.value); err != nil {
		return 0, err
	}
	s.index[ref] = len(s.cells)
	s.cells = append(s.cells, c)
	return s.index[ref], nil
}

// value reads a value of a script and makes sure that the signal can hold it.
func (s *Standin) value(ref profiles.SignalRef, text string) (float64, error) {
	v, err := number(s.setting, ref, text)
	if err != nil {
		return 0, err
	}
	return v, s.source.Check(ref, v)
}

// Buses is the table that Item.Bus points into: the buses of the profile on
// which the stand-in sends.
func (s *Standin) Buses() *can.Buses { return s.source.Buses() }

// Has reports whether the message is sent here.
func (s *Standin) Has(message string) bool { return s.source.Has(message) }

// Length returns how long the script is; false when it has no end.
func (s *Standin) Length() (time.Duration, bool) {
	return s.line.length, !s.line.endless && s.line.loop < 0
}

// Bind readies a signal for Set. It is called before the first Next.
func (s *Standin) Bind(ref profiles.SignalRef) error {
	_, err := s.cell(ref)
	return err
}

// Set gives a bound signal a value from its next frame on, NaN for one that the
// unit does not have. The error is that of a value which its bits cannot hold.
func (s *Standin) Set(ref profiles.SignalRef, v float64) error {
	i, ok := s.index[ref]
	if !ok {
		return fmt.Errorf("%s is not bound", ref)
	}
	if err := s.source.Check(ref, v); err != nil {
		return err
	}
	s.cells[i].store(v)
	return nil
}

// Next gives the next frame and when it is due, from power-up on. It returns
// io.EOF when the script is over.
func (s *Standin) Next(item *replay.Item) error {
	n, err := s.source.Read(context.Background(), s.frame[:])
	switch {
	case s.silent:
		return ErrSilent
	case n == 0:
		return cmp.Or(err, io.EOF)
	}
	s.now = time.Duration(s.frame[0].Time)
	item.Offset, item.Bus, item.Frame = s.now, int(s.frame[0].Bus), s.frame[0]
	return nil
}

// step is the script of the traffic.
func (s *Standin) step(t time.Duration) bool {
	if t == 0 {
		s.power(true)
	}
	for _, c := range s.cells {
		if c.ramping {
			c.moved(t)
		}
	}
	for a := s.line.due(t); a != nil; a = s.line.due(t) {
		s.act(a, t)
	}
	s.silent = t-s.now > longestSilence
	return !s.silent && !s.line.ended(t)
}

func (s *Standin) act(a *action, t time.Duration) {
	switch a.kind {
	case set:
		s.cells[a.cell].ramping = false
		s.cells[a.cell].store(a.value)
	case ramp:
		c := s.cells[a.cell]
		c.from, c.to, c.begin, c.over, c.ramping = c.value(), a.value, t, a.over, true
		if math.IsNaN(c.from) {
			c.from = c.to
		}
	case send:
		s.source.Send(a.message)
	case powerOn, powerOff:
		s.power(a.kind == powerOn)
	}
}

func (s *Standin) power(on bool) {
	for _, bus := range s.setting.Buses {
		for _, node := range s.nodes {
			s.source.Power(bus.Name, node, on)
		}
	}
}
