package demo

import (
	"errors"
	"fmt"

	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles/traffic"
)

// protected says how one message is protected, by the names of its signals.
type protected struct {
	message string
	counter string
	modulo  uint64 // of the counter
	check   string
	law     guard.Law
	over    []guard.Part // what the checksum covers; nil: the payload
	toggle  string
	every   int // frames between two flips
	parity  string
}

// Laws of checksums.
var (
	crc1D    = guard.CRC8(0x1D, 0xFF, 0xFF)
	crc1Dx53 = guard.CRC8(0x1D, 0x00, 0x53)
	crc2F    = guard.CRC8(0x2F, 0xFF, 0xFF)
	xor      = guard.Law{Kind: guard.XOR}
	sum      = guard.Law{Kind: guard.Sum}
)

// with covers the payload and then a constant of the message.
func with(constant byte) []guard.Part {
	return []guard.Part{guard.Data(0, 0), guard.Bytes(constant)}
}

// mixed covers length, identifier and payload.
func mixed() []guard.Part {
	return []guard.Part{guard.Length(), guard.ID(), guard.Data(0, 0)}
}

// protection returns how the messages of a setting are protected; the comments
// of the DBC files say the same in words.
func (s Setting) protection() []protected {
	list := []protected{
		{message: "EngineTorque", counter: "EngineTorqueCount", modulo: 16, check: "EngineTorqueCheck", law: crc2F, over: with(0x93)},
		{message: "EnginePedal", counter: "EnginePedalCount", modulo: 4, check: "EnginePedalCheck", law: sum, over: mixed()},
		{
			message: "EngineSwitches", toggle: "EngineSwitchesToggle", every: 2, parity: "EngineSwitchesParity",
			check: "EngineSwitchesCheck", law: xor,
		},
		{message: "GearboxStatus", counter: "GearboxStatusCount", modulo: 16, check: "GearboxStatusCheck", law: xor},
		{message: "SteeringAngle", counter: "SteeringAngleCount", modulo: 16, check: "SteeringAngleCheck", law: xor},
		{message: "IgnitionRelay", toggle: "IgnitionToggle", every: 1},
		{message: "BodyIgnition", counter: "BodyIgnitionCount", modulo: 16, check: "BodyIgnitionCheck", law: xor},
	}
	speed := protected{message: "EngineSpeed", counter: "EngineSpeedCount", modulo: 15, check: "EngineSpeedCheck", law: crc1D, over: with(0x71)}
	request := protected{message: "GearboxTorque", counter: "GearboxTorqueCount", modulo: 16, check: "GearboxTorqueCheck", law: crc1Dx53}
	if s.Gearbox == Auto8 {
		request.law, request.over = crc2F, with(0x4D)
	}
	status := protected{message: "ClusterStatus", counter: "ClusterStatusCount", modulo: 16, check: "ClusterStatusCheck", law: sum, over: mixed()}
	moving := protected{message: "VehicleSpeed", counter: "VehicleSpeedCount", modulo: 16, check: "VehicleSpeedCheck", law: crc2F, over: with(0x38)}
	stability := protected{message: "StabilityTorque", counter: "StabilityTorqueCount", modulo: 16, check: "StabilityTorqueCheck", law: sum}
	switch s.electronics() {
	case 1:
		moving = protected{message: "VehicleSpeed", check: "VehicleSpeedCheck", law: xor}
		return append(list, speed, request, moving)
	case 3:
		speed.over = with(0x72)
		stability.law, stability.over = crc2F, with(0xA7)
	}
	return append(list, speed, request, status, moving, stability)
}

// protections finds the fields of the protection in the definitions.
func (s Setting) protections(buses []traffic.Bus) (map[string]guard.Protection, error) {
	found := make(map[string]guard.Protection)
	for _, p := range s.protection() {
		def := definition(buses, p.message)
		if def == nil {
			return nil, fmt.Errorf("protection of %s: no such message", p.message)
		}
		t, err := p.protect(def)
		if err != nil {
			return nil, err
		}
		found[p.message] = t
	}
	return found, nil
}

// protect makes the protection of a definition.
func (p protected) protect(def *dbc.Message) (t guard.Protection, err error) {
	at := func(name string) guard.Field {
		field, e := fieldOf(def, name)
		err = errors.Join(err, e)
		return field
	}
	if p.counter != "" {
		t.Counters = []guard.Counter{{Field: at(p.counter), Modulo: p.modulo}}
	}
	if p.toggle != "" {
		t.Toggles = []guard.Toggle{{Field: at(p.toggle), Every: p.every}}
	}
	if p.check == "" {
		return t, err
	}
	check := at(p.check)
	if p.parity != "" { // of all that stands before the checksum
		before := guard.Field{Length: check.Start, Order: guard.Intel}
		t.Parities = []guard.Parity{{Field: at(p.parity), Over: []guard.Field{before}}}
	}
	if p.over == nil {
		p.over = []guard.Part{guard.Data(0, 0)}
	}
	t.Checksums = []guard.Checksum{{Field: check, Law: p.law, Over: p.over}}
	return t, err
}

// definition returns the definition of a message that wins.
func definition(buses []traffic.Bus, name string) *dbc.Message {
	for _, bus := range buses {
		for _, db := range bus.Databases {
			for _, m := range db.Messages {
				if m.Name == name {
					return m
				}
			}
		}
	}
	return nil
}

func fieldOf(m *dbc.Message, name string) (guard.Field, error) {
	for _, s := range m.Signals {
		if s.Name == name {
			return guard.Field{Start: s.Start, Length: s.Length, Order: guard.Order(s.Order)}, nil
		}
	}
	return guard.Field{}, fmt.Errorf("protection of %s: no signal %s", m.Name, name)
}
