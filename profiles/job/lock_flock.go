//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package job

import (
	"errors"
	"os"
	"syscall"
	"time"
)

// Waiting for somebody else's lock, which is held as long as it takes to write a
// small file.
const (
	lockTries = 200
	lockPause = 10 * time.Millisecond
)

// lock keeps others from writing job.yaml at the same time. The system takes the
// lock away from a process that ends, however it ends; nobody waits for ever.
func lock(dir string) (unlock func(), err error) {
	f, err := os.Open(dir)
	if err != nil {
		return nil, err
	}
	for range lockTries {
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case err == nil:
			return func() { f.Close() }, nil
		case errors.Is(err, syscall.EINTR):
		case !errors.Is(err, syscall.EWOULDBLOCK):
			return func() { f.Close() }, nil // a file system without locks
		}
		time.Sleep(lockPause)
	}
	f.Close()
	return nil, ErrLocked
}
