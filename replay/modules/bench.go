package modules

import (
	"errors"
	"io"
	"time"

	"plugproof/decode/can"
	"plugproof/replay"
)

// Bench plays a stream to the car on a bus that exists only in this call, up to a
// time, and calls heard with every frame of it, in order: those of the stream
// with the flag can.Tx, those of the car with can.Rx, with the offset as their
// time. Item.Bus of the stream points into the car's buses.
func (c *Car) Bench(stream replay.Stream, until time.Duration, heard func(*can.Frame)) error {
	var fed, own replay.Item
	more := true
	feed := func() (err error) {
		if err = stream.Next(&fed); errors.Is(err, io.EOF) {
			more, err = false, nil
		}
		return err
	}
	if err := errors.Join(feed(), c.Next(&own)); err != nil {
		return err
	}
	for {
		item, flag := &own, can.Rx
		if more && fed.Offset <= own.Offset {
			item, flag = &fed, can.Tx
		}
		if item.Offset >= until {
			return nil
		}
		f := item.Frame
		f.Bus, f.Time = uint16(item.Bus), int64(item.Offset)
		c.Hear(item.Bus, &f, item.Offset)
		f.Flags = f.Flags&^(can.Tx|can.Rx) | flag
		heard(&f)
		var err error
		if item == &fed {
			err = feed()
		} else {
			err = c.Next(&own)
		}
		if err != nil {
			return err
		}
	}
}
