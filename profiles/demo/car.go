package demo

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"plugproof/profiles/traffic"
)

// step is the model's step, s: that of the traffic.
const step = 0.01

// fastestWheel is how fast a driver turns the steering wheel at most, in °/s.
const fastestWheel = 900

// car is the whole Lowan at one instant.
type car struct {
	setting Setting
	opts    Options
	source  *traffic.Source
	random  *rand.Rand

	time    float64 // s
	keyOnAt float64
	in      inputs

	engine      engine
	gearbox     gearbox
	chassis     chassis
	heat        heat
	climate     climate
	electric    electric
	immobiliser immobiliser
	cruise      cruise
	lamps       lamps
	network     network
	seen        received
	doorEvents  int

	pedalRate    float64 // %/s
	steeringRate float64 // °/s
}

func newCar(setting Setting, opts Options, source *traffic.Source) (*car, error) {
	c := &car{
		setting: setting, opts: opts, source: source, keyOnAt: math.Inf(1),
		random: rand.New(rand.NewPCG(opts.Seed, 0x10BA)),
	}
	for _, s := range opts.Script {
		if _, ok := acts[s.Name]; !ok {
			return nil, fmt.Errorf("no stage %q in the capture script", s.Name)
		}
	}
	c.in.lever = park
	c.gearbox.shift, c.gearbox.request = -1, noRequest
	c.engine.asked = [2]float64{noRequest, noRequest}
	c.heat.plan(opts)
	c.gearbox.fluid = c.heat.coolant - 8
	c.climate.evaporator, c.climate.cabin, c.climate.pressure = c.heat.ambient+2, c.heat.ambient+1, 6
	c.electric.volts = 12.6
	c.engine.fuelUsed = float64(c.random.IntN(600))
	c.chassis.distance = float64(c.random.IntN(3000))
	c.network.find(source)
	return c, c.bind()
}

// move lets people act as the stage says and moves everything on by one step.
func (c *car) move(stage string, t, d float64) {
	before := c.in
	c.in = acts[stage].perform(c, t, d)
	if c.in.key >= keyOn && before.key < keyOn {
		c.keyOnAt = c.time
	}
	if c.in.door != before.door || c.in.unlocked != before.unlocked {
		c.doorEvents++
	}
	c.pedalRate = (c.in.pedal - before.pedal) / step
	// A stage may end with the wheel turned: the driver then takes a moment.
	c.in.steering = before.steering + max(-fastestWheel*step, min(fastestWheel*step, c.in.steering-before.steering))
	c.steeringRate = (c.in.steering - before.steering) / step
	c.network.work(c)
	c.immobiliser.work(c)
	c.cruise.work(c)
	c.climate.work(c)
	c.heat.flow(c)
	c.engine.light(c)
	c.engine.wobble += (c.random.NormFloat64()*14 - c.engine.wobble) * 0.08
	c.engine.control(c)
	c.gearbox.work(c)
	c.engine.obey(c)
	c.chassis.roll(c)
	c.engine.burn()
	c.electric.work(c)
	c.lamps.work(c)
	c.seen.look(c)
	c.time += step
}

// request is the lowest torque that others ask for, Nm; noRequest: none.
func (c *car) request() float64 {
	if !c.source.Has("GearboxTorque") {
		return noRequest
	}
	return c.gearbox.request
}

// startPermitted reports whether the engine's controller lets the starter turn.
func (c *car) startPermitted() bool {
	if !c.engineUp() {
		return false
	}
	if !c.setting.Automatic() {
		return c.in.clutch
	}
	return c.heard(linkLever) && (c.in.lever == park || c.in.lever == neutral)
}

// received is what other units have taken over from the engine's messages.
type received struct {
	torque   float64 // by the gearbox, Nm; NaN: nothing
	tacho    float64 // shown by the cluster, rpm
	coolant  float64 // by the cluster, °C
	speed    float64 // shown by the cluster, km/h
	missed   bool    // the gearbox misses the engine
	absent   bool    // stability control misses the engine
	steering bool    // steering assistance works
}

func (r *received) look(c *car) {
	r.torque = math.NaN()
	if c.heard(linkTorque) {
		r.torque = c.engine.torque
	}
	if c.heard(linkSpeed) {
		r.tacho += (c.engine.rpm - r.tacho) * min(1, step/0.1)
	} else if c.lost(linkSpeed, lostAfter) {
		r.tacho = 0
	}
	if c.heard(linkTemps) {
		r.coolant = c.heat.coolant
	} else if c.lost(linkTemps, lostAfter) {
		r.coolant = -40
	}
	r.speed = 0
	if c.heard(linkMoving) {
		r.speed = c.chassis.speed * 3.6
	}
	drive := []link{linkSpeed, linkTorque, linkPedal}
	r.missed = c.gearboxUp() && c.lostAny(2*time.Second+500*time.Millisecond, drive)
	r.absent = c.lostAny(2*time.Second, drive)
	r.steering = c.engine.running && c.heard(linkSpeed)
	switch {
	case r.missed && (c.engine.running || c.chassis.speed > 1):
		c.gearbox.limp = true
	case !c.gearboxUp():
		c.gearbox.limp = false
	}
}
