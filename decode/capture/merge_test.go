package capture

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plugproof/decode/can"
)

func mergeFiles(t *testing.T, texts ...string) (*Merger, []can.Frame) {
	t.Helper()
	dir := t.TempDir()
	var paths []string
	for i, text := range texts {
		path := filepath.Join(dir, fmt.Sprintf("bus%d.log", i))
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		paths = append(paths, path)
	}
	m, err := OpenMerge(paths, Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	var all []can.Frame
	frames := make([]can.Frame, 3)
	for {
		n, err := m.Read(context.Background(), frames)
		all = append(all, frames[:n]...)
		if errors.Is(err, io.EOF) {
			return m, all
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestMerge(t *testing.T) {
	m, frames := mergeFiles(
		t,
		"(1.000000) can0 100#01\n(1.300000) can0 100#02\n(1.400000) can0 100#03\n",
		"(1.100000) can0 200#01\n(1.300000) can0 200#02\n(1.900000) can1 200#03\n",
		"(1.200000) drive 300#01\n",
	)
	var got []string
	for i := range frames {
		f := &frames[i]
		got = append(got, fmt.Sprintf("%.1f %s %X#%X", float64(f.Time)/1e9, m.Buses().Name(f.Bus), f.ID, f.Payload()))
	}
	want := "1.0 can0 100#01, 1.1 bus1-can0 200#01, 1.2 drive 300#01, 1.3 can0 100#02, 1.3 bus1-can0 200#02, 1.4 can0 100#03, 1.9 can1 200#03"
	if s := strings.Join(got, ", "); s != want {
		t.Errorf("merged to\n%s, want\n%s", s, want)
	}
	if r := m.Reports(); len(r) != 3 || r[1].Frames != 3 {
		t.Errorf("reports %+v", r)
	}
}

func TestMergeNothing(t *testing.T) {
	if _, frames := mergeFiles(t, "(1.000000) can0 100#01\n", "(1.000000) can0 100#01\n"); len(frames) != 2 {
		t.Errorf("%d frames", len(frames))
	}
	if _, err := OpenMerge([]string{filepath.Join(t.TempDir(), "none.log")}, Options{}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a capture that is not there: %v", err)
	}
}

// TestOffsets: two adapters on one bus, whose clocks differ by a second and a half,
// agree, wander, or saw nothing in common.
func TestOffsets(t *testing.T) {
	log := func(start, step float64, bus string, id int) string {
		var b strings.Builder
		for i := range 100 {
			fmt.Fprintf(&b, "(%.6f) %s %03X#%04X\n", start+float64(i)*step, bus, id, i)
		}
		return b.String()
	}
	tests := map[string]struct {
		second string
		want   string
	}{
		"behind":  {log(8.5, 0.1, "can0", 0x100), "its clock differs from the first capture's by -1.500 s, as 100 frames show"},
		"agrees":  {log(10.001, 0.1, "can0", 0x100), ""},
		"wanders": {log(10, 0.11, "can0", 0x100), "its clock wanders against the first capture's"},
		"others":  {log(8.5, 0.1, "can0", 0x200), ""},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			m, _ := mergeFiles(t, log(10, 0.1, "can0", 0x100), tt.second)
			o := m.Offsets()
			if len(o) != 1 {
				t.Fatalf("%+v", o)
			}
			if s := o[0].Words(); (tt.want == "") != (s == "") || !strings.Contains(s, tt.want) {
				t.Errorf("said %q, want %q", s, tt.want)
			}
		})
	}
}
