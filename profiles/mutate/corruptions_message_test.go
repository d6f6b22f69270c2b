package mutate

import (
	"math/rand/v2"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/rules"
	"plugproof/profiles/stages"
)

func presenceRows() []corruption {
	return []corruption{
		{
			name: "message dropped", rule: "message/absent", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled { return of(d.Drop(d.Message("EngineSpeed"))) },
		},
		{
			name: "lamp message dropped", rule: "message/absent", verdict: rules.Fail, message: "EngineLamps", function: "charge-lamp", within: nobody,
			companions: []companion{
				{"signal/lamp-lit", "EngineLamps", "the cluster lights lamps whose message it lacks"},
			},
			apply: func(d *Drive, _ *rand.Rand) spoiled { return of(d.Drop(d.Message("EngineLamps"))) },
		},
		{
			name: "sender dropped", rule: "message/sender-silent", verdict: rules.Fail, sender: "Engine", function: "tachometer", within: nobody,
			companions: []companion{
				{"signal/lamp-lit", "", "the cluster lights lamps whose message it lacks"},
			},
			apply: func(d *Drive, _ *rand.Rand) spoiled { return of(d.Drop(d.Sender("Engine"))) },
		},
		{
			name: "network setting never chosen", rule: "message/sender-silent", verdict: rules.Fail, sender: "Engine", function: "tachometer", within: nobody,
			says: "nor did a message of any setting on file",
			companions: []companion{
				{"signal/lamp-lit", "", "the cluster lights lamps whose message it lacks"},
			},
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				frames, _ := d.Drop(d.Sender("Engine"))
				reply := can.Frame{ID: 0x7E8, Time: d.Stage("idle").Start}
				reply.Bus, _ = d.Buses.Intern([]byte("drive"))
				reply.SetPayload([]byte{0x03, 0x41, 0x0C, 0x00, 0, 0, 0, 0}) // a tester asked, and it answers
				return spoiled{frames: sorted(append(frames, reply))}
			},
		},
		{
			name: "climate control dropped", rule: "message/sender-silent", verdict: rules.Fail, sender: "Climate", within: nobody, function: "air-con-request",
			apply: func(d *Drive, _ *rand.Rand) spoiled { return of(d.Drop(d.Sender("Climate"))) },
		},
		{
			name: "identifier renamed", rule: "message/other-id", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer",
			apply: func(d *Drive, r *rand.Rand) spoiled {
				id := free(d, r)
				return of(d.Change(d.Message("EngineSpeed"), func(_ int, f *can.Frame) { f.ID = id }))
			},
		},
		{
			name: "message on the other bus", rule: "message/wrong-bus", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer",
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				body, _ := d.Buses.Intern([]byte("body"))
				return added(d)(d.Change(d.Message("EngineSpeed"), func(_ int, f *can.Frame) { f.Bus = body }))
			},
		},
		{
			name: "one byte short", rule: "message/wrong-length", verdict: rules.Fail, message: "EngineTemps", function: "coolant-gauge",
			apply: func(d *Drive, _ *rand.Rand) spoiled { return of(d.Shorten("EngineTemps")) },
		},
		{
			name: "lamp message one byte short", rule: "message/wrong-length", verdict: rules.Fail, message: "EngineLamps", function: "charge-lamp",
			companions: []companion{{"signal/lamp-lit", "EngineLamps", "the cluster lights lamps whose message it rejects"}},
			apply:      func(d *Drive, _ *rand.Rand) spoiled { return of(d.Shorten("EngineLamps")) },
		},
		{
			name: "one frame in ten is a byte short", rule: "message/wrong-length", verdict: rules.Fail, message: "EngineTemps", function: "coolant-gauge",
			apply: func(d *Drive, r *rand.Rand) spoiled {
				w := d.Message("EngineTemps")
				return of(d.Change(func(f *can.Frame) bool { return w(f) && r.IntN(10) == 0 }, func(_ int, f *can.Frame) {
					f.SetPayload(append([]byte(nil), f.Data[:f.Len-1]...))
				}))
			},
		},
		{
			name: "29-bit identifier", rule: "message/wrong-format", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer",
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Change(d.Message("EngineSpeed"), func(_ int, f *can.Frame) { f.Flags |= can.Extended }))
			},
		},
		{
			name: "gateway's copy stands still", rule: "message/not-forwarded", verdict: rules.Fail, message: "EngineRelay", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Raw("EngineRelay.RelayEngineSpeedRpm", 0, func(int, uint64) uint64 { return 0 }))
			},
		},
		{
			name: "gateway's copy is another value", rule: "message/not-forwarded", verdict: rules.Fail, message: "EngineRelay", within: nobody,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				return of(d.Raw("EngineRelay.RelayEngineSpeedRpm", 0, func(int, uint64) uint64 { return r.Uint64N(12000) }))
			},
		},
		{
			name: "gateway's copy not available", rule: "message/not-forwarded", verdict: rules.Fail, message: "EngineRelay", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Raw("EngineRelay.RelayEngineSpeedRpm", 0, func(int, uint64) uint64 { return 0xFFFF }))
			},
		},
		{
			name: "gateway's copy missing", rule: "message/not-forwarded", verdict: rules.Fail, message: "EngineRelay", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled { return of(d.Drop(d.Message("EngineRelay"))) },
		},
		{
			name: "another car's capture", rule: "message/no-match", verdict: rules.Fail, within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Change(All, func(_ int, f *can.Frame) { f.ID = (f.ID*7 + 3) % 0x7FF; f.Flags |= can.Extended }))
			},
		},
		{
			name: "another car's capture, its interface fits no bus", rule: "message/no-match", verdict: rules.Fail, within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				spare, _ := d.Buses.Intern([]byte("spare"))
				frames, _ := d.Drop(func(f *can.Frame) bool { return d.Buses.Name(f.Bus) != "drive" })
				return of(d.With(frames).Change(All, func(_ int, f *can.Frame) { f.Bus, f.ID = spare, f.ID^0x400 }))
			},
		},
		{
			name: "on-change message never sent", rule: "message/no-reaction", verdict: rules.Fail, message: "EngineCruise", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled { return of(d.Drop(d.Message("EngineCruise"))) },
		},
	}
}

