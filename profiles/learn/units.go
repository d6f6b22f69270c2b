package learn

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"plugproof/decode/survey"
)

// Names of the nodes where nobody names them.
const (
	ecuNode     = "ECU" // the unit that was unplugged
	restNode    = "Car" // all units that stayed, together
	hangingNode = "HangsOnECU"
)

// presence is what the capture without the engine computer shows of a message.
type presence int

const (
	present presence = iota
	gone             // not one frame, in a time that proves it
	fading           // some frames, then none for long: its sender lived, and gave up
	unknown          // too slow, or not sent at a pace
)

// unplug works out from a capture of the same car without its engine computer who
// sends what. Messages that are gone are the computer's, or of units that fall
// silent with it.
func (d *draft) unplug(without *seen) error {
	d.without = without
	state := map[*entry]presence{}
	common, other := 0, 0
	known := map[address]bool{}
	for _, e := range d.entries {
		state[e] = without.presence(e)
		known[e.address] = true
	}
	for _, id := range without.all() {
		if known[id] {
			common++
			continue
		}
		other++
		d.remarks = append(d.remarks, fmt.Sprintf("%s on %s comes with the engine computer unplugged only", id.id, id.bus))
	}
	if common <= other {
		return fmt.Errorf("%d of the %d messages of the capture with the engine computer unplugged are in the good one as well: it is of another car, or its interfaces are named otherwise",
			common, common+other)
	}
	if err := without.clockRuns(); err != nil {
		return fmt.Errorf("engine computer unplugged: %w", err)
	}
	d.assign(state)
	return nil
}

// all lists the identifiers of the captures.
func (s *seen) all() (list []address) {
	for i := range s.buses {
		for k := range s.buses[i].IDs {
			if id := &s.buses[i].IDs[k]; !id.Remote {
				list = append(list, addressOf(&s.buses[i], id))
			}
		}
	}
	return list
}

// presence judges one message of the good capture.
func (s *seen) presence(e *entry) presence {
	cycle := max(time.Duration(e.seen.CycleNS), time.Duration(e.message.Cycle))
	bus, id := s.find(e.address)
	switch {
	case bus == nil || cycle == 0 || observed(bus) < enough(cycle):
		if id != nil && id.Frames >= 3 {
			return present
		}
		return unknown
	case id == nil:
		return gone
	case fades(bus, id, cycle):
		return fading
	}
	return present
}

// fades reports whether a message was sent at first and then no more, for more
// than half of the time: its sender gave up. One that ends later may as well end
// because the key was turned off.
func fades(bus *survey.Bus, id *survey.ID, cycle time.Duration) bool {
	if id.Last == nil {
		return false
	}
	silence := time.Duration(*bus.Last - *id.Last)
	return silence >= enough(cycle) && 2*silence > observed(bus)
}

// find returns an identifier and its bus; nil where there was none.
func (s *seen) find(a address) (*survey.Bus, *survey.ID) {
	for i := range s.buses {
		bus := &s.buses[i]
		if bus.Name != a.bus {
			continue
		}
		for k := range bus.IDs {
			if id := &bus.IDs[k]; !id.Remote && addressOf(bus, id) == a {
				return bus, id
			}
		}
		return bus, nil
	}
	return nil, nil
}

// assign gives every message its sender.
func (d *draft) assign(state map[*entry]presence) {
	silent := d.silentUnits(state)
	d.replaced = ecuNode
	if len(silent) > 0 {
		d.replaced = silent[0]
	}
	d.nodes[d.replaced] = &node{why: "silent in the capture with the engine computer unplugged"}
	for _, unit := range silent[min(1, len(silent)):] {
		n := &node{why: "silent as well with the engine computer unplugged"}
		n.HangsOn = d.replaced
		d.nodes[unit] = n
	}
	late := d.later(state)
	for _, e := range d.entries {
		d.assignOne(e, state[e], late[e])
	}
}

