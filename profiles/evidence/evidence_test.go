package evidence

import (
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"plugproof/decode/can"
	"plugproof/decode/guard"
	"plugproof/profiles"
)

// The definitions of the tests: one message of each kind that a Collector treats
// in its own way. Invented.
const testDBC = `VERSION ""
BU_: Engine Gearbox Cluster
BO_ 513 Speed: 8 Engine
 SG_ Rpm : 0|16@1+ (0.25,0) [0|8000] "rpm" Cluster
 SG_ Heat : 16|8@1+ (1,-40) [-40|214] "C" Cluster
 SG_ Count : 48|4@1+ (1,0) [0|15] "" Cluster
 SG_ Check : 56|8@1+ (1,0) [0|255] "" Cluster
BO_ 514 Input: 4 Gearbox
 SG_ Turbine : 0|16@1+ (0.5,0) [0|8000] "rpm" Engine
BO_ 515 Paged: 8 Gearbox
 SG_ Page M : 0|4@1+ (1,0) [0|15] "" Engine
 SG_ A m0 : 8|8@1+ (1,0) [0|255] "" Engine
 SG_ B m1 : 8|8@1+ (1,0) [0|255] "" Engine
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 513 10;
BA_ "GenMsgCycleTime" BO_ 514 10;
BA_ "GenMsgCycleTime" BO_ 515 100;
`

const testProfile = `format: 1
name: car
buses: {drive: {bitrate: 500kbit/s, dbc: car.dbc}}
nodes: {Engine: {}, Gearbox: {}, Cluster: {buses: [drive]}}
replaced: Engine
messages:
  Speed:
    counter: {signal: Count}
    checksum: {signal: Check, law: xor}
    signals:
      Heat: {sna: [255], slew: 5}
      Rpm: {slew: 15000}
roles: {engine-speed: Speed.Rpm, coolant: Speed.Heat}
functions:
  tachometer:
    chain: [Speed.Rpm]
    ends: Cluster
    against: {signal: Input.Turbine}
`

func testPlan(t testing.TB, buses *can.Buses) *Plan { return optionsPlan(t, Options{Buses: buses}) }

