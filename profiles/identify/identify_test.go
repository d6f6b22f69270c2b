package identify

import (
	"context"
	"errors"
	"flag"
	"io"
	"slices"
	"testing"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
)

var update = flag.Bool("update", false, "rewrite testdata/confusion.md")

// settings loads the twelve Lowan settings.
func settings(t testing.TB) []*profiles.Setting {
	t.Helper()
	return load(t, profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}))
}

// load loads every setting of a library.
func load(t testing.TB, lib *profiles.Library) (list []*profiles.Setting) {
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

func newPlan(t testing.TB, list []*profiles.Setting) *Plan {
	t.Helper()
	p, err := NewPlan(list)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// extent is how much of the short script a capture holds.
type extent struct {
	name   string
	script func(demo.Setting) []demo.Stage
}

var extents = []extent{
	{"2 s key-on", func(demo.Setting) []demo.Stage { return []demo.Stage{{Name: "key-on", Length: 2 * time.Second}} }},
	{"10 s key-on", func(demo.Setting) []demo.Stage { return []demo.Stage{{Name: "key-on", Length: 10 * time.Second}} }},
	{"to idle", func(s demo.Setting) []demo.Stage {
		all := demo.Script(0, s)
		return all[:1+slices.IndexFunc(all, func(st demo.Stage) bool { return st.Name == "idle" })]
	}},
	{"full script", func(s demo.Setting) []demo.Stage { return demo.Script(0, s) }},
}

// record returns the frames of a drive.
func record(t testing.TB, s demo.Setting, script []demo.Stage, without ...string) ([]can.Frame, *can.Buses) {
	t.Helper()
	d, err := demo.New(s, demo.Options{Seed: 7, Script: script, Without: without})
	if err != nil {
		t.Fatal(err)
	}
	var all []can.Frame
	batch := make([]can.Frame, 512)
	for {
		n, err := d.Read(context.Background(), batch)
		all = append(all, batch[:n]...)
		if errors.Is(err, io.EOF) {
			return all, d.Buses()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func judge(t testing.TB, p *Plan, frames []can.Frame, buses *can.Buses, in Input) *Result {
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
	for name, list := range map[string][]*profiles.Setting{"library": settings(t), "with neighbours": withNeighbours(t)} {
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
	p := newPlan(t, settings(t))
	car, chosen := demo.Settings()[6], demo.Settings()[11] // 2-20t-a5, 3-20t-a8
	script := extents[1].script(car)
	frames, buses := mix(t, car, chosen, []string{"Engine"}, script)
	res := judge(t, p, frames, buses, Input{ECU: New})
	if res.Verdict != Identified || !slices.Equal(res.Settings, []string{car.String()}) {
		t.Errorf("the car is a %s: %s %v", car, res.Verdict, res.Settings)
	}
	if !res.Disagree || res.ECU == nil || !slices.Equal(res.ECU.Settings, []string{chosen.String()}) || res.ECU.Is != New {
		t.Errorf("the new unit speaks %s: disagreement %v, %+v", chosen, res.Disagree, res.ECU)
	}
	frames, buses = record(t, car, script)
	if res := judge(t, p, frames, buses, Input{ECU: Factory}); res.Disagree || res.ECU == nil || !slices.Contains(res.ECU.Settings, car.String()) {
		t.Errorf("factory unit: disagreement %v, %+v", res.Disagree, res.ECU)
	}
	if res := judge(t, p, frames, buses, Input{ECU: Out}); len(res.Notes) != 1 {
		t.Errorf("frames of a unit that is out must be told: %v", res.Notes)
	}
}

// TestBuses: interfaces are found by their identifiers or given by the user, and
// what one bus cannot show asks for the other.
func TestBuses(t *testing.T) {
	p := newPlan(t, settings(t))
	car := demo.Settings()[5]
	frames, _ := record(t, car, extents[1].script(car), "Engine")
	var named can.Buses
	for _, name := range []string{"can0", "can1"} {
		if _, ok := named.Intern([]byte(name)); !ok {
			t.Fatal("no bus")
		}
	}
	res := judge(t, p, frames, &named, Input{})
	want := []Interface{{"can0", "drive", "identifiers"}, {"can1", "body", "identifiers"}}
	if !slices.Equal(res.Interfaces, want) || res.Verdict != Identified {
		t.Errorf("found %v, %s", res.Interfaces, res.Verdict)
	}
	res = judge(t, p, frames, &named, Input{Map: map[string]string{"can0": "body", "can1": "drive"}})
	if res.Verdict != NoneFits {
		t.Errorf("buses given the wrong way round: %s %v", res.Verdict, res.Settings)
	}
	c := p.New(&named)
	if _, err := p.Judge(c, Input{Map: map[string]string{"can0": "chassis"}}); err == nil {
		t.Error("a bus that no setting has was taken")
	}

	car = demo.Settings()[1] // of series 1, which has no message that tells the whole car
	frames, _ = record(t, car, extents[1].script(car), "Engine")
	frames = slices.DeleteFunc(frames, func(f can.Frame) bool { return f.Bus == 0 })
	res = judge(t, p, frames, &named, Input{})
	if res.Verdict != Tie || !slices.Contains(res.Settings, car.String()) || res.Step == nil || res.Step.Text != "record the drive bus as well" {
		t.Errorf("body bus alone: %s %v, step %+v", res.Verdict, res.Settings, res.Step)
	}
}

// TestEmpty: a capture without frames ties all, and a foreign one fits none.
func TestEmpty(t *testing.T) {
	p := newPlan(t, settings(t))
	var buses can.Buses
	if res := judge(t, p, nil, &buses, Input{}); res.Verdict != Tie || len(res.Settings) != 12 {
		t.Errorf("no frames: %s %v", res.Verdict, res.Settings)
	}
	buses.Intern([]byte("drive"))
	var frames []can.Frame
	for i := range 2000 {
		f := can.Frame{Time: int64(i) * 5e6, ID: uint32(0x300 + i%7)}
		f.SetPayload([]byte{byte(i), 1, 2})
		frames = append(frames, f)
	}
	if res := judge(t, p, frames, &buses, Input{}); res.Verdict != NoneFits {
		t.Errorf("foreign car: %s %v, %v explained", res.Verdict, res.Settings, res.Explained)
	}
	if _, err := NewPlan(nil); err == nil {
		t.Error("an empty library was taken")
	}
}

// TestMerge: what is judged does not depend on how the capture is cut, but for a
// law that is not judged across the seam.
func TestMerge(t *testing.T) {
	p := newPlan(t, settings(t))
	for _, s := range demo.Settings() {
		frames, buses := record(t, s, extents[1].script(s))
		whole := judge(t, p, frames, buses, Input{})
		total := p.New(buses)
		for part := range slices.Chunk(frames, 1700) {
			c := p.New(buses)
			c.Add(part)
			total.Merge(c)
		}
		cut, err := p.Judge(total, Input{})
		if err != nil {
			t.Fatal(err)
		}
		if whole.Verdict != cut.Verdict || !slices.Equal(whole.Settings, cut.Settings) || whole.Odds != cut.Odds || whole.Foreign != cut.Foreign {
			t.Errorf("%s: whole %s %v %g, cut %s %v %g", s, whole.Verdict, whole.Settings, whole.Odds, cut.Verdict, cut.Settings, cut.Odds)
		}
	}
}

func TestField(t *testing.T) {
	p := []byte{0x12, 0x34, 0xAB}
	for _, row := range []struct {
		f    field
		want uint64
		ok   bool
	}{
		{field{0, 8, false}, 0x12, true},
		{field{4, 8, false}, 0x41, true},
		{field{7, 16, true}, 0x1234, true},
		{field{3, 8, true}, 0x23, true},
		{field{16, 9, false}, 0, false},
		{field{15, 24, true}, 0, false},
	} {
		if got, ok := row.f.read(p); got != row.want || ok != row.ok {
			t.Errorf("%+v reads %#x, %v; want %#x, %v", row.f, got, ok, row.want, row.ok)
		}
	}
}

// TestAllocs: the loop over frames allocates nothing once identifiers are known.
func TestAllocs(t *testing.T) {
	p := newPlan(t, settings(t))
	s := demo.Settings()[11]
	frames, buses := record(t, s, extents[1].script(s))
	c := p.New(buses)
	c.Add(frames)
	if n := testing.AllocsPerRun(3, func() { c.Add(frames) }); n > 16 { // gaps never met before need a page
		t.Errorf("%v allocations for %d frames", n, len(frames))
	}
}
