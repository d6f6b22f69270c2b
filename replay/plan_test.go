package replay

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/library"
	"plugproof/replay/gate"
)

// lowan is a car of the library, its drive bus on bus 0.
func lowan(t *testing.T) Car {
	t.Helper()
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()})
	s, err := lib.Load("lowan-2-20-a5")
	if err != nil {
		t.Fatal(err)
	}
	return Car{Setting: s, Buses: []string{"drive"}}
}

func wire() gate.Interface {
	return gate.Interface{Name: "can0", Kind: "can", Up: true, Echo: true, Bitrate: 500_000}
}

func planOf(t *testing.T, items []Item, car Car, i gate.Interface) *gate.Plan {
	t.Helper()
	plan, err := PlanOf(Items(items), &car, []gate.Interface{i}, 0)
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

func TestPlan(t *testing.T) {
	items := steady(100, 10*ms)
	for i := range items {
		items[i].Frame = can.Frame{ID: []uint32{0x0D6, 0x600}[i%2], Len: 8, DLC: 8}
	}
	items[99].Frame = can.Frame{ID: 0x700, Len: 8, DLC: 8, Data: [64]byte{2, 0x10, 3}}
	plan := planOf(t, items, lowan(t), wire())
	if len(plan.Messages) != 3 || plan.Length != 990*ms || plan.Endless || plan.Profile != "lowan-2-20-a5" {
		t.Fatalf("%+v", plan)
	}
	known, unknown, request := plan.Messages[0], plan.Messages[1], plan.Messages[2]
	if known.Name != "EngineSpeed" || known.Sender != "Engine" || !slices.Contains(known.Listeners, "Cluster") ||
		!known.Listed || known.Never != "" || known.Frames != 50 || known.Cycle == 0 || !slices.Contains(known.Words, "EngineSpeedRpm") {
		t.Errorf("%+v", known)
	}
	if unknown.Name != "" || unknown.Listed || unknown.First != 10*ms || unknown.Request != 0 {
		t.Errorf("%+v", unknown)
	}
	if request.Request != 0x10 {
		t.Errorf("%+v", request)
	}
	if b := plan.Buses[0]; b.Frames != 100 || b.PeakRate != 100 || b.FD || b.PeakLoad < 0.02 || b.PeakLoad > 0.03 {
		t.Errorf("%+v", b)
	}
	endless, err := PlanOf(Items(items), &Car{}, []gate.Interface{wire()}, 500*ms)
	if err != nil || !endless.Endless || endless.Length != 500*ms || endless.Profile != "" {
		t.Errorf("to a horizon: %+v, %v", endless, err)
	}
}

// The arithmetic of a bus: classic 11-bit frames with 8 bytes of 0x55 have no
// stuff bits in their data (computed: 47+64 bits and at most a few in the head).
func TestPlanDensity(t *testing.T) {
	burst := func(n int, gap time.Duration) []Item {
		items := steady(n, gap)
		for i := range items {
			items[i].Frame = can.Frame{ID: 0x2AA, Len: 8, DLC: 8, Data: [64]byte{0x55, 0x55, 0x55, 0x55, 0x55, 0x55, 0x55, 0x55}}
		}
		return items
	}
	nominal, _ := burst(1, 0)[0].Frame.WireBits()
	wireTime := time.Duration(nominal) * 2 * time.Microsecond // at 500 kbit/s
	for _, tt := range []struct {
		name    string
		items   []Item
		load    float64
		backlog time.Duration
	}{
		{"100 k frames/s", burst(100_000, 10*time.Microsecond), 100_000 * wireTime.Seconds(), 100_000*(wireTime+gate.Turnaround) - 99_999*10*time.Microsecond - (wireTime + gate.Turnaround)},
		{"1000 frames/s", burst(1000, time.Millisecond), 1000 * wireTime.Seconds(), 0},
		{"three at once", burst(3, 0), 3 * wireTime.Seconds(), 2 * (wireTime + gate.Turnaround)},
	} {
		b := planOf(t, tt.items, Car{}, wire()).Buses[0]
		if off := b.PeakLoad - tt.load; off > 1e-6 || off < -1e-6 {
			t.Errorf("%s: load %v, want %v", tt.name, b.PeakLoad, tt.load)
		}
		if b.Backlog != tt.backlog {
			t.Errorf("%s: backlog %v, want %v", tt.name, b.Backlog, tt.backlog)
		}
	}
	// A virtual interface is reckoned with the bit rate that the profile states.
	plan := planOf(t, burst(100_000, 10*time.Microsecond), lowan(t), gate.Interface{Name: "vcan0", Kind: "vcan", Up: true})
	if _, refusals := gate.Judge(plan, gate.Policy{}); len(refusals) != 1 || refusals[0].Rule != "bus/too-dense" {
		t.Errorf("100 k frames/s on a bus of 500 kbit/s: %v", refusals)
	}
}

// What the library lets a bench send passes every built-in class and has neutral
// values; what it forbids is refused.
func TestLibraryMaySend(t *testing.T) {
	lib := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()})
	for name := range lowanNames() {
		s, err := lib.Load(name)
		if err != nil {
			t.Fatal(err)
		}
		car := Car{Setting: s, Buses: []string{"drive"}}
		listed := map[string]int{}
		for _, facts := range s.Messages {
			m := gate.Message{ID: idOf(facts.ID), Frames: 1}
			if facts.Bus != "drive" || facts.Own.Absent {
				continue
			}
			car.describe(&m)
			plan := gate.Plan{Profile: s.Name}
			for _, node := range []string{"Cluster", "Gearbox"} {
				refusal := gate.Withheld(&m, &plan, gate.Policy{OnBench: node})
				if refusal == nil {
					listed[node]++
				}
				if refusal == nil && !m.Listed || m.Listed && refusal != nil && refusal.Rule != "permission/not-listening" {
					t.Errorf("%s, %s to %s: listed %v, %v", name, facts.Name, node, m.Listed, refusal)
				}
			}
		}
		if listed["Cluster"] < 4 || car.Setting.Nodes["Gearbox"].IsFitted() && listed["Gearbox"] < 4 {
			t.Errorf("%s: %v", name, listed)
		}
	}
}

