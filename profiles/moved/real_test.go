package moved

import (
	"cmp"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/dbc"
	"plugproof/decode/witness"
	"plugproof/profiles"
)

// instrument reads a signal by its DBC file, as a scan tool beside the car would:
// twelve times, spread over its values.
func instrument(t *testing.T, path, definitions, signal string) (list []Reading, id profiles.ID, f Field) {
	t.Helper()
	src, err := os.ReadFile(definitions)
	if err != nil {
		t.Fatal(err)
	}
	dec, _ := decode.NewDecoder([]decode.Mapping{{Database: dbc.Parse(definitions, src)}})
	r, err := capture.Open([]string{path}, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	batch := make([]can.Frame, 512)
	for {
		n, err := r.Read(t.Context(), batch)
		if n == 0 || err != nil {
			break
		}
		for i := range batch[:n] {
			m := dec.Bus(r.Buses().Name(batch[i].Bus)).Lookup(&batch[i])
			if m == nil {
				continue
			}
			values, _ := m.Decode(&batch[i], nil)
			for _, v := range values {
				if v.Signal.Def.Name == signal {
					list = append(list, Reading{batch[i].Time, v.Phys})
					id = profiles.ID{Value: batch[i].ID, Extended: batch[i].Flags&can.Extended != 0}
					d := v.Signal.Def
					f = fieldOf(Field{Start: d.Start, Length: d.Length, Order: d.Order}.bits(), int(d.Order), d.Type == dbc.Signed)
				}
			}
		}
	}
	slices.SortStableFunc(list, func(a, b Reading) int { return cmp.Compare(a.Value, b.Value) })
	var spread []Reading
	for i := range 12 {
		if len(list) > 0 {
			at := list[i*(len(list)-1)/11]
			at.Value = math.Round(at.Value*10) / 10
			spread = append(spread, at)
		}
	}
	slices.SortStableFunc(spread, func(a, b Reading) int { return cmp.Compare(a.Time, b.Time) })
	return spread, id, f
}

// Fields of real vehicles, read by an instrument, their DBC files held back.
func TestRealVehicles(t *testing.T) {
	data := filepath.Join(witness.PublicData(t), "captures")
	hatchback := func(name string) [2]string {
		return [2]string{filepath.Join(data, "hatchback-2009", name), filepath.Join(data, "hatchback-2009", "drive.dbc")}
	}
	truck := [2]string{filepath.Join(data, "truck-j1939", "mixed.log"), filepath.Join(data, "truck-j1939", "remora.dbc")}
	for _, tt := range []struct {
		files  [2]string
		signal string
		want   string // place; "part": bits of the right field, the others never moved; "": nothing is claimed
	}{
		{truck, "EngSpeed", "first"},
		{truck, "Aftertreatment1ExhaustGasTemp1", "part"},
		{truck, "EngPercentLoadAtCurrentSpeed", ""},
		{truck, "WheelBasedVehicleSpeed", ""}, // "not available" and nothing else
		{truck, "EngExhaustGasTemp", ""},      // the same
		{hatchback("air-con-on-off.log"), "LOW_RES_RPM", "first"},
		{hatchback("air-con-on-off.log"), "ACC_PEDAL_MEAN", "first"},
	} {
		t.Run(tt.signal, func(t *testing.T) {
			readings, id, f := instrument(t, tt.files[0], tt.files[1], tt.signal)
			res, err := Find(t.Context(), Options{Captures: []string{tt.files[0]}, Moved: "value", Readings: readings})
			if err != nil {
				t.Fatal(err)
			}
			if res.Told != (tt.want != "") {
				t.Errorf("told %v: %+v", res.Told, res.Proposals)
			}
			switch tt.want {
			case "part":
				bits := f.bits()
				for _, bit := range res.Proposals[0].Field.bits() {
					if res.Proposals[0].ID != id || !slices.Contains(bits, bit) {
						t.Errorf("%s %v is no part of %s %v", res.Proposals[0].ID, res.Proposals[0].Field, id, f)
					}
				}
			case "first":
				if got := place(res, map[uint32]Field{id.Value: f}); got != tt.want {
					t.Errorf("%s: %+v", got, res.Proposals)
				}
			}
		})
	}
}

// Real captures in which nothing was moved, at times drawn by lot.
func TestNothingMovedInRealVehicles(t *testing.T) {
	data := filepath.Join(witness.PublicData(t), "captures")
	rng := rand.New(rand.NewPCG(3, 4))
	for _, name := range []string{"hatchback-2009/ecu-fitted-key-on.log", "truck-j1939/mixed.log"} {
		path := filepath.Join(data, name)
		start, err := FirstStamp(t.Context(), []string{path}, nil)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 36 {
			var when []Span
			for range 1 + rng.IntN(3) {
				from := start + rng.Int64N(8e9)
				when = append(when, Span{from, from + 2e8 + rng.Int64N(2e9)})
			}
			kind := []string{"pedal", "brake", "lever", "lamp", "switch", "value"}[i%6]
			res, err := Find(t.Context(), Options{Captures: []string{path}, Moved: kind, When: when})
			if err != nil {
				t.Fatal(err)
			}
			if res.Told {
				p := res.Proposals[0]
				t.Errorf("%s, draw %d: %s is claimed to be %s %v, score %.2f, chance %.2g: %v", name, i, kind, p.ID, p.Field, p.Score, p.Chance, p.Why)
			}
		}
	}
}
