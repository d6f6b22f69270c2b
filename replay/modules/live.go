package modules

import (
	"context"
	"errors"
	"time"

	"plugproof/decode/can"
	"plugproof/replay"
	"plugproof/replay/socketcan"
)

// Live puts the car on virtual interfaces, one for each of its buses in their
// order, until ctx ends; it then returns how late its frames were. ready is closed
// when the car listens. The key is turned on with the first frame of a unit that is
// not on the bench.
func (c *Car) Live(ctx context.Context, interfaces []string, ready chan<- struct{}) (replay.Summary, error) {
	c.Turn(Locked)
	c.waits = true
	start := time.Now()                                      //nolint:forbidigo // the units live in real time
	now := func() time.Duration { return time.Since(start) } //nolint:forbidigo // the same
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var senders line
	for i, name := range interfaces {
		ears, err := socketcan.Open(name, uint16(i), nil)
		if err != nil {
			return replay.Summary{}, err
		}
		defer ears.Close()
		sender, err := socketcan.OpenVirtual(name, now)
		if err != nil {
			return replay.Summary{}, err
		}
		defer sender.Close()
		senders = append(senders, sender)
		go func() {
			if err := c.listen(ctx, ears, now); err != nil {
				cancel(err)
			}
		}()
	}
	close(ready)
	// What a slow machine holds up is sent late, not given up.
	summary, err := replay.Play(ctx, c, senders, &replay.Options{MaxLate: -1})
	if errors.Is(err, context.Canceled) {
		err = nil
	}
	return summary, err
}

func (c *Car) listen(ctx context.Context, ears *socketcan.Conn, now func() time.Duration) error {
	frames := make([]can.Frame, 64)
	for {
		n, err := ears.Read(ctx, frames)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			return err
		}
		at := now()
		for i := range frames[:n] {
			c.Hear(int(frames[i].Bus), &frames[i], at)
		}
	}
}

// line is a sender for each bus.
type line []*socketcan.Sender

// Send sends on the interface of a bus.
func (l line) Send(ctx context.Context, bus int, f *can.Frame) error { return l[bus].Send(ctx, 0, f) }
