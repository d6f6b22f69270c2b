package compare

import (
	"fmt"
	"testing"

	"plugproof/decode"
	"plugproof/decode/capture"
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

// set compares two drives in memory. Without a setting and definitions it goes by bits.
func set(t testing.TB, before, after *mutate.Drive, setting *profiles.Setting, dbcs []decode.Mapping) *Result {
	t.Helper()
	p, err := newPlan(setting, dbcs)
	if err != nil {
		t.Fatal(err)
	}
	same := func(name string) string { return name }
	gather := func(d *mutate.Drive, file string, want map[address]*expected) *shot {
		c := p.newCollector(d.Buses, same, want)
		c.Add(d.Frames)
		return newShot(c, []capture.FileReport{{Path: file, Frames: uint64(len(d.Frames))}})
	}
	was := gather(before, "before.log", nil)
	want := was.expect()
	return (&judge{p: p, before: was, after: gather(after, "after.log", want), want: want}).run()
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
		if testing.Short() && i%5 != 1 {
			continue // one of each gearbox
		}
		t.Run(car.String(), func(t *testing.T) {
			before := record(t, car, demo.Options{Seed: 1})
			after := record(t, car, demo.Options{Seed: 2, Warmer: -18, Idle: 60, FanOn: 4, Start: demo.DefaultStart + 26*3600e9})
			setting := load(t, car)
			self := set(t, before, before, setting, nil)
			if self.Verdict != rules.Pass {
				t.Errorf("against itself: %s: %q %q", self.Verdict, rowsOf(self, rules.Fail), rowsOf(self, rules.Review))
			}
			other := set(t, before, after, setting, nil)
			for _, text := range rowsOf(other, rules.Fail) {
				t.Error(text)
			}
			for _, f := range other.Functions {
				if f.Exercised && f.Verdict == rules.Fail {
					t.Errorf("%s: %s", f.Title, f.Reason)
				}
			}
		})
	}
}
