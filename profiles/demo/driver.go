package demo

import "math"

// key is the position of the ignition key; the number is its code on the bus.
type key uint8

const (
	keyLocked key = iota
	keyAccessory
	keyOn
	keyStart
)

// lever is the position of the selector lever; the number is its code on the bus.
type lever uint8

const (
	park lever = iota + 1
	reverse
	neutral
	forward
	low
)

// cruise switches, as on the bus.
const (
	cruiseNone uint8 = iota
	cruiseMain
	cruiseSet
	cruiseResume
	cruiseCancel
)

// inputs is everything that people do to the car.
type inputs struct {
	key       key
	fuel      bool    // the pump has its fuse
	pedal     float64 // %
	brake     float64 // 0 to 1
	clutch    bool
	handbrake bool
	lever     lever // manual gearbox: only reverse is looked at
	cruise    uint8
	aircon    bool
	blower    float64 // %
	heated    bool    // heated screen
	unlocked  bool
	door      bool    // driver's door open
	steering  float64 // degrees at the wheel, left positive
}

// act is what happens in a stage of the script.
type act struct {
	full, short float64 // s: as the trade does it, and the least that its stimuli need
	// perform returns what people do t seconds into a stage of d seconds.
	perform func(c *car, t, d float64) inputs
}

// acts are the stages by name.
var acts = map[string]act{
	"asleep":  {10, 2, asleep},
	"key-on":  {60, 7, keyTurned},
	"pedal":   {30, 6.6, pedalStrokes},
	"brake":   {30, 5, brakeStrokes},
	"lever":   {60, 5, leverWalk},
	"crank":   {10, 2.6, crankWithoutFuel},
	"idle":    {120, 6.5, running},
	"warm-up": {600, 12, running},
	"air-con": {60, 6, airconCycles},
	"cruise":  {30, 2.8, cruiseSwitches},
	"rev":     {30, 5, freeRevs},
	"in-gear": {60, 10, inGear},
	"road":    {60, 15, road},
	"key-off": {60, 7.5, keyOff},
}

// seated is somebody in the driver's seat who touches nothing.
func seated() inputs {
	return inputs{key: keyOn, fuel: true, lever: park, handbrake: true, blower: 40, unlocked: true}
}

// within reports whether x is in [from, to).
func within(x, from, to float64) bool { return x >= from && x < to }

// repeat returns which of n equal parts of the stage it is, and how far that part is.
func repeat(t, d float64, n int) (part int, share float64) {
	x := t / d * float64(n)
	part = min(int(x), n-1)
	return part, x - float64(part)
}

func asleep(_ *car, t, d float64) inputs {
	return inputs{
		fuel: true, lever: park, handbrake: true, blower: 40,
		unlocked: t >= 0.4*d, door: within(t/d, 0.6, 0.9),
	}
}

func keyTurned(_ *car, t, _ float64) inputs {
	in := seated()
	switch {
	case t < 0.2:
		in.key = keyLocked
	case t < 0.35:
		in.key = keyAccessory
	}
	return in
}

// pedalStrokes presses the pedal three times to its stop and holds it there.
func pedalStrokes(_ *car, t, d float64) inputs {
	in := seated()
	_, x := repeat(t, d, 3)
	in.pedal = 100 * min(1, max(0, min((x-0.05)/0.12, (0.84-x)/0.12)))
	return in
}

// brakeStrokes presses brake and clutch three times and pulls the handbrake twice.
func brakeStrokes(_ *car, t, d float64) inputs {
	in := seated()
	part, x := repeat(t, d, 8)
	pressed := within(x, 0.2, 0.7)
	switch {
	case part < 3 && pressed:
		in.brake = 0.6
	case part < 6 && part >= 3:
		in.clutch = pressed
	case part >= 6:
		in.handbrake = !pressed
	}
	return in
}

