package compare

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/mutate"
	"plugproof/profiles/rules"
)

// mutation is one property changed, and the row that must name it.
type mutation struct {
	name    string
	change  func(d *mutate.Drive) []can.Frame
	aspect  Aspect
	verdict rules.Verdict
	message string
	signal  string // "": the message as a whole
	id      uint32 // where no definition names the message; 0: any
}

const second = int64(1e9)

// keyOn is when the key of a drive is turned on.
func keyOn(d *mutate.Drive) int64 { return d.Stage("key-on").Start }

func only(frames []can.Frame, _ int64) []can.Frame { return frames }

func mutations() []mutation {
	random := func() *rand.Rand { return rand.New(rand.NewPCG(1, 2)) }
	raw := func(ref string, change func(int, uint64) uint64) func(*mutate.Drive) []can.Frame {
		return func(d *mutate.Drive) []can.Frame { return only(d.Raw(profiles.SignalRef(ref), 0, change)) }
	}
	phys := func(ref string, change func(float64) float64) func(*mutate.Drive) []can.Frame {
		return func(d *mutate.Drive) []can.Frame {
			return only(d.Phys(profiles.SignalRef(ref), 0, func(_ int, v float64) float64 { return change(v) }))
		}
	}
	set := func(v uint64) func(int, uint64) uint64 { return func(int, uint64) uint64 { return v } }
	always := func(uint64) bool { return true }
	return []mutation{
		{"one message gone", func(d *mutate.Drive) []can.Frame { return only(d.Drop(d.Message("EngineSpeed"))) }, Presence, rules.Fail, "EngineSpeed", "", 0},
		{"its sender gone", func(d *mutate.Drive) []can.Frame { return only(d.Drop(d.Sender("Engine"))) }, Presence, rules.Fail, "EngineTorque", "", 0},
		{"another unit gone", func(d *mutate.Drive) []can.Frame { return only(d.Drop(d.Sender("Gearbox"))) }, Presence, rules.Fail, "GearboxStatus", "", 0},
		{"another identifier", func(d *mutate.Drive) []can.Frame {
			return only(d.Change(d.Message("EngineTemps"), func(_ int, f *can.Frame) { f.ID = 0x31E }))
		}, Presence, rules.Fail, "EngineTemps", "", 0},
		{"a new identifier", func(d *mutate.Drive) []can.Frame {
			return only(d.Flood("drive", 0x7A1, keyOn(d), keyOn(d)+20*second, 20e6))
		}, Presence, rules.Review, "", "", 0},
		{"29 bits instead of 11", func(d *mutate.Drive) []can.Frame {
			return only(d.Change(d.Message("EngineTemps"), func(_ int, f *can.Frame) { f.Flags |= can.Extended }))
		}, Length, rules.Fail, "EngineTemps", "", 0},
		{"one byte less", func(d *mutate.Drive) []can.Frame { return only(d.Shorten("EngineTemps")) }, Length, rules.Fail, "EngineTemps", "", 0},
		{"half as often", func(d *mutate.Drive) []can.Frame { return only(d.Slower("EngineTemps", 2)) }, Cycle, rules.Review, "EngineTemps", "", 0},
		{"far too seldom", func(d *mutate.Drive) []can.Frame { return only(d.Slower("EngineSpeed", 40)) }, Cycle, rules.Fail, "EngineSpeed", "", 0},
		{"twice as often", func(d *mutate.Drive) []can.Frame { return only(d.Faster("EngineTemps")) }, Cycle, rules.Review, "EngineTemps", "", 0},
		{"one long gap", func(d *mutate.Drive) []can.Frame {
			return only(d.Gap("EngineSpeed", d.Stage("idle").Start, 2500e6))
		}, Cycle, rules.Fail, "EngineSpeed", "", 0},
		{"silent from the idle on", func(d *mutate.Drive) []can.Frame {
			return only(d.Drop(d.Message("EngineTemps").In(d.Stage("idle").Start, 1<<62)))
		}, Cycle, rules.Fail, "EngineTemps", "", 0},
		{"another market", raw("EngineConfig.EngineMarket", set(5)), Constant, rules.Fail, "EngineConfig", "EngineMarket", 0},
		{"bits of no meaning", func(d *mutate.Drive) []can.Frame {
			return only(d.Change(d.Message("EngineLamps"), func(_ int, f *can.Frame) { f.Data[3] ^= 0x80 }))
		}, Constant, rules.Review, "EngineLamps", "", 0},
		{"every checksum wrong", func(d *mutate.Drive) []can.Frame { return only(d.SpoilChecks("EngineSpeed", 1, random())) }, Protected, rules.Fail, "EngineSpeed", "", 0},
		{"a hundredth of the checksums wrong", func(d *mutate.Drive) []can.Frame {
			return only(d.SpoilChecks("EngineTorque", 0.01, random()))
		}, Protected, rules.Fail, "EngineTorque", "", 0},
		{"counter frozen", raw("EngineTorque.EngineTorqueCount", mutate.Freeze(always)), Protected, rules.Fail, "EngineTorque", "", 0},
		{"counter steps by two", raw("EngineTorque.EngineTorqueCount", func(n int, _ uint64) uint64 { return uint64(2*n) & 15 }), Protected, rules.Fail, "EngineTorque", "", 0},
		{"counter with a value that is never sent", raw("EngineSpeed.EngineSpeedCount", func(n int, _ uint64) uint64 { return uint64(n) & 15 }), Protected, rules.Fail, "EngineSpeed", "", 0},
		{"parity wrong", func(d *mutate.Drive) []can.Frame { return only(d.FlipParity("EngineSwitches")) }, Protected, rules.Fail, "EngineSwitches", "", 0},
		{"reads double", phys("EngineSpeed.EngineSpeedRpm", func(v float64) float64 { return 2 * v }), Range, rules.Fail, "EngineSpeed", "EngineSpeedRpm", 0},
		{"reads half", phys("EngineSpeed.EngineSpeedRpm", func(v float64) float64 { return v / 2 }), Range, rules.Fail, "EngineSpeed", "EngineSpeedRpm", 0},
		{"reads 48 more", phys("EngineTemps.CoolantTemp", func(v float64) float64 { return v + 48 }), Range, rules.Fail, "EngineTemps", "CoolantTemp", 0},
		{"reads 8 more", phys("EngineTemps.OilTemp", func(v float64) float64 { return v + 8 }), Range, rules.Review, "EngineTemps", "OilTemp", 0},
		{"another sign", phys("EngineTorque.ActualTorque", func(v float64) float64 { return -v }), Range, rules.Fail, "EngineTorque", "ActualTorque", 0},
		{"bytes swapped", raw("EngineSpeed.EngineSpeedRpm", mutate.SwapBytes), Range, rules.Fail, "EngineSpeed", "EngineSpeedRpm", 0},
		{"one bit further", raw("EngineSpeed.EngineSpeedRpm", func(_ int, raw uint64) uint64 { return raw << 1 & 0xFFFF }), Range, rules.Fail, "EngineSpeed", "EngineSpeedRpm", 0},
		{"not available", raw("EngineTemps.CoolantTemp", set(0xFF)), Range, rules.Fail, "EngineTemps", "CoolantTemp", 0},
		{"value frozen", raw("EngineSpeed.EngineSpeedRpm", mutate.Freeze(func(raw uint64) bool { return raw < 0xFFFF })), Response, rules.Fail, "EngineSpeed", "EngineSpeedRpm", 0},
		{"fuel does not count", raw("EngineFuel.FuelUsed", mutate.Freeze(always)), Response, rules.Fail, "EngineFuel", "FuelUsed", 0},
		{"air-con never granted", raw("EngineAircon.IsAirconGranted", set(0)), Response, rules.Fail, "EngineAircon", "IsAirconGranted", 0},
		{"air-con granted the other way round", raw("EngineAircon.IsAirconGranted", func(_ int, raw uint64) uint64 { return raw ^ 1 }), Response, rules.Fail, "EngineAircon", "IsAirconGranted", 0},
		{"air-con granted late", delayed("EngineAircon.IsAirconGranted", 6), Response, rules.Fail, "EngineAircon", "IsAirconGranted", 0},
		{"starts late", func(d *mutate.Drive) []can.Frame {
			return only(d.Drop(d.Message("EngineSpeed").In(0, keyOn(d)+3*second)))
		}, Wake, rules.Fail, "EngineSpeed", "", 0},
		{"starts a little late", func(d *mutate.Drive) []can.Frame {
			return only(d.Drop(d.Message("EngineSpeed").In(0, keyOn(d)+800e6)))
		}, Wake, rules.Review, "EngineSpeed", "", 0},
		{"valid late", func(d *mutate.Drive) []can.Frame {
			until := keyOn(d) + 5*second
			frames, _ := d.Raw("EngineTemps.CoolantTemp", 0, set(0xFF))
			for i := range frames {
				if frames[i].Time > until {
					frames[i] = d.Frames[i]
				}
			}
			return frames
		}, Valid, rules.Fail, "EngineTemps", "", 0},
		{"falls asleep too soon", func(d *mutate.Drive) []can.Frame {
			return only(d.Drop(d.Message("EngineTemps").In(d.Stage("key-off").Start-100e6, 1<<62)))
		}, PostRun, rules.Fail, "EngineTemps", "", 0},
		{"talks on", func(d *mutate.Drive) []can.Frame { return only(d.TalkOn("Engine", 10*second)) }, PostRun, rules.Review, "EngineTemps", "", 0},
		{"gearbox in its emergency program", func(d *mutate.Drive) []can.Frame {
			return only(d.Raw("GearboxStatus.IsGearboxLimp", d.Stage("road").Start, set(1)))
		}, Complaint, rules.Fail, "GearboxStatus", "IsGearboxLimp", 0},
		{"stability lamp lit", func(d *mutate.Drive) []can.Frame {
			return only(d.Raw("ClusterLamps.IsStabilityLampLit", d.Stage("idle").Start, set(1)))
		}, Complaint, rules.Fail, "ClusterLamps", "IsStabilityLampLit", 0},
	}
}

