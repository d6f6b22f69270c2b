package compare

import (
	"fmt"
	"testing"

	"plugproof/decode"
	"plugproof/decode/capture"
	"plugproof/decode/dbc"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
	"plugproof/profiles/mutate"
	"plugproof/profiles/rules"
)

func load(t testing.TB, car demo.Setting) *profiles.Setting {
	t.Helper()
	s, err := profiles.NewLibrary(profiles.Folder{Name: "library", FS: library.FS()}).Load(car.String())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func record(t testing.TB, car demo.Setting, opts demo.Options) *mutate.Drive {
	t.Helper()
	d, err := mutate.Record(t.Context(), car, load(t, car), opts)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// definitions are the DBC files of a demo car, without its profile.
func definitions(t testing.TB, car demo.Setting) (list []decode.Mapping) {
	t.Helper()
	for _, bus := range []string{demo.DriveBus, demo.BodyBus} {
		for _, name := range car.DBC(bus) {
			src, err := library.DBC(name)
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, decode.Mapping{Bus: bus, Database: dbc.Parse(name, src)})
		}
	}
	return list
}

// reference is a drive gathered as the capture before.
type reference struct {
	p    *plan
	was  *shot
	want map[address]*expected
}

// refer gathers a drive. Without a setting and definitions it goes by bits.
func refer(t testing.TB, before *mutate.Drive, setting *profiles.Setting, dbcs []decode.Mapping) *reference {
	t.Helper()
	p, err := newPlan(setting, dbcs, false)
	if err != nil {
		t.Fatal(err)
	}
	r := &reference{p: p}
	r.was = r.gather(before, "before.log", nil)
	r.want = r.was.expect()
	return r
}

func (r *reference) gather(d *mutate.Drive, file string, want map[address]*expected) *shot {
	c := r.p.newCollector(d.Buses, func(name string) string { return name }, nil, want)
	c.Add(d.Frames)
	return newShot(c, []capture.FileReport{{Path: file, Frames: uint64(len(d.Frames))}})
}

// set compares a drive with the reference.
func (r *reference) set(after *mutate.Drive) *Result {
	return (&judge{p: r.p, before: r.was, after: r.gather(after, "after.log", r.want), want: r.want}).run()
}

func rowsOf(r *Result, verdict rules.Verdict) (list []string) {
	for i := range r.Complaints {
		if c := &r.Complaints[i]; c.Verdict == verdict {
			list = append(list, fmt.Sprintf("%s: %s", c.Aspect, c.Text))
		}
	}
	for i := range r.Messages {
		for k := range r.Messages[i].Rows {
			if row := &r.Messages[i].Rows[k]; row.Verdict == verdict {
				list = append(list, fmt.Sprintf("%s: %s", row.Aspect, row.Text))
			}
		}
	}
	return list
}

// TestSameCar holds that a car in good order, on another day, with another idle
// speed and another fan point, fails nothing, and that a capture is its own equal:
// all settings, with -short three.
func TestSameCar(t *testing.T) {
	for i, car := range demo.Settings() {
		if testing.Short() && i%6 != 0 && i != 11 {
			continue // one of each gearbox
		}
		t.Run(car.String(), func(t *testing.T) {
			before := record(t, car, demo.Options{Seed: 1})
			after := record(t, car, demo.Options{Seed: 2, Warmer: -18, Idle: 60, FanOn: 4, Start: demo.DefaultStart + 26*3600e9})
			ref := refer(t, before, load(t, car), nil)
			self := ref.set(before)
			if self.Verdict != rules.Pass {
				t.Errorf("against itself: %s: %q %q", self.Verdict, rowsOf(self, rules.Fail), rowsOf(self, rules.Review))
			}
			other := ref.set(after)
			for _, text := range rowsOf(other, rules.Fail) {
				t.Error(text)
			}
			for _, text := range rowsOf(refer(t, before, nil, definitions(t, car)).set(after), rules.Fail) {
				t.Errorf("by DBC files: %s", text)
			}
			for _, text := range rowsOf(refer(t, before, nil, nil).set(after), rules.Fail) {
				t.Errorf("by bits: %s", text)
			}
			for _, f := range other.Functions {
				if f.Exercised && f.Verdict == rules.Fail {
					t.Errorf("%s: %s", f.Title, f.Reason)
				}
			}
		})
	}
}

// TestKeyTwice holds that the lamps that check themselves at the second turn of the
// key of one capture are no complaint, whichever capture it is in.
func TestKeyTwice(t *testing.T) {
	car, err := demo.ParseSetting("lowan-2-20t-a5")
	if err != nil {
		t.Fatal(err)
	}
	once := record(t, car, demo.Options{Seed: 1})
	twice := record(t, car, demo.Options{Seed: 2})
	again := record(t, car, demo.Options{Seed: 3, Start: twice.Frames[len(twice.Frames)-1].Time + 4e9})
	for i := range again.Frames {
		if a, b := again.Buses.Name(again.Frames[i].Bus), twice.Buses.Name(again.Frames[i].Bus); a != b {
			t.Fatalf("bus %d is %s and %s", again.Frames[i].Bus, a, b)
		}
	}
	twice.Frames = append(twice.Frames, again.Frames...)
	for name, pair := range map[string][2]*mutate.Drive{"before": {twice, once}, "after": {once, twice}} {
		res := refer(t, pair[0], load(t, car), nil).set(pair[1])
		for _, row := range res.Complaints {
			t.Errorf("twice %s: %s: %s", name, row.Verdict, row.Text)
		}
		for _, text := range rowsOf(res, rules.Fail) {
			t.Errorf("twice %s: %s", name, text)
		}
		for _, text := range rowsOf(res, rules.Review) {
			t.Logf("twice %s: %s", name, text)
		}
	}
}
