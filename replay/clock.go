package replay

import (
	"context"
	"time"
)

// timerClock waits with a timer of package time.
type timerClock struct {
	start time.Time
	timer *time.Timer
}

func newTimerClock() *timerClock {
	t := time.NewTimer(0)
	<-t.C
	return &timerClock{start: startNow(), timer: t}
}

// startNow is where the wall clock comes in: a replay is about real time.
func startNow() time.Time { return time.Now() } //nolint:forbidigo // the player's job is the clock

func (c *timerClock) now() time.Duration {
	return time.Since(c.start) //nolint:forbidigo // the player's job is the clock
}

func (c *timerClock) until(ctx context.Context, t time.Duration) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	wait := t - c.now()
	if wait <= 0 {
		return nil
	}
	c.timer.Reset(wait)
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-c.timer.C:
		return nil
	}
}

func (c *timerClock) stop() { c.timer.Stop() }