// delayed lets a signal come some frames later than it did.
func delayed(ref string, frames int) func(*mutate.Drive) []can.Frame {
	return func(d *mutate.Drive) []can.Frame {
		var past []uint64
		return only(d.Raw(profiles.SignalRef(ref), 0, func(_ int, raw uint64) uint64 {
			past = append(past, raw)
			return past[max(0, len(past)-1-frames)]
		}))
	}
}

// TestMutations holds that each changed property shows in the row that names it.
func TestMutations(t *testing.T) {
	car, _ := demo.ParseSetting("lowan-2-20t-a5")
	before := record(t, car, demo.Options{Seed: 1})
	ref := refer(t, before, load(t, car), nil)
	for i, m := range mutations() {
		if testing.Short() && i%4 != 0 {
			continue
		}
		t.Run(m.name, func(t *testing.T) {
			frames := m.change(before)
			if len(frames) == len(before.Frames) && slices.Equal(frames, before.Frames) {
				t.Fatal("nothing was changed")
			}
			res := ref.set(before.With(frames))
			if row := m.find(res); row == nil {
				t.Errorf("no %s row of %s.%s says %s; there are\n%s\n%s", m.aspect, m.message, m.signal, m.verdict,
					strings.Join(rowsOf(res, rules.Fail), "\n"), strings.Join(rowsOf(res, rules.Review), "\n"))
			} else if row.Text == "" || row.NextStep == "" || row.Example == nil && row.BeforeExample == nil {
				t.Errorf("not all is said: %+v", row)
			}
			if res.Verdict < m.verdict {
				t.Errorf("the whole is a %s", res.Verdict)
			}
		})
	}
}

