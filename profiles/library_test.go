package profiles

import (
	"errors"
	"fmt"
	"io/fs"
	"runtime"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"
)

// counting counts how often each of its files is opened.
type counting struct {
	fs.FS
	opened map[string]int
}

func (c counting) Open(name string) (fs.File, error) {
	c.opened[name]++
	return c.FS.Open(name)
}

const drive = "BU_: Engine Cluster\nBO_ 1281 Fuel: 8 Engine\n SG_ Used : 0|16@1+ (1,0) [0|0] \"\" Cluster\n"

// fleet is n settings that build on one part with a DBC file, each with a cycle
// of its own, and how often the files were opened.
func fleet(n int) (*Library, map[string]int) {
	files := fstest.MapFS{
		"base.yaml":  {Data: []byte(strings.Replace(base, "bitrate: 500kbit/s", "bitrate: 500kbit/s, dbc: drive.dbc", 1))},
		"drive.dbc":  {Data: []byte(drive)},
		"extra.yaml": {Data: []byte("format: 1\npart: true\nbuilds_on: [base]\nmessages:\n  Speed: {tolerance: 20%}\n")},
	}
	for i := range n {
		text := fmt.Sprintf("format: 1\nname: car-%d\nbuilds_on: [base, extra]\nmessages:\n  Speed: {cycle: %dms}\n  Own%d: {bus: body, id: 0x%X}\n", i, 10+i, i, 0x300+i)
		files[fmt.Sprintf("car-%d.yaml", i)] = &fstest.MapFile{Data: []byte(text)}
	}
	opened := map[string]int{}
	return NewLibrary(Folder{FS: counting{files, opened}}), opened
}

// TestPartsAreReadOnce: what many settings share is read once, and what one of
// them lays over it does not show in the others.
func TestPartsAreReadOnce(t *testing.T) {
	const n = 50
	lib, opened := fleet(n)
	for round := range 2 {
		for i := range n {
			s, err := lib.Load(fmt.Sprintf("car-%d", i))
			if err != nil {
				t.Fatal(err)
			}
			m := s.Message("Speed")
			if want := time.Duration(10+i) * time.Millisecond; m.Cycle.Value != want || m.Tolerance != 0.2 || len(s.Messages) != 4 {
				t.Fatalf("round %d, car %d: cycle %v, tolerance %g, %d messages; want %v, 0.2, 4", round, i, m.Cycle.Value, m.Tolerance, len(s.Messages), want)
			}
		}
	}
	got := [3]int{opened["base.yaml"], opened["extra.yaml"], opened["drive.dbc"]}
	if diff := cmp.Diff([3]int{1, 1, 1}, got); diff != "" {
		t.Errorf("parts and DBC file were opened (-want +got):\n%s", diff)
	}
	alone, _ := fleet(n)
	first, err1 := lib.Compose("car-7")
	second, err2 := alone.Compose("car-7")
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	if diff := cmp.Diff(second.Lines(), first.Lines()); diff != "" {
		t.Errorf("composed after others (-alone +after):\n%s", diff)
	}
}

// endless is a file system whose every file of the given name never ends.
type endless string

func (e endless) Open(name string) (fs.File, error) {
	if name != string(e) {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return endlessFile{}, nil
}

type endlessFile struct{ fs.File }

func (endlessFile) Close() error { return nil }

func (endlessFile) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = '#'
	}
	return len(p), nil
}

// allocated returns how many bytes f allocates.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// TestBadFilesCostLittle: what cannot be a profile is refused before it costs memory.
func TestBadFilesCostLittle(t *testing.T) {
	bomb := "format: 1\na: &a [x,x,x,x,x,x,x,x]\n"
	for c := 'b'; c <= 'z'; c++ {
		bomb += fmt.Sprintf("%c: &%c [%s]\n", c, c, strings.TrimSuffix(strings.Repeat("*"+string(c-1)+",", 8), ","))
	}
	for _, row := range []struct {
		name  string
		files fs.FS
		want  string
		most  uint64 // bytes
	}{
		{"endless profile", endless("car.yaml"), "larger than 1024 kB", 8 << 20},
		{"alias bomb", fstest.MapFS{"car.yaml": {Data: []byte(bomb)}}, "anchors", 4 << 20},
		{"deep brackets", fstest.MapFS{"car.yaml": {Data: []byte(strings.Repeat("[", MaxFileSize))}}, "levels deep", 8 << 20},
		{"deep indentation", fstest.MapFS{"car.yaml": {Data: []byte("format: 1\n" + stairs(1000))}}, "levels deep", 8 << 20},
		{"one long line", fstest.MapFS{"car.yaml": {Data: []byte("format: 1\ntitle: [" + strings.Repeat("x", MaxFileSize-30))}}, "", 64 << 20},
		{"many values", fstest.MapFS{"car.yaml": {Data: []byte("format: 1\nbuilds_on: [" + strings.Repeat("1,", MaxFileSize/2-20) + "1]\n")}}, "keys and values", 8 << 20},
		{"many faults", fstest.MapFS{"car.yaml": {Data: []byte("format: 1\nbuses: {b: {}}\nnodes: {N: {}}\nmessages:\n" + faults(MaxSiblings))}}, "and 8092 problems more", 640 << 20},
		{"many keys", fstest.MapFS{"car.yaml": {Data: []byte("format: 1\n" + strings.Repeat("a: 1\n", MaxSiblings-1))}}, "already defined", 64 << 20},
		{"too many keys", fstest.MapFS{"car.yaml": {Data: []byte("format: 1\n" + strings.Repeat("a: 1\n", MaxSiblings))}}, "keys under one", 4 << 20},
	} {
		t.Run(row.name, func(t *testing.T) {
			var err error
			cost := allocated(func() { _, err = NewLibrary(Folder{FS: row.files}).Load("car") })
			if cost > row.most {
				t.Errorf("%d kB allocated, want at most %d", cost>>10, row.most>>10)
			}
			if row.want != "" && (err == nil || !strings.Contains(err.Error(), row.want)) {
				t.Errorf("got %.200v, want %q", err, row.want)
			}
			t.Logf("%d kB", cost>>10)
		})
	}
}

// faults is n messages of a unit that there is not.
func faults(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "  M%d: {bus: b, id: %#x, sender: X}\n", i, i)
	}
	return b.String()
}

// stairs is a mapping nested n levels deep.
func stairs(n int) string {
	var b strings.Builder
	for i := range n {
		b.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	return b.String()
}

// TestHugeDBC: a DBC file is taken whole or not at all.
func TestHugeDBC(t *testing.T) {
	profile := fstest.MapFS{"car.yaml": {Data: []byte("format: 1\nbuses:\n  drive: {dbc: x.dbc}\n")}}
	lib := NewLibrary(Folder{FS: endless("x.dbc")}, Folder{FS: profile})
	var err error
	cost := allocated(func() { _, err = lib.Load("car") })
	var problems Problems
	if !errors.As(err, &problems) || !strings.Contains(err.Error(), "larger than 16384 kB: no DBC file is") {
		t.Errorf("got %v", err)
	}
	if cost > 8*MaxDBCSize {
		t.Errorf("%d MB allocated", cost>>20)
	}
}
