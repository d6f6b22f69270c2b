package replay

import (
	"context"
	"time"

	"golang.org/x/sys/unix"
)

func (p *player) playPrecisely(ctx context.Context) error {
	clock := newTimerClock()
	defer clock.stop()
	return p.play(ctx, clock)
}

// suspended is for how long the machine slept since it was started.
func suspended() time.Duration {
	var boot, awake unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &boot) != nil || unix.ClockGettime(unix.CLOCK_MONOTONIC, &awake) != nil {
		return 0
	}
	return time.Duration(boot.Nano() - awake.Nano())
}
