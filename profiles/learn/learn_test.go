package learn

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/demo"
	"plugproof/profiles/evidence"
	"plugproof/profiles/library"
	"plugproof/profiles/rules"
)

const millisecond = int64(time.Millisecond)

// record writes frames of a bus can0 as a candump log and returns its path.
func record(t testing.TB, name string, frames []can.Frame) string {
	t.Helper()
	slices.SortStableFunc(frames, func(a, b can.Frame) int { return int(a.Time - b.Time) })
	var log []byte
	for i := range frames {
		log = append(capture.AppendLogLine(log, &frames[i], "can0"), '\n')
	}
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, log, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// cyclic makes n frames of an identifier, every cycle ms, from start ms on.
func cyclic(id uint32, start, cycle int64, n int, payload func(i int) []byte) (frames []can.Frame) {
	for i := range n {
		f := can.Frame{ID: id, Time: 1e15 + (start+int64(i)*cycle)*millisecond}
		f.SetPayload(payload(i))
		frames = append(frames, f)
	}
	return frames
}

func still(data ...byte) func(int) []byte { return func(int) []byte { return data } }

// counting is a payload with a counter, a value that moves and a checksum by
// exclusive or.
func counting(i int) []byte {
	b := []byte{byte(i % 16), byte(i * i >> 3), 0x40, 0}
	b[3] = b[0] ^ b[1] ^ b[2]
	return b
}

// learnFrom learns without anything but captures.
func learnFrom(t testing.TB, paths ...string) *Learned {
	t.Helper()
	l, err := Learn(t.Context(), Options{Captures: paths})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// What is learned of a bus whose every frame is known.
func TestLearnKnownBus(t *testing.T) {
	l := learnFrom(t, record(t, "good.log", slices.Concat(
		cyclic(0x100, 0, 10, 400, counting),
		cyclic(0x200, 3, 100, 40, still(1, 0xFF)),
		cyclic(0x300, 5, 1000, 4, still(7)),
	)))
	want := map[string]*profiles.Message{
		"id_100": {
			Bus: "can0", ID: &profiles.ID{Value: 0x100}, Length: new(4), Kind: profiles.Cyclic, Cycle: profiles.Time(10 * millisecond),
			Counter:  &profiles.Counter{Field: profiles.Field{Start: new(0), Length: 4}},
			Checksum: &profiles.Checksum{Field: profiles.Field{Start: new(24), Length: 8}, Law: "xor"},
			Still:    profiles.Bits{Bytes: 4, Stood: 0xFF00F0, Ones: 0x400000},
		},
		"id_200": {
			Bus: "can0", ID: &profiles.ID{Value: 0x200}, Length: new(2), Kind: profiles.Cyclic, Cycle: profiles.Time(100 * millisecond),
			Still: profiles.Bits{Bytes: 2, Stood: 0xFFFF, Ones: 0xFF01},
		},
		"id_300": {Bus: "can0", ID: &profiles.ID{Value: 0x300}, Length: new(1)}, // three gaps tell no pace
	}
	if diff := cmp.Diff(want, l.Profile.Messages); diff != "" {
		t.Errorf("messages (-want +learned):\n%s", diff)
	}
	if len(l.Profile.MaySend) != 0 || !bytes.Contains(l.YAML, []byte("may_send: []")) {
		t.Error("a learned profile lets something be sent")
	}
}

// readBack loads a profile file by the strict loader, from a folder of its own.
func readBack(t testing.TB, l *Learned, dbcs ...DBC) *profiles.Setting {
	t.Helper()
	files := folder{l.Profile.Name + profiles.Extension: l.YAML}
	for _, f := range dbcs {
		files[f.File] = f.Source
	}
	s, err := profiles.NewLibrary(profiles.Folder{FS: files}).Load(l.Profile.Name)
	if err != nil {
		t.Fatalf("%v\n%s", err, l.YAML)
	}
	return s
}

// sameProfile compares what the strict loader reads with what was meant.
func sameProfile(t testing.TB, l *Learned, dbcs ...DBC) {
	t.Helper()
	empty := cmp.FilterValues(func(a, b any) bool { return isEmpty(a) && isEmpty(b) }, cmp.Comparer(func(any, any) bool { return true }))
	if diff := cmp.Diff(l.Profile, &readBack(t, l, dbcs...).Profile, empty); diff != "" {
		t.Errorf("the file does not hold what was learned (-learned +read):\n%s", diff)
	}
}

// isEmpty makes no difference between a list that is absent and one without entries.
func isEmpty(v any) bool {
	switch v := v.(type) {
	case []profiles.SignalRef:
		return len(v) == 0
	case profiles.Files:
		return len(v) == 0
	}
	return false
}

// lowan makes a capture of the demo car in a file of its own.
func lowan(t testing.TB, name string, setting demo.Setting, opts demo.Options) string {
	t.Helper()
	drive, err := demo.New(setting, opts)
	if err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	w, err := capture.NewWriter(&log, drive.Buses(), capture.WriterOptions{Format: capture.CandumpLog})
	if err != nil {
		t.Fatal(err)
	}
	batch := make([]can.Frame, 512)
	for {
		n, err := drive.Read(t.Context(), batch)
		if err != nil {
			break
		}
		if err := w.Write(batch[:n]); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, log.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// lowanDBC returns the DBC files of a setting.
func lowanDBC(t testing.TB, setting demo.Setting) (files []DBC) {
	t.Helper()
	for _, bus := range []string{demo.DriveBus, demo.BodyBus} {
		for _, name := range setting.DBC(bus) {
			src, err := library.DBC(name)
			if err != nil {
				t.Fatal(err)
			}
			files = append(files, DBC{Bus: bus, File: name, Source: src})
		}
	}
	return files
}

// judge checks captures by a setting, with the evidence of its baseline.
func judge(t testing.TB, setting *profiles.Setting, baseline *evidence.Evidence, paths ...string) *rules.Result {
	t.Helper()
	r, err := capture.Open(paths, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	plan, err := evidence.NewPlan(evidence.Options{Setting: setting, Buses: r.Buses()})
	if err != nil {
		t.Fatal(err)
	}
	c, err := capture.Fold(context.Background(), r, plan.New)
	if err != nil {
		t.Fatal(err)
	}
	return rules.Judge(&rules.Case{
		Setting: setting, Evidence: c.Evidence(), Baseline: baseline, Scope: rules.Car,
		Files: paths, Reports: r.Reports(), Buses: r.Buses().Name,
	}, nil)
}

// lines sums findings up, one a line, with the verdict, the rule and what it is about.
func lines(findings []rules.Finding) string {
	var out []string
	for i := range findings {
		f := &findings[i]
		out = append(out, strings.Join(strings.Fields(f.Verdict.String()+" "+f.Rule+" "+f.Sender+" "+f.Message), " "))
	}
	return strings.Join(out, "\n")
}
