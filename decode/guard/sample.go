package guard

import (
	"math"
	"math/bits"
	"slices"

	"plugproof/decode/can"
)

// maxSample is how many frames of one identifier a Sample keeps.
const maxSample = 2048

// Sample is frames of one identifier in the order of time, to Learn from. When
// there are too many, whole stretches are dropped, every other one: what is left
// is spread over the capture, and most frames still follow their predecessor. The
// zero value is ready for use.
type Sample struct {
	frames []can.Frame
	shift  int   // a stretch is 2^shift ns; 0: nothing was dropped yet
	stride int64 // every so many stretches one is kept
}

// Frames returns what is kept. The caller must not write to it.
func (s *Sample) Frames() []can.Frame { return s.frames }

// stretchFrames is how many frames a stretch holds about: enough for the steps of
// a counter to outnumber the seams.
const stretchFrames = 64

// Add keeps a frame, or not, and returns by how many frames the sample grew.
func (s *Sample) Add(f *can.Frame) int {
	if !s.keeps(f) {
		return 0
	}
	before := len(s.frames)
	s.frames = append(s.frames, *f)
	if len(s.frames) > maxSample {
		s.thin()
	}
	return len(s.frames) - before
}

func (s *Sample) keeps(f *can.Frame) bool {
	return s.shift == 0 || f.Time>>s.shift%s.stride == 0
}

// thin drops stretches until the sample is small enough.
func (s *Sample) thin() {
	if s.shift == 0 {
		s.shift, s.stride = max(1, bits.Len64(uint64(s.pace())*stretchFrames)), 1
	}
	for len(s.frames) > maxSample && s.stride < 1<<20 {
		s.stride *= 2
		s.sift()
	}
	if len(s.frames) > maxSample {
		s.frames = s.frames[:maxSample]
	}
}

// pace returns the median gap, in ns: a clock that jumps does not change it.
func (s *Sample) pace() int64 {
	gaps := make([]int64, 0, len(s.frames))
	for i := 1; i < len(s.frames); i++ {
		gaps = append(gaps, max(0, s.frames[i].Time-s.frames[i-1].Time))
	}
	slices.Sort(gaps)
	return min(gaps[len(gaps)/2], math.MaxInt64/stretchFrames)
}

// sift drops the frames that do not belong to a kept stretch. The first frame
// stays where none does.
func (s *Sample) sift() {
	kept := s.frames[:0]
	first := s.frames[0]
	for i := range s.frames {
		if s.keeps(&s.frames[i]) {
			kept = append(kept, s.frames[i])
		}
	}
	if s.frames = kept; len(kept) == 0 {
		s.frames = append(kept, first)
	}
}

// Merge takes over the sample of the following stretch of the capture, and
// returns by how many frames this one grew.
func (s *Sample) Merge(next *Sample) int {
	before := len(s.frames)
	s.frames = append(s.frames, next.frames...)
	s.shift, s.stride = max(s.shift, next.shift), max(s.stride, next.stride)
	if s.shift > 0 {
		s.sift()
	}
	if len(s.frames) > maxSample {
		s.thin()
	}
	return len(s.frames) - before
}
