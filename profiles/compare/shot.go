package compare

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/carnumber"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/decode/pattern"
	"plugproof/decode/survey"
	"plugproof/profiles"
	"plugproof/profiles/rules"
)

// shot is one capture, gathered.
type shot struct {
	*collector
	reports []capture.FileReport
	files   []string
	streams map[address]*stream
	ids     map[address]*survey.ID
	ends    map[string][2]int64 // first and last stamp by bus

	keyOn, keyOff       int64 // the first key-on, and the key-off after which it stayed off
	hasKeyOn, hasKeyOff bool
	keyed               [][2]int64 // from each turn on of the key to the next off, ns; all of the capture where nothing tells
	clumped             float64    // share of frames closer to the one before than the wire allows
	timeless            string     // why nothing can be said about times; "" where it can
}

// clumpedShare is the share of frames too close to each other from which an
// adapter is taken to deliver in bursts (as the rules have it).
const clumpedShare = 0.01

func newShot(c *collector, reports []capture.FileReport) *shot {
	s := &shot{collector: c, reports: reports, streams: map[address]*stream{}, ids: map[address]*survey.ID{}, ends: map[string][2]int64{}}
	for i := range s.reports {
		s.files = append(s.files, s.reports[i].Path)
	}
	var clumped uint64
	for _, b := range c.byBus {
		if b == nil {
			continue
		}
		clumped += b.clumped
		for _, st := range b.streams {
			st.settle()
			s.streams[address{b.name, st.id}] = st
		}
	}
	report := c.survey.Report()
	for i := range report.Buses {
		bus := &report.Buses[i]
		name := c.names(bus.Name)
		if bus.First != nil {
			s.ends[name] = [2]int64{int64(*bus.First), int64(*bus.Last)}
		}
		for k := range bus.IDs {
			if id := &bus.IDs[k]; !id.Remote {
				s.ids[address{name, profiles.ID{Value: id.ID, Extended: id.Extended}}] = id
			}
		}
	}
	s.clumped = float64(clumped) / float64(max(1, c.total))
	switch {
	case c.first == c.last:
		s.timeless = "the capture has no clock"
	case report.Jumps+report.Backward > 0:
		s.timeless = "the clock of the capture jumps"
	case s.clumped > clumpedShare:
		s.timeless = fmt.Sprintf("%.0f %% of the frames come closer to each other than the wire allows: the adapter delivered in bursts", 100*s.clumped)
	}
	s.findKey()
	return s
}

// keyOnWords are what the value of a key or ignition signal is called when it is on.
var keyOnWords = pattern.Late(`(?i)^(ignition[ _-]?)?(on|run|start)$|^ignition$`)

// findKey finds when the key was turned on and off.
func (s *shot) findKey() {
	s.keyed = [][2]int64{{s.first, s.last}}
	at := slices.IndexFunc(s.p.axes, func(a axis) bool { return a.role == profiles.Ignition })
	if at < 0 {
		return
	}
	on := func(bin uint64) bool {
		return bin >= firstBin && keyOnWords().MatchString(s.p.axes[at].Bins[bin-firstBin].Label)
	}
	steps := s.collector.axes[at].changes.Steps()
	for i, step := range steps {
		switch {
		case on(step.Raw) && !s.hasKeyOn && (i > 0 || step.Time-s.first > 500e6):
			s.keyOn, s.hasKeyOn = step.Time, true
		case on(step.Raw):
			s.hasKeyOff = false
		case step.Raw >= firstBin && i > 0 && on(steps[i-1].Raw):
			s.keyOff, s.hasKeyOff = step.Time, true
		}
	}
	s.findKeyed(steps, on)
}

// findKeyed finds the stretches with the key on. The first begins with the capture
// where the key was on from its beginning.
func (s *shot) findKeyed(steps []survey.Step, on func(uint64) bool) {
	var runs [][2]int64
	turned := false
	for i, step := range steps {
		switch {
		case on(step.Raw) && !turned:
			from := step.Time
			if i == 0 && from-s.first <= 500e6 {
				from = s.first
			}
			runs, turned = append(runs, [2]int64{from, s.last}), true
		case step.Raw >= firstBin && !on(step.Raw) && turned:
			runs[len(runs)-1][1], turned = step.Time, false
		}
	}
	if len(runs) > 0 {
		s.keyed = runs
	}
}

// wakeAfter is by how much a bus must begin later than another one for its first
// frame to be its waking, ns.
const wakeAfter = int64(500e6)

// woke returns the instant from which starts are counted: the turn of the key, or
// where that is not known the waking of the bus, while another one talked already.
func (s *shot) woke(bus string) (at int64, byKey, ok bool) {
	if s.hasKeyOn {
		return s.keyOn, true, true
	}
	first := s.ends[bus][0]
	return first, false, first-s.first > wakeAfter
}