// optionsPlan is testPlan with options, of which it fills in setting and map.
func optionsPlan(t testing.TB, opts Options) *Plan {
	t.Helper()
	lib := profiles.NewLibrary(profiles.Folder{FS: fstest.MapFS{
		"car.dbc": {Data: []byte(testDBC)}, "car.yaml": {Data: []byte(testProfile)},
	}})
	setting, err := lib.Load("car")
	if err != nil {
		t.Fatal(err)
	}
	opts.Setting, opts.Map = setting, map[string]string{"can0": "drive"}
	plan, err := NewPlan(opts)
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

func testBuses() *can.Buses {
	var b can.Buses
	b.Intern([]byte("can0"))
	b.Intern([]byte("can1"))
	return &b
}

const ms = int64(1e6)

// drive makes n cycles of 10 ms of the test's car.
func drive(n int) []can.Frame {
	var frames []can.Frame
	add := func(t int64, id uint32, data ...byte) {
		f := can.Frame{Time: t, ID: id, Record: uint32(len(frames) + 1)}
		f.SetPayload(data)
		frames = append(frames, f)
	}
	for i := range n {
		t := 1000*ms + int64(i)*10*ms
		rpm := 3200 + 40*(i%50) // raw
		data := []byte{byte(rpm), byte(rpm >> 8), 130, 0, 0, 0, byte(i % 16), 0}
		for _, b := range data[:7] {
			data[7] ^= b
		}
		add(t-ms, 0x202, byte(rpm/2), byte(rpm/2>>8), 0, 0)
		add(t, 0x201, data...)
		if i%10 == 0 {
			add(t+2*ms, 0x203, byte(i/10%2), byte(i), 0, 0, 0, 0, 0, 0)
		}
	}
	return frames
}

func gather(plan *Plan, parts ...[]can.Frame) *Evidence {
	all := plan.New()
	for _, part := range parts {
		c := plan.New()
		c.Add(part)
		all.Merge(c)
	}
	return all.Evidence()
}

func TestGoodDrive(t *testing.T) {
	ev := gather(testPlan(t, testBuses()), drive(500))
	m := ev.Messages["Speed"]
	if m.Seen() != 500 || m.Judged != 500 || len(m.Faults) != 0 {
		t.Errorf("seen %d, judged %d, faults %v; want 500, 500, none", m.Seen(), m.Judged, m.Faults)
	}
	if p50 := m.Stream.Gaps.Quantile(0.5); p50 < 99e5 || p50 > 101e5 {
		t.Errorf("median gap %d ns, want 10 ms", p50)
	}
	if s := m.Signals["Check"]; s.Frames != 500 || s.Available != 0 {
		t.Errorf("%d frames of the checksum, %d values: want 500, and no values of what the guard judges", s.Frames, s.Available)
	}
	rpm := m.Signals["Rpm"]
	if rpm.Min != 800 || rpm.Max != 800+49*10 {
		t.Errorf("rpm %g to %g, want 800 to 1290", rpm.Min, rpm.Max)
	}
	a, b, r2, ok := ev.Fits[0].Line()
	if !ok || a < 0.999 || a > 1.001 || b < -1 || b > 1 || r2 < 0.999 {
		t.Errorf("Rpm = %g * Turbine + %g, R2 %g, %v: want them equal", a, b, r2, ok)
	}
	if diff := cmp.Diff(map[uint64]uint64{0: 25, 1: 25}, ev.Messages["Paged"].Pages); diff != "" {
		t.Errorf("pages:\n%s", diff)
	}
	if c := m.Stream.Coverage(ev.Start, ev.End, 10*ms); c < 0.98 || c > 1.03 {
		t.Errorf("coverage %g, want 1", c)
	}
}

func TestFaultsHaveTheirPlace(t *testing.T) {
	plan := testPlan(t, testBuses())
	spoil := func(change func(i int, f *can.Frame)) *Message {
		frames := drive(400)
		i := 0
		for k := range frames {
			if frames[k].ID == 0x201 {
				change(i, &frames[k])
				i++
			}
		}
		return gather(plan, frames).Messages["Speed"]
	}
	fix := func(f *can.Frame) {
		f.Data[7] = 0
		for _, b := range f.Data[:7] {
			f.Data[7] ^= b
		}
	}
	for _, row := range []struct {
		name   string
		change func(i int, f *can.Frame)
		want   func(m *Message) (count uint64, events *Events)
		count  uint64
	}{
		{"checksum", func(i int, f *can.Frame) {
			if i == 100 {
				f.Data[7]++
			}
		}, func(m *Message) (uint64, *Events) { e := m.Faults[guard.WrongChecksum]; return e.Count, e }, 1},
		{"not available", func(i int, f *can.Frame) {
			if i >= 100 && i < 120 {
				f.Data[2] = 255
				fix(f)
			}
		}, func(m *Message) (uint64, *Events) { s := m.Signals["Heat"]; return s.NA, &s.NAFirst }, 20},
		{"too fast", func(i int, f *can.Frame) {
			if i >= 100 {
				f.Data[2] = 160
				fix(f)
			}
		}, func(m *Message) (uint64, *Events) { s := m.Signals["Heat"]; return s.TooFast.Count, &s.TooFast }, 1},
		{"length", func(i int, f *can.Frame) {
			if i >= 100 {
				f.SetPayload(f.Data[:7])
			}
		}, func(m *Message) (uint64, *Events) { return m.Stream.Misfits.Count, &m.Stream.Misfits }, 300},
	} {
		t.Run(row.name, func(t *testing.T) {
			count, events := row.want(spoil(row.change))
			if count != row.count {
				t.Errorf("count %d, want %d", count, row.count)
			}
			if events.First[0].Frame.Time != 1000*ms+100*10*ms {
				t.Errorf("first at %d, want that of cycle 100", events.First[0].Frame.Time)
			}
		})
	}
}

// TestSeamsDoNotShow cuts one capture at random places: what is gathered is the same.
func TestSeamsDoNotShow(t *testing.T) {
	plan := testPlan(t, testBuses())
	frames := drive(300)
	frames[77].Data[7]++
	frames = append(frames[:200], frames[260:]...) // a gap
	for i := 300; i < 400; i++ {
		if frames[i].ID == 0x202 {
			frames[i].SetPayload([]byte{255, 255, 0, 0}) // a stay at the top
		}
	}
	want := gather(plan, frames)
	if top := want.Messages["Input"].Signals["Turbine"].AtTop; top < 400*ms {
		t.Fatalf("%d ns at the top", top)
	}
	// What needs three frames in a row is not looked at across a seam.
	threeFrames := cmpopts.IgnoreFields(Stream{}, "Alternates", "payloads", "Count")
	opts := cmp.Options{
		threeFrames, cmpopts.IgnoreUnexported(Stream{}), cmpopts.IgnoreFields(Evidence{}, "Setting", "Fits"),
		cmpopts.IgnoreFields(Signal{}, "Outliers", "Def", "Own", "Track", "Changes"),
		cmpopts.IgnoreFields(Message{}, "Facts"), cmpopts.IgnoreFields(Bus{}, "Facts", "Errors", "Load"),
		cmpopts.IgnoreFields(Stream{}, "Gaps"),
		cmpopts.EquateApprox(1e-12, 0),
	}
	rapid.Check(t, func(rt *rapid.T) {
		var parts [][]can.Frame
		rest := frames
		for len(rest) > 0 {
			n := rapid.IntRange(1, len(rest)).Draw(rt, "part")
			parts = append(parts, rest[:n])
			rest = rest[n:]
		}
		got := gather(plan, parts...)
		if diff := cmp.Diff(want, got, opts); diff != "" {
			rt.Fatalf("cut in %d parts (-whole +parts):\n%s", len(parts), diff)
		}
		w, g := want.Messages["Speed"].Stream, got.Messages["Speed"].Stream
		if w.Gaps.Quantile(0.99) != g.Gaps.Quantile(0.99) || w.Gaps.Sum() != g.Gaps.Sum() {
			rt.Fatal("the gaps differ")
		}
	})
}

// TestSeamInPause: after a pause too long to count cycles in, any counter value
// is right, whether or not a stretch ends there.
func TestSeamInPause(t *testing.T) {
	plan := testPlan(t, testBuses())
	frames := drive(200)
	for i := range frames[200:] {
		f := &frames[200+i]
		f.Time += 5000 * ms
		if f.ID == 0x201 {
			f.Data[6] = (f.Data[6] + 5) % 16
			f.Data[7] = 0
			for _, b := range f.Data[:7] {
				f.Data[7] ^= b
			}
		}
	}
	for _, parts := range [][][]can.Frame{{frames}, {frames[:200], frames[200:]}} {
		if m := gather(plan, parts...).Messages["Speed"]; len(m.Faults) != 0 || m.Judged != 200 {
			t.Errorf("in %d stretches: faults %v of %d frames, want none of 200", len(parts), m.Faults, m.Judged)
		}
	}
}

// TestSeries: the courses over time are gathered where they are asked for, and
// do not depend on where a capture is cut.
func TestSeries(t *testing.T) {
	frames := drive(300)
	frames[77].Data[7]++
	frames[500].Data[7]++
	plain := gather(testPlan(t, testBuses()), frames)
	if plain.Buses[0].Course != nil || plain.Messages["Speed"].FaultTracks != nil {
		t.Error("there are series that nobody asked for")
	}
	plan := optionsPlan(t, Options{Buses: testBuses(), Series: true})
	whole, parts := gather(plan, frames), gather(plan, frames[:123], frames[123:])
	if diff := cmp.Diff(whole.Buses[0].Course.Sums(), parts.Buses[0].Course.Sums()); diff != "" {
		t.Errorf("load (-whole +parts):\n%s", diff)
	}
	var bits uint64
	for _, s := range whole.Buses[0].Course.Sums() {
		bits += s.Nominal
	}
	if nominal, _ := whole.Buses[0].Load.Total(); bits != nominal || bits == 0 {
		t.Errorf("%d bits over time, %d in all", bits, nominal)
	}
	for kind, events := range whole.Messages["Speed"].Faults {
		w, p := whole.Messages["Speed"].FaultTracks[kind], parts.Messages["Speed"].FaultTracks[kind]
		if diff := cmp.Diff(w.Buckets(), p.Buckets()); diff != "" {
			t.Errorf("%v (-whole +parts):\n%s", kind, diff)
		}
		if n := Within(w, 0, 1<<62); n != events.Count {
			t.Errorf("%v: %d over time, %d in all", kind, n, events.Count)
		}
	}
	if len(whole.Messages["Speed"].Faults) == 0 {
		t.Error("the changed bytes gave no fault")
	}
}

// Between two captures that are read together nobody knows what was sent.
func TestCapturesApart(t *testing.T) {
	plan := testPlan(t, testBuses())
	first, second := drive(50), drive(50)
	for i := range second {
		second[i].Time, second[i].File = second[i].Time+3600*1000*ms, 1
	}
	ev := gather(plan, first, second)
	m := ev.Messages["Speed"].Stream
	if ev.Pauses.Count != 0 || ev.Buses[0].Silences.Count != 0 || m.LongGaps.Count != 0 || m.Gaps.Count() != 98 {
		t.Errorf("%d pauses, %d silences, %d long gaps, %d gaps; want none, none, none, 98",
			ev.Pauses.Count, ev.Buses[0].Silences.Count, m.LongGaps.Count, m.Gaps.Count())
	}
	for i := range second {
		second[i].File = 0
	}
	if ev := gather(plan, first, second); ev.Pauses.Count != 1 || ev.Messages["Speed"].Stream.LongGaps.Count != 1 {
		t.Errorf("%d pauses within one capture, want 1", ev.Pauses.Count)
	}
}

func TestAddDoesNotAllocate(t *testing.T) {
	c := testPlan(t, testBuses()).New()
	frames := drive(200)
	span := frames[len(frames)-1].Time - frames[0].Time + 10*ms
	pass := func() {
		c.Add(frames)
		for i := range frames {
			frames[i].Time += span
		}
	}
	for range 40 { // until tracks and lists are as large as they may become
		pass()
	}
	if n := testing.AllocsPerRun(20, pass); n != 0 {
		t.Errorf("%v allocations for %d frames", n, len(frames))
	}
}

func BenchmarkCollector(b *testing.B) {
	frames := drive(2000)
	c := testPlan(b, testBuses()).New()
	span := frames[len(frames)-1].Time - frames[0].Time + 10*ms
	b.ReportAllocs()
	for b.Loop() {
		c.Add(frames)
		for i := range frames {
			frames[i].Time += span
		}
	}
	b.ReportMetric(float64(b.N)*float64(len(frames))/b.Elapsed().Seconds()/1e6, "Mframes/s")
}
