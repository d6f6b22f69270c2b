package guard

import (
	"testing"

	"plugproof/decode/can"
)

// A sample is spread over the capture, holds no more than it may, and most of its
// frames follow their predecessor.
func TestSample(t *testing.T) {
	const cycle = 10_000_000
	frames := make([]can.Frame, 60_000) // ten minutes
	for i := range frames {
		frames[i] = can.Frame{Time: int64(i) * cycle, ID: 0x100}
		frames[i].SetPayload([]byte{byte(i)})
	}
	whole := &Sample{}
	for i := range frames {
		whole.Add(&frames[i])
	}
	merged := &Sample{}
	for len(frames) > 0 {
		part, n := &Sample{}, min(len(frames), 7001)
		for i := range n {
			part.Add(&frames[i])
		}
		merged.Merge(part)
		frames = frames[n:]
	}
	for name, s := range map[string]*Sample{"whole": whole, "merged": merged} {
		n, follow := len(s.Frames()), 0
		for i := 1; i < n; i++ {
			if s.frames[i].Time-s.frames[i-1].Time == cycle {
				follow++
			}
		}
		span := s.frames[n-1].Time - s.frames[0].Time
		if n > maxSample || n < maxSample/4 || follow*10 < n*9 || span < 500e9 {
			t.Errorf("%s: %d frames over %d s, %d of them in a row", name, n, span/1e9, follow)
		}
	}
}
