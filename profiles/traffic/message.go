package traffic

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
)

// never is a time that does not come.
const never = math.MaxInt64

// message is one message as it is sent: what goes into its frames, and when.
type message struct {
	msg     *decode.Message
	unit    *unit
	guard   *guard.Guard  // nil: not protected
	guarded []guard.Field // bits that guard writes
	pages   []page        // at least one

	cycle  int64    // ns, by the sender's clock; 0: not cyclic
	phase  int64    // of the first frame within the cycle, ns
	delay  int64    // least time between a frame and one sent on change, ns
	jitter noise    // how late each frame is, as a share of most
	most   int64    // ns
	watch  []source // sent at once when one of these changes
	seen   []float64

	empty  can.Frame // identifier, bus and length
	sent   uint64    // frames since power-up
	first  int64     // when frame 0 of the cycle was due
	turn   int64     // cycles since then
	sentAt int64     // when the last frame was sent
	muted  bool      // it is not sent now
}

// page is what a frame holds for one value of the multiplexer.
type page struct {
	sources []source           // signals with a value function
	data    [can.MaxFDLen]byte // everything else: multiplexer and start values
	start   [can.MaxFDLen]byte // all start values, sent while the unit starts
}

// source is a signal and where its value comes from.
type source struct {
	signal *decode.Signal
	value  func() float64
	sna    uint64
	hasSNA bool

	said float64 // the last value, and its bits: most values stay as they are
	raw  uint64
}

// newMessage compiles a message; p protects it.
func newMessage(m *decode.Message, p guard.Protection) (*message, error) {
	t := &message{msg: m, guarded: p.Fields()}
	if len(t.guarded) > 0 {
		g, err := p.Compile()
		if err != nil {
			return nil, fmt.Errorf("message %s: %w", m.Def.Name, err)
		}
		t.guard = g
	}
	if err := t.setPages(); err != nil {
		return nil, fmt.Errorf("message %s: %w", m.Def.Name, err)
	}
	t.cycle = int64(m.Def.CycleTime)
	if a, ok := m.Def.Attributes["GenMsgDelayTime"]; ok && a.Number > 0 {
		t.delay = int64(a.Number * float64(time.Millisecond))
	}
	return t, nil
}

// onChange reports whether a changed value makes the sender send.
func onChange(def *dbc.Message) bool {
	return strings.Contains(strings.ToLower(def.SendType), "change")
}

// setPages makes a page for each value of the multiplexer that has signals of
// its own; without a multiplexer there is one.
func (t *message) setPages() error {
	mux, values, err := multiplexer(t.msg)
	if err != nil {
		return err
	}
	if err := t.msg.Fill(&t.empty, nil); err != nil {
		return err
	}
	bare := t.empty
	clear(t.empty.Data[:])
	for _, v := range values {
		f := bare
		if mux != nil {
			set := []decode.Value{{Signal: mux, Raw: v}}
			if err := t.msg.Fill(&f, set); err != nil {
				return err
			}
		}
		t.pages = append(t.pages, page{data: f.Data, start: f.Data})
	}
	return nil
}

// multiplexer returns the signal that selects pages, and the values that have
// signals of their own. Without one there is one page.
func multiplexer(m *decode.Message) (*decode.Signal, []uint64, error) {
	var mux *decode.Signal
	var values []uint64
	for i := range m.Signals {
		s := &m.Signals[i]
		if s.Def.Switch == nil {
			continue
		}
		if mux != nil && mux.Def != s.Def.Switch {
			return nil, nil, fmt.Errorf("%s and %s: traffic knows one multiplexer a message", mux.Def.Name, s.Def.Switch.Name)
		}
		mux = m.Signal(s.Def.Switch.Name)
		for _, r := range s.Def.Pages {
			for v := r.From; v <= r.To && v < 1<<16; v++ {
				values = append(values, v)
			}
		}
	}
	if mux == nil {
		return nil, []uint64{0}, nil
	}
	slices.Sort(values)
	return mux, slices.Compact(values), nil
}

