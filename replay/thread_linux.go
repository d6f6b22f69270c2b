package replay

import (
	"context"
	"fmt"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"sync/atomic"
	"time"
	"unsafe" // clock_nanosleep without the scheduler knowing, see sleepUntil; procPin

	"golang.org/x/sys/unix"
)

// The player's thread.
const (
	slice       = time.Millisecond       // of a sleep: how long a stop may take to be seen
	spin        = 60 * time.Microsecond  // of busy waiting: more than a wake-up is late as a rule
	fifo        = 1                      // SCHED_FIFO, sched(7)
	roundRobin  = 2                      // SCHED_RR: equals take turns, so that none that only waits for another keeps it from running
	priority    = 20                     // among real-time threads: below the kernel's own, which have 50
	helping     = 10                     // of the process's other threads
	processors  = 4                      // at least: one may be asleep with the player in it
	garbageRoom = 512 << 20              // bytes that may pile up until garbage is collected
	yield       = 9 * time.Millisecond   // how often the player gives way: its thread, where the next frame is more than a slice away; its processor, for a breath, where it would only spin
	breath      = 200 * time.Microsecond // of others, where the player would spin without end
	mustYield   = 500 * time.Millisecond // how often it is given up in any case: two frames a second may be late for it
)

// playPrecisely plays on a thread of its own, which ends with the replay and
// takes its priority with it.
func (p *player) playPrecisely(ctx context.Context) error {
	defer p.prepare()()
	done := make(chan error, 1)
	go func() {
		runtime.LockOSThread() // for good
		p.raise()
		clock, stop := newThreadClock(ctx)
		defer stop()
		done <- p.play(ctx, clock)
	}()
	return <-done
}

// prepare readies the process and returns what undoes it.
func (p *player) prepare() (undo func()) {
	before := runtime.GOMAXPROCS(0)
	runtime.GOMAXPROCS(max(before, processors))
	runtime.GC()
	var memory runtime.MemStats
	runtime.ReadMemStats(&memory)
	percent := debug.SetGCPercent(-1)
	limit := debug.SetMemoryLimit(int64(memory.Sys) + garbageRoom)
	// ONFAULT: only what is in use counts; a Go program reserves far more.
	locked := unix.Mlockall(unix.MCL_CURRENT | unix.MCL_FUTURE | unix.MCL_ONFAULT)
	if locked != nil {
		p.note("memory is not locked: %v (needs CAP_IPC_LOCK, or ulimit -l unlimited)", locked)
	}
	helped := p.help()
	return func() {
		if helped {
			_ = everyThread(unix.SchedAttr{Size: unix.SizeofSchedAttr}) // ordinary again: needs no right
		}
		if locked == nil {
			_ = unix.Munlockall() // cannot fail
		}
		debug.SetMemoryLimit(limit)
		debug.SetGCPercent(percent)
		runtime.GOMAXPROCS(before)
	}
}

// help gives all threads real-time priority, below the player's: when Go's
// scheduler takes the player's goroutine off its thread, it is another thread
// that gives it back, and on a busy machine an ordinary one came tens of
// milliseconds late. Threads made from now on inherit it.
func (p *player) help() bool {
	if p.ordinary || runtime.NumCPU() == 1 {
		return false
	}
	return everyThread(unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: roundRobin, Priority: helping}) == nil
}

// everyThread sets the scheduling of all threads of the process.
func everyThread(attr unix.SchedAttr) error {
	list, err := os.ReadDir("/proc/self/task")
	for _, entry := range list {
		tid, bad := strconv.Atoi(entry.Name())
		if bad != nil {
			continue
		}
		if failed := unix.SchedSetAttr(tid, &attr, 0); failed != nil && failed != unix.ESRCH { // one that ended meanwhile
			err = failed
		}
	}
	return err
}

// raise gives the calling thread real-time priority and exact timers.
func (p *player) raise() {
	if err := unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0); err != nil {
		p.note("timers are not exact: %v", err)
	}
	if p.ordinary {
		p.note("no real-time priority: not asked for")
		return
	}
	if runtime.NumCPU() == 1 {
		// A thread that spins with real-time priority would keep everybody else from
		// running: who reads the dead-man key, and who handles Ctrl-C, too.
		p.note("no real-time priority: this machine has one processor, which others need too")
		return
	}
	attr := unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: fifo, Priority: priority}
	if err := unix.SchedSetAttr(0, &attr, 0); err != nil {
		p.note("no real-time priority: %v (needs CAP_SYS_NICE, or ulimit -r %d)", err, priority)
	}
}

