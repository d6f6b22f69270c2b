package compare

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles/demo"
	"plugproof/profiles/rules"
)

// write writes frames as a log.
func write(t testing.TB, name string, buses *can.Buses, frames []can.Frame) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	var text []byte
	for i := range frames {
		text = append(capture.AppendLogLine(text, &frames[i], buses.Name(frames[i].Bus)), '\n')
	}
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

func run(t testing.TB, before, after string, workers int, in Input) (*Result, error) {
	t.Helper()
	for _, side := range []struct {
		path   string
		reader **capture.Reader
	}{{before, &in.Before}, {after, &in.After}} {
		r, err := capture.Open([]string{side.path}, capture.Options{Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		*side.reader = r
	}
	return Run(t.Context(), &in)
}

// TestWorkers holds that the result does not depend on how many read.
func TestWorkers(t *testing.T) {
	car, _ := demo.ParseSetting("lowan-2-20t-a5")
	script := demo.Script(0.12, car) // several chunks long
	before := record(t, car, demo.Options{Seed: 1, Script: script})
	after := record(t, car, demo.Options{Seed: 2, Script: script, Without: []string{"EngineSpeed"}})
	a, b := write(t, "a.log", before.Buses, before.Frames), write(t, "b.log", after.Buses, after.Frames)
	if info, err := os.Stat(a); err != nil || info.Size() < 5<<20 {
		t.Fatalf("%v, %v: of one chunk only", info, err)
	}
	var want *Result
	for _, workers := range []int{1, 2, 5} {
		got, err := run(t, a, b, workers, Input{Setting: load(t, car)})
		if err != nil {
			t.Fatal(err)
		}
		if want == nil {
			want = got
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%d workers: %s", workers, diff)
		}
	}
}

// TestCuts holds that a capture gathered in pieces gives the verdicts of the whole.
func TestCuts(t *testing.T) {
	car, _ := demo.ParseSetting("lowan-1-20-a5")
	d := record(t, car, demo.Options{Seed: 1})
	ref := refer(t, d, load(t, car), nil)
	whole := ref.set(d)
	same := func(name string) string { return name }
	c := ref.p.newCollector(d.Buses, same, nil, ref.want)
	for frames := d.Frames; len(frames) > 0; {
		n := min(len(frames), 7001)
		next := ref.p.newCollector(d.Buses, same, nil, ref.want)
		next.Add(frames[:n])
		c.Merge(next)
		frames = frames[n:]
	}
	shot := newShot(c, []capture.FileReport{{Path: "after.log", Frames: uint64(len(d.Frames))}})
	cut := (&judge{p: ref.p, before: ref.was, after: shot, want: ref.want}).run()
	if cut.Verdict != rules.Pass {
		t.Errorf("%s: %q %q", cut.Verdict, rowsOf(cut, rules.Fail), rowsOf(cut, rules.Review))
	}
	// A few values at each cut are in no state, or in the one before.
	near := cmpopts.EquateApprox(0.02, 40)
	counts := cmp.Comparer(func(a, b uint64) bool { return max(a, b)-min(a, b) <= 400 })
	if diff := cmp.Diff(figures(whole), figures(cut), near, counts); diff != "" {
		t.Error(diff)
	}
	inWhole, inCut := states(whole), states(cut)
	for label := range inWhole {
		inCut[label] += 0 // for short states that only one of them has
	}
	for label, n := range inCut {
		if w := inWhole[label]; max(n, w)-min(n, w) > 400 {
			t.Errorf("%s: %d frames in the whole, %d in pieces", label, w, n)
		}
	}
}

func figures(r *Result) (list []Facts) {
	for i := range r.Messages {
		list = append(list, r.Messages[i].After)
	}
	return list
}

func states(r *Result) map[string]uint64 {
	m := map[string]uint64{}
	for i := range r.States {
		m[r.States[i].Label] = r.States[i].After
	}
	return m
}

// TestMarkedStages holds that stages marked beside both captures are states that
// nobody's frames must tell, so that values can be judged without definitions.
func TestMarkedStages(t *testing.T) {
	car, _ := demo.ParseSetting("lowan-1-20-m5")
	d := record(t, car, demo.Options{Seed: 1})
	colder := record(t, car, demo.Options{Seed: 1, Warmer: -30})
	a, b := write(t, "a.log", d.Buses, d.Frames), write(t, "b.log", colder.Buses, colder.Frames)
	res, err := run(t, a, b, 1, Input{BeforeStages: d.Stages, AfterStages: colder.Stages})
	if err != nil {
		t.Fatal(err)
	}
	if len(res.Axes) != 1 || res.Axes[0].Title != "stage" || res.Axes[0].Circled {
		t.Fatalf("axes are %+v", res.Axes)
	}
	labels := map[string]uint64{}
	for i := range res.States {
		labels[res.States[i].Label] = res.States[i].After
	}
	for _, span := range d.Stages {
		if labels["stage "+span.Stage] == 0 {
			t.Errorf("no frame with stage %s in %v", span.Stage, labels)
		}
	}
	judged := 0
	for i := range res.Messages {
		for _, r := range res.Messages[i].Rows {
			if r.Aspect == Range && r.Verdict == rules.Review && r.State >= 0 {
				judged++
			}
		}
	}
	if judged == 0 {
		t.Error("another day's temperatures are nowhere for review")
	}
	if res, err = run(t, a, b, 1, Input{BeforeStages: d.Stages}); err != nil || len(res.Axes) != 0 {
		t.Errorf("marked on one side only: %v, axes %+v", err, res.Axes)
	}
}

// TestRefused holds that what cannot be compared is refused with a reason.
func TestRefused(t *testing.T) {
	var buses can.Buses
	buses.Intern([]byte("can0"))
	frames := func(ids ...uint32) (list []can.Frame) {
		for i := range 100 {
			for _, id := range ids {
				f := can.Frame{Time: int64(i) * 10e6, ID: id}
				f.SetPayload([]byte{byte(i)})
				list = append(list, f)
			}
		}
		return list
	}
	a := write(t, "a.log", &buses, frames(1, 2, 3))
	_, err := run(t, a, write(t, "b.log", &buses, frames(3, 4, 5)), 1, Input{})
	var other *OtherCarError
	if !errors.As(err, &other) || other.Common != 1 {
		t.Errorf("another car: %v", err)
	}
	silent := write(t, "c.log", &buses, []can.Frame{{ID: 4, Flags: can.Error, Len: 8}})
	if _, err := run(t, a, silent, 1, Input{}); !errors.Is(err, ErrNothing) || !strings.HasPrefix(err.Error(), "after: ") {
		t.Errorf("no frame after: %v", err)
	}
	if _, err := run(t, silent, a, 1, Input{}); !errors.Is(err, ErrNothing) || !strings.HasPrefix(err.Error(), "before: ") {
		t.Errorf("no frame before: %v", err)
	}
}

// TestMatch pairs interfaces where each capture has one.
func TestMatch(t *testing.T) {
	var one, two can.Buses
	one.Intern([]byte("can0"))
	two.Intern([]byte("vcan3"))
	two.Intern([]byte("vcan4"))
	f := can.Frame{ID: 1, Time: 1e9}
	a, b := write(t, "a.log", &one, []can.Frame{f}), write(t, "b.log", &two, []can.Frame{f})
	g := f
	g.Bus = 1
	c := write(t, "c.log", &two, []can.Frame{f, g})
	for _, row := range []struct {
		after string
		want  map[string]string
	}{{b, map[string]string{"vcan3": "can0"}}, {c, nil}, {"-", nil}} {
		got, err := Match(t.Context(), []string{a}, []string{row.after}, nil)
		if err != nil || !cmp.Equal(got, row.want) {
			t.Errorf("%s: %v, %v, want %v", row.after, got, err, row.want)
		}
	}
}

// TestAllocations holds that gathering costs nothing per frame once it has seen
// what there is.
func TestAllocations(t *testing.T) {
	car, _ := demo.ParseSetting("lowan-2-20t-a5")
	d := record(t, car, demo.Options{Seed: 1})
	for _, ref := range []*reference{refer(t, d, load(t, car), nil), refer(t, d, nil, definitions(t, car))} {
		c := ref.p.newCollector(d.Buses, func(name string) string { return name }, nil, ref.want)
		c.Add(d.Frames)
		batch := d.Frames[len(d.Frames)/2 : len(d.Frames)/2+4096]
		for range 60 { // lists of changes grow up to their limits
			c.Add(batch)
		}
		if n := testing.AllocsPerRun(5, func() { c.Add(batch) }); n > 0 {
			t.Errorf("%s: %.0f allocations in %d frames", ref.p.mode, n, len(batch))
		}
	}
}

// BenchmarkGather gathers the demo car's capture as the one after.
func BenchmarkGather(b *testing.B) {
	car, _ := demo.ParseSetting("lowan-2-20t-a5")
	d := record(b, car, demo.Options{Seed: 1, Script: demo.Script(0.2, car)})
	path := write(b, "a.log", d.Buses, d.Frames)
	info, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	for _, mode := range []string{"profile", "dbc", "bits"} {
		in := Input{}
		switch mode {
		case "profile":
			in.Setting = load(b, car)
		case "dbc":
			in.Definitions = definitions(b, car)
		}
		b.Run(fmt.Sprintf("%s/one worker", mode), func(b *testing.B) {
			b.SetBytes(2 * info.Size())
			b.ReportAllocs()
			for b.Loop() {
				if _, err := run(b, path, path, 1, in); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(2*float64(len(d.Frames))*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mframes/s")
		})
	}
}
