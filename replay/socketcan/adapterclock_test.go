package socketcan

import (
	"testing"

	"pgregory.net/rapid"
)

const (
	epoch = 1_700_000_000_000_000_000 // ns
	ms    = 1_000_000                 // ns
)

// A frame on the wire at a known time, an adapter with its own epoch and drift, a
// kernel that is late by up to 2 ms: the gaps are the adapter's, the error is
// that of the least lateness.
func TestAdapterClock(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		start := rapid.Int64Range(0, 1e15).Draw(t, "adapter's start")
		ppm := rapid.Int64Range(-100, 100).Draw(t, "drift")
		var c adapterClock
		wire, last := int64(0), int64(0)
		for i := range 400 {
			wire += rapid.Int64Range(100_000, 20*ms).Draw(t, "gap")
			late := rapid.Int64Range(0, 2*ms).Draw(t, "lateness")
			if i%20 == 0 {
				late = 50_000 // now and then the machine is quick
			}
			got := c.wall(epoch+wire+late, start+wire+wire*ppm/1e6)
			if got < last {
				t.Fatalf("frame %d: %d ns before the one before", i, last-got)
			}
			last = got
			// Between two quick frames there is at most 0.4 s, in which the clocks
			// part by 40 us and the estimate moves by 80 us.
			if off := got - (epoch + wire); i > 0 && (off < -150_000 || off > 250_000) {
				t.Fatalf("frame %d: off by %d ns", i, off)
			}
		}
	})
}

// An adapter that was plugged in anew starts its clock at 0; a clock of the
// machine that was set goes on from there.
func TestAdapterClockStep(t *testing.T) {
	var c adapterClock
	for i, step := range []struct{ kernel, adapter, want int64 }{
		{epoch, 5_000 * ms, epoch},
		{epoch + 3*ms, 5_002 * ms, epoch + 2*ms}, // late by 1 ms, less 400 ns of drift
		{epoch + 4_000*ms, 1 * ms, epoch + 4_000*ms},
		{epoch + 4_010*ms, 11 * ms, epoch + 4_010*ms},
		{epoch - 9_000*ms, 20 * ms, epoch - 9_000*ms},
	} {
		if got := c.wall(step.kernel, step.adapter); got < step.want || got > step.want+1000 {
			t.Errorf("step %d: %d, want %d", i, got-epoch, step.want-epoch)
		}
	}
}
