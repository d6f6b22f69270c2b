package demo

import (
	"math"
	"time"
)

// electric is battery and alternator.
type electric struct {
	volts   float64
	load    float64 // of the alternator, %
	current float64 // into the battery, A
}

func (e *electric) work(c *car) {
	target, wanted := 12.5, 0.0
	switch {
	case c.engine.starter:
		target = 10.6 + 0.25*math.Sin(2*math.Pi*7*c.engine.cranked)
		if c.engine.cranked < 0.12 {
			target = 9.8 // the first pull
		}
	case c.engine.running:
		target, wanted = 14.2, 32+0.2*c.in.blower+0.1*c.heat.feedback+8*bit(c.in.heated)
	case c.in.key >= keyOn:
		target = 12.2
	}
	tau := 0.15
	if c.engine.starter {
		tau = 0.02
	}
	e.volts += (target - e.volts) * min(1, step/tau)
	e.load += (wanted - e.load) * min(1, step/0.4)
	e.current = e.load - 12
	if c.engine.starter {
		e.current = -180
	}
}

// immobiliser is the question of the cluster and the answer of the engine. Its
// bytes are random: they mean nothing.
type immobiliser struct {
	asked    int     // questions since key-on
	since    float64 // s since the last one
	answered bool
	accepted bool
	kind     uint8
	question float64
	answer   float64
}

// Kinds of the cluster's message, as on the bus.
const (
	immoChallenge uint8 = 1
	immoRepeat    uint8 = 2
	immoAccepted  uint8 = 3
)

const (
	immoStart  = 0.40 // s after key-on: the first question
	immoDelay  = 0.02 // s: the answer
	immoAccept = 0.06 // s: the cluster's word on it
	immoRetry  = 0.25 // s: the next question, at most three
)

func (m *immobiliser) work(c *car) {
	if c.in.key < keyOn || !c.up(driveCluster) {
		*m = immobiliser{}
		return
	}
	m.since += step
	switch {
	case m.accepted:
	case m.asked == 0 && c.keyTime() >= immoStart, m.asked > 0 && m.asked < 3 && !m.answered && m.since >= immoRetry:
		m.asked++
		m.since = 0
		m.kind = immoChallenge
		if m.asked > 1 {
			m.kind = immoRepeat
		}
		m.question, m.answer = c.opaque(), c.opaque()
		c.source.Send("ClusterImmobiliser")
	case m.asked > 0 && !m.answered && m.since >= immoDelay && c.engineUp() && c.source.Has("EngineImmobiliser"):
		m.answered = true
		c.source.Send("EngineImmobiliser")
	case m.answered && m.since >= immoAccept:
		m.accepted, m.kind, m.question = true, immoAccepted, 0
		c.source.Send("ClusterImmobiliser")
	}
}

// opaque returns a number of 53 bits that means nothing.
func (c *car) opaque() float64 { return float64(c.random.Uint64() >> 11) }

// cruise is the engine's cruise control.
type cruise struct {
	state     uint8
	set       float64 // km/h; 0: none
	event     uint8
	inhibitor uint8
	events    int
	pressed   uint8   // the switch as the engine sees it
	differs   float64 // s for which another position has been seen
}

// States and events of cruise control, as on the bus.
const (
	cruiseOff uint8 = iota
	cruiseStandby
	cruiseActive
)

const (
	eventMainOn uint8 = iota + 1
	eventSet
	eventResumed
	eventCancelled
	eventMainOff
)

const inhibitSpeed uint8 = 3

// work sees the switch as late as it comes over two buses.
func (r *cruise) work(c *car) {
	if c.in.key < keyOn || !c.engineUp() {
		*r = cruise{}
		return
	}
	if c.in.cruise == r.pressed || !c.source.Has("BodyRelay") || !c.source.Has("BodySwitches") {
		r.differs = 0
		return
	}
	if r.differs += step; r.differs < 0.08 {
		return
	}
	r.pressed, r.differs = c.in.cruise, 0
	switch kph := c.chassis.speed * 3.6; {
	case r.pressed == cruiseMain && r.state == cruiseOff:
		r.change(cruiseStandby, eventMainOn)
	case r.pressed == cruiseMain:
		r.change(cruiseOff, eventMainOff)
		r.set, r.inhibitor = 0, 0
	case r.pressed == cruiseSet && r.state != cruiseOff && kph < 40:
		r.inhibitor = inhibitSpeed
		r.change(cruiseStandby, eventCancelled)
	case r.pressed == cruiseSet && r.state != cruiseOff:
		r.set = kph
		r.change(cruiseActive, eventSet)
	case r.pressed == cruiseCancel && r.state != cruiseOff:
		r.inhibitor = 0
		r.change(cruiseStandby, eventCancelled)
	}
}

func (r *cruise) change(state, event uint8) {
	r.state, r.event = state, event
	r.events++
}

// lamps are the engine's warning lamp bits.
type lamps struct {
	mil, power, charge, oil, overheat bool
}

// work lights them for the bulb check and puts them out when all is well.
func (l *lamps) work(c *car) {
	on := c.in.key >= keyOn
	check := on && c.keyTime() < 4
	stopped := on && !c.engine.running
	l.mil = stopped || on && c.engine.ran < 1
	l.power = check
	l.charge = stopped || on && c.engine.ran < 0.4
	l.oil = stopped || on && c.engine.ran < 0.6
	l.overheat = check && c.keyTime() < 3 || c.heat.coolant > 122
}

// oilPressure in kPa.
func (c *car) oilPressure() float64 {
	if !c.engine.running {
		return 0
	}
	return min(520, 100+0.09*c.engine.rpm) * min(1, c.engine.ran/0.6)
}

// keyTime is how long the key has been on, s.
func (c *car) keyTime() float64 {
	if c.in.key < keyOn {
		return 0
	}
	return c.time - c.keyOnAt
}

// How long units wait for a message before they substitute its value.
const (
	lostAfter = 5 * time.Second // the cluster
	patience  = 3 * time.Second // climate and steering
)
