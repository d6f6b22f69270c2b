package demo

import "math"

// engine is the engine and what its controller makes of it. Torques are at the
// crankshaft, friction taken off: 0 at idle, negative on overrun.
type engine struct {
	rpm      float64
	gradient float64 // rpm/s, smoothed
	running  bool
	starter  bool    // it turns
	cranked  float64 // s of cranking so far
	ran      float64 // s since it fired
	starts   int

	throttle float64    // plate, %
	wanted   float64    // plate wanted, %
	demand   float64    // what the pedal or the idle control asks for, Nm
	before   float64    // what there would be without requests of others, Nm
	torque   float64    // what there is, Nm
	loss     float64    // friction and what hangs on the belt, Nm
	idle     float64    // target of the idle control, rpm
	learned  float64    // its integral part, Nm
	answer   uint8      // to a torque request, as on the bus
	limited  uint8      // by whom, as on the bus
	asked    [2]float64 // requests on their way to it, Nm: it knows of one 20 ms after it was made

	fuelUsed float64 // ml
	fuelRate float64 // l/h
	wobble   float64 // of combustion, Nm
}

// Answers to a torque request.
const (
	answerNone uint8 = iota
	answerDone
)

const (
	inertia     = 0.15 // kg m², with flywheel
	idleWarm    = 750  // rpm
	crankSpeed  = 215  // rpm
	revLimit    = 6300 // rpm
	toFire      = 0.7  // s of cranking
	litreEnergy = 32e3 // J per ml of petrol
	efficiency  = 0.30
	rpmPerRad   = 30 / math.Pi
)

// peak is the greatest torque of the engine, Nm: the reference on the bus.
func (s Setting) peak() float64 {
	if s.Engine == TwoLitreTurbo {
		return 340
	}
	return 195
}

// fullLoad is the greatest torque at a speed.
func (s Setting) fullLoad(rpm float64) float64 {
	best, width := 4100.0, 5600.0
	if s.Engine == TwoLitreTurbo {
		best, width = 3100, 5200
	}
	x := (rpm - best) / width
	return s.peak() * max(0.2, 1-x*x)
}

// control is one step of the controller: what torque is wanted and why.
func (e *engine) control(c *car) {
	pedal := c.in.pedal / 100
	e.wanted = 3 + 97*pedal
	if c.engineUp() {
		e.throttle += (e.wanted - e.throttle) * min(1, step/0.06)
	} else {
		e.throttle += (4 - e.throttle) * min(1, step/0.2)
	}
	e.answer, e.limited = answerNone, 0
	if !e.running {
		e.loss, e.before, e.learned = 0, 0, 25
		e.demand = pedal * c.setting.peak()
		return
	}
	e.loss = 13 + 0.0022*e.rpm + 0.12*max(0, 60-c.heat.coolant) + 0.05*c.electric.load + c.climate.drag()
	e.idle = idleWarm + c.opts.Idle + 4*max(0, 88-c.heat.coolant) + c.climate.idleRaise()
	wish := pedal*(c.setting.fullLoad(e.rpm)+e.loss) - e.loss
	e.demand = max(wish, e.idleTorque(pedal))
	if e.rpm > revLimit {
		e.demand = -e.loss
	}
	e.before += (e.demand - e.before) * min(1, step/0.05)
}

// idleTorque holds the idle speed.
func (e *engine) idleTorque(pedal float64) float64 {
	off := e.idle - e.rpm
	if pedal == 0 && math.Abs(off) < 250 {
		e.learned = min(45, max(-15, e.learned+0.25*off*step))
	}
	return min(70, max(-e.loss, e.learned+0.16*off))
}

// obey applies the torque requests of gearbox and stability control.
func (e *engine) obey(c *car) {
	target := e.before
	request := e.asked[0]
	e.asked[0], e.asked[1] = e.asked[1], c.request()
	if request < noRequest && e.running {
		e.answer = answerDone
		if request < target {
			target, e.limited = max(request, -e.loss), 2
		}
	}
	if !e.running {
		target = 0
	}
	if rise := 600 * step; target > e.torque+rise && e.running {
		target = e.torque + rise // it comes back on a ramp
	}
	e.torque = target
}

// turn moves the crankshaft on by dt seconds against a load, Nm.
func (e *engine) turn(c *car, load, dt float64) {
	switch {
	case e.running:
		e.rpm += (e.torque + e.wobble - load) / inertia * dt * rpmPerRad
		if e.ran > 1 {
			e.rpm = max(e.rpm, 350) // a stall is not part of this model
		}
	case e.starter:
		ripple := 18 * math.Sin(2*math.Pi*7*e.cranked)
		e.rpm += (crankSpeed + ripple - e.rpm) * min(1, dt/0.08)
	default:
		e.rpm -= e.rpm * min(1, dt/0.25)
		if e.rpm < 15 {
			e.rpm = 0
		}
	}
}

// light starts and stops the fire.
func (e *engine) light(c *car) {
	e.starter = c.in.key == keyStart && !e.running && c.startPermitted()
	switch {
	case e.starter:
		e.cranked += step
		if e.cranked > toFire && c.in.fuel && c.immobiliser.accepted && c.engineUp() {
			e.running, e.ran, e.before, e.torque = true, 0, 30, 30
			e.starts++
		}
	case e.running:
		e.ran += step
		e.running = c.in.key >= keyOn && c.in.fuel
	default:
		e.cranked = 0
	}
}

// burn counts the fuel.
func (e *engine) burn() {
	power := max(0, e.torque+e.loss) * e.rpm / rpmPerRad // W
	mlPerSecond := 0.0
	if e.running {
		mlPerSecond = power / efficiency / litreEnergy
	}
	e.fuelUsed += mlPerSecond * step
	e.fuelRate = mlPerSecond * 3.6
}

// cut reports whether the engine runs without fuel.
func (e *engine) cut() bool {
	return e.running && e.torque < -0.9*e.loss && e.rpm > 1300
}

// state as on the bus.
func (e *engine) state() float64 {
	switch {
	case e.cut():
		return 3
	case e.running:
		return 2
	case e.starter:
		return 1
	case e.rpm > 0:
		return 4
	}
	return 0
}
