package demo

import "math"

// Gears, as on the bus.
const (
	gearNeutral uint8 = 0
	gearReverse uint8 = 14
)

// noRequest is the torque request that stands for none, Nm: its bits all ones.
const noRequest = 923.75

// gearbox is the automatic gearbox and its controller, or the manual one and the
// driver's hand and foot.
type gearbox struct {
	actual, target uint8
	from           uint8   // gear before the change
	shift          float64 // s since a change began; negative: none is going on
	limit          float64 // torque asked for during the change, Nm
	request        float64 // torque asked for now, Nm; noRequest: none
	turbine        float64 // rpm
	bridge         float64 // how firmly the converter is bridged, 0 to 1
	fluid          float64 // °C
	limp           bool
	rest           float64 // s until the next change may begin
	foot           float64 // manual: s since the driver began to change gear
}

// A change of gear lasts so long, s, and in it:
const (
	shiftTime    = 0.55
	requestFrom  = 0.10
	requestUntil = 0.34
	gearChanges  = 0.28
)

var (
	ratiosManual = []float64{0, 3.5, 1.95, 1.3, 0.97, 0.75}
	ratiosAuto5  = []float64{0, 3.6, 2.1, 1.4, 1.0, 0.75}
	ratiosAuto8  = []float64{0, 4.7, 3.1, 2.1, 1.67, 1.29, 1.0, 0.84, 0.67}
)

const ratioReverse = -3.4

// ratios returns the gear ratios and that of the axle.
func (s Setting) ratios() (gears []float64, axle float64) {
	switch s.Gearbox {
	case Auto5:
		return ratiosAuto5, 3.9
	case Auto8:
		return ratiosAuto8, 3.2
	}
	return ratiosManual, 4.1
}

func (c *car) ratio(gear uint8) float64 {
	gears, axle := c.setting.ratios()
	if gear == gearReverse {
		return ratioReverse * axle
	}
	return gears[gear] * axle
}

// ratioNow is the ratio from engine to wheels, and how firmly the gear holds.
func (g *gearbox) ratioNow(c *car) (ratio, grip float64) {
	if g.shift < 0 {
		return c.ratio(g.actual), 1
	}
	x := min(1, max(0, (g.shift-0.14)/0.28))
	switch from, to := c.ratio(g.from), c.ratio(g.target); {
	case from == 0:
		return to, x
	case to == 0:
		return from, 1 - x
	default:
		return from + (to-from)*x, 1
	}
}

// work is one step of the controller.
func (g *gearbox) work(c *car) {
	g.request = noRequest
	if !c.setting.Automatic() {
		return
	}
	g.fluid += (c.heat.coolant - 5 - g.fluid) * step / 90
	g.rest = max(0, g.rest-step)
	g.lock()
	if g.shift < 0 {
		g.begin(c)
		return
	}
	g.shift += step
	if within(g.shift, requestFrom, requestUntil) {
		g.request = g.limit
	}
	if g.shift >= gearChanges {
		g.actual = g.target
	}
	if g.shift >= shiftTime {
		g.shift, g.rest = -1, 0.4
	}
}

// begin begins a change of gear when one is due. With the engine standing gears
// are selected at once: there is no pressure to do it by.
func (g *gearbox) begin(c *car) {
	want := g.wish(c)
	if want == g.actual {
		return
	}
	g.target = want
	if c.engine.rpm < 400 || !c.gearboxUp() {
		g.actual = want
		return
	}
	if g.rest > 0 && want != gearNeutral && g.actual != gearNeutral {
		return
	}
	g.from, g.shift = g.actual, 0
	g.limit = noRequest
	if c.engine.torque > 25 || g.from == gearNeutral {
		g.limit = 0.35*max(0, c.engine.before) - 7
	}
}

