package replay

import "context"

func (p *player) playPrecisely(ctx context.Context) error {
	clock := newTimerClock()
	defer clock.stop()
	return p.play(ctx, clock)
}
