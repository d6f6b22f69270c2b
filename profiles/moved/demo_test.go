package moved

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/dbc"
	"plugproof/profiles/demo"
	"plugproof/profiles/library"
	"plugproof/profiles/stages"
)

// record writes a drive of the demo car and returns its path and its stages.
func record(t testing.TB, setting demo.Setting, opts demo.Options) (string, stages.Spans) {
	t.Helper()
	d, err := demo.New(setting, opts)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "drive.log")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w, err := capture.NewWriter(f, d.Buses(), capture.WriterOptions{Format: capture.CandumpLog})
	if err != nil {
		t.Fatal(err)
	}
	batch := make([]can.Frame, 512)
	for err == nil {
		var n int
		n, err = d.Read(t.Context(), batch)
		if werr := w.Write(batch[:n]); werr != nil {
			t.Fatal(werr)
		}
	}
	if err := errors.Join(w.Close(), f.Close()); err != nil {
		t.Fatal(err)
	}
	var spans stages.Spans
	for _, m := range d.Markers() {
		spans = append(spans, stages.Span{Stage: m.Name, Start: m.Start, End: m.End})
	}
	return path, spans
}

// truth returns the signals of that name in the DBC files of a setting, which
// were held back, by identifier.
func truth(t testing.TB, setting demo.Setting, name string) map[uint32]Field {
	t.Helper()
	found := map[uint32]Field{}
	for _, bus := range []string{demo.DriveBus, demo.BodyBus} {
		seen := map[uint32]bool{}
		for _, file := range setting.DBC(bus) {
			src, err := library.DBC(file)
			if err != nil {
				t.Fatal(err)
			}
			for _, m := range dbc.Parse(file, src).Messages {
				for _, s := range m.Signals {
					if s.Name == name && !seen[m.ID] {
						f := fieldOf(Field{Start: s.Start, Length: s.Length, Order: s.Order}.bits(), int(s.Order), s.Type == dbc.Signed)
						found[m.ID] = f
					}
				}
				seen[m.ID] = true
			}
		}
	}
	if len(found) == 0 {
		t.Fatalf("%v has no signal %s", setting, name)
	}
	return found
}

// things are what is looked for in the demo car, and the signal that it is. Those
// of automatics have "" for other cars.
var things = []struct{ kind, signal string }{
	{"pedal", "PedalPercent"},
	{"brake", "IsBrakePressed"},
	{"handbrake", "IsHandbrakeOn"},
	{"lever", "LeverPosition"},
	{"engine-speed", "EngineSpeedRpm"},
	{"vehicle-speed", "VehicleSpeedKph"},
	{"temperature", "CoolantTemp"},
	{"lamp", "IsMilOn"},
	{"air-con", "IsAirconRequested"},
}

// place says how a result stands to the truth: first, tied with the first, listed
// or missed. Start, length, byte order and sign must be exact.
func place(res *Result, truth map[uint32]Field) string {
	for i, p := range res.Proposals {
		if f, ok := truth[p.ID.Value]; !ok || p.Field != f {
			continue
		}
		switch {
		case i == 0:
			return "first"
		case p.Tied:
			return "tied"
		}
		return "listed"
	}
	return "missed"
}

// tally counts the places of one thing.
type tally struct{ all, first, tied, listed, missed, told int }

// look looks for all things in one drive.
func look(t *testing.T, s demo.Setting, opts demo.Options, counts map[string]*tally) {
	t.Helper()
	path, spans := record(t, s, opts)
	for _, thing := range things {
		if thing.kind == "lever" && !s.Automatic() {
			continue
		}
		res, err := Find(t.Context(), Options{Captures: []string{path}, Moved: thing.kind, Stages: spans})
		if err != nil {
			t.Fatal(err)
		}
		c := counts[thing.kind]
		if c == nil {
			c = &tally{}
			counts[thing.kind] = c
		}
		c.all++
		switch at := place(res, truth(t, s, thing.signal)); at {
		case "first":
			c.first++
		case "tied":
			c.tied++
		case "listed":
			c.listed++
			t.Logf("%v, seed %d, %s: %s", s, opts.Seed, thing.kind, at)
		default:
			c.missed++
			t.Logf("%v, seed %d, %s: %s", s, opts.Seed, thing.kind, at)
		}
		if res.Told {
			c.told++
		}
	}
}

// The demo car's pedal, lever, engine speed and the rest are first or tied.
func TestDemoCar(t *testing.T) {
	counts := map[string]*tally{}
	s := demo.Setting{Series: 2, Engine: demo.TwoLitreTurbo, Gearbox: demo.Auto5}
	look(t, s, demo.Options{Seed: 1}, counts)
	for _, thing := range things {
		if c := counts[thing.kind]; c.first+c.tied != 1 && thing.kind != "temperature" { // it rises by 3 K in 90 s
			t.Errorf("%s is not found", thing.kind)
		}
	}
	for _, kind := range []string{"pedal", "brake", "lever", "engine-speed", "air-con"} {
		if counts[kind].told != 1 {
			t.Errorf("%s is not told", kind)
		}
	}
}

// Where nothing was moved nothing is claimed, whatever times are given.
func TestNothingMoved(t *testing.T) {
	s := demo.Setting{Series: 2, Engine: demo.TwoLitre, Gearbox: demo.Auto5}
	script, err := demo.Cut(demo.Script(0.2, s), "key-on", "idle")
	if err != nil {
		t.Fatal(err)
	}
	path, spans := record(t, s, demo.Options{Seed: 5, Script: script})
	start, length := spans[0].Start+8e9, spans[1].End-spans[0].Start-8e9 // started, and past the bulb check
	idle := filepath.Join(t.TempDir(), "idle.log")
	cut(t, path, idle, start)
	rng := rand.New(rand.NewPCG(11, 13))
	draws := 30
	if testing.Short() {
		draws = 3
	}
	for i := range draws {
		var when []Span
		for range 1 + rng.IntN(3) {
			from := start + rng.Int64N(length*4/5)
			when = append(when, Span{from, from + 1e9 + rng.Int64N(length/6)})
		}
		kind := []string{"pedal", "brake", "lever", "lamp", "switch", "value"}[i%6]
		res, err := Find(t.Context(), Options{Captures: []string{idle}, Moved: kind, When: when})
		if err != nil {
			t.Fatal(err)
		}
		if res.Told {
			p := res.Proposals[0]
			t.Errorf("draw %d: %s is claimed to be %s %s %v, score %.2f, chance %.2g: %v", i, kind, p.Bus, p.ID, p.Field, p.Score, p.Chance, p.Why)
		}
		if len(res.Record) == 0 {
			t.Errorf("draw %d: %s: not said what to record", i, kind)
		}
	}
}

// cut writes the lines of a log from a time on.
func cut(t *testing.T, from, to string, start int64) {
	t.Helper()
	src, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(src, fmt.Appendf(nil, "(%d.", start/1e9))
	if at < 0 {
		t.Fatal("no such time")
	}
	if err := os.WriteFile(to, src[at:], 0o666); err != nil {
		t.Fatal(err)
	}
}
