package mutate

import (
	"math"
	"math/rand/v2"
	"testing/fstest"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/library"
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

// halved counts every other step only.
func halved(ref profiles.SignalRef) func(d *Drive, _ *rand.Rand) spoiled {
	return func(d *Drive, _ *rand.Rand) spoiled {
		have, last, sum := false, uint64(0), uint64(0)
		_, def := d.Setting.Signal(ref)
		width := uint64(1)<<def.Length - 1
		return of(d.Raw(ref, 0, func(_ int, v uint64) uint64 {
			if !have {
				have, last, sum = true, v, 2*v
			}
			sum += (v - last) & width
			last = v
			return sum / 2 & width
		}))
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
		{
			name: "supply voltage halved", rule: "signal/scale", verdict: rules.Fail, message: "EngineLamps", function: "supply-voltage", within: nobody,
			apply: scale(supply, 0.5),
		},
		{
			name: "supply voltage 4 V too high", rule: "signal/offset", verdict: rules.Fail, message: "EngineLamps", function: "supply-voltage", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Phys(supply, 0, func(_ int, v float64) float64 { return v + 4 }))
			},
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
			name: "multiplexer dwells on one page", rule: "signal/page-missing", verdict: rules.Review, message: "EngineReadiness", within: nobody, baseline: true,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				return of(d.Raw("EngineReadiness.ReadinessPage", 0, func(n int, v uint64) uint64 {
					if r.IntN(4) != 0 {
						return 1
					}
					return v
				}))
			},
		},
		{
			name: "engine speed 900 rpm too high", rule: "signal/range", verdict: rules.Review, message: "EngineSpeed", function: "tachometer", within: nobody, baseline: true,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Phys(rpm, 0, func(_ int, v float64) float64 { return v + 900 }))
			},
		},
		{
			name: "engine speed 900 rpm over what the profile learned", rule: "signal/range", verdict: rules.Review, message: "EngineSpeed", function: "tachometer", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				s := of(d.Phys(rpm, 0, func(_ int, v float64) float64 { return v + 900 }))
				s.setting = with(d, "messages: {EngineSpeed: {signals: {EngineSpeedRpm: {ranges: {key-on: 0..0, idle: 650..1200, rev: 700..3700}}}}}")
				return s
			},
		},
		{
			name: "bits of no known meaning stand otherwise", rule: "signal/still-bits", verdict: rules.Review, message: "EngineCooling", function: "cooling-fan", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				s := of(d.Change(d.Message("EngineCooling"), func(_ int, f *can.Frame) { f.Data[1] |= 0x20 }))
				s.setting = with(d, `messages: {EngineCooling: {still: "~~~~~~~~ 00000~~~ ~~~~~~~~"}}`)
				return s
			},
		},
		{
			name: "engine speed swings at idle", rule: "signal/outliers", verdict: rules.Review, message: "EngineSpeed", function: "tachometer", within: nobody, baseline: true,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				phase := 2 * math.Pi * r.Float64()
				return of(d.Phys(rpm, 0, func(n int, v float64) float64 {
					if v < 300 {
						return v
					}
					return v + 100*math.Sin(phase+float64(n)/3)
				}))
			},
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

// with is the setting of a drive and what a profile of the user's own adds to it.
func with(d *Drive, more string) *profiles.Setting {
	mine := fstest.MapFS{"mine.yaml": {Data: []byte("format: 1\nbuilds_on: [" + d.Setting.Name + "]\n" + more + "\n")}}
	s, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}, profiles.Folder{Name: "mine", FS: mine}).Load("mine")
	if err != nil {
		panic("internal error: " + err.Error())
	}
	return s
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
			name: "fuel counter runs backward", rule: "signal/fuel-count", verdict: rules.Fail, message: "EngineFuel", function: "fuel-consumption", within: nobody,
			apply: raw("EngineFuel.FuelUsed", func(_ int, v uint64) uint64 { return (0x10000 - v) & 0xFFFF }),
		},
		{
			name: "fuel counts four times as fast", rule: "signal/fuel-count", verdict: rules.Fail, message: "EngineFuel", function: "fuel-consumption", within: nobody, baseline: true,
			apply: raw("EngineFuel.FuelUsed", func(_ int, v uint64) uint64 { return 4 * v & 0xFFFF }),
		},
		{
			name: "distance counts half", rule: "signal/distance-count", verdict: rules.Review, message: "VehicleSpeed", function: "odometer", within: nobody,
			apply: halved("VehicleSpeed.DistancePulse"),
		},
		{
			name: "vehicle speed reads a tenth too much", rule: "signal/speed-missing", verdict: rules.Review, message: "VehicleSpeed", function: "speedometer", within: nobody,
			companions: []companion{
				{"signal/scale", "VehicleSpeed", "the shaft of an automatic gearbox tells as well"},
				{"signal/distance-count", "VehicleSpeed", "the distance no longer fits the speed"},
			},
			apply: scale("VehicleSpeed.VehicleSpeedKph", 1.1),
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
			name: "pedal learned short", rule: "signal/pedal-range", verdict: rules.Fail, message: "EnginePedal", function: "throttle-for-stability", within: nobody,
			apply: scale("EnginePedal.PedalTrackOnePercent", 0.93),
		},
		{
			name: "pedal rests off zero", rule: "signal/pedal-range", verdict: rules.Fail, message: "EnginePedal", function: "throttle-for-stability", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Phys("EnginePedal.PedalTrackOnePercent", 0, func(_ int, v float64) float64 { return math.Max(v, 3.2) }))
			},
		},
		{
			name: "pedal tracks disagree", rule: "signal/pedal-range", verdict: rules.Fail, message: "EnginePedal", function: "throttle-for-stability", within: nobody,
			apply: scale("EnginePedal.PedalTrackTwoPercent", 0.9),
		},
		{
			name: "throttle falls short of its demand", rule: "signal/throttle-range", verdict: rules.Fail, message: "EnginePedal", function: "throttle-for-stability", within: nobody,
			apply: scale(throttle, 0.6),
		},
	}
}
