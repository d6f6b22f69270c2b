package mutate

import (
	"context"
	"math/rand/v2"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/rules"
)

// sisters are cars of which a unit may be found in another one.
var sisters = map[string]string{
	"lowan-2-20t-a5": "lowan-1-20t-a5", "lowan-1-20-m5": "lowan-3-20-m5", "lowan-3-20t-a8": "lowan-2-20t-a8",
}

// withGearbox names for each manual car the one with the automatic that is grafted in.
var withGearbox = map[string]string{
	"lowan-1-20-m5": "lowan-1-20-a5", "lowan-2-20-m5": "lowan-1-20-a5", "lowan-3-20t-m5": "lowan-3-20t-a8",
}

// grafted puts a unit of a sister car in.
func grafted(cars map[string]string, node string) func(d *Drive, r *rand.Rand) spoiled {
	return func(d *Drive, r *rand.Rand) spoiled {
		name := cars[d.Setting.Name]
		car, err := demo.ParseSetting(name)
		if err != nil {
			panic("internal error: " + err.Error())
		}
		var setting *profiles.Setting
		for _, s := range onFile() {
			if s.Name == name {
				setting = s
			}
		}
		other, err := Record(context.Background(), car, setting, demo.Options{Seed: r.Uint64N(1000)})
		if err != nil {
			panic("internal error: " + err.Error())
		}
		return of(d.With(d.Graft(other, node)).Arbitrate(), 0)
	}
}

// renamed gives messages the identifiers that they have in another series.
func renamed(ids map[string][2]uint32) func(d *Drive, _ *rand.Rand) spoiled {
	return func(d *Drive, _ *rand.Rand) spoiled {
		out := d
		for message, id := range ids {
			to := id[0]
			if d.Setting.Message(message).ID.Value == to {
				to = id[1]
			}
			frames, _ := out.Change(d.Message(message), func(_ int, f *can.Frame) { f.ID = to })
			out = out.With(frames)
		}
		return of(out.Frames, 0)
	}
}

// unless returns a change that leaves one pattern alone: that of a value which is
// not there yet.
func unless(none uint64, change func(v uint64) uint64) func(int, uint64) uint64 {
	return func(_ int, v uint64) uint64 {
		if v == none {
			return v
		}
		return change(v)
	}
}

// variantRows are cars, settings and new ECUs that are not of one kind.
func variantRows() []corruption {
	return []corruption{
		{
			name: "engine code of the sister engine", rule: "variant/constants", verdict: rules.Fail, message: "EngineConfig", function: "engine-code", within: 1100e6,
			apply: raw("EngineConfig.EngineCode", unless(0xFF, func(v uint64) uint64 { return 3 - v })),
		},
		{
			name: "market of another region", rule: "variant/region", verdict: rules.Fail, message: "EngineConfig", within: 1100e6,
			apply: raw("EngineConfig.EngineMarket", unless(0xFF, func(uint64) uint64 { return 5 })),
		},
		{
			name: "no number of the car", rule: "variant/car-number", verdict: rules.Fail, message: "EngineConfig", function: "odometer", within: nobody,
			apply: raw("EngineConfig.EngineVehicleNumber", always(0)),
		},
		{
			name: "number of another car", rule: "variant/car-number", verdict: rules.Fail, message: "EngineConfig", function: "odometer", within: nobody, baseline: true,
			apply: raw("EngineConfig.EngineVehicleNumber", func(_ int, v uint64) uint64 { return v + 1 }),
		},
		{
			name: "stability control of another series", rule: "variant/mixed-series", verdict: rules.Fail, sender: "Stability", function: "speedometer", within: nobody,
			companions: []companion{{"handshake/cruise-inhibited", "EngineSwitches", "the engine does not accept that vehicle speed"}},
			apply:      grafted(sisters, "Stability"),
		},
		{
			name: "two gauges under a neighbour's identifiers", rule: "variant/neighbour-series", verdict: rules.Fail, sender: "Engine", function: "tachometer", within: nobody,
			companions: []companion{{"message/other-id", "", "each of the two by itself"}},
			apply:      renamed(map[string][2]uint32{"EngineSpeed": {217, 214}, "EngineTemps": {794, 796}}),
		},
		{
			name: "gearbox frames in a car set as manual", rule: "variant/gearbox-unexpected", verdict: rules.Fail, sender: "Gearbox", within: nobody,
			settings: manuals,
			apply:    grafted(withGearbox, "Gearbox"),
		},
		{
			name: "no gearbox in a car set as automatic", rule: "variant/no-gearbox", verdict: rules.Fail, sender: "Gearbox", function: "torque-intervention", within: nobody,
			settings: automatics,
			companions: []companion{
				{"handshake/ecu-starved", "", "the engine waits for it"},
				{"message/absent", "GearRelay", "the gateway has nothing to copy"},
			},
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				frames, _ := d.Drop(d.Sender("Gearbox"))
				frames, _ = d.With(frames).Drop(d.Message("GearRelay"))
				return spoiled{frames: frames, change: func(c *rules.Case) {
					c.Baseline, c.BaselineStages = c.Evidence, c.Stages // of the same car, which never had one
				}}
			},
		},
	}
}
