package demo

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/witness"
	"plugproof/profiles/stages"
)

var update = flag.Bool("update", false, "write the committed captures and golden files anew")

// committed are the captures in testdata/captures. Its README says the same in words.
func committed(t *testing.T) map[string]func() *Drive {
	t.Helper()
	turbo, plain := Setting{2, TwoLitreTurbo, Auto5}, Setting{1, TwoLitre, Auto5}
	start := []Stage{{"key-on", 3500 * time.Millisecond}, {"idle", 5 * time.Second}}
	whole := Script(0, plain)
	// A little shorter still in some stages, to keep the file small.
	shorter := map[string]time.Duration{
		"key-on": 4800 * time.Millisecond, "brake": 4600 * time.Millisecond, "lever": 4600 * time.Millisecond,
		"idle": 6 * time.Second, "warm-up": 10 * time.Second, "rev": 4600 * time.Millisecond, "road": 15 * time.Second,
	}
	for i, s := range whole {
		whole[i].Length = cmp.Or(shorter[s.Name], s.Length)
	}
	return map[string]func() *Drive{
		"lowan-key-on-idle.log": func() *Drive { return newDrive(t, turbo, Options{Seed: 11, Script: start}) },
		"lowan-dead-tachometer.log": func() *Drive {
			return newDrive(t, turbo, Options{Seed: 12, Script: start, Without: []string{"EngineSpeed"}})
		},
		"lowan-whole-script.log.gz": func() *Drive {
			return newDrive(t, plain, Options{Seed: 13, Script: whole, Jitter: -1, ClockError: -1})
		},
	}
}

// The committed captures are what the generator makes: whoever changes it sees
// here that they have to be made anew (go test ./profiles/demo -update), and in
// the diff what that does to them.
func TestCommittedCaptures(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("made on amd64: other machines may fuse multiplying and adding, which changes last digits")
	}
	dir := filepath.Join(witness.Root(t), "testdata", "captures")
	total := int64(0)
	for name, drive := range committed(t) {
		path := filepath.Join(dir, name)
		d := drive()
		marks := stages.Format(name, spans(d.Markers()))
		if *update {
			opts, err := capture.FormatFor(name)
			if err != nil {
				t.Fatal(err)
			}
			var b bytes.Buffer
			if _, err := d.record(context.Background(), &b, opts); err != nil {
				t.Fatal(err)
			}
			for file, data := range map[string][]byte{path: b.Bytes(), path + ".stages.yaml": marks} {
				if err := os.WriteFile(file, data, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			d = drive()
		}
		want := drain(t, d)
		got := readCapture(t, path)
		if len(got) != len(want) {
			t.Errorf("%s has %d frames, the generator makes %d", name, len(got), len(want))
		}
		for i := range min(len(got), len(want)) {
			if text(&got[i]) != text(&want[i]) {
				t.Errorf("%s: frame %d is %s, the generator makes %s", name, i, text(&got[i]), text(&want[i]))
				break
			}
		}
		have, err := os.ReadFile(path + ".stages.yaml")
		if err != nil {
			t.Fatal(err)
		}
		if diff := gocmp.Diff(string(marks), string(have)); diff != "" {
			t.Errorf("%s.stages.yaml (-generator +file):\n%s", name, diff)
		}
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		if info.Size() >= 320_000 {
			t.Errorf("%s has %d bytes, too many to commit", name, info.Size())
		}
		total += info.Size()
	}
	if total > 1_500_000 {
		t.Errorf("%d bytes of committed captures", total)
	}
}

// text is a frame as the generator settles it; bus indexes are those of drive and body.
func text(f *can.Frame) string {
	return fmt.Sprintf("%d.%06d bus %d %03X#%X", f.Time/1e9, f.Time%1e9/1e3, f.Bus, f.ID, f.Payload())
}

func readCapture(t *testing.T, path string) []can.Frame {
	t.Helper()
	r, err := capture.Open([]string{path}, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	// The generator's table has the drive bus first, whatever the capture begins with.
	want := map[string]uint16{DriveBus: 0, BodyBus: 1}
	var all []can.Frame
	buf := make([]can.Frame, 512)
	for {
		n, err := r.Read(context.Background(), buf)
		for i := range buf[:n] {
			buf[i].Bus = want[r.Buses().Name(buf[i].Bus)]
		}
		all = append(all, buf[:n]...)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, rep := range r.Reports() {
		if len(rep.SetAside)+len(rep.Remarks) > 0 {
			t.Errorf("%s: set aside %v, remarks %v", path, rep.SetAside, rep.Remarks)
		}
	}
	return all
}

// What Write writes reads back whole, in every format, and is the same each time.
func TestWrite(t *testing.T) {
	s := Setting{3, TwoLitre, Manual5}
	opts := WriteOptions{Settings: []Setting{s}, Options: Options{Seed: 21}}
	opts.Script = []Stage{{"asleep", 2 * time.Second}, {"key-on", 2 * time.Second}, {"idle", 3 * time.Second}}
	for _, format := range []capture.WriterOptions{
		{}, {Format: capture.Pcapng, Compression: capture.Zstd}, {Compression: capture.Gzip},
	} {
		opts.Format = format
		one, two := t.TempDir(), filepath.Join(t.TempDir(), "made", "new")
		written, err := Write(context.Background(), one, opts)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := Write(context.Background(), two, opts); err != nil {
			t.Fatal(err)
		}
		captures := 0
		for _, w := range written {
			name := filepath.Base(w.Path)
			if fileSum(t, w.Path) != fileSum(t, filepath.Join(two, name)) {
				t.Errorf("%s differs from run to run", name)
			}
			if w.Frames == 0 {
				continue
			}
			captures++
			if n := len(readCapture(t, w.Path)); uint64(n) != w.Frames {
				t.Errorf("%s: %d frames read, %d written", name, n, w.Frames)
			}
			if _, err := os.Stat(w.Path + ".stages.yaml"); err != nil {
				t.Error(err)
			}
		}
		if captures != 5 || len(written) != 5+4 {
			t.Errorf("%d captures of %d files, want 5 of 9: %v", captures, len(written), written)
		}
	}
}

func fileSum(t *testing.T, path string) [32]byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return sha256.Sum256(data)
}

// A folder that cannot be written to, or a cancelled run, leaves nothing behind.
func TestWriteFails(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := Write(context.Background(), file, WriteOptions{}); err == nil {
		t.Error("writing into a file that is no folder succeeded")
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	dir := t.TempDir()
	if _, err := Write(ctx, dir, WriteOptions{}); err == nil {
		t.Error("a cancelled run succeeded")
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}
