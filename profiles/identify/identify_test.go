package identify_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/confusion"
	"plugproof/profiles/demo"
	"plugproof/profiles/identify"
	"plugproof/profiles/library"
)

// tenSeconds is a script of 10 s of key-on.
var tenSeconds = []demo.Stage{{Name: "key-on", Length: 10 * time.Second}}

// settings loads every setting of a library.
func settings(t testing.TB, lib *profiles.Library) (list []*profiles.Setting) {
	t.Helper()
	for _, name := range lib.Files() {
		c, err := lib.Compose(name)
		if err == nil && c.Part {
			continue
		}
		s, err := lib.Load(name)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		list = append(list, s)
	}
	return list
}

func plan(t testing.TB, lib *profiles.Library) *identify.Plan {
	t.Helper()
	p, err := identify.Load(lib)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func newPlan(t testing.TB, list []*profiles.Setting) *identify.Plan {
	t.Helper()
	p, err := identify.NewPlan(list)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// record returns the frames of a drive.
func record(t testing.TB, s demo.Setting, script []demo.Stage, without ...string) ([]can.Frame, *can.Buses) {
	t.Helper()
	c, err := confusion.Record(s, script, without...)
	if err != nil {
		t.Fatal(err)
	}
	return c.Frames, c.Buses
}

// mix returns a capture of a car in which some modules are those of another.
func mix(t testing.TB, car, other demo.Setting, modules []string, script []demo.Stage) ([]can.Frame, *can.Buses) {
	t.Helper()
	c, err := confusion.Mix(confusion.Library(), car, other, modules, script)
	if err != nil {
		t.Fatal(err)
	}
	return c.Frames, c.Buses
}

func judge(t testing.TB, p *identify.Plan, frames []can.Frame, buses *can.Buses, in identify.Input) *identify.Result {
	t.Helper()
	c := p.New(buses)
	c.Add(frames)
	res, err := p.Judge(c, in)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// TestClasses: the classes are those of the settings that Differ finds no
// difference between but in echoes.
func TestClasses(t *testing.T) {
	for name, list := range map[string][]*profiles.Setting{"library": settings(t, confusion.Library()), "with neighbours": settings(t, confusion.Near())} {
		p := newPlan(t, list)
		at := map[string]int{}
		for n, class := range p.Classes() {
			for _, s := range class {
				at[s] = n
			}
		}
		for i, a := range list {
			for _, b := range list[i+1:] {
				differ := slices.ContainsFunc(profiles.Differ(a, b), func(d profiles.Difference) bool { return !d.Echo })
				if same := at[a.Name] == at[b.Name]; same == differ {
					t.Errorf("%s: %s and %s: one class %v, told apart %v", name, a.Name, b.Name, same, differ)
				}
			}
		}
	}
}

// TestReplacedUnit: what the new unit says is not counted for the car, and the
// contradiction is found.
func TestReplacedUnit(t *testing.T) {
	p := plan(t, confusion.Library())
	car, chosen := demo.Settings()[6], demo.Settings()[11] // 2-20t-a5, 3-20t-a8
	script := tenSeconds
	frames, buses := mix(t, car, chosen, []string{"Engine"}, script)
	res := judge(t, p, frames, buses, identify.Input{ECU: identify.New})
	if res.Verdict != identify.Identified || !slices.Equal(res.Settings, []string{car.String()}) {
		t.Errorf("the car is a %s: %s %v", car, res.Verdict, res.Settings)
	}
	if !res.Disagree || res.ECU == nil || !slices.Equal(res.ECU.Settings, []string{chosen.String()}) || res.ECU.Is != identify.New {
		t.Errorf("the new unit speaks %s: disagreement %v, %+v", chosen, res.Disagree, res.ECU)
	}
	frames, buses = record(t, car, script)
	if res := judge(t, p, frames, buses, identify.Input{ECU: identify.Factory}); res.Disagree || res.ECU == nil || !slices.Contains(res.ECU.Settings, car.String()) {
		t.Errorf("factory unit: disagreement %v, %+v", res.Disagree, res.ECU)
	}
	if res := judge(t, p, frames, buses, identify.Input{ECU: identify.Out}); len(res.Notes) != 1 {
		t.Errorf("frames of a unit that is out must be told: %v", res.Notes)
	}
}

// TestBuses: interfaces are found by their identifiers or given by the user, and
// what one bus cannot show asks for the other.
func TestBuses(t *testing.T) {
	p := plan(t, confusion.Library())
	car := demo.Settings()[5]
	frames, _ := record(t, car, tenSeconds, "Engine")
	var named can.Buses
	for _, name := range []string{"can0", "can1"} {
		if _, ok := named.Intern([]byte(name)); !ok {
			t.Fatal("no bus")
		}
	}
	res := judge(t, p, frames, &named, identify.Input{})
	want := []identify.Interface{{"can0", "drive", "identifiers"}, {"can1", "body", "identifiers"}}
	if !slices.Equal(res.Interfaces, want) || res.Verdict != identify.Identified {
		t.Errorf("found %v, %s", res.Interfaces, res.Verdict)
	}
	res = judge(t, p, frames, &named, identify.Input{Map: map[string]string{"can0": "body", "can1": "drive"}})
	if res.Verdict != identify.NoneFits {
		t.Errorf("buses given the wrong way round: %s %v", res.Verdict, res.Settings)
	}
	c := p.New(&named)
	if _, err := p.Judge(c, identify.Input{Map: map[string]string{"can0": "chassis"}}); err == nil {
		t.Error("a bus that no setting has was taken")
	}

	car = demo.Settings()[1] // of series 1, which has no message that tells the whole car
	frames, _ = record(t, car, tenSeconds, "Engine")
	frames = slices.DeleteFunc(frames, func(f can.Frame) bool { return f.Bus == 0 })
	res = judge(t, p, frames, &named, identify.Input{})
	if res.Verdict != identify.Tie || !slices.Contains(res.Settings, car.String()) || res.Step == nil || res.Step.Text != "record the drive bus as well" {
		t.Errorf("body bus alone: %s %v, step %+v", res.Verdict, res.Settings, res.Step)
	}
}

// TestEmpty: a capture without frames ties all, and a foreign one fits none.
func TestEmpty(t *testing.T) {
	p := plan(t, confusion.Library())
	var buses can.Buses
	if res := judge(t, p, nil, &buses, identify.Input{}); res.Verdict != identify.Tie || len(res.Settings) != 12 {
		t.Errorf("no frames: %s %v", res.Verdict, res.Settings)
	}
	buses.Intern([]byte("drive"))
	var frames []can.Frame
	for i := range 2000 {
		f := can.Frame{Time: int64(i) * 5e6, ID: uint32(0x300 + i%7)}
		f.SetPayload([]byte{byte(i), 1, 2})
		frames = append(frames, f)
	}
	if res := judge(t, p, frames, &buses, identify.Input{}); res.Verdict != identify.NoneFits {
		t.Errorf("foreign car: %s %v, %v explained", res.Verdict, res.Settings, res.Explained)
	}
	if _, err := identify.NewPlan(nil); err == nil {
		t.Error("an empty library was taken")
	}
}

// TestMerge: what is judged does not depend on how the capture is cut, but for a
// law that is not judged across the seam.
func TestMerge(t *testing.T) {
	p := plan(t, confusion.Library())
	for _, s := range demo.Settings() {
		frames, buses := record(t, s, tenSeconds)
		whole := judge(t, p, frames, buses, identify.Input{})
		total := p.New(buses)
		for part := range slices.Chunk(frames, 1700) {
			c := p.New(buses)
			c.Add(part)
			total.Merge(c)
		}
		cut, err := p.Judge(total, identify.Input{})
		if err != nil {
			t.Fatal(err)
		}
		if whole.Verdict != cut.Verdict || !slices.Equal(whole.Settings, cut.Settings) || whole.Odds != cut.Odds || whole.Foreign != cut.Foreign {
			t.Errorf("%s: whole %s %v %g, cut %s %v %g", s, whole.Verdict, whole.Settings, whole.Odds, cut.Verdict, cut.Settings, cut.Odds)
		}
	}
}

// TestAllocs: the loop over frames allocates nothing once identifiers are known.
func TestAllocs(t *testing.T) {
	p := plan(t, confusion.Library())
	s := demo.Settings()[11]
	frames, buses := record(t, s, tenSeconds)
	c := p.New(buses)
	c.Add(frames)
	if n := testing.AllocsPerRun(3, func() { c.Add(frames) }); n > 16 { // gaps never met before need a page
		t.Errorf("%v allocations for %d frames", n, len(frames))
	}
}

// TestGearboxRemoved: an automatic made a manual car by leaving its gearbox
// controller out says so.
func TestGearboxRemoved(t *testing.T) {
	p := plan(t, confusion.Library())
	s := demo.Settings()[5]
	frames, buses := record(t, s, tenSeconds, "Engine", "Gearbox")
	res := judge(t, p, frames, buses, identify.Input{ECU: identify.Out})
	at := slices.IndexFunc(res.Modules, func(m identify.Module) bool { return m.Name == "Gearbox" })
	if at < 0 || res.Modules[at].State != identify.Absent || res.Modules[at].Says != "absent" || res.Verdict == identify.Identified {
		t.Errorf("%s %v, modules %+v", res.Verdict, res.Settings, res.Modules)
	}
}

// TestLostFrames: an adapter that loses a twentieth of the frames does not make
// one car of another.
func TestLostFrames(t *testing.T) {
	p := plan(t, confusion.Library())
	for _, s := range demo.Settings() {
		frames, buses := record(t, s, tenSeconds, "Engine")
		seed := uint32(1)
		frames = slices.DeleteFunc(frames, func(can.Frame) bool {
			seed = seed*1664525 + 1013904223 // Numerical Recipes' generator, from memory
			return seed>>16%20 == 0
		})
		res := judge(t, p, frames, buses, identify.Input{ECU: identify.Out})
		if !slices.Contains(res.Settings, s.String()) || res.Verdict == identify.NoneFits || len(res.Settings) > 3 {
			t.Errorf("%s: %s %v, odds %g to %s", s, res.Verdict, res.Settings, res.Odds, res.Next)
		}
	}
}

// TestClumped: an adapter that delivers what it took in every 50 ms or every 200
// ms, all with one stamp, makes no other car of it, and the verdict stays.
func TestClumped(t *testing.T) {
	p := plan(t, confusion.Near())
	for _, s := range demo.Settings() {
		frames, buses := record(t, s, tenSeconds, "Engine")
		want := judge(t, p, frames, buses, identify.Input{ECU: identify.Out})
		for _, every := range []int64{50e6, 200e6} {
			clumped := slices.Clone(frames)
			for i := range clumped {
				clumped[i].Time += every - clumped[i].Time%every
			}
			res := judge(t, p, clumped, buses, identify.Input{ECU: identify.Out})
			if !slices.Equal(res.Settings, want.Settings) || res.Verdict != want.Verdict {
				t.Errorf("%s in clumps of %d ms: %s %v, want %s %v", s, every/1e6, res.Verdict, res.Settings, want.Verdict, want.Settings)
				for _, piece := range res.Evidence {
					if piece.Outcome == identify.Contradicts {
						t.Logf("%+v", piece)
					}
				}
			}
		}
	}
}

// TestPause: a pause of an hour within a capture makes no other car of it.
func TestPause(t *testing.T) {
	p := plan(t, confusion.Library())
	for _, s := range demo.Settings() {
		frames, buses := record(t, s, tenSeconds, "Engine")
		want := judge(t, p, frames, buses, identify.Input{ECU: identify.Out})
		for i := range frames {
			if i > len(frames)/2 {
				frames[i].Time += int64(time.Hour)
			}
		}
		res := judge(t, p, frames, buses, identify.Input{ECU: identify.Out})
		if !slices.Equal(res.Settings, want.Settings) || res.Verdict != want.Verdict {
			t.Errorf("%s: %s %v, want %s %v", s, res.Verdict, res.Settings, want.Verdict, want.Settings)
		}
	}
}

// ownLibrary is the demo car's library and settings of one's own, by name: what
// stands after the base that each builds on.
func ownLibrary(base string, own map[string]string) *profiles.Library {
	files := fstest.MapFS{}
	for name, text := range own {
		files[name+".yaml"] = &fstest.MapFile{Data: []byte("format: 1\nname: " + name + "\nbuilds_on: [" + base + "]\n" + text)}
	}
	return profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}, profiles.Folder{Name: "own", FS: files})
}

// changed adds one such setting, of this name.
func changed(base, text string) *profiles.Library {
	return ownLibrary(base, map[string]string{"changed": text})
}

// TestBitRate: settings that differ in the bit rate alone tie until it is known,
// and then it decides.
func TestBitRate(t *testing.T) {
	const base = "lowan-2-20t-a8"
	lib := changed(base, "buses: {drive: {bitrate: 250kbit/s}}\n")
	p := plan(t, lib)
	s, err := demo.ParseSetting(base)
	if err != nil {
		t.Fatal(err)
	}
	frames, buses := record(t, s, tenSeconds, "Engine")
	drive, _ := buses.Intern([]byte(demo.DriveBus))
	var unknown can.Buses
	for _, b := range buses.All() {
		unknown.Intern([]byte(b.Name))
	}
	res := judge(t, p, frames, &unknown, identify.Input{})
	if want := []string{"changed", base}; !slices.Equal(res.Settings, want) || res.Verdict != identify.Tie || res.SameOnBus {
		t.Errorf("rate not known: %s %v, same on the bus %v", res.Verdict, res.Settings, res.SameOnBus)
	}
	if res.Step == nil || !strings.Contains(res.Step.Text, "bit rate of the drive bus") || res.Step.Bits != 1 {
		t.Errorf("rate not known: step %+v", res.Step)
	}
	for rate, want := range map[int64]string{500_000: base, 250_000: "changed"} {
		unknown.SetBitrates(drive, rate, 0)
		res := judge(t, p, frames, &unknown, identify.Input{})
		if !slices.Equal(res.Settings, []string{want}) || res.Verdict != identify.Identified || res.Evidence[0].What != "bit rate" || res.Evidence[0].Outcome != identify.Supports {
			t.Errorf("%d bit/s: %s %v by %+v", rate, res.Verdict, res.Settings, res.Evidence[0])
		}
	}
	unknown.SetBitrates(drive, 125_000, 0)
	if res := judge(t, p, frames, &unknown, identify.Input{}); res.Verdict != identify.NoneFits {
		t.Errorf("a rate of no setting: %s %v", res.Verdict, res.Settings)
	}
}

// TestKind: what is said to be sent on a change does not come steadily.
func TestKind(t *testing.T) {
	const base = "lowan-2-20t-a8"
	p := plan(t, changed(base, "messages: {BodySwitches: {kind: on-change}}\n"))
	s, err := demo.ParseSetting(base)
	if err != nil {
		t.Fatal(err)
	}
	frames, buses := record(t, s, tenSeconds, "Engine")
	res := judge(t, p, frames, buses, identify.Input{})
	for _, piece := range res.Evidence {
		if piece.What == "kind" && piece.Message == "BodySwitches" {
			if piece.Outcome != identify.Supports || piece.Against != 1 || !slices.Equal(res.Settings, []string{base}) {
				t.Errorf("%s %v: %+v", res.Verdict, res.Settings, piece)
			}
			return
		}
	}
	t.Errorf("no evidence on the kind of BodySwitches: %+v", res.Evidence)
}

// TestEchoedField: a constant in a gateway's message that a function's chain says
// is a copy of the replaced unit's value tells nothing of the car.
func TestEchoedField(t *testing.T) {
	const base = "lowan-2-20t-a8"
	chain := "functions:\n  ordered engine: {chain: [EngineConfig.EngineCode, VehicleConfig.EngineOrdered], ends: Cluster}\n"
	for function, told := range map[string]bool{"": true, chain: false} {
		classes := plan(t, ownLibrary(base, map[string]string{
			"three": "messages: {VehicleConfig: {constants: {EngineOrdered: {value: 3}}}}\n" + function,
			"four":  "messages: {VehicleConfig: {constants: {EngineOrdered: {value: 4}}}}\n" + function,
		})).Classes()
		together := slices.ContainsFunc(classes, func(c []string) bool { return slices.Contains(c, "three") && slices.Contains(c, "four") })
		if together == told {
			t.Errorf("with %q: told apart %v, want %v", function, !together, told)
		}
	}
}

// TestAlone: the engine computer alone on the bench says nothing of a car, however
// long it is recorded.
func TestAlone(t *testing.T) {
	car := demo.Settings()[6]
	frames, buses := record(t, car, tenSeconds, "Cluster", "Stability", "Gearbox", "Body", "Climate")
	res := judge(t, plan(t, confusion.Library()), frames, buses, identify.Input{ECU: identify.New})
	if res.Verdict != identify.Tie || res.Foreign != 0 || res.Step == nil || !strings.HasPrefix(res.Step.Text, "this is the engine computer alone: in the car, record ") {
		t.Errorf("%s %v, step %+v", res.Verdict, res.Settings, res.Step)
	}
}

// TestStep: the step that parts the tied settings best is chosen, and says so.
func TestStep(t *testing.T) {
	p := plan(t, confusion.Near())
	twoSeconds := []demo.Stage{{Name: "key-on", Length: 2 * time.Second}}
	for n, verdict := range []identify.Verdict{identify.Tie, identify.Likely} { // a manual and an automatic car
		frames, buses := record(t, demo.Settings()[n], twoSeconds, "Engine")
		res := judge(t, p, frames, buses, identify.Input{ECU: identify.Out})
		if res.Verdict != verdict || res.Step == nil || res.Step.Stage != "key-on" {
			t.Errorf("%s %v, step %+v", res.Verdict, res.Settings, res.Step)
			continue
		}
		most := math.Log2(float64(len(res.Settings)))
		if verdict == identify.Tie && (res.Step.Bits <= 0 || res.Step.Bits > most+0.001 || !strings.Contains(res.Step.Why, "parts the")) {
			t.Errorf("of %v: %+v, at most %.3f bits", res.Settings, res.Step, most)
		}
	}
}
