package mutate

import (
	"context"
	"math/rand/v2"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/rules"
)

// Settings of rows that need a gearbox controller, or none.
var (
	automatics = []string{"lowan-2-20t-a5", "lowan-1-20-a5", "lowan-3-20t-a8"}
	manuals    = []string{"lowan-1-20-m5", "lowan-2-20-m5", "lowan-3-20t-m5"}
)

const (
	answer     = profiles.SignalRef("EngineTorque.ReductionAnswer")
	torqueSeen = profiles.SignalRef("GearboxStatus.EngineTorqueSeen")
)

// cutting rewrites the engine's torque message while the gearbox asks for less,
// and until a time after. The gearbox receives what comes of it.
func cutting(after int64, change func(f *can.Frame, values map[string]float64)) func(d *Drive, _ *rand.Rand) spoiled {
	return func(d *Drive, _ *rand.Rand) spoiled {
		requests := d.Requests("torque-cut")
		frames, first := d.Rewrite("EngineTorque", d.While("EngineTorque", requests, after), change)
		return of(d.With(frames).Recopy(torque, torqueSeen), first)
	}
}

// uncut is the torque that there would have been without the request.
func uncut(v map[string]float64) { v["ActualTorque"] = v["TorqueBeforeReduction"] }

// again drives the car of a drive once more, with units that react.
func again(d *Drive, r *rand.Rand, opts demo.Options) *Drive {
	opts.Seed = r.Uint64N(1000)
	out, err := d.Again(context.Background(), opts)
	if err != nil {
		panic("internal error: " + err.Error())
	}
	return out
}

// dialogueRows are requests that are not answered as they should be.
func dialogueRows() []corruption {
	return []corruption{
		{
			name: "torque requests ignored", rule: "handshake/torque-cut-ignored", verdict: rules.Fail, message: "EngineTorque", function: "torque-intervention",
			settings: automatics, within: 3 * second, // the first requests may be for too small a step
			apply: cutting(0, func(_ *can.Frame, v map[string]float64) { uncut(v) }),
		},
		{
			name: "torque requests met by a quarter", rule: "handshake/torque-cut-ignored", verdict: rules.Fail, message: "EngineTorque", function: "torque-intervention",
			settings: automatics, within: 3 * second,
			apply: cutting(0, func(_ *can.Frame, v map[string]float64) {
				v["ActualTorque"] = v["TorqueBeforeReduction"] - 0.25*(v["TorqueBeforeReduction"]-v["ActualTorque"])
			}),
		},
		{
			name: "torque comes back 1.5 s late", rule: "handshake/torque-stays-cut", verdict: rules.Review, message: "EngineTorque", function: "torque-intervention",
			settings: automatics, within: nobody,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				held, last := 0.0, int64(0)
				return cutting(1500e6, func(f *can.Frame, v map[string]float64) {
					if f.Time-last > second/2 || v["ReductionAnswer"] == 1 {
						held = v["ActualTorque"]
					}
					last = f.Time
					v["ActualTorque"] = min(held, v["ActualTorque"])
				})(d, r)
			},
		},
		{
			name: "torque requests never acknowledged", rule: "handshake/no-acknowledge", verdict: rules.Fail, message: "EngineTorque", function: "torque-answer",
			settings: automatics, within: 50e6,
			apply: raw(answer, unless(3, func(uint64) uint64 { return 0 })),
		},
		{
			name: "acknowledgement always set", rule: "handshake/no-acknowledge", verdict: rules.Fail, message: "EngineTorque", function: "torque-answer",
			settings: automatics, within: nobody,
			apply: raw(answer, unless(3, func(uint64) uint64 { return 1 })),
		},
		{
			name: "engine answers that it cannot comply", rule: "handshake/reduction-refused", verdict: rules.Fail, message: "EngineTorque", function: "torque-intervention",
			settings: automatics, within: 50e6,
			apply: cutting(0, func(_ *can.Frame, v map[string]float64) {
				uncut(v)
				if v["ReductionAnswer"] == 1 {
					v["ReductionAnswer"] = 2
				}
			}),
		},
		{
			name: "engine does not allow less torque", rule: "handshake/reduction-refused", verdict: rules.Fail, message: "EngineTorque", function: "torque-intervention",
			settings: automatics, within: 50e6,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				return of(d.Raw("EngineTorque.IsReductionAllowed", into(d, "idle", r), always(0)))
			},
		},
		{
			name: "torque with the engine standing", rule: "handshake/torque-implausible", verdict: rules.Fail, message: "EngineTorque", function: "stability-control",
			within: second,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				span := d.Stage("key-on")
				from := span.Start + 3*second
				frames, first := d.Rewrite("EngineTorque", d.Message("EngineTorque").In(from, span.End), func(_ *can.Frame, v map[string]float64) {
					v["ActualTorque"], v["DriverDemandTorque"] = 60, 60
				})
				if d.Setting.Message("GearboxStatus").Expected {
					frames = d.With(frames).Recopy(torque, torqueSeen)
				}
				return of(frames, first)
			},
		},
		{
			name: "gearbox starved of torque for 3 s", rule: "handshake/limp", verdict: rules.Fail, message: "EngineTorque", function: "torque-intervention",
			settings: automatics, within: second,
			companions: []companion{
				{"message/long-gap", "EngineTorque", "the cause"},
				{"listener/complains", "", "gearbox and stability control say what they miss"},
			},
			apply: func(d *Drive, r *rand.Rand) spoiled {
				const after, length = 4 * time.Second, 3 * time.Second
				out := again(d, r, demo.Options{Outages: []demo.Outage{{Message: "EngineTorque", Stage: "road", After: after, Length: length}}})
				return spoiled{frames: out.Frames, first: out.Stage("road").Start + int64(after+2500*time.Millisecond), stages: out.Stages}
			},
		},
	}
}
