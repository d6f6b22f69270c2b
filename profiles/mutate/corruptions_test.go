package mutate

import (
	"math/rand/v2"
	"slices"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/rules"
	"plugproof/profiles/stages"
)

// corruption is a row of the matrix: what is done to a clean capture, and what
// the rules must say of it.
type corruption struct {
	name       string
	rule       string        // that must fire
	verdict    rules.Verdict // of its finding; Pass: any
	message    string        // that the finding must name
	sender     string        // or this
	function   string        // that must be among those it hurts
	companions []companion
	says       string   // must stand in its text
	baseline   bool     // only a baseline shows it
	settings   []string // in which it can be; nil: those of the matrix
	within     int64    // ns that the first bad frame may be off; 0: one cycle of the message, negative: not looked at
	apply      func(d *Drive, r *rand.Rand) spoiled
}

// companion is a finding that comes with the main one, and why. Where it names a
// message, it is allowed on that one only.
type companion struct{ rule, message, reason string }

// spoiled is a corrupted capture and what goes with it.
type spoiled struct {
	frames []can.Frame
	first  int64               // stamp of the first bad frame; 0: none
	change func(c *rules.Case) // what the technician says or has, nil: nothing
	stages stages.Spans        // nil: those of the clean capture

	setting *profiles.Setting // to judge by; nil: that of the drive
	skip    bool              // it means nothing for this car
}

func of(frames []can.Frame, first int64) spoiled { return spoiled{frames: frames, first: first} }

// added is of for changes that put more frames on a bus.
func added(d *Drive) func(frames []can.Frame, first int64) spoiled {
	return func(frames []can.Frame, first int64) spoiled { return of(d.With(frames).Arbitrate(), first) }
}

const (
	second = int64(1e9)
	nobody = -1 // no first frame to be named
)

// Signals that the rows are about.
const (
	rpm      = profiles.SignalRef("EngineSpeed.EngineSpeedRpm")
	torque   = profiles.SignalRef("EngineTorque.ActualTorque")
	coolant  = profiles.SignalRef("EngineTemps.CoolantTemp")
	pedal    = profiles.SignalRef("EnginePedal.PedalPercent")
	supply   = profiles.SignalRef("EngineLamps.EngineSupplyVoltage")
	throttle = profiles.SignalRef("EnginePedal.ThrottlePercent")
)

// in reports whether the corruption is one of a setting.
func (c *corruption) in(setting string) bool {
	if c.settings == nil {
		return slices.Contains(matrixSettings, setting)
	}
	return slices.Contains(c.settings, setting)
}

func corruptions() []corruption {
	var all []corruption
	for _, group := range [][]corruption{captureRows(), wiringRows(), presenceRows(), timingRows(), integrityRows(), valueRows(), roleRows(), dialogueRows(), permitRows(), variantRows()} {
		all = append(all, group...)
	}
	return all
}

// into returns a stamp a bit into a stage, another for each seed.
func into(d *Drive, stage string, r *rand.Rand) int64 {
	span := d.Stage(stage)
	return span.Start + second + r.Int64N((span.End-span.Start)/2)
}

func captureRows() []corruption {
	return []corruption{
		{
			name: "adapter loses 5 % of all frames", rule: "capture/frames-lost", verdict: rules.Review, within: nobody,
			apply: func(d *Drive, r *rand.Rand) spoiled { return of(d.Lose(0.05, r)) },
		},
		{
			name: "recorder stands still three times", rule: "capture/recording-paused", verdict: rules.Review, within: 30e6,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				from := into(d, "warm-up", r)
				first := after(d.Frames, All, from+250e6)
				out := d
				for n := range int64(3) {
					at := from + n*1370e6
					frames, _ := out.Drop(Where(All).In(at, at+250e6))
					out = out.With(frames)
				}
				return of(out.Frames, first)
			},
		},
		{
			name: "stamps in clumps of 10 ms", rule: "capture/clumped-stamps", verdict: rules.Review, within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled { return of(d.Clump(10e6)) },
		},
		{
			name: "clock set forward by an hour", rule: "capture/clock-jump", verdict: rules.Review, within: 50e6,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				from := after(d.Frames, All, into(d, "idle", r))
				frames, _ := d.Jump(from, 3600*second)
				return spoiled{frames: frames, first: from + 3600*second, stages: moved(d.Stages, from, 3600*second)}
			},
		},
		{
			name: "clock set back by 5 s", rule: "capture/clock-jump", verdict: rules.Review, within: 50e6,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				from := after(d.Frames, All, into(d, "warm-up", r))
				frames, _ := d.Jump(from, -5*second)
				return spoiled{frames: frames, first: from - 5*second, stages: moved(d.Stages, from, -5*second)}
			},
		},
		{
			name: "lines that are no frames", rule: "capture/damage", verdict: rules.Review, within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return spoiled{frames: d.Frames, change: func(c *rules.Case) {
					c.Reports = []capture.FileReport{{Path: "drive.log", Records: 100, SetAside: map[capture.Kind]capture.Tally{
						capture.Malformed: {Count: 3, First: []capture.Place{{Record: 7}}},
					}}}
				}}
			},
		},
		{
			name: "own frames in the capture", rule: "capture/own-frames", verdict: rules.Review, within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Change(d.Message("EngineSpeed"), func(_ int, f *can.Frame) { f.Flags |= can.Tx }))
			},
		},
		{
			name: "error frames not recorded", rule: "capture/errors-not-recorded", verdict: rules.NotTestable, within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return spoiled{frames: d.Frames, change: func(c *rules.Case) { c.ErrorsRecorded = false }}
			},
		},
		{
			name: "no road in the capture", rule: "capture/stage-missing", verdict: rules.NotTestable, function: "speedometer", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				end := d.Stage("road").Start
				return spoiled{frames: cut(d.Frames, 0, end), stages: until(d.Stages, end)}
			},
		},
		{
			name: "capture of 5 s", rule: "integrity/not-testable", verdict: rules.NotTestable, message: "BodyIgnition", within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				end := d.Stage("key-on").Start + 3*second
				return spoiled{frames: cut(d.Frames, 0, end), stages: until(d.Stages, end)}
			},
		},
	}
}

