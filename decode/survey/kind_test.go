package survey

import (
	"math/rand/v2"
	"testing"

	"plugproof/decode/can"
)

// kindOf surveys frames of one message: the payload byte and the gap before it.
func kindOf(n int, next func(i int) (gap int64, payload byte)) Kind {
	c := New(Options{Buses: twoBuses()})
	now := sec
	for i := range n {
		gap, payload := next(i)
		now += gap
		f := frame(now, 0x123, payload, 0)
		c.add(&f)
	}
	return c.Report().Buses[0].IDs[0].Kind
}

func TestKind(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	jitter := func(width int64) int64 { return rng.Int64N(2*width+1) - width }
	seconds := func(mean float64) int64 { return int64(rng.ExpFloat64() * mean * float64(sec)) }
	state, left := byte(0), int64(0)
	for _, row := range []struct {
		name string
		n    int
		next func(i int) (int64, byte)
		want Kind
	}{
		{"too few gaps", 10, func(int) (int64, byte) { return 10 * ms, 0 }, Unknown},
		{"cycle, constant payload", 11, func(int) (int64, byte) { return 10 * ms, 0 }, Cyclic},
		{"cycle with counter and jitter", 500, func(i int) (int64, byte) { return 10*ms + jitter(ms), byte(i) }, Cyclic},
		{"one frame in twelve lost", 500, func(i int) (int64, byte) {
			if i%12 == 0 {
				return 20 * ms, byte(i)
			}
			return 10*ms + jitter(ms), byte(i)
		}, Cyclic},
		{"cycle with one pause of a minute", 500, func(i int) (int64, byte) {
			if i == 250 {
				return 60 * sec, 0
			}
			return 10 * ms, 0
		}, Cyclic},
		{"heartbeat, extra frame on change, cycle goes on", 600, func(i int) (int64, byte) {
			switch {
			case left > 0: // the rest of the cycle that the extra frame broke
				gap := left
				left = 0
				return gap, state
			case i%20 == 10:
				state++
				gap := 100*ms + rng.Int64N(500*ms)
				left = sec - gap
				return gap, state
			}
			return sec, state
		}, Mixed},
		{"heartbeat, extra frame on change, cycle starts again", 600, func(i int) (int64, byte) {
			if i%40 == 10 {
				state++
				return 100*ms + rng.Int64N(500*ms), state
			}
			return sec + jitter(5*ms), state
		}, Mixed},
		{"heartbeat with but two extra frames", 600, func(i int) (int64, byte) {
			if i == 100 || i == 400 {
				state++
				return 300 * ms, state
			}
			return sec, state
		}, Cyclic},
		{"heartbeat with extra frames, one beat in ten missing", 600, func(i int) (int64, byte) {
			switch {
			case i%20 == 7:
				state++
				return 300 * ms, state
			case i%10 == 5:
				return 2 * sec, state
			}
			return sec, state
		}, Cyclic},
		{"cycle, half the frames new, early ones among them", 600, func(i int) (int64, byte) {
			if i%20 == 10 {
				return 4 * ms, byte(i / 2)
			}
			return 10 * ms, byte(i / 2)
		}, Cyclic},
		{"four gaps in nine double", 400, func(i int) (int64, byte) { return int64(10+i%9/5*10) * ms, byte(i) }, Irregular},
		{"gaps a third longer or shorter, at random", 400, func(i int) (int64, byte) {
			return 30*ms + jitter(10*ms), byte(i)
		}, Irregular},
		{"spread by a factor of three, always new", 400, func(int) (int64, byte) {
			return 10*ms + rng.Int64N(20*ms), byte(rng.Uint32())
		}, Irregular},
		{"engine-synchronous, 800 to 3000 rpm and back", 2000, func(i int) (int64, byte) {
			rpm := 800 + 2200*float64(min(i, 2000-i))/1000
			return int64(30/rpm*float64(sec)) + jitter(ms/10), byte(i)
		}, Variable},
		{"buttons", 60, func(i int) (int64, byte) { return 50*ms + seconds(3), byte(i) & 1 }, OnChange},
		{"delivered in clumps of four", 400, func(i int) (int64, byte) {
			if i%4 == 0 {
				return 39700 * ms / 1000, byte(i)
			}
			return ms / 10, byte(i)
		}, Irregular},
		{"at random, with a counter", 400, func(i int) (int64, byte) { return seconds(0.1), byte(i) }, Irregular},
		{"at random, mostly the same", 400, func(i int) (int64, byte) { return seconds(0.1), byte(i / 50) }, Irregular},
	} {
		t.Run(row.name, func(t *testing.T) {
			if got := kindOf(row.n, row.next); got != row.want {
				t.Errorf("judged %q, want %q", got, row.want)
			}
		})
	}
}

// The cycle of a mixed message is that of its heartbeat: extra frames come on top.
func TestCycle(t *testing.T) {
	for _, row := range []struct {
		name string
		next func(i int) int64 // gap before frame i
		want int64
	}{
		{"cyclic", func(int) int64 { return 10 * ms }, 10 * ms},
		{"mixed", func(i int) int64 { return []int64{sec, sec, 300 * ms, 700 * ms}[i%4] }, sec},
		{"irregular", func(i int) int64 { return []int64{20, 30, 50, 90, 160}[i*i%5] * ms }, 0},
	} {
		c := New(Options{Buses: twoBuses()})
		now, state := sec, byte(0)
		for i := range 200 {
			gap := row.next(i)
			if gap == 300*ms {
				state++
			}
			now += gap
			f := frame(now, 0x123, state, 0)
			c.add(&f)
		}
		id := c.Report().Buses[0].IDs[0]
		if off := id.CycleNS - row.want; off > row.want/128 || -off > row.want/128 {
			t.Errorf("%s (%s): cycle %d ns, want %d", row.name, id.Kind, id.CycleNS, row.want)
		}
	}
}

// Without a clock nothing is said about time, and the rest is.
func TestNoClock(t *testing.T) {
	opts := testOptions(t)
	c := New(opts)
	for i := range 50 {
		f := frame(0, 0x100, byte(i), 0, 0, 0, 0, 0, 0, 0)
		c.add(&f)
		e := can.Frame{Flags: can.Error, ID: 1 << can.ClassBusOff}
		c.add(&e)
	}
	r := c.Report()
	b := r.Buses[0]
	id := b.IDs[0]
	if r.First != nil || r.ObservedS != nil || b.Load.Mean != nil || b.Load.WorstSecond != nil || b.Load.WorstTenth != nil ||
		b.Errors.WorstSecond != nil || len(b.Errors.Course) != 0 ||
		id.Gaps != nil || id.RateHz != nil || id.First != nil || id.Kind != Unknown {
		t.Errorf("times without a clock: %s", asJSON(t, r))
	}
	if id.Frames != 50 || b.Errors.Frames != 50 || id.Signals[0].Distinct != 50 || b.Load.NominalBits == 0 {
		t.Errorf("figures that need no clock: %s", asJSON(t, r))
	}
}
