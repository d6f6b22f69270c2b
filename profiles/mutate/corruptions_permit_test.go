package mutate

import (
	"math/rand/v2"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/rules"
)

// both changes two signals of a drive, one after the other.
func both(changes ...func(d *Drive, r *rand.Rand) spoiled) func(d *Drive, r *rand.Rand) spoiled {
	return func(d *Drive, r *rand.Rand) spoiled {
		var s spoiled
		for _, change := range changes {
			if s = change(d, r); s.frames != nil {
				d = d.With(s.frames)
			}
		}
		return s
	}
}

func dropped(message string) func(d *Drive, _ *rand.Rand) spoiled {
	return func(d *Drive, _ *rand.Rand) spoiled { return of(d.Drop(d.Message(message))) }
}

// capped lets a value go no higher.
func capped(ref profiles.SignalRef, most float64) func(d *Drive, _ *rand.Rand) spoiled {
	return func(d *Drive, _ *rand.Rand) spoiled {
		return of(d.Phys(ref, 0, func(_ int, v float64) float64 { return min(v, most) }))
	}
}

// permitRows are requests of people that nothing comes of.
func permitRows() []corruption {
	return []corruption{
		{
			name: "start never permitted", rule: "handshake/start-permit", verdict: rules.Fail, message: "EngineSwitches", function: "start-permit", within: nobody,
			apply: raw("EngineSwitches.IsStartPermitted", always(0)),
		},
		{
			name: "lever of the gearbox missing, no start", rule: "handshake/start-permit", verdict: rules.Fail, message: "EngineSwitches", function: "start-permit",
			settings: automatics, within: nobody,
			companions: []companion{
				{"message/absent", "GearboxStatus", "the reason"},
				{"handshake/ecu-starved", "GearboxStatus", "the engine needs it"},
			},
			apply: both(raw("EngineSwitches.IsStartPermitted", always(0)), dropped("GearboxStatus")),
		},
		{
			name: "air-con never granted", rule: "handshake/air-con-blocked", verdict: rules.Fail, message: "EngineAircon", function: "air-con", within: nobody,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				frames, _ := d.Raw("EngineAircon.IsAirconGranted", 0, always(0))
				return of(d.With(frames).Relay(), 0)
			},
		},
		{
			name: "air-con blocked by coolant, says the ECU", rule: "handshake/air-con-blocked", verdict: rules.Review, message: "EngineAircon", function: "air-con", within: nobody,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				frames, _ := d.Raw("EngineAircon.IsAirconGranted", 0, always(0))
				frames, _ = d.With(frames).Raw("EngineAircon.AirconBlocker", d.Stage("air-con").Start, unless(15, func(uint64) uint64 { return 2 }))
				return of(d.With(frames).Relay(), 0)
			},
		},
		{
			name: "main switch of cruise control without result", rule: "handshake/cruise-inhibited", verdict: rules.Fail, message: "EngineSwitches", function: "cruise-control", within: nobody,
			apply: raw("EngineSwitches.CruiseState", unless(7, func(uint64) uint64 { return 0 })),
		},
		{
			name: "brake switches disagree, no cruise control", rule: "handshake/cruise-inhibited", verdict: rules.Fail, message: "EngineSwitches", function: "cruise-control", within: nobody,
			apply: both(
				func(d *Drive, _ *rand.Rand) spoiled {
					return of(d.Raw("EngineSwitches.BrakeTestSwitch", d.Stage("idle").Start, always(1)))
				},
				raw("EngineSwitches.CruiseState", unless(7, func(uint64) uint64 { return 0 }))),
		},
		{
			name: "switches of body and climate do not reach the engine", rule: "handshake/ecu-starved", verdict: rules.Fail, message: "BodyRelay", function: "air-con-request", within: nobody,
			companions: []companion{{"message/not-forwarded", "BodyRelay", "the same message, seen from what it is copied from"}},
			apply:      dropped("BodyRelay"),
		},
		{
			name: "immobiliser's question not answered", rule: "handshake/immobiliser", verdict: rules.Fail, message: "EngineImmobiliser", function: "start-release", within: 50e6,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				frames, _ := d.Drop(d.Message("EngineImmobiliser"))
				return of(frames, after(frames, d.Message("ClusterImmobiliser"), 0))
			},
		},
		{
			name: "immobiliser's question answered after 150 ms", rule: "handshake/immobiliser", verdict: rules.Fail, message: "EngineImmobiliser", function: "start-release", within: 50e6,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				frames, _ := d.Change(d.Message("EngineImmobiliser"), func(_ int, f *can.Frame) { f.Time += 130e6 })
				frames = sorted(frames)
				return of(frames, after(frames, d.Message("ClusterImmobiliser"), 0))
			},
		},
		{
			name: "fan command missing, fan flat out", rule: "handshake/fan-fail-safe", verdict: rules.Fail, message: "EngineCooling", function: "cooling-fan", within: nobody,
			companions: []companion{
				{"message/absent", "EngineCooling", "the reason"},
				{"listener/complains", "EngineRelay", "the body controller misses the command"},
				{"signal/range", "", "a fan that never stops loads generator and engine"},
			},
			apply: func(d *Drive, r *rand.Rand) spoiled {
				out := again(d, r, demo.Options{Without: []string{"EngineCooling"}})
				return spoiled{frames: out.Frames, stages: out.Stages}
			},
		},
		{
			name: "generator never asked to charge", rule: "handshake/generator-command", verdict: rules.Fail, message: "EngineLamps", within: nobody,
			companions: []companion{{"signal/range", "", "the voltage itself"}},
			apply: both(capped("BodyPower.BatteryVoltage", 12.2), capped("IgnitionRelay.SupplyVoltage", 12.2), capped("EngineLamps.EngineSupplyVoltage", 12.1),
				raw("EngineLamps.GeneratorCommand", unless(127, func(uint64) uint64 { return 0 }))),
		},
		{
			name: "one wheel turns faster on the hoist", rule: "handshake/wheel-speeds", verdict: rules.Review, message: "WheelSpeeds", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				from := d.Stage("road").Start + 6*second
				frames, _ := d.Rewrite("WheelSpeeds", d.Message("WheelSpeeds").In(from, from+3*second), func(_ *can.Frame, v map[string]float64) {
					v["WheelFrontRightKph"] *= 1.3
				})
				frames, first := d.With(frames).Rewrite("StabilityTorque", d.Message("StabilityTorque").In(from+second, from+2*second), func(_ *can.Frame, v map[string]float64) {
					v["IsStabilityRequestActive"], v["StabilityRequestedTorque"] = 1, 400
				})
				return of(frames, first)
			},
		},
	}
}