// free returns an identifier that the setting does not have, near that of the
// engine speed.
func free(d *Drive, r *rand.Rand) uint32 {
	for {
		id := d.Setting.Message("EngineSpeed").ID.Value + 1 + r.Uint32N(40)
		used := false
		for _, m := range d.Setting.Messages {
			used = used || m.ID == profiles.ID{Value: id}
		}
		if !used {
			return id
		}
	}
}

func timingRows() []corruption {
	const window = 2 * second
	return []corruption{
		{
			name: "sent twice as often", rule: "message/too-fast", verdict: rules.Review, message: "EngineTemps", function: "coolant-gauge", within: window,
			apply: func(d *Drive, _ *rand.Rand) spoiled { return added(d)(d.Faster("EngineTemps")) },
		},
		{
			name: "sent half as often", rule: "message/too-slow", verdict: rules.Review, message: "EngineSpeed", function: "tachometer", within: window,
			apply: func(d *Drive, _ *rand.Rand) spoiled { return of(d.Slower("EngineSpeed", 2)) },
		},
		{
			name: "sent slower than a time-out", rule: "message/too-slow", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer", within: window,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Slower("EngineSpeed", int(600e6/cycleOf(d, "EngineSpeed"))))
			},
		},
		{
			name: "held back by three cycles", rule: "message/uneven", verdict: rules.Review, message: "EngineTorque", function: "stability-control", within: window,
			apply: func(d *Drive, r *rand.Rand) spoiled { return of(d.Stall("EngineTorque", 3, 0.02, r)) },
		},
		{
			name: "one gap of 0.6 s", rule: "message/long-gap", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer",
			apply: func(d *Drive, r *rand.Rand) spoiled { return of(d.Gap("EngineSpeed", into(d, "idle", r), 600e6)) },
		},
		{
			name: "one gap of 2.5 s", rule: "message/long-gap", verdict: rules.Fail, message: "EngineCooling", function: "cooling-fan",
			apply: func(d *Drive, r *rand.Rand) spoiled { return of(d.Gap("EngineCooling", into(d, "idle", r), 2500e6)) },
		},
		{
			name: "one gap of 6 s", rule: "message/long-gap", verdict: rules.Fail, message: "EngineTemps", function: "coolant-gauge",
			apply: func(d *Drive, r *rand.Rand) spoiled { return of(d.Gap("EngineTemps", into(d, "warm-up", r), 6*second)) },
		},
		{
			name: "second sender", rule: "message/two-senders", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer", within: window,
			companions: []companion{{"message/not-forwarded", "EngineRelay", "its gateway hears two values"}},
			apply: func(d *Drive, r *rand.Rand) spoiled {
				sig := d.codec("EngineSpeed").Signal("EngineSpeedRpm")
				return added(d)(d.Interleave("EngineSpeed", 0, 0.1+0.15*r.Float64(), func(f *can.Frame) { put(sig, f, 0) }))
			},
		},
		{
			name: "starts 3 s late", rule: "message/late-start", message: "EngineSpeed", function: "tachometer",
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				w := d.Message("EngineSpeed")
				frames, first := d.Drop(w.In(0, after(d.Frames, w, 0)+3*second))
				d.recount(frames, "EngineSpeed")
				return of(frames, after(frames, w, first))
			},
		},
		{
			name: "starts 3 s late, key-on marked 1.5 s late", rule: "message/late-start", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer",
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				w := d.Message("EngineSpeed")
				frames, first := d.Drop(w.In(0, after(d.Frames, w, 0)+3*second))
				d.recount(frames, "EngineSpeed")
				return spoiled{frames: frames, first: after(frames, w, first), stages: marked(d.Stages, 1500e6)}
			},
		},
		{
			name: "first valid 4.5 s late", rule: "message/late-start", verdict: rules.Fail, message: "EngineTemps", function: "coolant-gauge", says: "first is valid", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				from := after(d.Frames, d.Message("EngineTemps"), 0)
				return of(d.Raw(coolant, 0, func(n int, v uint64) uint64 {
					if n < int(4500*second/1000/cycleOf(d, "EngineTemps")) && from > 0 {
						return 0xFF
					}
					return v
				}))
			},
		},
		{
			name: "stops at key-off", rule: "message/early-stop", verdict: rules.Review, message: "EngineCooling", function: "cooling-fan", baseline: true, within: 200e6,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				w := d.Message("EngineCooling")
				from := d.Stage("key-off").Start + second
				frames, _ := d.Drop(w.In(from, 1<<62))
				return of(frames, last(frames, w))
			},
		},
	}
}