// moved shifts what the clock shifted.
func moved(spans stages.Spans, from, by int64) stages.Spans {
	var out stages.Spans
	for _, span := range spans {
		if span.Start >= from {
			span.Start += by
		}
		if span.End >= from {
			span.End += by
		}
		if span.Start < span.End {
			out = append(out, span)
		}
	}
	return out
}

// until cuts stages off at a stamp.
func until(spans stages.Spans, end int64) stages.Spans {
	var out stages.Spans
	for _, span := range spans {
		if span.Start < end {
			span.End = min(span.End, end)
			out = append(out, span)
		}
	}
	return out
}

// cut keeps the frames in [from, to).
func cut(frames []can.Frame, from, to int64) []can.Frame {
	var out []can.Frame
	for i := range frames {
		if frames[i].Time >= from && frames[i].Time < to {
			out = append(out, frames[i])
		}
	}
	return out
}

func wiringRows() []corruption {
	number := func(v float64) *float64 { return &v }
	told := func(tell func(o *rules.Observed)) func(d *Drive, _ *rand.Rand) spoiled {
		return func(d *Drive, _ *rand.Rand) spoiled {
			return spoiled{frames: d.Frames, change: func(c *rules.Case) { tell(&c.Seen) }}
		}
	}
	return []corruption{
		{
			name: "nothing at all", rule: "wiring/no-frames", verdict: rules.Fail, within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled { return spoiled{frames: []can.Frame{}, stages: stages.Spans{}} },
		},
		{
			name: "only errors", rule: "wiring/only-errors", verdict: rules.Fail, within: 50e6,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				span := d.Stage("key-on")
				empty := d.With(nil)
				frames, first := empty.Errors("drive", Scatter(span.Start, span.End, 700, r))
				return spoiled{frames: frames, first: first, stages: stages.Spans{span}}
			},
		},
		{
			name: "nobody acknowledges", rule: "wiring/unacknowledged", verdict: rules.Fail, within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				one := d.With(cut(d.Frames, 0, 0))
				frames, _ := one.Flood("drive", d.Setting.Message("EngineSpeed").ID.Value, d.Stage("key-on").Start, d.Stage("key-on").End, 250_000)
				for i := range frames {
					frames[i].Data = frames[0].Data
				}
				return spoiled{frames: frames, stages: stages.Spans{d.Stage("key-on")}, change: func(c *rules.Case) { c.Scope = rules.ECUOnBench }}
			},
		},
		{
			name: "error bursts every 3 s", rule: "wiring/wrong-bit-rate", verdict: rules.Fail, within: 50e6,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Errors("drive", Bursts(d.Stage("key-on").Start+second, d.Stage("key-off").Start, 3*second, 40)))
			},
		},
		{
			name: "ECU wires exchanged", rule: "wiring/ecu-wires", verdict: rules.Fail, sender: "Engine", within: nobody, function: "tachometer",
			companions: []companion{
				{"message/sender-silent", "", "the same unit, seen from its messages"},
				{"signal/lamp-lit", "", "the cluster lights the lamps whose messages it lacks"},
			},
			apply: func(d *Drive, r *rand.Rand) spoiled {
				frames, _ := d.Drop(d.Sender("Engine"))
				return of(d.With(frames).Errors("drive", Scatter(d.Stage("key-on").Start, d.Stage("road").End, 200, r)))
			},
		},
		{
			name: "stability control stored a lost-communication code", rule: "listener/trouble-code", verdict: rules.Review, within: nobody,
			apply: told(func(o *rules.Observed) { o.Codes = []rules.Code{{Module: "ABS", Code: "U0100"}} }),
		},
		{name: "120 ohm", rule: "wiring/terminator", verdict: rules.Fail, within: nobody, apply: told(func(o *rules.Observed) { o.Ohms = number(120) })},
		{name: "80 ohm", rule: "wiring/terminator", verdict: rules.Review, within: nobody, apply: told(func(o *rules.Observed) { o.Ohms = number(80) })},
		{name: "66 ohm where it was 58", rule: "wiring/terminator", verdict: rules.Fail, within: nobody, apply: told(func(o *rules.Observed) { o.Ohms, o.FactoryOhms = number(66), number(58) })},
		{name: "50 ohm", rule: "wiring/terminator", verdict: rules.Review, within: nobody, apply: told(func(o *rules.Observed) { o.Ohms = number(50) })},
		{
			name: "errors here and there", rule: "wiring/terminator", verdict: rules.Review, within: second,
			apply: func(d *Drive, r *rand.Rand) spoiled {
				return of(d.Errors("drive", Scatter(d.Stage("key-on").Start, d.Stage("road").End, 300, r)))
			},
		},
		{name: "40 ohm", rule: "wiring/terminator", verdict: rules.Fail, within: nobody, apply: told(func(o *rules.Observed) { o.Ohms = number(40) })},
		{name: "16.8 V", rule: "wiring/supply", verdict: rules.Fail, within: nobody, apply: told(func(o *rules.Observed) { o.Supply = number(16.8) })},
		{name: "9 V", rule: "wiring/supply", verdict: rules.Fail, within: nobody, apply: told(func(o *rules.Observed) { o.Supply = number(9) })},
		{
			name: "ECU restarts three times", rule: "wiring/restart-loop", verdict: rules.Fail, sender: "Engine", function: "tachometer", within: 20e6,
			companions: []companion{
				{"message/long-gap", "EngineBoost", "its default time-out ran out in that gap"},
			},
			apply: func(d *Drive, r *rand.Rand) spoiled {
				from := into(d, "warm-up", r)
				out, first := d, int64(0)
				for n := range int64(3) {
					start := from + n*4*second
					frames, _ := out.Drop(out.Sender("Engine").In(start, start+300e6))
					if out = out.With(frames); n == 0 {
						first = after(frames, d.Sender("Engine"), start)
					}
				}
				return of(out.Frames, first)
			},
		},
		{
			name: "ECU silent while cranking", rule: "wiring/crank-dip", verdict: rules.Fail, sender: "Engine", function: "tachometer", within: 30e6,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				from := d.Stage("crank").Start + 500e6
				frames, _ := d.Drop(d.Sender("Engine").In(from, from+800e6))
				return of(frames, after(frames, d.Message("EngineSpeed"), from))
			},
		},
		{
			name: "whole bus silent while cranking", rule: "wiring/crank-dip", verdict: rules.Fail, sender: "Engine", function: "tachometer", within: 30e6,
			says: "the battery or the supply",
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				from := d.Stage("crank").Start + 500e6
				frames, _ := d.Drop(Where(All).In(from, from+800e6))
				return of(frames, after(frames, d.Message("EngineSpeed"), from))
			},
		},
		{
			name: "bus full", rule: "wiring/overload", verdict: rules.Review, within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				return of(d.Flood("drive", 0x6F0, d.Stage("key-on").Start, d.Stage("key-off").Start, 300_000))
			},
		},
		{
			name: "body bus not recorded", rule: "wiring/other-segment", verdict: rules.NotTestable, within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				frames, _ := d.Drop(func(f *can.Frame) bool { return d.Buses.Name(f.Bus) == "body" })
				return of(frames, 0)
			},
		},
		{
			name: "ECU keeps talking after key-off", rule: "wiring/keeps-talking", verdict: rules.Fail, baseline: true, within: nobody,
			apply: func(d *Drive, _ *rand.Rand) spoiled {
				frames, _ := d.TalkOn("Engine", 75*second)
				s := added(d)(frames, 0)
				s.stages = extended(d.Stages, frames[len(frames)-1].Time)
				return s
			},
		},
	}
}

// extended lets the last stage last longer.
func extended(spans stages.Spans, end int64) stages.Spans {
	out := append(stages.Spans(nil), spans...)
	out[len(out)-1].End = end
	return out
}
