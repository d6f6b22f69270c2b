package socketcan

import (
	"context"
	"errors"
	"time"

	"plugproof/decode/can"
)

// Load is what went over one interface while it was listened to.
type Load struct {
	Frames, ErrorFrames   int
	NominalBits, DataBits int // on the wire, stuffing included
	Length                time.Duration
	nominalRate, dataRate int64
}

// BitRate is the mean of the bits on the wire, in bit/s.
func (l *Load) BitRate() float64 { return float64(l.NominalBits+l.DataBits) / l.Length.Seconds() }

// Percent is the share of time that the bus was busy; false where the bit rate
// is not known, as on a virtual interface.
func (l *Load) Percent() (float64, bool) {
	if l.nominalRate == 0 || l.DataBits > 0 && l.dataRate == 0 {
		return 0, false
	}
	seconds := float64(l.NominalBits) / float64(l.nominalRate)
	if l.DataBits > 0 {
		seconds += float64(l.DataBits) / float64(l.dataRate)
	}
	return 100 * seconds / l.Length.Seconds(), true
}

// Listen counts what goes over the interfaces for some time, without sending
// anything. The result has one Load per interface.
func Listen(ctx context.Context, list []Interface, length time.Duration) ([]Load, error) {
	loads := make([]Load, len(list))
	c, err := Open("", 0, &Config{Errors: can.MaxExtendedID, Buffer: recordBuffer})
	if err != nil {
		return nil, err
	}
	defer c.Close()
	for i := range list {
		c.Route(list[i].Index, uint16(i))
		loads[i] = Load{Length: length, nominalRate: list[i].Bitrate, dataRate: list[i].DataBitrate}
	}
	timed, cancel := context.WithTimeout(ctx, length)
	defer cancel()
	frames := make([]can.Frame, readAtOnce)
	for {
		n, err := c.Read(timed, frames)
		switch {
		case ctx.Err() != nil:
			return nil, context.Cause(ctx)
		case errors.Is(err, context.DeadlineExceeded):
			return loads, nil
		case err != nil:
			return nil, err
		}
		for i := range frames[:n] {
			loads[frames[i].Bus].add(&frames[i])
		}
	}
}

func (l *Load) add(f *can.Frame) {
	l.Frames++
	if f.Is(can.Error) {
		l.ErrorFrames++
	}
	nominal, data := f.WireBits()
	l.NominalBits += nominal
	l.DataBits += data
}
