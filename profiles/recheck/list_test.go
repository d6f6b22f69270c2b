package recheck

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/profiles/rules"
)

// TestManifest reads what may stand in a manifest, and refuses the rest where it
// stands.
func TestManifest(t *testing.T) {
	for _, row := range []struct {
		name, text string
		want       []Entry
		err        string
	}{
		{name: "one", text: "format: 1\nprofile: p\ncaptures: [{capture: a.log}]\n", want: []Entry{{Captures: []string{"a.log"}, Profile: "p", Scope: rules.Car}}},
		{
			name: "everything",
			text: "format: 1\ncaptures:\n  - capture: [sub/./a.log, b.log]\n    profile: q\n    baseline: c.log\n    scope: ecu-on-bench\n    stage: idle\n    buses: {can0: drive}\n    functions: [f]\n    lamps: [MIL]\n    dead: [g]\n",
			want: []Entry{{
				Captures: []string{"sub/a.log", "b.log"}, Profile: "q", Baseline: []string{"c.log"}, Scope: rules.ECUOnBench, Stage: "idle",
				Buses: map[string]string{"can0": "drive"}, Functions: []string{"f"}, Lamps: []string{"MIL"}, Dead: []string{"g"},
			}},
		},
		{name: "none", text: "format: 1\ncaptures: []\n", want: []Entry{}},
		{name: "no profile", text: "format: 1\ncaptures:\n  - {capture: a.log}\n", err: "m.yaml:3:15: error: a.log is judged by no profile"},
		{name: "twice", text: "format: 1\nprofile: p\ncaptures:\n  - {capture: a.log}\n  - {capture: ./a.log}\n", err: "m.yaml:5:15: error: a.log is listed already"},
		{name: "no capture", text: "format: 1\nprofile: p\ncaptures:\n  - {capture: []}\n", err: "m.yaml:4:15: error: an entry names no capture"},
		{name: "out of the folder", text: "format: 1\nprofile: p\ncaptures:\n  - {capture: ../a.log}\n", err: `m.yaml:4:15: error: "../a.log" leads out`},
		{name: "absolute", text: "format: 1\nprofile: p\ncaptures:\n  - {capture: a.log, baseline: /a.log}\n", err: `m.yaml:4:32: error: "/a.log" leads out`},
		{name: "unknown key", text: "format: 1\nprofile: p\ncaptures:\n  - {capture: a.log, colour: red}\n", err: "m.yaml:4:22: error: unknown field"},
		{name: "unknown stage", text: "format: 1\nprofile: p\ncaptures:\n  - {capture: a.log, stage: lunch}\n", err: `m.yaml:4:29: error: stage "lunch"`},
		{name: "unknown scope", text: "format: 1\nprofile: p\ncaptures:\n  - {capture: a.log, scope: moon}\n", err: `m.yaml:4:29: error: scope "moon"`},
		{name: "newer format", text: "format: 2\ncaptures: []\n", err: "m.yaml:1:1: error: format 2 is newer"},
		{name: "no format", text: "captures: []\n", err: "m.yaml:"},
		{name: "no YAML", text: "{", err: "m.yaml:1:"},
	} {
		t.Run(row.name, func(t *testing.T) {
			got, err := parseManifest("m.yaml", []byte(row.text))
			if row.err != "" {
				if err == nil || !strings.Contains(err.Error(), row.err) {
					t.Fatalf("error %v, want %s", err, row.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(row.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

func FuzzManifest(f *testing.F) {
	f.Add([]byte("format: 1\nprofile: p\ncaptures: [{capture: a.log}]\n"))
	f.Add([]byte("format: 1\ncaptures:\n  - capture: [a.log, b.log]\n    buses: {can0: drive}\n    stage: idle\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		entries, err := parseManifest("m.yaml", src)
		if err != nil {
			return
		}
		for i := range entries {
			if e := &entries[i]; len(e.Captures) == 0 || e.Profile == "" || strings.HasPrefix(e.Name(), "..") {
				t.Errorf("%+v", e)
			}
		}
	})
}

// TestWalk: the nearest folder that is named like a setting counts.
func TestWalk(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{
		"lowan-2-20t-a5/deep/er/a.log", "lowan-2-20t-a5/lowan-3-20-a8/b.pcapng.gz", "c.log.zst",
		"notes.txt", "lowan-2-20t-a5/a.log.stages.yaml", "lowan-2-20t-a5/drive.dbc",
	} {
		put(t, dir, name, nil)
	}
	got, err := List(dir, lib())
	if err != nil {
		t.Fatal(err)
	}
	want := []Entry{
		{Captures: []string{"c.log.zst"}, Scope: rules.Car},
		{Captures: []string{"lowan-2-20t-a5/deep/er/a.log"}, Profile: "lowan-2-20t-a5", Scope: rules.Car},
		{Captures: []string{"lowan-2-20t-a5/lowan-3-20-a8/b.pcapng.gz"}, Profile: "lowan-3-20-a8", Scope: rules.Car},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
