package demo

import (
	"time"

	"plugproof/profiles/traffic"
)

// place is a node on one of its buses: it is powered there by itself.
type place int

const (
	driveEngine place = iota
	driveGearbox
	driveStability
	driveCluster
	bodyCluster
	bodyBody
	bodyClimate
	places
)

var placeNames = [places]struct{ bus, node string }{
	{DriveBus, "Engine"},
	{DriveBus, "Gearbox"},
	{DriveBus, "Stability"},
	{DriveBus, "Cluster"},
	{BodyBus, "Cluster"},
	{BodyBus, "Body"},
	{BodyBus, "Climate"},
}

// link is a message that somebody waits for.
type link int

const (
	linkSpeed link = iota
	linkTorque
	linkPedal
	linkSwitches
	linkTemps
	linkLamps
	linkFuel
	linkAircon
	linkCooling
	linkLever
	linkMoving
	links
)

var linkNames = [links]struct {
	message string
	sender  place
}{
	{"EngineSpeed", driveEngine},
	{"EngineTorque", driveEngine},
	{"EnginePedal", driveEngine},
	{"EngineSwitches", driveEngine},
	{"EngineTemps", driveEngine},
	{"EngineLamps", driveEngine},
	{"EngineFuel", driveEngine},
	{"EngineAircon", driveEngine},
	{"EngineCooling", driveEngine},
	{"GearboxStatus", driveGearbox},
	{"VehicleSpeed", driveStability},
}

// network is who is awake and who hears whom.
type network struct {
	on     [places]bool
	since  [places]float64 // s for which it has been on
	offFor float64         // s since the key was turned off
	boot   [places]float64 // s that it takes to start
	greet  bool            // the body has woken up and not yet told of its doors
	sent   [links]bool     // somebody sends it at all
	muted  [links]bool     // but not now
	silent [links]float64  // s for which nobody has heard it with the key on
}

// Times after key-off at which units fall asleep, s. The engine stays to let the
// fan run on, and the cluster to hear it.
var asleepAfter = [places]float64{
	driveEngine: 4, driveGearbox: 2, driveStability: 1, driveCluster: 4.4, bodyCluster: 6, bodyBody: 6.2, bodyClimate: 0.3,
}

// greetAfter is when the body has started and knows its doors, s.
const greetAfter = 0.1

// longAgo stands for a key that has not been on yet, s.
const longAgo = 1e9

// find looks up what is sent at all.
func (n *network) find(source *traffic.Source) {
	for i, l := range linkNames {
		n.sent[i] = source.Has(l.message)
	}
	nodes := starts()
	for i, p := range placeNames {
		n.boot[i] = nodes[p.node].Boot.Seconds()
	}
	n.offFor = longAgo
}

// work wakes units up and lets them sleep, and notes what is missing.
func (n *network) work(c *car) {
	n.offFor += step
	if c.in.key >= keyOn {
		n.offFor = 0
	}
	for p := range n.on {
		n.power(c, place(p))
	}
	if n.greet && n.since[bodyBody] > greetAfter {
		n.greet = false
		c.source.Send("BodyDoors")
	}
	for i := range n.silent {
		switch l := linkNames[i]; {
		case c.in.key < keyOn:
			n.silent[i] = 0
		case n.sent[i] && !n.muted[i] && n.since[l.sender] > n.boot[l.sender]:
			n.silent[i] = 0
		default:
			n.silent[i] += step
		}
	}
}

// mute notes that a message is not sent for a while, or is again.
func (n *network) mute(message string, off bool) {
	for i, l := range linkNames {
		if l.message == message {
			n.muted[i] = off
		}
	}
}

// power settles whether a unit is on.
func (n *network) power(c *car, p place) {
	on := n.offFor < asleepAfter[p]
	if p == bodyBody || p == bodyCluster {
		on = on || c.in.unlocked && n.offFor > longAgo || c.in.key == keyAccessory
	}
	if on {
		n.since[p] += step
	} else {
		n.since[p] = 0
	}
	if on == n.on[p] {
		return
	}
	n.on[p] = on
	n.greet = n.greet || p == bodyBody && on
	c.source.Power(placeNames[p].bus, placeNames[p].node, on)
}

// up reports whether a unit is awake and has started.
func (c *car) up(p place) bool {
	return c.network.since[p] > c.network.boot[p]
}

// engineUp reports whether there is an engine controller, and it is awake.
func (c *car) engineUp() bool { return c.network.fitted(driveEngine) && c.up(driveEngine) }

// gearboxUp reports whether there is a gearbox controller, and it is awake.
func (c *car) gearboxUp() bool { return c.network.fitted(driveGearbox) && c.up(driveGearbox) }

// fitted reports whether a unit sends anything that somebody waits for.
func (n *network) fitted(p place) bool {
	for i, l := range linkNames {
		if l.sender == p && n.sent[i] {
			return true
		}
	}
	return false
}

// heard reports whether a message is coming in.
func (c *car) heard(l link) bool {
	return c.network.sent[l] && !c.network.muted[l] && c.up(linkNames[l].sender)
}

// lost reports whether a message has been missing for so long with the key on.
func (c *car) lost(l link, patience time.Duration) bool {
	return c.network.silent[l] > patience.Seconds()
}

// lostAny reports whether one of the messages has been missing for so long.
func (c *car) lostAny(patience time.Duration, list []link) bool {
	for _, l := range list {
		if c.lost(l, patience) {
			return true
		}
	}
	return false
}