// assignOne gives one message its sender.
func (d *draft) assignOne(e *entry, state presence, late bool) {
	m := &e.message
	switch {
	case e.unit != "":
		m.Sender = e.unit
	case state == gone && late:
		m.Sender = hangingNode
	case state == gone:
		m.Sender = d.replaced
	case state == fading:
		m.Sender = hangingNode
	case state == present:
		m.Sender = restNode
	}
	switch {
	case state == gone && late:
		e.note("sender", "gone with the engine computer unplugged, but it goes on after the others that are")
	case state == gone && m.Sender == d.replaced && e.unit == "":
		e.note("sender", "gone with it unplugged: its own, or of a unit that hangs on it")
	case state == fading:
		e.note("sender", "falls silent with the engine computer unplugged, but was sent at first")
	case state == unknown:
		e.about = append(e.about, "whether it is gone with the engine computer unplugged cannot be told: too slow, or at no pace")
	}
	if m.Sender == "" || d.nodes[m.Sender] != nil {
		return
	}
	n := &node{}
	switch m.Sender {
	case hangingNode:
		n.Several = true
		n.HangsOn, n.why = d.replaced, "falls silent when the engine computer is unplugged, and is not it"
	case restNode:
		n.Several = true
		n.why = "all units that stay on the bus: nobody names them"
	}
	d.nodes[m.Sender] = n
}

// silentUnits lists the named units of which nothing came, the one with the most
// frames in the good capture first.
func (d *draft) silentUnits(state map[*entry]presence) []string {
	frames, alive := map[string]uint64{}, map[string]bool{}
	for _, e := range d.entries {
		switch {
		case e.unit == "":
		case state[e] == gone:
			frames[e.unit] += e.seen.Frames
		case state[e] != unknown:
			alive[e.unit] = true
		}
	}
	maps.DeleteFunc(frames, func(unit string, _ uint64) bool { return alive[unit] })
	return slices.SortedFunc(maps.Keys(frames), func(a, b string) int {
		return cmp.Or(cmp.Compare(frames[b], frames[a]), cmp.Compare(a, b))
	})
}

// later finds, among the messages that are gone, those that in the good capture
// went on for clearly longer than the most of them: when the key was turned off,
// the units stopped at different times. The others stop within a cycle of each
// other, as those of one unit do.
func (d *draft) later(state map[*entry]presence) map[*entry]bool {
	var stopped []*entry
	for _, e := range d.entries {
		if state[e] == gone && e.unit == "" && d.stops(e) {
			stopped = append(stopped, e)
		}
	}
	late := map[*entry]bool{}
	if len(stopped) < 3 {
		return late
	}
	ends := func(e *entry) int64 { return int64(*e.seen.Last) }
	slices.SortFunc(stopped, func(a, b *entry) int { return cmp.Compare(ends(a), ends(b)) })
	middle := ends(stopped[len(stopped)/2])
	for _, e := range stopped {
		// 300 ms: what start and stop may differ by (trade practice).
		late[e] = ends(e) > middle+e.seen.CycleNS+int64(300*time.Millisecond)
	}
	return late
}

// stops reports whether a message ends before the capture does.
func (d *draft) stops(e *entry) bool {
	bus := d.busOf(e)
	return e.seen.Last != nil && int64(*bus.Last-*e.seen.Last) > 3*e.seen.CycleNS+int64(300*time.Millisecond)
}

// nameUnits gives messages the senders that are known without a second capture.
func (d *draft) nameUnits() {
	for _, e := range d.entries {
		if e.message.Sender = e.unit; e.unit != "" && d.nodes[e.unit] == nil {
			d.nodes[e.unit] = &node{}
		}
	}
}

// addUnseenUnits names the units of messages that did not come, which a profile
// with nodes must have.
func (d *draft) addUnseenUnits() {
	for _, e := range d.unseen {
		unit := unitOf(e, false)
		if len(d.nodes) > 0 && unit != "" && d.nodes[unit] == nil {
			d.nodes[unit] = &node{why: "none of its messages came"}
		}
	}
}
