//go:build !linux

package replay

import (
	"context"
	"time"
)

// playPrecisely does what the system's timers can.
func (p *player) playPrecisely(ctx context.Context) error {
	p.summary.Notes = append(p.summary.Notes, "no real-time priority: only Linux has it here")
	clock := newTimerClock()
	defer clock.stop()
	return p.play(ctx, clock)
}

// suspended is not known here: sending needs Linux.
func suspended() time.Duration { return 0 }
