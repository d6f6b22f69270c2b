package answers

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/profiles"
	"plugproof/profiles/rules"
)

// Judge watches frames and compares them with expectations. It keeps a bounded
// amount of memory whatever the length of a replay.
type Judge struct {
	setting *profiles.Setting
	expect  *Expectations
	begin   int64 // ns; times of expectations count from here
	end     int64 // of the last frame
	tests   []test
	routes  []map[key][]route // by Frame.Bus
}

// key is an identifier of a bus.
type key struct {
	id       uint32
	extended bool
}

// route leads a frame to a test.
type route struct {
	test    int
	signal  *decode.Signal // nil: the whole message
	leading bool           // the signal is what another follows
	na      []uint64       // raw patterns of "not available"
	mask    uint64
}

// test is one expectation being watched.
type test interface {
	// add takes a frame or a value at a time since the begin; NaN: not available.
	add(t time.Duration, v float64, r *route, f *can.Frame)
	// finding judges what was seen up to the end, and gives the frame that shows
	// it; nil: none does. FirstTime counts from the begin.
	finding(end time.Duration) (rules.Finding, *can.Frame)
}

// New returns a judge for frames whose Bus has these names of buses of the
// setting, and of which the first that was played has this time in ns.
func New(setting *profiles.Setting, expect *Expectations, buses []string, begin int64) *Judge {
	j := &Judge{setting: setting, expect: expect, begin: begin, end: begin, routes: make([]map[key][]route, len(buses))}
	for i := range j.routes {
		j.routes[i] = map[key][]route{}
	}
	for i := range expect.list {
		e := &expect.list[i]
		switch {
		case e.Message != "":
			j.tests = append(j.tests, &arrival{e: e})
			j.route(buses, i, profiles.SignalRef(e.Message), false)
		case e.Stays != nil:
			j.tests = append(j.tests, &steadiness{e: e})
			j.route(buses, i, e.Signal, false)
		case e.Becomes != nil:
			j.tests = append(j.tests, &change{e: e})
			j.route(buses, i, e.Signal, false)
		default:
			j.tests = append(j.tests, newPursuit(e))
			j.route(buses, i, e.Follows, true)
			j.route(buses, i, e.Signal, false)
		}
	}
	return j
}

// route leads the frames of a message to a test.
func (j *Judge) route(buses []string, test int, ref profiles.SignalRef, leading bool) {
	name, signal := ref.Split()
	m := j.setting.Message(name)
	r := route{test: test, leading: leading}
	if signal != "" {
		r.read(m, signal)
	}
	k := key{m.ID.Value, m.ID.Extended}
	for i, bus := range buses {
		if bus == m.Bus {
			j.routes[i][k] = append(j.routes[i][k], r)
		}
	}
}

// read compiles how the signal is read.
func (r *route) read(m *profiles.MessageFacts, signal string) {
	decoder, _ := decode.NewDecoder([]decode.Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{m.Def}}}})
	r.signal = decoder.Bus("").Message(m.Name).Signal(signal)
	own := m.Own.Signals[signal]
	if own == nil {
		own = &profiles.Signal{}
	}
	def := r.signal.Def
	r.na, r.mask = own.NotAvailable(def), ^uint64(0)>>max(0, 64-def.Length)
}

// Add takes the next frame, in the order of time.
func (j *Judge) Add(f *can.Frame) {
	if int(f.Bus) >= len(j.routes) || f.Is(can.Error) || f.Is(can.Remote) {
		return
	}
	j.end = max(j.end, f.Time)
	list := j.routes[f.Bus][key{f.ID, f.Is(can.Extended)}]
	t := time.Duration(f.Time - j.begin)
	for i := range list {
		r := &list[i]
		if r.signal == nil {
			j.tests[r.test].add(t, 0, r, f)
			continue
		}
		v, ok := r.signal.Read(f)
		if !ok {
			continue // another page, or a frame too short
		}
		if slices.Contains(r.na, v.Raw&r.mask) {
			v.Phys = math.NaN()
		}
		j.tests[r.test].add(t, v.Phys, r, f)
	}
}

// Findings judges every expectation, in the order of the file: rules.Pass where
// it is met.
func (j *Judge) Findings(quote func(*can.Frame) *rules.Example) []rules.Finding {
	list := make([]rules.Finding, 0, len(j.tests))
	for i, t := range j.tests {
		e := &j.expect.list[i]
		f, frame := t.finding(time.Duration(j.end - j.begin))
		name, signal := e.Signal.Split()
		m := j.setting.Message(cmp.Or(e.Message, name))
		f.Message, f.Signal, f.ID, f.HasID, f.Bus, f.Sender = m.Name, signal, m.ID, true, m.Bus, m.Sender
		f.LimitFrom = fmt.Sprintf("%s:%d:%d", j.expect.file, e.place.Line, e.place.Col)
		if e.Title != "" {
			f.Text = e.Title + ": " + f.Text
		}
		if f.HasTime {
			f.FirstTime += j.begin
		}
		if frame != nil && quote != nil && f.Verdict != rules.Pass {
			f.Example = quote(frame)
		}
		list = append(list, f)
	}
	return list
}
