package demo

import (
	"fmt"
	"strings"
	"time"

	"plugproof/decode/dbc"
	"plugproof/profiles/library"
	"plugproof/profiles/traffic"
)

// Engine of a Lowan; the number is its code on the bus.
type Engine uint8

// The engines.
const (
	TwoLitre      Engine = 1
	TwoLitreTurbo Engine = 2
)

// Gearbox of a Lowan; the number is its code on the bus.
type Gearbox uint8

// The gearboxes.
const (
	Manual5 Gearbox = 1
	Auto5   Gearbox = 5
	Auto8   Gearbox = 8
)

// Setting is one of the cars that were built.
type Setting struct {
	Series  int // 1 to 3
	Engine  Engine
	Gearbox Gearbox
}

// Settings lists the twelve that were built, of eighteen thinkable ones. The
// 8-speed automatic came with series 2, for the turbo engine only, and replaced
// the 5-speed one in series 3; the turbo with the manual gearbox was not offered
// in series 2.
func Settings() []Setting {
	return []Setting{
		{1, TwoLitre, Manual5},
		{1, TwoLitre, Auto5},
		{1, TwoLitreTurbo, Manual5},
		{1, TwoLitreTurbo, Auto5},
		{2, TwoLitre, Manual5},
		{2, TwoLitre, Auto5},
		{2, TwoLitreTurbo, Auto5},
		{2, TwoLitreTurbo, Auto8},
		{3, TwoLitre, Manual5},
		{3, TwoLitre, Auto8},
		{3, TwoLitreTurbo, Manual5},
		{3, TwoLitreTurbo, Auto8},
	}
}

var (
	engineNames  = map[Engine]string{TwoLitre: "20", TwoLitreTurbo: "20t"}
	gearboxNames = map[Gearbox]string{Manual5: "m5", Auto5: "a5", Auto8: "a8"}
)

// String gives the name of the setting: lowan-2-20t-a5.
func (s Setting) String() string {
	return fmt.Sprintf("lowan-%d-%s-%s", s.Series, engineNames[s.Engine], gearboxNames[s.Gearbox])
}

// ParseSetting reads the name of a setting that was built. The error lists them.
func ParseSetting(name string) (Setting, error) {
	var names []string
	for _, s := range Settings() {
		if s.String() == name {
			return s, nil
		}
		names = append(names, s.String())
	}
	return Setting{}, fmt.Errorf("no Lowan %q was built: there are %s", name, strings.Join(names, ", "))
}

// Automatic reports whether the car has a gearbox controller.
func (s Setting) Automatic() bool { return s.Gearbox != Manual5 }

// electronics is the series whose network the car has. The plain series 2 was
// carried over from series 1: on the bus nothing tells the two apart.
func (s Setting) electronics() int {
	if s == (Setting{2, TwoLitre, Manual5}) {
		return 1
	}
	return s.Series
}

// DBC returns the names of the library files that apply to a bus, in the order
// in which definitions win.
func (s Setting) DBC(bus string) []string {
	var names []string
	if bus == DriveBus && s.Gearbox == Auto8 {
		names = append(names, "lowan-drive-auto8.dbc")
	}
	if e := s.electronics(); e != 2 {
		names = append(names, fmt.Sprintf("lowan-%s-series%d.dbc", bus, e))
	}
	return append(names, "lowan-"+bus+".dbc")
}

// Absent returns the nodes and messages that the DBC files have and the car does
// not.
func (s Setting) Absent() []string {
	var names []string
	if !s.Automatic() {
		names = append(names, "Gearbox", "GearRelay")
	}
	if s.Engine != TwoLitreTurbo {
		names = append(names, "EngineBoost")
	}
	if s.electronics() == 1 {
		names = append(names, "SteeringAngle", "VehicleConfigRelay", "VehicleConfig")
	}
	return names
}

// traffic returns what is sent in this setting.
func (s Setting) traffic() (traffic.Config, error) {
	config := traffic.Config{Without: s.Absent(), Nodes: starts()}
	for _, name := range []string{DriveBus, BodyBus} {
		bus := traffic.Bus{Name: name}
		for _, file := range s.DBC(name) {
			src, err := library.DBC(file)
			if err != nil {
				return config, err
			}
			bus.Databases = append(bus.Databases, dbc.Parse(file, src))
		}
		config.Buses = append(config.Buses, bus)
	}
	var err error
	config.Protections, err = s.protections()
	return config, err
}

// starts says how the nodes start.
func starts() map[string]traffic.Node {
	const ms = time.Millisecond
	return map[string]traffic.Node{
		"Engine":    {Boot: 60 * ms, Init: 250 * ms},
		"Gearbox":   {Boot: 110 * ms, Init: 300 * ms},
		"Stability": {Boot: 90 * ms, Init: 400 * ms},
		"Cluster":   {Boot: 40 * ms, Init: 200 * ms},
		"Body":      {Boot: 20 * ms, Init: 60 * ms},
		"Climate":   {Boot: 150 * ms, Init: 500 * ms},
	}
}
