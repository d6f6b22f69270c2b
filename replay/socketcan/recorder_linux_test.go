package socketcan

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"plugproof/decode/atomicfile"
	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/replay/rig/adapter"
)

// recorded starts to record and returns what ends it.
func recorded(t *testing.T, path string, notes *[]string, names ...string) (stop func() (Recorded, error)) {
	t.Helper()
	var buses can.Buses
	file, err := Create(path, &buses)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	type result struct {
		done Recorded
		err  error
	}
	ended := make(chan result, 1)
	go func() {
		done, err := Record(ctx, Recording{
			Interfaces: names, Buses: &buses, Note: func(text string) { *notes = append(*notes, text) },
		}, file)
		ended <- result{done, errors.Join(err, file.Close())}
	}()
	time.Sleep(200 * time.Millisecond)
	return func() (Recorded, error) {
		cancel()
		r := <-ended
		return r.done, r.err
	}
}

// readBack returns the frames of a capture, which must have no damage.
func readBack(t *testing.T, path string) (all []can.Frame, buses []can.Bus) {
	t.Helper()
	r, err := capture.Open([]string{path}, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	buf := make([]can.Frame, 100)
	for {
		n, err := r.Read(t.Context(), buf)
		all = append(all, buf[:n]...)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, report := range r.Reports() {
		if report.Records != report.Frames {
			t.Errorf("%s is damaged: %+v", path, report)
		}
	}
	return all, r.Buses().All()
}

// Two interfaces, every kind of frame, an interface that goes down and one that
// vanishes and comes back under another index.
func testRecord(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.pcapng")
	ip(t, "link", "add", "vcan9", "type", "vcan")
	ip(t, "link", "set", "vcan9", "up")
	var notes []string
	stop := recorded(t, path, &notes, "vcan0", "vcan9")
	zero, other, nine := open(t, "vcan0", nil), open(t, "vcan1", nil), open(t, "vcan9", nil)
	send(t, zero, kinds()...)
	send(t, other, frame(0x666, 0))
	send(t, nine, frame(0x99, 0), frame(0x040, can.Error, make([]byte, 8)...))
	ip(t, "link", "del", "vcan9")
	ip(t, "link", "set", "vcan0", "down")
	time.Sleep(1300 * time.Millisecond)
	ip(t, "link", "set", "vcan0", "up")
	ip(t, "link", "add", "vcan9", "type", "vcan")
	ip(t, "link", "set", "vcan9", "up")
	defer ip(t, "link", "del", "vcan9")
	time.Sleep(1300 * time.Millisecond)
	send(t, open(t, "vcan0", nil), frame(0x111, 0))
	send(t, open(t, "vcan9", nil), frame(0x222, 0))
	done, err := stop()
	want := len(kinds()) + 4
	if err != nil || done.Frames != uint64(want) || done.ErrorFrames != 1 || done.Lost != 0 {
		t.Errorf("%+v, %v; want %d frames", done, err, want)
	}
	frames, buses := readBack(t, path)
	if len(frames) != want || len(buses) != 2 || buses[0].Name != "vcan0" || buses[1].Name != "vcan9" {
		t.Fatalf("%d frames of %v in the file, want %d", len(frames), buses, want)
	}
	last := frames[want-1]
	if last.ID != 0x222 || buses[last.Bus].Name != "vcan9" || frames[want-2].ID != 0x111 {
		t.Errorf("after the return: %+v", frames[want-2:])
	}
	for name, want := range map[string][]string{
		"vcan0": {"vcan0 is down", "vcan0 is up"}, "vcan9": {"vcan9 is gone", "vcan9 is up"},
	} {
		// Between being made and set up, the new vcan9 may be seen down; which of the two
		// is looked at first when they go depends on the moment.
		own := slices.DeleteFunc(slices.Clone(notes), func(s string) bool { return !strings.HasPrefix(s, name) || s == "vcan9 is down" })
		if !slices.Equal(own, want) {
			t.Errorf("notes on %s %q, want %q", name, own, want)
		}
	}
}

// A small disk: the recording ends with an error and its file is whole.
func testRecordFullDisk(t *testing.T) {
	dir := t.TempDir()
	if err := unix.Mount("small", dir, "tmpfs", 0, "size=16k"); err != nil {
		t.Skipf("not on this system: cannot mount a small disk: %v", err)
	}
	defer unix.Unmount(dir, 0)
	for _, name := range []string{"a.pcapng", "a.log"} {
		path := filepath.Join(dir, name)
		var notes []string
		stop := recorded(t, path, &notes, "vcan0")
		sender := open(t, "vcan0", nil)
		for _, count := range []int{50, 1500} { // the first fit
			for range count {
				send(t, sender, frame(1, 0, 1, 2, 3, 4, 5, 6, 7, 8))
			}
			time.Sleep(1200 * time.Millisecond)
		}
		_, err := stop()
		failed, ok := errors.AsType[*atomicfile.Error](err)
		if !ok || failed.Path != path || !errors.Is(err, unix.ENOSPC) {
			t.Errorf("%s: %v", name, err)
		}
		if frames, _ := readBack(t, path); len(frames) < 50 || len(frames) >= 1550 {
			t.Errorf("%s: %d whole frames in the file, want the 50 that were safe, and not all", name, len(frames))
		}
		os.Remove(path)
	}
}

// What was synced is there although the recording never ended.
func testRecordReadableMeanwhile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.log")
	var notes []string
	stop := recorded(t, path, &notes, "vcan0")
	send(t, open(t, "vcan0", nil), frame(1, 0), frame(2, 0))
	time.Sleep(1300 * time.Millisecond)
	if frames, _ := readBack(t, path); len(frames) != 2 {
		t.Errorf("%d frames on the disk after a second, want 2", len(frames))
	}
	if _, err := stop(); err != nil {
		t.Error(err)
	}
}

// countingSink counts frames.
type countingSink struct{ frames int }

func (s *countingSink) Write(frames []can.Frame) error { s.frames += len(frames); return nil }
func (s *countingSink) Sync() error                    { return nil }

// No interface of that name: an error before anything is recorded.
func testRecordMissing(t *testing.T) {
	s := &countingSink{}
	_, err := Record(t.Context(), Recording{Interfaces: []string{"vcan0", "nowhere0"}, Buses: &can.Buses{}}, s)
	if !errors.Is(err, unix.ENODEV) || s.frames != 0 || !errors.Is(Ready([]string{"nowhere0"}, false), unix.ENODEV) {
		t.Errorf("%v, %d frames", err, s.frames)
	}
}

func testListen(t *testing.T) {
	list, err := Interfaces()
	if err != nil {
		t.Fatal(err)
	}
	sender, f := open(t, "vcan0", nil), frame(0x555, 0, 0x55, 0x55, 0x55, 0x55, 0x55, 0x55, 0x55, 0x55)
	time.AfterFunc(100*time.Millisecond, func() {
		for range 10 {
			sender.send(context.Background(), &f, nil)
		}
	})
	loads, err := Listen(t.Context(), list, 500*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	for i, l := range loads {
		want := 0
		if list[i].Name == "vcan0" {
			want = 10
		}
		if l.Frames != want || l.NominalBits != want*112 { // 112 bits: computed, see package can
			t.Errorf("%s: %+v, want %d frames", list[i].Name, l, want)
		}
	}
}

// A serial adapter on a pseudo-terminal is a controller to the kernel: bit rate,
// state, active mode. Nobody answers at the other end.
func testController(t *testing.T) {
	name, _ := adapter.Plug(t)
	ip(t, "link", "set", name, "type", "can", "bitrate", "500000")
	ip(t, "link", "set", name, "up")
	i := find(t, name)
	if i.Kind != "can" || !i.Up || i.Virtual() || i.State != ErrorActive || i.Bitrate != 500000 || i.ListenOnly || i.Queue != 10 {
		t.Errorf("up in active mode: %+v", i)
	}
	if err := Ready([]string{name}, false); !errors.Is(err, ErrActive) {
		t.Errorf("active mode without a bench: %v", err)
	}
	if err := Ready([]string{name}, true); err != nil {
		t.Errorf("active mode on a bench: %v", err)
	}
	ip(t, "link", "set", name, "down")
	if err := Ready([]string{name}, false); err != nil {
		t.Errorf("down: %v", err)
	}
	ip(t, "link", "set", name, "type", "can", "bitrate", "500000", "listen-only", "on")
	ip(t, "link", "set", name, "up")
	if i = find(t, name); !i.ListenOnly || Ready([]string{name}, false) != nil {
		t.Errorf("listen-only: %+v", i)
	}
}

func find(t *testing.T, name string) Interface {
	t.Helper()
	list, err := Interfaces()
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range list {
		if i.Name == name {
			return i
		}
	}
	t.Fatalf("%s is not listed: %+v", name, list)
	return Interface{}
}
