package demo

import "time"

// heat is the temperatures and the fan.
type heat struct {
	ambient float64 // °C, as are the others
	coolant float64
	oil     float64
	intake  float64
	exhaust float64
	rate    float64 // K/s at which the coolant warms up

	command  float64 // to the fan, %
	feedback float64 // what the fan does, %
	afterRun bool
	failSafe bool
}

const (
	usualAmbient = 20.0
	usualFanOn   = 97.0
	fanOff       = 4.0  // K below the point at which it starts
	usualRate    = 0.13 // K/s at idle
	fastest      = 1.5  // K/s: no coolant warms up faster, so none does here
)

// plan chooses where the coolant starts and how fast it warms up, so that the
// fan comes on within the script's warm-up. A short script starts warm instead
// of warming up faster than water can; one without a warm-up has had it before.
func (h *heat) plan(opts Options) {
	h.ambient = usualAmbient + opts.Warmer
	h.coolant, h.rate = usualFanOn+opts.FanOn-8, usualRate
	idle, warmUp := 0.0, 0.0
	for _, s := range opts.Script {
		switch s.Name {
		case "idle":
			idle += 0.8 * s.Length.Seconds()
		case "warm-up":
			warmUp += 0.75 * s.Length.Seconds()
		}
	}
	if warmUp > 0 {
		fanOn := usualFanOn + opts.FanOn + 1
		h.coolant = max(h.ambient, fanOn-fastest*(idle+warmUp))
		h.rate = (fanOn - h.coolant) / (idle + warmUp)
	}
	h.oil, h.intake, h.exhaust = h.coolant-2, h.ambient+4, h.ambient
}

// flow is one step.
func (h *heat) flow(c *car) {
	fanOn := usualFanOn + c.opts.FanOn
	if c.engine.running {
		heated := h.coolant + h.rate*step*(1-1.6*h.feedback/60)
		h.coolant = max(heated, min(h.coolant, h.ambient+10)) // no fan cools below what the air can
		h.exhaust += (180 + 0.05*c.engine.rpm + 1.2*max(0, c.engine.torque) - h.exhaust) * step / 20
	} else {
		h.exhaust += (h.ambient - h.exhaust) * step / 120
		cooled := h.coolant - (0.005+0.002*h.feedback)*step
		h.coolant = max(cooled, min(h.coolant, h.ambient)) // it stops at the air's temperature
	}
	h.oil += (h.coolant - h.oil) * step / 60
	h.intake += (h.ambient + 8 - h.intake) * step / 100
	h.fan(c, fanOn)
}

// fan is the engine's command and what the power stage in the body makes of it.
func (h *heat) fan(c *car, fanOn float64) {
	switch {
	case h.coolant >= fanOn:
		h.command = 60
	case h.coolant < fanOn-fanOff:
		h.command = 0
	}
	if c.climate.compressor {
		h.command = max(h.command, 40)
	}
	h.afterRun = c.in.key < keyOn && c.engineUp() && h.command > 0
	target := h.command
	h.failSafe = c.in.key >= keyOn && c.lost(linkCooling, 2*time.Second)
	switch {
	case h.failSafe:
		target = 100
	case !c.up(bodyBody) || !c.heard(linkCooling):
		target = 0
	}
	h.feedback += (target - h.feedback) * min(1, step/0.4)
	if h.feedback < 0.3 {
		h.feedback = 0
	}
}

// climate is the air-con: it asks, the engine grants and drives the compressor.
type climate struct {
	asked      float64 // s for which the engine has seen the request
	granted    bool
	grantedFor float64 // s
	compressor bool
	blocker    uint8 // why it is not granted, as on the bus
	pressure   float64
	evaporator float64
	cabin      float64
	refusals   int
}

// Reasons not to grant, as on the bus.
const (
	blockNone        uint8 = 0
	blockCoolant     uint8 = 2
	blockFullLoad    uint8 = 3
	blockJustStarted uint8 = 4
	blockStopped     uint8 = 6
)

func (l *climate) work(c *car) {
	request := c.in.aircon && c.in.key >= keyOn && c.in.blower > 0
	if request && c.source.Has("ClimateRequest") && c.source.Has("BodyRelay") {
		l.asked += step
	} else {
		l.asked = 0
	}
	was := l.blocker
	l.blocker = blockNone
	switch {
	case !c.engine.running:
		l.blocker = blockStopped
	case c.engine.ran < 4:
		l.blocker = blockJustStarted
	case c.heat.coolant > 112:
		l.blocker = blockCoolant
	case c.in.pedal > 90:
		l.blocker = blockFullLoad
	}
	if l.asked > 0 && l.blocker != blockNone && was == blockNone {
		l.refusals++
	}
	l.granted = l.asked > 0.12 && l.blocker == blockNone && c.heard(linkAircon)
	if l.granted {
		l.grantedFor += step
	} else {
		l.grantedFor = 0
	}
	l.compressor = l.grantedFor > 0.3
	cold, high := c.heat.ambient+2, 6.0
	if l.compressor {
		cold, high = 3, 14
	}
	l.evaporator += (cold - l.evaporator) * step / 12
	l.pressure += (high - l.pressure) * step / 3
	l.cabin += (c.heat.ambient + 3 - l.cabin) * step / 200
}

// drag is the torque of the compressor, Nm.
func (l *climate) drag() float64 {
	if l.compressor {
		return 9
	}
	return 0
}

// idleRaise is what the idle speed is raised by, rpm.
func (l *climate) idleRaise() float64 {
	if l.granted {
		return 100
	}
	return 0
}
