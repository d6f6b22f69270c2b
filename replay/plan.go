package replay

import (
	"errors"
	"io"
	"maps"
	"slices"
	"time"

	"plugproof/decode/can"
	"plugproof/replay/gate"
)

// DefaultHorizon is how far an endless stream is looked at to know what it sends.
const DefaultHorizon = time.Minute

// PlanOf reads a stream to its end, or to the horizon, and returns what it sends
// on the interfaces, by index of the bus. horizon 0 is no limit.
func PlanOf(stream Stream, car *Car, interfaces []gate.Interface, horizon time.Duration) (*gate.Plan, error) {
	p := planner{car: car, messages: map[Message]*gate.Message{}, meters: make([]meter, len(interfaces))}
	for i := range interfaces {
		p.plan.Buses = append(p.plan.Buses, gate.Bus{Interface: interfaces[i], Bitrate: car.bitrate(i)})
		p.meters[i].rate = max(interfaces[i].Bitrate, 0)
		if p.meters[i].rate == 0 {
			p.meters[i].rate = p.plan.Buses[i].Bitrate
		}
		p.meters[i].dataRate = max(interfaces[i].DataBitrate, p.meters[i].rate)
	}
	if car.Setting != nil {
		p.plan.Profile = car.Setting.Name
	}
	var item Item
	for {
		err := stream.Next(&item)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		if horizon > 0 && item.Offset > horizon {
			p.plan.Endless = true
			break
		}
		p.add(&item)
	}
	return p.finish(), nil
}

// bitrate returns what the setting says of a bus, 0 when nothing.
func (c *Car) bitrate(bus int) int64 {
	if c.Setting == nil || bus >= len(c.Buses) {
		return 0
	}
	for _, b := range c.Setting.Buses {
		if b.Name == c.Buses[bus] {
			return b.Bitrate
		}
	}
	return 0
}

type planner struct {
	plan     gate.Plan
	car      *Car
	messages map[Message]*gate.Message
	meters   []meter
	begun    bool
	first    time.Duration
}

func (p *planner) add(item *Item) {
	m := p.messages[MessageOf(item)]
	if m == nil {
		m = &gate.Message{Bus: item.Bus, ID: gate.IDOf(&item.Frame), First: item.Offset}
		p.car.describe(m)
		p.messages[MessageOf(item)] = m
	}
	f := &item.Frame
	m.Frames++
	m.Remote = m.Remote || f.Is(can.Remote)
	if m.Request == 0 && !f.Is(can.FD) {
		m.Request = gate.Request(f.Payload())
	}
	if !p.begun {
		p.first, p.begun = item.Offset, true
	}
	p.plan.Length = item.Offset - p.first
	if item.Bus < 0 || item.Bus >= len(p.plan.Buses) {
		return
	}
	b := &p.plan.Buses[item.Bus]
	b.Frames++
	b.FD = b.FD || f.Is(can.FD)
	p.meters[item.Bus].add(item.Offset, f, b)
}

func (p *planner) finish() *gate.Plan {
	for _, m := range slices.SortedFunc(maps.Keys(p.messages), compareMessages) {
		p.plan.Messages = append(p.plan.Messages, *p.messages[m])
	}
	return &p.plan
}

// meter reckons what a bus would have to carry.
type meter struct {
	rate, dataRate int64 // bit/s; 0: not known
	turn           int64 // tenth of a second that the last frame fell into
	bits           [10]time.Duration
	frames         [10]int
	free           time.Duration // when the bus could take the next frame, with one in flight
}

// add takes the frame that is due at an offset.
func (m *meter) add(at time.Duration, f *can.Frame, b *gate.Bus) {
	const tenth = time.Second / 10
	n := int64(len(m.bits))
	turn := int64(at / tenth)
	for m.turn < turn {
		m.turn = max(m.turn+1, turn-n+1)
		m.bits[m.turn%n], m.frames[m.turn%n] = 0, 0
	}
	m.frames[turn%n]++
	rate := 0
	for _, frames := range m.frames {
		rate += frames
	}
	b.PeakRate = max(b.PeakRate, rate)
	if m.rate == 0 {
		return
	}
	nominal, data := f.WireBits()
	wire := time.Duration(float64(nominal)/float64(m.rate)*1e9 + float64(data)/float64(m.dataRate)*1e9)
	m.bits[turn%n] += wire
	busy := time.Duration(0)
	for _, d := range m.bits {
		busy += d
	}
	b.PeakLoad = max(b.PeakLoad, busy.Seconds())
	if late := m.free - at; late > b.Backlog {
		b.Backlog, b.WorstAt = late, at
	}
	m.free = max(m.free, at) + wire + gate.Turnaround
}