// last returns the stamp of the last picked frame.
func last(frames []can.Frame, w Where) (t int64) {
	for i := range frames {
		if w(&frames[i]) {
			t = frames[i].Time
		}
	}
	return t
}

func integrityRows() []corruption {
	count := func(ref profiles.SignalRef, change func(n int, raw uint64) uint64) func(d *Drive, _ *rand.Rand) spoiled {
		return func(d *Drive, _ *rand.Rand) spoiled { return of(d.Raw(ref, 0, change)) }
	}
	return []corruption{
		{
			name: "counter frozen", rule: "integrity/counter-frozen", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer",
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				frames, _ := d.Raw("EngineSpeed.EngineSpeedCount", 0, func(int, uint64) uint64 { return 5 })
				w := d.Message("EngineSpeed")
				return of(frames, after(frames, w, after(frames, w, 0)+1)) // one frame alone is right
			},
		},
		{
			name: "counter steps by two", rule: "integrity/counter-step", verdict: rules.Fail, message: "EngineTorque", function: "stability-control",
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				frames, _ := d.Raw("EngineTorque.EngineTorqueCount", 0, func(n int, _ uint64) uint64 { return uint64(2*n) % 16 })
				w := d.Message("EngineTorque")
				return of(frames, after(frames, w, after(frames, w, 0)+1))
			},
		},
		{
			name: "counter wraps too early", rule: "integrity/counter-step", verdict: rules.Fail, message: "EngineTorque", function: "stability-control", within: 200e6,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				frames, _ := d.Raw("EngineTorque.EngineTorqueCount", 0, func(n int, _ uint64) uint64 { return uint64(n % 8) })
				w := d.Message("EngineTorque")
				at := after(frames, w, 0)
				for range 8 { // the ninth frame does not go on
					at = after(frames, w, at+1)
				}
				return of(frames, at)
			},
		},
		{
			name: "counter takes its reserved value", rule: "integrity/counter-reserved", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer",
			apply: count("EngineSpeed.EngineSpeedCount", func(n int, _ uint64) uint64 { return uint64(n % 16) }),
		},
		{
			name: "1 % of the checksums wrong", rule: "integrity/checksum", verdict: rules.Fail, message: "EngineSpeed", function: "tachometer",
			apply: func(d *Drive, r *rand.Rand) spoiled { return of(d.SpoilChecks("EngineSpeed", 0.01, r)) },
		},
		{
			name: "all checksums wrong", rule: "integrity/checksum", verdict: rules.Fail, message: "EngineSwitches", function: "cruise-control",
			apply: func(d *Drive, r *rand.Rand) spoiled { return of(d.SpoilChecks("EngineSwitches", 1, r)) },
		},
		{
			name: "parity bit wrong", rule: "integrity/parity", verdict: rules.Fail, message: "EngineSwitches", function: "cruise-control",
			apply: func(d *Drive, _ *rand.Rand) spoiled { return of(d.FlipParity("EngineSwitches")) },
		},
		{
			name: "toggle bit frozen", rule: "integrity/toggle", verdict: rules.Fail, message: "EngineSwitches", function: "cruise-control",
			apply: count("EngineSwitches.EngineSwitchesToggle", func(int, uint64) uint64 { return 0 }),
		},
		{
			name: "toggle bit flips every frame", rule: "integrity/toggle", verdict: rules.Fail, message: "EngineSwitches", function: "cruise-control",
			apply: count("EngineSwitches.EngineSwitchesToggle", func(n int, _ uint64) uint64 { return uint64(n % 2) }),
		},
		{
			name: "raw loop", rule: "integrity/loop-seam", verdict: rules.Fail, within: 50e6,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				from := into(d, "warm-up", r)
				frames, first := d.Loop(from, 2*second+r.Int64N(second), 6)
				span := stages.Span{Stage: "idle", Start: from, End: frames[len(frames)-1].Time, Source: stages.Stated}
				return spoiled{frames: frames, first: first, stages: stages.Spans{span}}
			},
		},
	}
}
