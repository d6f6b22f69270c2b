package demo

import "math"

const (
	mass        = 1750 // kg
	wheelRadius = 0.34 // m
	brakeForce  = 14e3 // N with the pedal fully down
	substeps    = 5    // of the drive train within a step: the converter is stiff
)

// chassis is the car as it rolls.
type chassis struct {
	speed    float64 // m/s, never backward: the wheels are chocked in reverse
	distance float64 // m
	wheels   [4]float64
	yaw      float64 // °/s
	lateral  float64 // m/s²
	pressure float64 // of the brake, bar
}

// roll moves engine, gearbox and wheels on by one step.
func (h *chassis) roll(c *car) {
	const dt = step / substeps
	before := c.engine.rpm
	for range substeps {
		shaft, load, pull := c.driveTrain()
		c.gearbox.turbine = max(0, shaft*rpmPerRad)
		c.engine.turn(c, load, dt)
		h.push(c, pull, dt)
	}
	rate := (c.engine.rpm - before) / step
	c.engine.gradient += (rate - c.engine.gradient) * 0.3
	h.distance += h.speed * step
	h.pressure += (c.in.brake*90 - h.pressure) * min(1, step/0.05)
	h.steer(c)
}

// driveTrain returns the speed of the gearbox's input, rad/s, the load on the
// engine, Nm, and the force at the wheels, N.
func (c *car) driveTrain() (shaft, load, pull float64) {
	engine := c.engine.rpm / rpmPerRad
	if !c.setting.Automatic() {
		ratio := c.ratio(c.gearbox.actual)
		shaft = c.chassis.speed / wheelRadius * ratio
		load = c.clutchTorque(engine, shaft)
		return shaft, load, load * ratio / wheelRadius
	}
	ratio, grip := c.gearbox.ratioNow(c)
	if ratio == 0 {
		return engine * 0.97, 0, 0
	}
	shaft = math.Abs(c.chassis.speed / wheelRadius * ratio)
	load, turned := c.gearbox.converter(engine, shaft)
	return grip*shaft + (1-grip)*engine*0.97, load * grip, turned * grip * ratio / wheelRadius
}

// push moves the car by what pulls and what holds it.
func (h *chassis) push(c *car, pull, dt float64) {
	hold := c.in.brake * brakeForce
	if c.in.handbrake || c.in.lever == park && c.setting.Automatic() {
		hold += 9e3
	}
	if h.speed > 0 {
		hold += 230 + 0.48*h.speed*h.speed
	}
	if h.speed < 0.05 && math.Abs(pull) < hold {
		h.speed = 0
		return
	}
	h.speed = max(0, h.speed+(pull-hold)/mass*dt)
}

// brakeToStop is the pedal that stops the car within the given time.
func (h *chassis) brakeToStop(seconds float64) float64 {
	if h.speed == 0 {
		return 0.3
	}
	return min(0.9, max(0.08, mass*h.speed/seconds/brakeForce))
}

// steer works out yaw, and the wheels that go round the outside.
func (h *chassis) steer(c *car) {
	const wheelbase, track, steeringRatio = 3.0, 1.55, 16.0
	angle := c.in.steering / steeringRatio * math.Pi / 180
	yaw := h.speed / wheelbase * math.Tan(angle)
	h.yaw = yaw * 180 / math.Pi
	h.lateral = yaw * h.speed
	for i := range h.wheels {
		side := track / 2
		if i%2 == 0 { // left
			side = -side
		}
		h.wheels[i] = max(0, h.speed+yaw*side)
	}
}