// leverWalk takes the lever through its positions with the foot on the brake.
func leverWalk(_ *car, t, d float64) inputs {
	in := seated()
	in.brake = 0.7
	walk := [...]lever{park, reverse, neutral, forward, low, neutral, park}
	part, _ := repeat(t, d, len(walk))
	in.lever = walk[part]
	return in
}

func crankWithoutFuel(c *car, t, d float64) inputs {
	in := seated()
	in.fuel = false
	in.clutch = !c.setting.Automatic()
	if within(t/d, 0.1, 0.75) {
		in.key = keyStart
	}
	return in
}

// running starts the engine when it is not running, and then touches nothing.
func running(c *car, t, _ float64) inputs {
	in := seated()
	if !c.engine.running && t > 0.2 && c.keyTime() > 1 {
		in.key = keyStart
		in.clutch = !c.setting.Automatic()
	}
	return in
}

// airconCycles switches the air-con on and off three times, and in between the
// heated screen on and the blower off.
func airconCycles(c *car, t, d float64) inputs {
	in := running(c, t, d)
	part, x := repeat(t, d, 3)
	in.aircon = within(x, 0.1, 0.6)
	in.heated = part == 1 && x > 0.3
	if part == 2 && x > 0.6 {
		in.blower = 0
	}
	return in
}

// cruiseSwitches presses main, set, cancel and main again.
func cruiseSwitches(c *car, t, d float64) inputs {
	in := running(c, t, d)
	presses := [...]uint8{cruiseMain, cruiseSet, cruiseCancel, cruiseMain}
	part, x := repeat(t, d, len(presses))
	if within(x, 0.2, 0.7) {
		in.cruise = presses[part]
	}
	return in
}

// freeRevs holds 2500 and 3500 rpm and lets the pedal snap closed.
func freeRevs(c *car, t, d float64) inputs {
	in := running(c, t, d)
	if !c.engine.running {
		return in
	}
	switch x := t / d; {
	case within(x, 0.05, 0.3):
		in.pedal = holdSpeed(c, 2500)
	case within(x, 0.4, 0.62):
		in.pedal = holdSpeed(c, 3500)
	}
	return in
}

// holdSpeed is the pedal of somebody who watches the tachometer.
func holdSpeed(c *car, rpm float64) float64 {
	return min(60, max(0, 9+0.02*(rpm-c.engine.rpm)))
}

// inGear engages each position twice, with the engine running and the brake held.
func inGear(c *car, t, d float64) inputs {
	in := running(c, t, d)
	in.brake = 0.9
	walk := [...]lever{park, reverse, neutral, forward, neutral, reverse, neutral, forward, neutral, park}
	if part, _ := repeat(t, d, len(walk)); c.engine.running {
		in.lever = walk[part]
	}
	return in
}

// road is a short drive: pull away, full load, overrun, light load, stop.
func road(c *car, t, d float64) inputs {
	in := running(c, t, d)
	if !c.engine.running {
		return in
	}
	in.handbrake = false
	in.lever = forward
	in.steering = 12 * math.Sin(2*math.Pi*t/7)
	x := t / d
	switch {
	case x < 0.08:
		in.brake = 0.6
	case x < 0.30:
		in.pedal = 60
	case x < 0.46:
		in.pedal = 100
	case x < 0.54:
		in.pedal = 0
	case x < 0.68:
		in.pedal = 32
	case x < 0.95:
		in.brake = c.chassis.brakeToStop(max(0.3, 0.90*d-t))
	default:
		in.brake, in.lever, in.handbrake = 0.6, park, true
	}
	if kph := c.chassis.speed * 3.6; kph > 110 { // the limit of this road
		in.pedal = min(in.pedal, max(0, 60-6*(kph-110)))
	}
	c.clutchWork(&in)
	return in
}

func keyOff(_ *car, t, _ float64) inputs {
	in := seated()
	if t >= 0.4 {
		in.key = keyLocked
	}
	in.door = within(t, 2, 3)
	return in
}
