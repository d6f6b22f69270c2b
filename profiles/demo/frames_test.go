package demo

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles/traffic"
)

func newDrive(t testing.TB, s Setting, opts Options) *Drive {
	t.Helper()
	d, err := New(s, opts)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func drain(t testing.TB, d *Drive) []can.Frame {
	t.Helper()
	var all []can.Frame
	buf := make([]can.Frame, 512)
	for {
		n, err := d.Read(context.Background(), buf)
		all = append(all, buf[:n]...)
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// decoderOf reads frames by the DBC files that the setting names, as a user would.
func decoderOf(t testing.TB, s Setting) *decode.Decoder {
	t.Helper()
	config, err := s.traffic()
	if err != nil {
		t.Fatal(err)
	}
	var maps []decode.Mapping
	for _, bus := range config.Buses {
		for _, db := range bus.Databases {
			maps = append(maps, decode.Mapping{Bus: bus.Name, Database: db})
		}
	}
	decoder, diagnostics := decode.NewDecoder(maps)
	for _, d := range diagnostics {
		if d.Severity == dbc.Error || d.Rule != "message/defined-twice" {
			t.Errorf("%s: %s", s, d)
		}
	}
	return decoder
}

// Every frame of every setting decodes to what was put in, to half a quantum.
func TestFramesDecode(t *testing.T) {
	for _, s := range Settings() {
		t.Run(s.String(), func(t *testing.T) { framesDecode(t, s) })
	}
}

func framesDecode(t *testing.T, s Setting) {
	d := newDrive(t, s, Options{Seed: 3})
	put := map[string]float64{} // what the value functions said since the last frame
	for _, sig := range d.car.signals() {
		ref := string(sig.ref)
		err := d.source.Bind(sig.ref, func() float64 {
			v := sig.value()
			put[ref] = v
			return v
		})
		if name, _ := sig.ref.Split(); err != nil && d.source.Has(name) && !strings.Contains(err.Error(), traffic.ErrNoSignal.Error()) {
			t.Fatal(err)
		}
	}
	finder := decoderOf(t, s).Finder(d.Buses())
	var values []decode.Value
	var one [1]can.Frame
	frames, starting, checked := 0, 0, 0
	for {
		clear(put)
		_, err := d.Read(context.Background(), one[:])
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		frames++
		m := finder.Lookup(&one[0])
		if m == nil {
			t.Fatalf("frame %X on bus %d is not known", one[0].ID, one[0].Bus)
		}
		if int(one[0].Len) != m.Def.Length {
			t.Fatalf("%s has %d bytes, the DBC says %d", m.Def.Name, one[0].Len, m.Def.Length)
		}
		var complete bool
		if values, complete = m.Decode(&one[0], values[:0]); !complete {
			t.Fatalf("%s % X is not complete", m.Def.Name, one[0].Payload())
		}
		said := 0
		for i := range values {
			v := &values[i]
			want, ok := put[m.Def.Name+"."+v.Signal.Def.Name]
			if !ok {
				continue
			}
			said++
			if off := math.Abs(v.Phys - want); off > 0.5000001*v.Signal.Def.Factor && !v.Signal.Float() {
				t.Fatalf("%s.%s reads %v, put in was %v", m.Def.Name, v.Signal.Def.Name, v.Phys, want)
			}
			if math.IsNaN(want) != (v.Label() == traffic.NotAvailable) && !v.Signal.Float() {
				t.Fatalf("%s.%s reads %q, put in was %v", m.Def.Name, v.Signal.Def.Name, v.Label(), want)
			}
			if v.Signal.Float() && v.Phys != float64(float32(want)) {
				t.Fatalf("%s.%s reads %v, put in was %v", m.Def.Name, v.Signal.Def.Name, v.Phys, want)
			}
		}
		checked += said
		if said == 0 {
			starting++
			startValues(t, m, values)
		}
	}
	if frames < 30_000 || checked < 4*frames || starting == 0 || starting > frames/50 {
		t.Errorf("%d frames, %d values checked, %d frames of starting nodes", frames, checked, starting)
	}
}

// startValues checks a frame of a node that is starting.
func startValues(t *testing.T, m *decode.Message, values []decode.Value) {
	t.Helper()
	for i := range values {
		v := &values[i]
		start := v.Signal.Def.Start0
		if start == nil || strings.HasSuffix(v.Signal.Def.Name, "Count") || strings.HasSuffix(v.Signal.Def.Name, "Check") {
			continue
		}
		if s := v.Signal.Def; s.Multiplexer || strings.HasSuffix(s.Name, "Toggle") || strings.HasSuffix(s.Name, "Parity") {
			continue
		}
		if int64(v.Raw) != int64(*start) {
			t.Fatalf("%s.%s of a starting node is %d, its start value is %v", m.Def.Name, v.Signal.Def.Name, int64(v.Raw), *start)
		}
	}
}

// Nothing is left to chance: each signal of each setting has a value function or
// belongs to the protection, and each value function is for a signal of some
// setting.
func TestEverySignalBound(t *testing.T) {
	used := map[string]bool{}
	for _, s := range Settings() {
		d := newDrive(t, s, Options{})
		if list := d.source.Unbound(); len(list) > 0 {
			t.Errorf("%s: no value for %v", s, list)
		}
		seen := map[string]bool{}
		for _, sig := range d.car.signals() {
			if seen[string(sig.ref)] {
				t.Errorf("%s is listed twice", sig.ref)
			}
			seen[string(sig.ref)] = true
			if d.source.Bind(sig.ref, sig.value) == nil {
				used[string(sig.ref)] = true
			}
		}
	}
	for _, sig := range newDrive(t, Settings()[0], Options{}).car.signals() {
		if !used[string(sig.ref)] {
			t.Errorf("%s is a signal of no setting", sig.ref)
		}
	}
}

// Protection holds on every frame, as the verifier sees it that rules use.
func TestProtection(t *testing.T) {
	for _, s := range Settings() {
		config, err := s.traffic()
		if err != nil {
			t.Fatal(err)
		}
		d := newDrive(t, s, Options{Seed: 4})
		finder := decoderOf(t, s).Finder(d.Buses())
		watches := map[string]*guard.Watch{}
		counts := map[string]int{}
		for _, f := range drain(t, d) {
			name := finder.Lookup(&f).Def.Name
			p, ok := config.Protections[name]
			if !ok {
				continue
			}
			w := watches[name]
			if w == nil {
				g, err := p.Compile()
				if err != nil {
					t.Fatal(err)
				}
				w = g.Watch(0) // in sequence, whatever the time
				watches[name] = w
			}
			if faults := w.Add(&f); faults != 0 {
				t.Fatalf("%s: %s at %d: %v", s, name, f.Time, faults)
			}
			counts[name]++
		}
		for name := range config.Protections {
			if d.source.Has(name) && counts[name] < 64 {
				t.Errorf("%s: only %d frames of %s", s, counts[name], name)
			}
		}
	}
}

// Frames come in the order of time, never overlap on a bus, and keep their
// cycles while their sender is on.
func TestCycles(t *testing.T) {
	s := Setting{2, TwoLitreTurbo, Auto5}
	d := newDrive(t, s, Options{Seed: 5})
	finder := decoderOf(t, s).Finder(d.Buses())
	last := map[*decode.Message]int64{}
	free := map[uint16]int64{}
	gaps := map[*decode.Message][]int64{}
	before := int64(0)
	for _, f := range drain(t, d) {
		if f.Time < before || f.Time < free[f.Bus] {
			t.Fatalf("frame %X at %d: before the end of the one before", f.ID, f.Time)
		}
		nominal, _ := f.WireBits()
		rate := map[string]int64{DriveBus: 500_000, BodyBus: 125_000}[d.Buses().Name(f.Bus)]
		before, free[f.Bus] = f.Time, f.Time+int64(nominal)*1e9/rate
		m := finder.Lookup(&f)
		if at, ok := last[m]; ok {
			gaps[m] = append(gaps[m], f.Time-at)
		}
		last[m] = f.Time
	}
	cyclic := 0
	for m, list := range gaps {
		cycle := m.Def.CycleTime
		if cycle == 0 {
			continue
		}
		cyclic++
		for i, gap := range list {
			off := time.Duration(gap) - cycle
			extra := strings.Contains(m.Def.SendType, "Change") && gap < int64(cycle)
			if (off > 2*time.Millisecond || off < -2*time.Millisecond) && !extra {
				t.Errorf("%s: gap %d is %v, its cycle %v", m.Def.Name, i, time.Duration(gap), cycle)
				break
			}
		}
	}
	if cyclic < 30 {
		t.Errorf("only %d cyclic messages", cyclic)
	}
}

// The same seed gives the same capture to the byte, another seed another.
func TestSameSeed(t *testing.T) {
	sum := func(seed uint64) string {
		h := sha256.New()
		for _, f := range drain(t, newDrive(t, Settings()[7], Options{Seed: seed})) {
			fmt.Fprintf(h, "%d %d %X % X\n", f.Time, f.Bus, f.ID, f.Payload())
		}
		return hex.EncodeToString(h.Sum(nil))
	}
	one := sum(1)
	if sum(1) != one {
		t.Error("the same seed gives another capture")
	}
	if sum(2) == one {
		t.Error("another seed gives the same capture")
	}
}

// What can be told apart on the bus, and what cannot: with everything plugged in
// only the two settings that share their electronics are the same; with the
// engine controller unplugged nothing in a manual series 1 knows the engine.
func TestSettingsDiffer(t *testing.T) {
	for _, row := range []struct {
		without []string
		same    string
	}{
		{nil, "lowan-1-20-m5 lowan-2-20-m5"},
		{[]string{"Engine"}, "lowan-1-20-m5 lowan-1-20t-m5 lowan-2-20-m5"},
	} {
		classes := map[string][]string{}
		for _, s := range Settings() {
			script, err := Cut(Script(0, s), "key-on")
			if err != nil {
				t.Fatal(err)
			}
			h := sha256.New()
			for _, f := range drain(t, newDrive(t, s, Options{Seed: 1, Script: script, Without: row.without})) {
				fmt.Fprintf(h, "%d %d %X % X\n", f.Time, f.Bus, f.ID, f.Payload())
			}
			sum := hex.EncodeToString(h.Sum(nil))
			classes[sum] = append(classes[sum], s.String())
		}
		for _, names := range classes {
			if same := strings.Join(names, " "); len(names) > 1 && same != row.same {
				t.Errorf("without %v: the same on the bus: %s", row.without, same)
			}
		}
		if want := 12 - strings.Count(row.same, " "); len(classes) != want {
			t.Errorf("without %v: %d different captures of 12 settings, want %d", row.without, len(classes), want)
		}
	}
}

func BenchmarkRead(b *testing.B) {
	s := Setting{2, TwoLitreTurbo, Auto5}
	buf := make([]can.Frame, 512)
	frames := 0
	b.ReportAllocs()
	for b.Loop() {
		d := newDrive(b, s, Options{Script: Script(1, s)})
		for {
			n, err := d.Read(context.Background(), buf)
			frames += n
			if err == io.EOF {
				break
			}
			if err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(float64(frames)/b.Elapsed().Seconds(), "frames/s")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames), "ns/frame")
}

func TestAllocations(t *testing.T) {
	s := Setting{2, TwoLitreTurbo, Auto5}
	d := newDrive(t, s, Options{Script: Script(1, s)})
	buf := make([]can.Frame, 512)
	allocs := testing.AllocsPerRun(500, func() {
		if _, err := d.Read(context.Background(), buf); err != nil {
			t.Fatal(err)
		}
	})
	if allocs > 0 {
		t.Errorf("%v allocations per 512 frames, want none", allocs)
	}
}

// On a good car no value is outside the range that the DBC states, and from
// 1.5 s after key-on to key-off none is missing.
func TestValuesInRange(t *testing.T) {
	for _, s := range Settings() {
		d := newDrive(t, s, Options{Seed: 6, Warmer: -25})
		finder := decoderOf(t, s).Finder(d.Buses())
		markers := d.Markers()
		from := markers[1].Start + 35*1e7 + 15*1e8     // the key turns 0.35 s into key-on
		until := markers[len(markers)-1].Start + 4*1e8 // and back 0.4 s into key-off
		bad := map[string]bool{}                       // said once each
		report := func(v *decode.Value, m, what string, t0 int64) {
			if name := m + "." + v.Signal.Def.Name; !bad[name] {
				bad[name] = true
				t.Errorf("%s: %s is %v at %.2f s: %s", s, name, v.Phys, float64(t0-DefaultStart)/1e9, what)
			}
		}
		var values []decode.Value
		for _, f := range drain(t, d) {
			m := finder.Lookup(&f)
			values, _ = m.Decode(&f, values[:0])
			for i := range values {
				v := &values[i]
				def := v.Signal.Def
				switch {
				case v.Label() == traffic.NotAvailable:
					if f.Time > from && f.Time < until {
						report(v, m.Def.Name, "not available", f.Time)
					}
				case def.Name == "RequestedTorque" || def.Name == "StabilityRequestedTorque":
				case v.Phys < def.Min-1e-9 || v.Phys > def.Max+1e-9:
					report(v, m.Def.Name, "outside of its range", f.Time)
				}
			}
		}
	}
}
