package mutate

import (
	"math"
	"math/rand/v2"

	"plugproof/profiles"
	"plugproof/profiles/rules"
)

// scale multiplies a value from the begin on.
func scale(ref profiles.SignalRef, by float64) func(d *Drive, _ *rand.Rand) spoiled {
	return func(d *Drive, _ *rand.Rand) spoiled {
		return of(d.Phys(ref, 0, func(_ int, v float64) float64 { return v * by }))
	}
}

func raw(ref profiles.SignalRef, change func(n int, raw uint64) uint64) func(d *Drive, _ *rand.Rand) spoiled {
	return func(d *Drive, _ *rand.Rand) spoiled { return of(d.Raw(ref, 0, change)) }
}

// frozen keeps the first value.
func frozen(ref profiles.SignalRef) func(d *Drive, _ *rand.Rand) spoiled {
	return func(d *Drive, _ *rand.Rand) spoiled {
		na := d.notAvailable(ref)
		return of(d.Raw(ref, 0, Freeze(func(v uint64) bool { return !na[v] })))
	}
}

func always(v uint64) func(int, uint64) uint64 { return func(int, uint64) uint64 { return v } }

// valueRows are wrong values that the gateways copy as they are.
func valueRows() []corruption {
	rows := []corruption{
		{
			name: "engine speed not available", rule: "signal/not-available", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer", within: 3 * second,
			apply: raw(rpm, always(0xFFFF)),
		},
		{
			name: "coolant frozen", rule: "signal/frozen", verdict: rules.Fail, message: "EngineTemps", function: "coolant-gauge", within: nobody, baseline: true,
			apply: frozen(coolant),
		},
		{
			name: "engine speed frozen", rule: "signal/frozen", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer", within: 3 * second,
			apply: raw(rpm, always(3200)),
		},
		{
			name: "bytes of engine speed swapped", rule: "signal/byte-order", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer", within: nobody,
			apply: raw(rpm, SwapBytes),
		},
		{
			name: "engine speed doubled", rule: "signal/scale", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer", within: nobody, baseline: true,
			apply: scale(rpm, 2),
		},
		{name: "engine speed halved", rule: "signal/scale", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer", within: nobody, baseline: true, apply: scale(rpm, 0.5)},
		{
			name: "coolant 8 °C too high", rule: "signal/offset", verdict: rules.Fail, message: "EngineTemps", function: "coolant-gauge", within: nobody, baseline: true,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Phys(coolant, 0, func(_ int, v float64) float64 { return v + 8 }))
			},
		},
		{
			name: "sign of torque lost", rule: "signal/sign", verdict: rules.Fail, message: "EngineTorque", function: "stability-control", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Raw(torque, 0, func(_ int, v uint64) uint64 {
					if v == 0x800 || v == 0 { // not available, or no sign
						return v
					}
					return v ^ 0x800
				}))
			},
		},
		{
			name: "engine speed one bit too high", rule: "signal/wraps", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Raw(rpm, 0, func(_ int, v uint64) uint64 {
					if v == 0xFFFF {
						return v
					}
					return v << 3 & 0xFFFF
				}))
			},
		},
		{
			name: "coolant wild", rule: "signal/wild", verdict: rules.Fail, message: "EngineTemps", function: "coolant-gauge", within: 3 * second,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				return of(d.Phys(coolant, 0, func(int, float64) float64 { return 40 + 50*r.Float64() }))
			},
		},
		{
			name: "coolant jumps four times", rule: "signal/jumps", verdict: rules.Fail, message: "EngineTemps", function: "coolant-gauge", within: 110e6,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				n := 0
				return of(d.Phys(coolant, into(d, "warm-up", r), func(_ int, v float64) float64 {
					if n++; n < 31 && n/10%2 == 0 { // twice for a second
						return v + 15
					}
					return v
				}))
			},
		},
		{
			name: "engine speed drops out for single frames", rule: "signal/outliers", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer", within: 50e6,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				at := into(d, "idle", r)
				return of(d.Raw(rpm, at, func(n int, v uint64) uint64 {
					if n%40 == 0 {
						return 0
					}
					return v
				}))
			},
		},
		{
			name: "engine speed renewed too seldom", rule: "signal/stale", verdict: rules.Review, message: "EngineSpeed", function: "tachometer", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				held := uint64(0)
				return of(d.Raw(rpm, 0, func(n int, v uint64) uint64 {
					if n%12 == 0 || v == 0xFFFF {
						held = v
					}
					return held
				}))
			},
		},
		{
			name: "pedal clipped at its end", rule: "signal/saturated", verdict: rules.Review, message: "EnginePedal", function: "throttle-for-stability", within: nobody,
			companions: []companion{{"signal/out-of-band", "EnginePedal", "over 100 % no listener believes it"}},
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Phys(pedal, 0, func(_ int, v float64) float64 { return v * 1.06 }))
			},
		},
		{
			name: "coolant out of the accepted band", rule: "signal/out-of-band", verdict: rules.Fail, message: "EngineTemps", function: "coolant-gauge", within: 3 * second,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Phys(coolant, 0, func(_ int, v float64) float64 { return 137 + v/20 }))
			},
		},
		{
			name: "multiplexer stands on one page", rule: "signal/page-missing", verdict: rules.Fail, message: "EngineReadiness", within: nobody,
			apply: raw("EngineReadiness.ReadinessPage", always(1)),
		},
		{
			name: "climate control of another series", rule: "signal/constant", verdict: rules.Fail, message: "ClimateStatus", within: 1100e6,
			apply: raw("ClimateStatus.ClimateVariant", func(_ int, v uint64) uint64 { return v%3 + 1 }),
		},
	}
	for i, row := range rows {
		rows[i].apply = func(d *Drive, r *rand.Rand) spoiled {
			s := row.apply(d, r)
			s.frames = d.With(s.frames).Relay()
			return s
		}
	}
	return rows
}

