package learn

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"testing/fstest"

	"plugproof/decode/capture"
	"plugproof/decode/witness"
	"plugproof/profiles"
	"plugproof/profiles/confusion"
	"plugproof/profiles/identify"
)

// beside compiles the demo car, its near neighbours and learned cars.
func beside(t testing.TB, learned map[string]*Learned, dbcs map[string]string) *identify.Plan {
	t.Helper()
	files := fstest.MapFS{}
	for name, l := range learned {
		text := string(l.YAML)
		if l.Profile.Replaced == "" {
			// Address 0 is engine 1 (SAE J1939, appendix B, from memory).
			text += "replaced: Address00\n"
		}
		files[name+".yaml"] = &fstest.MapFile{Data: []byte(text)}
		files[filepath.Base(dbcs[name])] = &fstest.MapFile{Data: dbcFile(t, dbcs[name]).Source}
	}
	p, err := identify.Load(confusion.Near(profiles.Folder{Name: "learned", FS: files}))
	if err != nil {
		t.Fatal(err)
	}
	if got := len(p.Names()); got != 12+20+len(learned) {
		t.Fatalf("%d settings", got)
	}
	return p
}

// renamed copies a capture with another name of its interface.
func renamed(t testing.TB, path, from, to string) string {
	t.Helper()
	src, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	copied := filepath.Join(t.TempDir(), filepath.Base(path))
	if err := os.WriteFile(copied, bytes.ReplaceAll(src, []byte(from), []byte(to)), 0o644); err != nil {
		t.Fatal(err)
	}
	return copied
}

// whose identifies the car of a capture.
func whose(t testing.TB, p *identify.Plan, path string, ecu identify.ECU) *identify.Result {
	t.Helper()
	r, err := capture.Open([]string{path}, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	c, err := capture.Fold(t.Context(), r, func() *identify.Collector { return p.New(r.Buses()) })
	if err != nil {
		t.Fatal(err)
	}
	res, err := p.Judge(c, identify.Input{ECU: ecu})
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// TestLearnedCarsAreKnownAgain: by profiles learned from one capture of a car, a
// capture that was not learned from is given to that car and no other: with the
// engine computer fitted, and from the other modules alone with it unplugged or
// silent.
func TestLearnedCarsAreKnownAgain(t *testing.T) {
	dir := hatchback(t)
	const early = 9000 // lines
	p := beside(t, map[string]*Learned{"hatchback": learnHatchback(t), "truck": learnTruck(t, truck(t, 1, early))}, map[string]string{
		"hatchback": filepath.Join(dir, "drive.dbc"),
		"truck":     filepath.Join(witness.PublicData(t), "captures", "truck-j1939", "remora.dbc"),
	})
	for _, row := range []struct {
		name, capture string
		ecu           identify.ECU
		car           string
	}{
		{"another drive of the hatchback", filepath.Join(dir, "air-con-on-off.log"), identify.Factory, "hatchback"},
		{"the same, recorded on an interface with the name of the truck's", renamed(t, filepath.Join(dir, "air-con-on-off.log"), "can0", "can1"), identify.Factory, "hatchback"},
		{"the hatchback's ECU unplugged", filepath.Join(dir, "ecu-unplugged-key-on.log"), identify.Out, "hatchback"},
		{"later minutes of the truck", truck(t, early+1, firstPart), identify.Factory, "truck"},
		{"the truck's second recording, its engine silent", truck(t, firstPart+1, secondPart), identify.Out, "truck"},
		{"the truck's third recording, its engine silent", truck(t, secondPart+1, 0), identify.Out, "truck"},
		{"a demo car", filepath.Join(witness.Root(t), "testdata", "captures", "lowan-key-on-idle.log"), identify.Factory, "lowan-2-20t-a5"},
	} {
		res := whose(t, p, row.capture, row.ecu)
		if !slices.Equal(res.Settings, []string{row.car}) || res.Verdict != identify.Identified && res.Verdict != identify.Likely {
			t.Errorf("%s: %s %v, odds %g to %s, want %s", row.name, res.Verdict, res.Settings, res.Odds, res.Next, row.car)
			for _, e := range res.Evidence {
				if e.Outcome == identify.Contradicts {
					t.Logf("%+v", e)
				}
			}
		}
	}
}
