package rig

import (
	"testing"

	"golang.org/x/sys/unix"
)

// InMemory returns a folder that is on no disk: in the rig everything stands still
// while the host writes what a program wants to be safe.
func InMemory(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("memory", dir, "tmpfs", 0, "size=128m"); err != nil {
		t.Skipf("not on this system: cannot mount a disk in memory: %v", err)
	}
	// A program that was not waited for may still hold files of it. Where it stays, the
	// folder cannot be removed, which fails the test.
	t.Cleanup(func() { _ = unix.Unmount(dir, unix.MNT_DETACH) })
	return dir
}