func roleRows() []corruption {
	return []corruption{
		{
			name: "cluster says that engine speed is missing", rule: "listener/complains", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer", within: nobody,
			apply: raw("ClusterStatus.IsEngineSpeedMissing", always(1)),
		},
		{
			name: "malfunction lamp bit set", rule: "signal/lamp-lit", verdict: rules.Fail, message: "EngineLamps", function: "malfunction-lamp", within: nobody,
			apply: raw("EngineLamps.IsMilOn", always(1)),
		},
		{
			name: "malfunction lamp bit never set", rule: "signal/no-bulb-check", verdict: rules.Fail, message: "EngineLamps", function: "malfunction-lamp", within: nobody,
			apply: raw("EngineLamps.IsMilOn", always(0)),
		},
		{
			name: "fuel counter frozen", rule: "signal/fuel-count", verdict: rules.Fail, message: "EngineFuel", function: "fuel-consumption", within: nobody,
			apply: frozen("EngineFuel.FuelUsed"),
		},
		{
			name: "distance frozen", rule: "signal/distance-count", verdict: rules.Fail, message: "VehicleSpeed", function: "odometer", within: nobody,
			apply: frozen("VehicleSpeed.DistancePulse"),
		},
		{
			name: "vehicle speed stays zero", rule: "signal/speed-missing", verdict: rules.Fail, message: "VehicleSpeed", function: "speedometer", within: nobody,
			apply: raw("VehicleSpeed.VehicleSpeedKph", always(0)),
		},
		{
			name: "engine-running bit zero", rule: "signal/engine-running", verdict: rules.Fail, message: "EngineSpeed", function: "running-state-for-body", within: nobody,
			apply: raw("EngineSpeed.IsEngineRunning", always(0)),
		},
		{
			name: "pedal learned short", rule: "signal/pedal-range", verdict: rules.Fail, message: "EnginePedal", within: nobody,
			apply: scale("EnginePedal.PedalTrackOnePercent", 0.93),
		},
		{
			name: "pedal rests off zero", rule: "signal/pedal-range", verdict: rules.Fail, message: "EnginePedal", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Phys("EnginePedal.PedalTrackOnePercent", 0, func(_ int, v float64) float64 { return math.Max(v, 3.2) }))
			},
		},
		{
			name: "throttle falls short of its demand", rule: "signal/throttle-range", verdict: rules.Fail, message: "EnginePedal", within: nobody,
			apply: scale(throttle, 0.6),
		},
	}
}