func lowanNames() map[string]bool {
	return map[string]bool{"lowan-1-20-m5": true, "lowan-2-20-a5": true, "lowan-3-20t-a8": true}
}

// After the end the listener is left with neutral values, protected like any.
func TestNeutral(t *testing.T) {
	car := lowan(t)
	guards, err := car.Guards()
	if err != nil {
		t.Fatal(err)
	}
	m, rpm, err := car.Signal("EngineSpeed.EngineSpeedRpm")
	if err != nil {
		t.Fatal(err)
	}
	last := can.Frame{ID: 0x0D6, Len: 8, DLC: 8}
	raw, _ := rpm.FromPhys(3000)
	if err := rpm.Put(&last, raw); err != nil {
		t.Fatal(err)
	}
	g, err := guards[m].Compile()
	if err != nil {
		t.Fatal(err)
	}
	if err := g.FillNth(7, &last); err != nil {
		t.Fatal(err)
	}
	before, unknown := last, can.Frame{ID: 0x600, Len: 1, DLC: 1, Data: [64]byte{1}}
	items, err := car.neutral(map[Message]*can.Frame{m: &last, {0, 0x600}: &unknown}, guards)
	if err != nil || len(items) != neutralTimes {
		t.Fatalf("%d frames, %v", len(items), err)
	}
	for i := range items {
		f := &items[i].Frame
		if v, _ := rpm.Read(f); v.Phys != 0 {
			t.Errorf("frame %d: %v rpm", i, v.Phys)
		}
		if faults := g.Verify(&before, f, 1); faults != 0 {
			t.Errorf("frame %d: %v", i, faults)
		}
		before = *f
	}
}

// The library's lists are what a learned profile lacks.
func TestCarErrors(t *testing.T) {
	car := lowan(t)
	for _, ref := range []string{"Nothing.Signal", "EngineSpeed.Nothing", "EngineSpeed", "BodyPower.BatteryVoltage"} {
		if _, _, err := car.Signal(ref); err == nil {
			t.Errorf("%s is found", ref)
		}
	}
	if (&Car{}).Facts(Message{0, 1}) != nil || car.Facts(Message{1, 0x0D6}) != nil || car.Facts(Message{0, 0x0D7}) != nil {
		t.Error("facts of nothing")
	}
}

// A loop without a profile: the capture itself teaches its counters.
func TestLearn(t *testing.T) {
	in := engine(t, 200)
	random := rand.New(rand.NewPCG(1, 2))
	for i := range in { // enough different payloads for the checksum to be told
		if f := &in[i].Frame; f.ID == 214 {
			f.Data[2], f.Data[3] = byte(random.Uint32()), byte(random.Uint32())
		}
	}
	g, err := changeGuards()[speed].Compile()
	if err != nil {
		t.Fatal(err)
	}
	var last *can.Frame
	for i := range in {
		if f := &in[i].Frame; f.ID == 214 {
			if err := g.Fill(last, f); err != nil {
				t.Fatal(err)
			}
			last = f
		}
	}
	guards := Guards{}
	guards.Learn(Items(in))
	if p := guards[speed]; len(p.Counters) != 1 || len(p.Checksums) != 1 {
		t.Errorf("learned %+v", p)
	}
}