func (p *player) note(format string, args ...any) {
	p.summary.Notes = append(p.summary.Notes, fmt.Sprintf(format, args...))
}

// threadClock waits without Go's timers, and without Go's scheduler.
type threadClock struct {
	timerClock
	base    int64 // CLOCK_MONOTONIC at the start instant, ns
	yielded time.Duration
	slept   time.Duration // when, for the last time
	over    atomic.Bool   // the context has ended
}

// newThreadClock returns a clock that ends with a context, and what lets go of
// the context.
func newThreadClock(ctx context.Context) (*threadClock, func() bool) {
	var ts unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts) // cannot fail with these arguments
	c := &threadClock{timerClock: timerClock{start: startNow()}, base: ts.Nano()}
	return c, context.AfterFunc(ctx, func() { c.over.Store(true) })
}

// until sleeps in slices until shortly before t, and waits busily for the rest.
// Where frames are so dense that there is nothing to sleep for, it sleeps for a
// breath now and then all the same, and is not kept on its thread: one that only
// spins takes a processor away from threads that others wait for.
func (c *threadClock) until(ctx context.Context, t time.Duration) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	now := c.now()
	if t-now <= spin {
		if now-c.slept > yield {
			sleepUntil(c.base + int64(now+breath))
			c.slept = now
		}
		c.spinUntil(t)
		return nil
	}
	procPin()
	in := c.wait(t)
	procUnpin()
	if !in {
		return context.Cause(ctx)
	}
	return nil
}

// spinUntil waits busily, at most for spin.
func (c *threadClock) spinUntil(t time.Duration) {
	for now := c.now(); now < t; now = c.now() {
		continue
	}
}

// wait is until between procPin and procUnpin: nothing in it may block in Go's
// sense, as a channel, a lock or ctx.Err would. It reports false when the context
// has ended.
func (c *threadClock) wait(t time.Duration) bool {
	for {
		if c.over.Load() {
			return false
		}
		now := c.now()
		rest := t - now
		if held := now - c.yielded; held > mustYield || held > yield && rest > slice {
			procUnpin()
			runtime.Gosched() // whoever wants to stop the program for a moment may: a garbage collection
			procPin()
			c.yielded = now
			continue
		}
		if rest <= spin {
			c.spinUntil(t)
			return true
		}
		sleepUntil(c.base + int64(now+min(rest-spin, slice)))
		c.slept = now
	}
}

// procPin keeps Go's scheduler from taking the goroutine off its thread, which it
// would do every 10 ms: another thread then has to give it back, and where a
// processor must be woken for that, it costs up to some milliseconds: more than
// all else that delays a frame (BenchmarkLateness). Package runtime keeps both
// functions for users outside (go.dev/issue/67401).
//
//go:linkname procPin runtime.procPin
func procPin() int

// procUnpin undoes procPin.
//
//go:linkname procUnpin runtime.procUnpin
func procUnpin()

// sleepUntil sleeps until a time of CLOCK_MONOTONIC. It is a raw system call: after
// an ordinary one the goroutine has to be given a processor again, which took up
// to a millisecond when the machine was busy. It must be short, because the
// scheduler cannot stop it (BenchmarkLateness).
func sleepUntil(at int64) {
	ts := unix.NsecToTimespec(at)
	_, _, _ = unix.RawSyscall6(unix.SYS_CLOCK_NANOSLEEP, unix.CLOCK_MONOTONIC, unix.TIMER_ABSTIME,
		uintptr(unsafe.Pointer(&ts)), 0, 0, 0) // interrupted early, until sleeps again
}

// suspended is for how long the machine slept since it was started.
func suspended() time.Duration {
	var boot, awake unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &boot) != nil || unix.ClockGettime(unix.CLOCK_MONOTONIC, &awake) != nil {
		return 0
	}
	return time.Duration(boot.Nano() - awake.Nano())
}
