package capture

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
	"plugproof/decode/witness"
)

var update = flag.Bool("update", false, "rewrite golden files")

// The hand-made odd captures: every frame and the whole report.
func TestOddCaptures(t *testing.T) {
	const golden = "testdata/odd.golden"
	dir := filepath.Join(witness.Root(t), "testdata", "captures")
	paths, err := filepath.Glob(filepath.Join(dir, "odd-*"))
	if err != nil || len(paths) < 6 {
		t.Fatalf("%d captures: %v", len(paths), err)
	}
	r, err := Open(paths, Options{Hash: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	all, err := Fold(context.Background(), r, func() *keep { return &keep{} })
	if err != nil {
		t.Fatal(err)
	}
	var got strings.Builder
	for i, rep := range r.Reports() {
		checkAccount(t, rep)
		rep.Path = filepath.Base(rep.Path)
		text, err := json.MarshalIndent(rep, "", "  ")
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&got, "%s\n", text)
		for _, f := range all.frames {
			if int(f.File) == i {
				fmt.Fprintf(&got, "%d@%d %d %s %03X flags %#x len %d dlc %d % X\n", f.Record, f.Offset,
					f.Time, r.Buses().Name(f.Bus), f.ID, f.Flags, f.Len, f.DLC, f.Payload())
			}
		}
	}
	if *update {
		if err := os.WriteFile(golden, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got.String()); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

// Real captures, read whole. That their lines are all plain records is seen by
// eye; clumped stamps were counted once with a few lines of awk.
func TestPublicCaptures(t *testing.T) {
	dir := filepath.Join(witness.PublicData(t), "captures")
	for _, row := range []struct {
		path           string
		frames         int
		clumped, jumps uint64
	}{
		{"hatchback-2009/air-con-on-off.log", 3841, 292, 0},
		{"hatchback-2009/ecu-fitted-key-on.log", 2233, 152, 0},
		{"hatchback-2009/ecu-unplugged-key-on.log", 738, 37, 0},
		{"truck-j1939/mixed.log", 19535, 0, 2},
	} {
		path := filepath.Join(dir, row.path)
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		r, err := Open([]string{path}, Options{Hash: true})
		if err != nil {
			t.Fatal(err)
		}
		c, err := Fold(context.Background(), r, func() *keep { return &keep{} })
		if err != nil {
			t.Fatal(err)
		}
		rep := r.Reports()[0]
		lines := bytes.Split(bytes.TrimSuffix(text, []byte("\n")), []byte("\n"))
		if len(c.frames) != row.frames || len(lines) != row.frames || len(rep.SetAside) > 0 {
			t.Errorf("%s: %d frames in %d lines, set aside %v", row.path, len(c.frames), len(lines), rep.SetAside)
		}
		if rep.SHA256 != fmt.Sprintf("%x", sha256.Sum256(text)) || rep.Size != int64(len(text)) || rep.Clock != ClockAbsolute {
			t.Errorf("%s: %+v", row.path, rep)
		}
		if rep.Remarks[Clumped].Count != row.clumped || rep.Remarks[Jump].Count != row.jumps || rep.Remarks[Backward].Count != 0 {
			t.Errorf("%s: remarks %v", row.path, rep.Remarks)
		}
		for i := range c.frames {
			f := &c.frames[i]
			want := string(lines[i])
			form := "(%d.%06d) %s %03X#%X"
			if f.Is(can.Extended) {
				form = "(%d.%06d) %s %08X#%X"
			}
			us := f.Time / 1000
			if got := fmt.Sprintf(form, us/1e6, us%1e6, r.Buses().Name(f.Bus), f.ID, f.Payload()); got != want {
				t.Fatalf("%s: %s\nread as %s", row.path, want, got)
			}
		}
		r.Close()
	}
}

// file writes a capture for a test and returns its path.
func file(t *testing.T, name string, content []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, content, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func gzipped(t *testing.T, text string) []byte {
	t.Helper()
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	if _, err := io.WriteString(w, text); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func TestSeveralCapturesInOrder(t *testing.T) {
	plain := "(1.0) can0 001#\n(2.0) can1 002#\n"
	packed := gzipped(t, "(1.0) can1 003#\n")
	console := "  can2  004   [0] \n"
	paths := []string{file(t, "a.log", []byte(plain)), file(t, "b", packed), "-", file(t, "c.pcap", []byte(plain))}
	for _, fold := range []bool{false, true} {
		r, err := Open(paths, Options{Stdin: strings.NewReader(console), Hash: true})
		if err != nil {
			t.Fatal(err)
		}
		c := &keep{}
		if fold {
			c, err = Fold(context.Background(), r, func() *keep { return &keep{} })
		} else {
			dst := make([]can.Frame, 8)
			for err == nil {
				var n int
				n, err = r.Read(context.Background(), dst)
				c.Add(dst[:n])
			}
		}
		if err != nil && !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
		var got strings.Builder
		for _, f := range c.frames {
			fmt.Fprintf(&got, "%d:%d %s %d; ", f.File, f.Record, r.Buses().Name(f.Bus), f.ID)
		}
		if want := "0:1 can0 1; 0:2 can1 2; 1:1 can1 3; 2:1 can2 4; 3:1 can0 1; 3:2 can1 2; "; got.String() != want {
			t.Errorf("fold %v: got  %s\nwant %s", fold, got.String(), want)
		}
		reps := r.Reports()
		if reps[1].Compression != "gzip" || reps[1].SHA256 != fmt.Sprintf("%x", sha256.Sum256(packed)) ||
			reps[1].Size != int64(len(packed)) {
			t.Errorf("fold %v: compressed: %+v", fold, reps[1])
		}
		if reps[2].Format != "candump console" || reps[2].Size != int64(len(console)) ||
			reps[2].SHA256 != fmt.Sprintf("%x", sha256.Sum256([]byte(console))) {
			t.Errorf("fold %v: standard input: %+v", fold, reps[2])
		}
		read := int64(2*len(plain) + len(packed) + len(console))
		if done, total := r.Progress(); done != read || total != -1 {
			t.Errorf("fold %v: %d of %d bytes, want %d of -1", fold, done, total, read)
		}
		for range 2 {
			if err := r.Close(); err != nil {
				t.Error(err)
			}
		}
		if n, err := r.Read(context.Background(), make([]can.Frame, 1)); n != 0 || err == nil || errors.Is(err, io.EOF) {
			t.Errorf("read after close: %d, %v", n, err)
		}
	}
}

func TestProgressKnowsTheTotal(t *testing.T) {
	text := benchLog(10_000)
	r, err := Open([]string{file(t, "a", text), file(t, "b", text)}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if done, total := r.Progress(); done != 0 || total != int64(2*len(text)) {
		t.Errorf("at the start: %d of %d", done, total)
	}
	drainFrames(t, r)
	if done, total := r.Progress(); done != total {
		t.Errorf("at the end: %d of %d", done, total)
	}
}

func TestOpenErrors(t *testing.T) {
	good := file(t, "good", []byte("(1.0) can0 001#\n"))
	for _, row := range []struct {
		name  string
		paths []string
		want  string
		is    error
	}{
		{"nothing", nil, "0 captures given", nil},
		{"absent", []string{good, "no/such/file"}, "no/such/file: no such file", os.ErrNotExist},
		{"folder", []string{t.TempDir()}, "it is a folder", ErrNotCapture},
		{"no standard input", []string{"-"}, "standard input cannot be read here", nil},
		{"empty", []string{file(t, "empty", nil)}, "it is empty", ErrNotCapture},
		{"empty, compressed", []string{file(t, "empty.gz", gzipped(t, ""))}, "it is empty", ErrNotCapture},
		{"UTF-16", []string{file(t, "wide", []byte("\xFF\xFE(\x001\x00"))}, "UTF-16", ErrNotCapture},
		{"second of two", []string{good, file(t, "x", []byte("x"))}, `it begins with "x"`, ErrNotCapture},
	} {
		t.Run(row.name, func(t *testing.T) {
			_, err := Open(row.paths, Options{})
			if err == nil || !strings.Contains(err.Error(), row.want) {
				t.Fatalf("got %v, want %q", err, row.want)
			}
			if row.is != nil && !errors.Is(err, row.is) {
				t.Errorf("%v is not %v", err, row.is)
			}
			if last := len(row.paths) - 1; last >= 0 && !strings.HasPrefix(err.Error(), row.paths[last]+": ") {
				t.Errorf("%v does not name its file", err)
			}
		})
	}
	_, err := Open([]string{"-", "-"}, Options{Stdin: strings.NewReader("(1.0) can0 001#\n")})
	if err == nil || !strings.Contains(err.Error(), "only once") {
		t.Errorf("standard input twice: %v", err)
	}
}

// A compressed log that is cut gives every whole line before the cut.
func TestCutCompressedLog(t *testing.T) {
	text := string(benchLog(20_000))
	packed := gzipped(t, text)
	for _, fold := range []bool{false, true} {
		path := file(t, "cut", packed[:len(packed)/2])
		next := file(t, "next", []byte("(1.0) can9 001#\n"))
		r, err := Open([]string{path, next}, Options{Hash: true})
		if err != nil {
			t.Fatal(err)
		}
		frames := readOrFold(t, r, fold)
		rep := r.Reports()[0]
		checkAccount(t, rep)
		if frames < 8000 || frames > 12_000 || rep.Frames != uint64(frames-1) || rep.SetAside[Cut].Count > 1 ||
			!strings.Contains(rep.Broken, "cut") {
			t.Errorf("fold %v: %d frames: %+v", fold, frames, rep)
		}
		if rep.SHA256 != fmt.Sprintf("%x", sha256.Sum256(packed[:len(packed)/2])) {
			t.Errorf("fold %v: wrong hash", fold)
		}
		r.Close()
	}
}

// Compressed data that turns bad long before its end: size and hash are those of
// the whole file.
func TestDamagedCompressedLog(t *testing.T) {
	packed := append(gzipped(t, string(benchLog(1000))), make([]byte, 2<<20)...)
	packed[len(packed)-1] = 1
	r, err := Open([]string{file(t, "damaged", packed)}, Options{Hash: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	frames := drainFrames(t, r)
	rep := r.Reports()[0]
	checkAccount(t, rep)
	if frames != 1000 || !strings.Contains(rep.Broken, "gzip data is damaged") {
		t.Errorf("%d frames: %+v", frames, rep)
	}
	if rep.SHA256 != fmt.Sprintf("%x", sha256.Sum256(packed)) || rep.Size != int64(len(packed)) {
		t.Errorf("size or hash is not that of the file: %+v", rep)
	}
}

// A disk that fails is an error, and the frames before it are kept.
func TestFailingDisk(t *testing.T) {
	failure := errors.New("the disk is on fire")
	for _, fold := range []bool{false, true} {
		text := strings.Repeat("(1700000000.181291) can0 1C4#0123456789ABCDEF\n", 10_000) +
			"(1700000000.181291) can0 1C4#0123" // whole to look at, but nobody knows
		r, err := Open([]string{"-"}, Options{Stdin: io.MultiReader(strings.NewReader(text), iotest.ErrReader(failure))})
		if err != nil {
			t.Fatal(err)
		}
		frames := 0
		if fold {
			var c *tally
			c, err = Fold(context.Background(), r, func() *tally { return new(tally) })
			frames = c.frames
		} else {
			dst := make([]can.Frame, 512)
			for err == nil {
				var n int
				n, err = r.Read(context.Background(), dst)
				frames += n
			}
		}
		var e *Error
		if !errors.Is(err, failure) || !errors.As(err, &e) || e.Path != "-" {
			t.Errorf("fold %v: %v", fold, err)
		}
		rep := r.Reports()[0]
		if frames != 10_000 || rep.SetAside[Cut].Count != 1 {
			t.Errorf("fold %v: %d frames, set aside %v", fold, frames, rep.SetAside)
		}
		checkAccount(t, rep)
		r.Close()
	}
}

func TestConsoleBreaksOff(t *testing.T) {
	const text = "  can0  123   [1]  11\n  can0  123   [1]  11"
	r, err := Open([]string{"-"}, Options{Stdin: io.MultiReader(strings.NewReader(text), iotest.ErrReader(io.ErrUnexpectedEOF))})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	dst := make([]can.Frame, 8)
	n, err := r.Read(context.Background(), dst)
	if err == nil {
		_, err = r.Read(context.Background(), dst)
	}
	if n != 1 || !errors.Is(err, io.ErrUnexpectedEOF) || r.Reports()[0].SetAside[Cut].Count != 1 {
		t.Errorf("%d frames, %v, %+v", n, err, r.Reports()[0])
	}
}

// A full bus table still knows its names in the next capture.
func TestFullBusTable(t *testing.T) {
	var all strings.Builder
	for i := range can.MaxBuses {
		fmt.Fprintf(&all, "(1.0) if%d 123#\n", i)
	}
	next := "(1.0) new 123#\n(1.0) if1000 123#\n(1.0) new 123#\n(1.0) if7 123#\n"
	for _, fold := range []bool{false, true} {
		r, err := Open([]string{file(t, "a", []byte(all.String())), file(t, "b", []byte(next))}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		readOrFold(t, r, fold)
		r.Close()
		if rep := r.Reports()[1]; rep.Frames != 2 || rep.SetAside[Malformed].Count != 2 {
			t.Errorf("fold %v: %+v", fold, rep)
		}
	}
}

// Frames of a live pipe are not held back until more come.
func TestLivePipe(t *testing.T) {
	in, out := io.Pipe()
	defer out.Close()
	write := func(text string) { io.WriteString(out, text) }
	go write("(1700000000.181291) can0 1C4#0123456789ABCDEF\n")
	r, err := Open([]string{"-"}, Options{Stdin: in})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	dst := make([]can.Frame, 64)
	for i := range 5 {
		if i > 0 {
			go write(fmt.Sprintf("(1700000000.18%04d) can0 1C4#0123456789ABCDEF\n", i))
		}
		n := 0
		for n == 0 && err == nil {
			n, err = r.Read(context.Background(), dst)
		}
		if n != 1 || err != nil {
			t.Fatalf("frame %d: %d, %v", i, n, err)
		}
	}
}

func TestReadEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	r, err := Open([]string{"-"}, Options{Stdin: io.MultiReader(strings.NewReader("(1.0) can0 001#\n"), letters{})})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	dst := make([]can.Frame, 8)
	if n, err := r.Read(ctx, dst); n != 1 || err != nil {
		t.Fatalf("%d, %v", n, err)
	}
	go cancel() // while a line without an end is read
	if n, err := r.Read(ctx, dst); n != 0 || !errors.Is(err, context.Canceled) {
		t.Errorf("%d, %v", n, err)
	}
}

func ExampleOpen() {
	log := "(1700000000.181291) drive 1C4#01234567\n" +
		"you@bench:~$\n" +
		"(1700000000.193950) body 18DB33F1#02010C\n"
	r, err := Open([]string{"-"}, Options{Stdin: strings.NewReader(log)})
	if err != nil {
		fmt.Println(err)
		return
	}
	defer r.Close()
	batch := make([]can.Frame, 512)
	for {
		n, err := r.Read(context.Background(), batch)
		for i := range batch[:n] {
			f := &batch[i]
			fmt.Printf("%s %X % X\n", r.Buses().Name(f.Bus), f.ID, f.Payload())
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			fmt.Println(err)
			return
		}
	}
	report := r.Reports()[0]
	fmt.Println(report.Format, report.Records, report.Frames, report.SetAside[Foreign].First)
	// Output:
	// drive 1C4 01 23 45 67
	// body 18DB33F1 02 01 0C
	// candump log 3 2 [{39 2}]
}

// A head that cannot be read says why once, without the path that it has already.
func TestHeadFails(t *testing.T) {
	failing := iotest.ErrReader(&os.PathError{Op: "read", Path: "a", Err: os.ErrClosed})
	_, err := Head("-", Options{Stdin: failing})
	if e, ok := errors.AsType[*Error](err); !ok || e.Err != os.ErrClosed {
		t.Errorf("%v", err)
	}
}
