package compare

import (
	"os"
	"path/filepath"
	"slices"
	"testing"

	"plugproof/decode"
	"plugproof/decode/capture"
	"plugproof/decode/dbc"
	"plugproof/decode/witness"
	"plugproof/profiles/rules"
)

// hatchback compares two captures of a 2009 car.
func hatchback(t *testing.T, before, after string, dbcs []decode.Mapping) *Result {
	t.Helper()
	dir := filepath.Join(witness.PublicData(t), "captures", "hatchback-2009")
	in := &Input{Definitions: dbcs}
	for _, side := range []struct {
		name   string
		reader **capture.Reader
	}{{before, &in.Before}, {after, &in.After}} {
		r, err := capture.Open([]string{filepath.Join(dir, side.name)}, capture.Options{})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { r.Close() })
		*side.reader = r
	}
	res, err := Run(t.Context(), in)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// gone lists the identifiers whose presence fails.
func gone(res *Result) (ids []uint32) {
	for i := range res.Messages {
		for _, r := range res.Messages[i].Rows {
			if r.Aspect == Presence && r.Verdict == rules.Fail {
				ids = append(ids, r.ID.Value)
			}
		}
	}
	return ids
}

// TestHatchback compares a real car with its engine computer fitted and with it
// unplugged, key on: bit by bit, and with a DBC file of a sister car.
func TestHatchback(t *testing.T) {
	const fitted, unplugged = "ecu-fitted-key-on.log", "ecu-unplugged-key-on.log"
	src, err := os.ReadFile(filepath.Join(witness.PublicData(t), "captures", "hatchback-2009", "drive.dbc"))
	if err != nil {
		t.Fatal(err)
	}
	dbcs := []decode.Mapping{{Database: dbc.Parse("drive.dbc", src)}}
	// What the engine computer sends: computed from the two captures, identifiers
	// of ten frames and more in the first of which none is in the second.
	own := []uint32{0x2C1, 0x2C4, 0x38A, 0x398, 0x399, 0x3B3, 0x3B4, 0x4C1}
	for name, defs := range map[string][]decode.Mapping{"by bits": nil, "by DBC": dbcs} {
		res := hatchback(t, fitted, unplugged, defs)
		if got := gone(res); res.Verdict != rules.Fail || !slices.Equal(got, own) {
			t.Errorf("%s: %s, gone are %X, want %X", name, res.Verdict, got, own)
		}
		if res.After.Frames != 738 || len(res.Before.Captures) != 1 {
			t.Errorf("%s: %+v", name, res.After)
		}
		for _, path := range []string{fitted, unplugged} {
			if self := hatchback(t, path, path, defs); len(rowsOf(self, rules.Fail))+len(rowsOf(self, rules.Review)) > 0 {
				t.Errorf("%s: %s is not its own equal: %q", name, path, rowsOf(self, rules.Review))
			}
		}
	}
	// The adapter delivered in bursts: nobody is blamed for a pace.
	res := hatchback(t, fitted, unplugged, nil)
	for i := range res.Messages {
		for _, r := range res.Messages[i].Rows {
			if r.Aspect == Cycle && r.Verdict != rules.NotTestable {
				t.Errorf("%s: %s", r.Verdict, r.Text)
			}
		}
	}
}

// TestHatchbackAircon holds that the same car, its air-con cycled, fails nothing
// against its own key-on: bit by bit, and by the DBC file of a sister car, whose
// bounds are not all true of this one.
func TestHatchbackAircon(t *testing.T) {
	src, err := os.ReadFile(filepath.Join(witness.PublicData(t), "captures", "hatchback-2009", "drive.dbc"))
	if err != nil {
		t.Fatal(err)
	}
	for _, dbcs := range [][]decode.Mapping{nil, {{Database: dbc.Parse("drive.dbc", src)}}} {
		res := hatchback(t, "ecu-fitted-key-on.log", "air-con-on-off.log", dbcs)
		for _, text := range rowsOf(res, rules.Fail) {
			t.Error(text)
		}
	}
}
