package job

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/atomicfile"
)

// TestFullDisk: on a disk that is full nothing is lost, every failure says so, and
// the job goes on once there is room.
func TestFullDisk(t *testing.T) {
	disk := t.TempDir()
	if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, "size=256k"); err != nil {
		t.Skipf("cannot mount a small disk: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(disk, syscall.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	j, err := Create(filepath.Join(disk, "job"), whole(t))
	if err != nil {
		t.Fatal(err)
	}
	kept, err := j.FileResult([]byte("kept"), ".json", Entry{Kind: Result, Command: "check"})
	if err != nil {
		t.Fatal(err)
	}
	large := write(t, filepath.Join(t.TempDir(), "large.log"), string(make([]byte, 1<<20)))
	full := func(err error) {
		t.Helper()
		if _, ok := errors.AsType[*atomicfile.Error](err); !ok || !errors.Is(err, syscall.ENOSPC) {
			t.Errorf("%v", err)
		}
	}
	_, err = j.FileCapture(large, Entry{Moment: After})
	full(err)
	// The last byte of the disk.
	rest, err := os.Create(filepath.Join(disk, "rest"))
	if err != nil {
		t.Fatal(err)
	}
	for size := 1 << 16; size > 0; {
		if _, err := rest.Write(make([]byte, size)); err != nil {
			size /= 2
		}
	}
	rest.Close()
	was := j.Card.Car.Series
	j.Card.Car.Series = "3"
	full(j.Save())
	_, err = j.FileResult(make([]byte, 1<<16), ".json", Entry{Kind: Result, Command: "compare"})
	full(err)
	again, err := Open(j.Dir)
	if err != nil || again.Card.Car.Series != was {
		t.Fatalf("the card is now %+v, %v", again, err)
	}
	if d := cmp.Diff([]Entry{kept}, again.Journal); d != "" || len(again.Verify()) != 0 {
		t.Errorf("the journal is now %s, damage %v", d, again.Verify())
	}
	left, err := filepath.Glob(filepath.Join(j.Dir, "*", "*"))
	if err != nil || len(left) != 1 {
		t.Errorf("files are left: %q, %v", left, err)
	}
	os.Remove(filepath.Join(disk, "rest"))
	if err := j.Save(); err != nil {
		t.Errorf("with room again: %v", err)
	}
}