func (m *mutation) find(res *Result) *Row {
	fits := func(r *Row) bool {
		return r.Aspect == m.aspect && r.Verdict == m.verdict && r.Message == m.message && r.Signal == m.signal &&
			(m.id == 0 || r.ID.Value == m.id)
	}
	for i := range res.Complaints {
		if r := &res.Complaints[i]; fits(r) {
			return r
		}
	}
	for i := range res.Messages {
		for k := range res.Messages[i].Rows {
			if r := &res.Messages[i].Rows[k]; fits(r) {
				return r
			}
		}
	}
	return nil
}

// TestLostFrames holds that an adapter that loses one frame in twenty makes
// nobody late.
func TestLostFrames(t *testing.T) {
	car, _ := demo.ParseSetting("lowan-1-20-a5")
	before := record(t, car, demo.Options{Seed: 1})
	frames, _ := before.Lose(0.05, rand.New(rand.NewPCG(3, 4)))
	res := refer(t, before, load(t, car), nil).set(before.With(frames))
	for _, text := range rowsOf(res, rules.Fail) {
		t.Error(text)
	}
}

// TestMutationsUnnamed holds that what needs no profile shows without one: by the
// DBC files, and bit by bit.
func TestMutationsUnnamed(t *testing.T) {
	car, _ := demo.ParseSetting("lowan-2-20t-a5")
	before := record(t, car, demo.Options{Seed: 1})
	dbc, bits := refer(t, before, nil, definitions(t, car)), refer(t, before, nil, nil)
	for _, row := range []struct {
		name    string
		by      *reference
		aspect  Aspect
		verdict rules.Verdict
	}{
		{"one message gone", bits, Presence, rules.Fail},
		{"29 bits instead of 11", bits, Length, rules.Fail},
		{"one byte less", bits, Length, rules.Fail},
		{"half as often", bits, Cycle, rules.Review},
		{"one long gap", dbc, Cycle, rules.Fail},
		{"one long gap", bits, Cycle, rules.Review}, // nobody says how long a listener waits
		{"bits of no meaning", dbc, Constant, rules.Review},
		{"every checksum wrong", bits, Protected, rules.Fail},
		{"counter frozen", dbc, Protected, rules.Fail},
		{"reads double", dbc, Range, rules.Fail},
		{"not available", dbc, Range, rules.Fail},
		{"value frozen", dbc, Response, rules.Fail},
		{"starts late", bits, Wake, rules.Fail},
		{"valid late", dbc, Valid, rules.Fail},
		{"gearbox in its emergency program", dbc, Complaint, rules.Fail},
	} {
		list := mutations()
		m := list[slices.IndexFunc(list, func(m mutation) bool { return m.name == row.name })]
		m.aspect, m.verdict = row.aspect, row.verdict
		if row.by == bits {
			m.id, m.message, m.signal = before.Setting.Message(m.message).ID.Value, "", ""
		}
		res := row.by.set(before.With(m.change(before)))
		if m.find(res) == nil {
			t.Errorf("%s by %s: no %s row says %s; there are\n%s\n%s", row.name, res.Mode, row.aspect, row.verdict,
				strings.Join(rowsOf(res, rules.Fail), "\n"), strings.Join(rowsOf(res, rules.Review), "\n"))
		}
	}
}
