package survey

import "plugproof/decode/can"

// profileBuckets is the most stretches that the course of error frames is told in.
const profileBuckets = 64

// errorFrames gathers the error frames of one bus.
type errorFrames struct {
	frames  uint64
	classes [can.NumErrorClasses]uint64 // a frame may report several
	windows Windows                     // frames in the place of bits
	course  *Track                      // nil: none yet; only the counts of its buckets matter
}

func (e *errorFrames) add(f *can.Frame) {
	if e.course == nil {
		e.course = NewTrack(profileBuckets)
	}
	e.frames++
	for class := range f.ErrorClasses() {
		e.classes[class]++
	}
	e.windows.Add(f.Time, f.File, 1, 0)
	e.course.Add(f.Time, 0)
}

func (e *errorFrames) merge(next *errorFrames) {
	if next.frames == 0 {
		return
	}
	if e.course == nil {
		e.course = NewTrack(profileBuckets)
	}
	e.frames += next.frames
	for class, n := range next.classes {
		e.classes[class] += n
	}
	e.windows.Merge(&next.windows)
	e.course.Merge(next.course)
}