// awake is the stretch in which listeners judge, ns: from the key-on and grace to
// the key-off. Where no key-on is in the capture it may have been just before.
func (s *shot) awake() (from, to int64) {
	from, to = s.first, s.last
	if s.hasKeyOn {
		from = s.keyOn
	}
	if s.hasKeyOff {
		to = s.keyOff
	}
	return from + int64(profiles.DefaultGrace), to
}

// quote quotes a frame as it stands in the capture. What is never shown is left
// out; of identifiers that nobody defines that is what looks like the car's number.
func (s *shot) quote(f *can.Frame) *rules.Example {
	e := rules.Quote(f, s.files, s.buses.Name)
	if s.p.secrets.Hold(f) || s.p.message(s.names(s.buses.Name(f.Bus)), f) == nil && carnumber.Looks(f) {
		e.Raw = rules.Hide(e.Raw)
	}
	return e
}

func (s *shot) side() Side {
	return Side{Captures: s.reports, Frames: s.total, Start: s.first, End: s.last}
}

// addresses lists the identifiers, sorted.
func (s *shot) addresses() []address {
	return slices.SortedFunc(maps.Keys(s.streams), compareAddresses)
}

func compareAddresses(a, b address) int {
	return cmp.Or(strings.Compare(a.bus, b.bus), a.id.Compare(b.id))
}

// leastFrames is how many frames a comparison of values or bits needs on each
// side (trade practice).
const leastFrames = 20

// expect works out what the capture after is to be held against.
func (s *shot) expect() map[address]*expected {
	list := map[address]*expected{}
	for at := range s.streams {
		id := s.ids[at]
		if id == nil {
			continue // past the identifiers that the survey tells apart
		}
		e := &expected{length: commonLength(id), cycle: id.CycleNS}
		if len(id.Lengths) > 1 {
			e.length = -1
		}
		if id.Frames >= leastFrames {
			e.mask, e.constants = constantBits(id.Bits)
			if e.length >= 0 && e.length < 8 {
				e.mask &= 1<<(8*e.length) - 1
			}
		}
		list[at] = e
	}
	s.learn(list)
	return list
}

func commonLength(id *survey.ID) int {
	best := survey.Length{}
	for _, l := range id.Lengths {
		if l.Frames > best.Frames {
			best = l
		}
	}
	return best.Bytes
}

// constantBits returns which of the first 64 payload bits never changed, and
// their values; byte 0 lowest.
func constantBits(bits survey.BitMap) (mask, value uint64) {
	for i, text := range bits[:min(8, len(bits))] {
		for k := range 8 {
			at := 8*i + 7 - k
			switch survey.BitUse(text[k]) {
			case survey.BitAlways0:
				mask |= 1 << at
			case survey.BitAlways1:
				mask |= 1 << at
				value |= 1 << at
			}
		}
	}
	return mask, value
}

// learn works out the laws of counters and checksums where nobody states them.
// Messages of one sender are siblings; where nobody names it all of a bus are.
func (s *shot) learn(list map[address]*expected) {
	groups := map[[2]string][]address{}
	for _, at := range s.addresses() {
		st := s.streams[at]
		if st.sample == nil || list[at] == nil {
			continue
		}
		_, sender := st.plan.names()
		groups[[2]string{at.bus, sender}] = append(groups[[2]string{at.bus, sender}], at)
	}
	for _, group := range groups {
		samples := make([][]can.Frame, len(group))
		for i, at := range group {
			samples[i] = s.streams[at].sample.Frames()
		}
		for i, lesson := range guard.Learn(samples) {
			st := s.streams[group[i]]
			st.sample = nil
			p := lesson.Protection
			p.Counters = slices.DeleteFunc(p.Counters, func(c guard.Counter) bool { return st.plan.isPage(c.Field) })
			p.Toggles = slices.DeleteFunc(p.Toggles, func(t guard.Toggle) bool { return st.plan.isPage(t.Field) })
			if p.Empty() {
				continue
			}
			if g, err := p.Compile(); err == nil { // what was learned can be
				list[group[i]].guard, list[group[i]].fields = g, p.Fields()
			}
		}
	}
}

// isPage reports whether a field that counts or flips is a multiplexer by the
// definition: one that steps with every frame looks the same.
func (m *messagePlan) isPage(f guard.Field) bool {
	return slices.ContainsFunc(m.signals, func(s signalPlan) bool {
		return s.def.Multiplexer && within(f.Start, s.def)
	})
}

func within(bit int, def *dbc.Signal) bool { return bit >= def.Start && bit < def.Start+def.Length }