// wish is the gear that the controller wants.
func (g *gearbox) wish(c *car) uint8 {
	switch c.in.lever {
	case reverse:
		return gearReverse
	case forward, low:
	default:
		return gearNeutral
	}
	gears, _ := c.setting.ratios()
	top := uint8(len(gears) - 1)
	if c.in.lever == low {
		top = 2
	}
	switch {
	case g.limp:
		return 3
	case g.actual == gearNeutral || g.actual == gearReverse:
		return 1
	}
	up := 1400 + 14*c.in.pedal + 0.25*c.in.pedal*c.in.pedal
	down := max(1000, 0.5*up-100)
	switch {
	case g.actual < top && g.turbine > up && c.in.pedal > 0:
		return g.actual + 1
	case g.actual > 1 && g.turbine < down, g.actual > top:
		return g.actual - 1
	}
	return g.actual
}

// lock bridges the converter, gently, and lets go of it at once.
func (g *gearbox) lock() {
	if g.actual < 3 || g.actual == gearReverse || g.shift >= 0 || g.turbine < 1300 {
		g.bridge = max(0, g.bridge-step/0.1)
		return
	}
	g.bridge = min(1, g.bridge+step/0.6)
}

// converter returns the torques on engine and turbine, Nm, at their speeds, rad/s.
func (g *gearbox) converter(pump, turbine float64) (onPump, onTurbine float64) {
	const size = 0.0036 // Nm s²
	k := size * (1 + 4*g.bridge)
	x := turbine / max(pump, 20)
	x2 := x * x
	pull := 1 - x2*x2*x2
	if x > 1 {
		pull = -min(1, 4*(x-1))
	}
	onPump = k * pump * pump * pull
	gain := 1.0
	if x < 0.85 {
		gain = 1.9 - 0.9*x/0.85
	}
	return onPump, onPump * gain
}

// clutchWork is the driver of a manual car changing gear on the road.
func (c *car) clutchWork(in *inputs) {
	g := &c.gearbox
	if c.setting.Automatic() {
		return
	}
	if in.lever != forward {
		g.actual, g.foot = gearNeutral, 0
		in.clutch = c.chassis.speed < 2
		return
	}
	pedal := in.pedal
	up := min(5600, 2300+32*in.pedal)
	switch {
	case g.foot > 0:
		g.foot += step
		in.clutch, in.pedal = g.foot < clutchTime, 0
		if g.foot > clutchTime/2 {
			g.actual = g.target
		}
		if g.foot > clutchTime+0.15 {
			in.pedal = pedal
		}
		if g.foot > 2*clutchTime {
			g.foot = 0
		}
	case g.actual == gearNeutral && in.brake == 0:
		g.target, g.foot = 1, step
	case g.actual >= 1 && int(g.actual) < len(ratiosManual)-1 && c.engine.rpm > up && in.brake == 0:
		g.target, g.foot = g.actual+1, step
	case c.engine.rpm < 1100 && in.brake > 0:
		in.clutch = true
	}
	if g.actual == 1 && c.chassis.speed < 2.5 && g.foot == 0 {
		in.pedal = min(in.pedal, 60) // pulling away with feeling
	}
}

// clutchTime is how long the driver of a manual car holds the clutch down, s.
const clutchTime = 0.45

// clutchTorque returns the torque that the clutch of a manual gearbox carries, Nm.
func (c *car) clutchTorque(engine, shaft float64) float64 {
	if c.in.clutch || c.gearbox.actual == gearNeutral {
		return 0
	}
	most := 1.3 * c.setting.peak()
	if since := c.gearbox.foot - clutchTime; since > 0 {
		most = min(most, 80+300*since) // the foot comes up gently
	}
	if c.gearbox.actual == 1 && c.chassis.speed < 8 {
		// Biting point: no more than what leaves the engine its speed.
		most = max(0, 0.12*(engine*rpmPerRad-700))
	}
	return min(most, max(-most, 25*(engine-shaft)))
}

// inferred is the gear that engine and vehicle speed tell of, as on the bus.
func (c *car) inferred() float64 {
	if c.in.clutch || c.chassis.speed < 1 || !c.engine.running {
		return 0
	}
	if c.in.lever == reverse {
		return float64(gearReverse)
	}
	now := c.engine.rpm / rpmPerRad / (c.chassis.speed / wheelRadius)
	best, off := 0, 0.12
	gears, axle := c.setting.ratios()
	for i := 1; i < len(gears); i++ {
		if d := math.Abs(now/(gears[i]*axle) - 1); d < off {
			best, off = i, d
		}
	}
	return float64(best)
}