// bind gives the signal its value function.
func (t *message) bind(s *decode.Signal, value func() float64) error {
	if t.owns(s) {
		return fmt.Errorf("%s: %w", s.Def.Name, ErrGuarded)
	}
	src := newSource(s, value)
	probe := t.empty
	for i := range t.pages {
		p := &t.pages[i]
		probe.Data = p.data
		if _, present := s.Read(&probe); !present {
			continue
		}
		if err := s.Put(&probe, 0); err != nil {
			return err
		}
		p.data = probe.Data
		p.sources = replace(p.sources, src)
	}
	if onChange(t.msg.Def) && strings.EqualFold(s.Def.SendType, "OnChange") {
		t.watch = replace(t.watch, src)
		t.seen = slices.Repeat([]float64{math.NaN()}, len(t.watch))
	}
	return nil
}

func newSource(s *decode.Signal, value func() float64) source {
	src := source{signal: s, value: value, said: math.NaN()}
	for _, v := range s.Def.Values {
		if v.Text == NotAvailable {
			src.sna, src.hasSNA = uint64(v.Value), true
		}
	}
	return src
}

// replace puts a source in the place of that for the same signal, or at the end.
func replace(list []source, src source) []source {
	i := slices.IndexFunc(list, func(s source) bool { return s.signal == src.signal })
	if i < 0 {
		return append(list, src)
	}
	list[i] = src
	return list
}

// owns reports whether traffic fills the signal by itself.
func (t *message) owns(s *decode.Signal) bool {
	return s.Def.Multiplexer || t.guards(s)
}

// bound reports whether the signal has a value function.
func (t *message) bound(s *decode.Signal) bool {
	return slices.ContainsFunc(t.pages, func(p page) bool {
		return slices.ContainsFunc(p.sources, func(src source) bool { return src.signal == s })
	})
}

// guards reports whether the protection writes bits of the signal.
func (t *message) guards(s *decode.Signal) bool {
	own := places(s.Def.Start, s.Def.Length, s.Def.Order == dbc.Motorola)
	return slices.ContainsFunc(t.guarded, func(f guard.Field) bool {
		for bit := range places(f.Start, f.Length, f.Order == guard.Motorola) {
			if own[bit] {
				return true
			}
		}
		return false
	})
}

// places returns the numbers of the bits that a field occupies, as DBC files
// number them.
func places(start, length int, motorola bool) map[int]bool {
	set := make(map[int]bool, length)
	for bit := start; len(set) < length; {
		set[bit] = true
		switch {
		case !motorola:
			bit++
		case bit%8 == 0:
			bit += 15
		default:
			bit--
		}
	}
	return set
}

// build writes the next frame into f. Everything but the time is set.
func (t *message) build(f *can.Frame, starting bool) error {
	*f = t.empty
	p := &t.pages[t.sent%uint64(len(t.pages))]
	if starting {
		f.Data = p.start
	} else {
		f.Data = p.data
		for i := range p.sources {
			if err := p.sources[i].put(f); err != nil {
				return fmt.Errorf("message %s: %w", t.msg.Def.Name, err)
			}
		}
	}
	if t.guard != nil {
		if err := t.guard.FillNth(t.sent, f); err != nil {
			return fmt.Errorf("message %s: %w", t.msg.Def.Name, err)
		}
	}
	t.sent++
	return nil
}

// put writes the present value into the frame.
func (s *source) put(f *can.Frame) error {
	if v := s.value(); v != s.said {
		raw, err := s.convert(v)
		if err != nil {
			return err
		}
		s.said, s.raw = v, raw
	}
	return s.signal.Put(f, s.raw)
}

func (s *source) convert(v float64) (uint64, error) {
	if !math.IsNaN(v) || s.signal.Float() {
		return s.signal.FromPhys(v)
	}
	if !s.hasSNA {
		return 0, fmt.Errorf("%s: %w", s.signal.Def.Name, ErrNoSNA)
	}
	return s.sna, nil
}

// changed reports whether a watched value is not what it was, and remembers it.
// The first look after power-up only remembers.
func (t *message) changed() bool {
	changed := false
	for i := range t.watch {
		v := t.watch[i].value()
		before := t.seen[i]
		t.seen[i] = v
		changed = changed || v != before && !math.IsNaN(before)
	}
	return changed
}

// reset forgets everything since power-up.
func (t *message) reset() {
	t.sent, t.turn = 0, 0
	for i := range t.seen {
		t.seen[i] = math.NaN()
	}
}
