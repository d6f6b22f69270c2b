package survey

import (
	"encoding/binary"
	"math"

	"plugproof/decode/can"
)

// kindFlags are the flags that make two frames with one identifier and payload
// different on the wire.
const kindFlags = can.Extended | can.Remote | can.FD | can.BRS | can.ESI

// noGap stands for a gap that could not be measured.
const noGap = -1

// row gathers what is known of the frames of one identifier and format on one
// bus. What it needs of the first and the latest frame is kept, so that the rows
// of two stretches can be joined as if there had been no seam.
type row struct {
	key     uint32
	rank    uint64
	message *message // nil: no definition
	words   []word   // payload bits, as many as the longest payload needs

	frames, fdFrames       uint64
	nominal, data          uint64     // bits on the wire
	lastNominal, lastData  uint64     // those of the latest frame
	lengths                [16]uint32 // frames by data length code
	first, last            stamp
	earliest, latest       int64  // stamps, ns
	begun, ended           int64  // first and latest frame, ns of observed time since the collector's start
	pairs, repeats         uint64 // frames with one before them in the same capture; those that repeat its payload
	backward               uint64
	gaps                   *[2]Gaps // before a frame that repeats the payload, and one that changes it; nil: none
	firstGap, lastGap      int64
	evenPairs, evenGapDiff uint64
}

// stamp is the frame at one end of a row.
type stamp struct {
	time   int64
	file   uint16
	flags  can.Flags
	length uint8 // payload bytes
	dlc    uint8
}

// payloadSize returns the number of payload bytes that a frame carries.
func payloadSize(f *can.Frame) uint8 {
	if f.Flags&can.Remote != 0 {
		return 0
	}
	return f.Len
}

// add takes the next frame, observed ns after the collector's start, and reports
// whether it is, payload and kind, the same as the one before it.
func (r *row) add(f *can.Frame, observed int64) (same bool) {
	now := stamp{f.Time, f.File, f.Flags & kindFlags, payloadSize(f), f.DLC}
	changed := r.seePayload(f, &now)
	same = r.frames > 0 && !changed && now.flags == r.last.flags && now.dlc == r.last.dlc
	if !same {
		nominal, data := f.WireBits()
		r.lastNominal, r.lastData = uint64(nominal), uint64(data)
	}
	r.nominal += r.lastNominal
	r.data += r.lastData
	if f.Flags&can.FD != 0 {
		r.fdFrames++
		bump(&r.lengths[f.DLC&15], 1)
	} else {
		bump(&r.lengths[f.Len&15], 1) // classic codes over 8 stand for 8 bytes
	}
	if r.frames == 0 {
		r.first, r.firstGap, r.lastGap = now, noGap, noGap
		r.earliest, r.latest = f.Time, f.Time
		r.begun = observed
	} else {
		r.join(&now, changed)
	}
	r.earliest, r.latest = min(r.earliest, f.Time), max(r.latest, f.Time)
	r.ended = observed
	r.frames++
	r.last = now
	return same
}

// seePayload updates the words and reports whether the payload differs from
// that of the frame before.
func (r *row) seePayload(f *can.Frame, now *stamp) (changed bool) {
	needed := (int(now.length) + 7) / 8
	for len(r.words) < needed {
		r.words = append(r.words, word{ones: math.MaxUint64})
	}
	changed = now.length != r.last.length
	pair := r.frames > 0 && now.file == r.last.file
	for i := range needed {
		w := &r.words[i]
		data := binary.LittleEndian.Uint64(f.Data[8*i:])
		mask := wordMask(now.length, i)
		w.see(data, mask)
		if r.frames == 0 {
			w.first = data
		}
		if pair {
			if w.step(w.last, data, mask&wordMask(r.last.length, i)) {
				changed = true
			}
		} else if w.last != data {
			changed = true
		}
		w.last = data
	}
	return changed
}

// join accounts for the step from the latest frame to the next one.
func (r *row) join(next *stamp, changed bool) {
	gap := int64(noGap)
	if next.file == r.last.file {
		gap = r.gapTo(next)
		r.pairs++
		if !changed {
			r.repeats++
		}
	}
	if gap != noGap {
		which := 0
		if changed {
			which = 1
		}
		if r.gaps == nil {
			r.gaps = new([2]Gaps)
		}
		r.gaps[which].Add(gap)
	}
	if r.frames == 1 {
		r.firstGap = gap
	}
	r.follow(gap)
}

// gapTo measures the gap to the next frame of the same capture. Two stamps of
// exactly 0 come from a capture without a clock.
func (r *row) gapTo(next *stamp) int64 {
	switch {
	case next.time < r.last.time:
		r.backward++
		return noGap
	case next.time == 0 && r.last.time == 0:
		return noGap
	case next.time-r.last.time < 0: // further apart than 2^63 ns
		return math.MaxInt64
	}
	return next.time - r.last.time
}

// follow compares a gap with the one before it. Two gaps in a row are even when
// the longer is at most one and a half times the shorter: a lost frame or a
// pause beside a regular gap is not.
func (r *row) follow(gap int64) {
	if gap != noGap && r.lastGap != noGap {
		short, long := uint64(min(gap, r.lastGap)), uint64(max(gap, r.lastGap))
		if 2*long <= 3*short {
			r.evenPairs++
			r.evenGapDiff = addSum(r.evenGapDiff, long-short)
		}
	}
	r.lastGap = gap
}

// merge joins the row of the following stretch to this one.
func (r *row) merge(next *row) {
	changed := next.first.length != r.last.length
	pair := next.first.file == r.last.file
	for i := range next.words {
		if i == len(r.words) {
			r.words = append(r.words, word{ones: math.MaxUint64})
		}
		w, n := &r.words[i], &next.words[i]
		if pair && w.step(w.last, n.first, wordMask(r.last.length, i)&wordMask(next.first.length, i)) {
			changed = true
		}
		w.merge(n)
	}
	r.join(&next.first, changed)
	if next.frames > 1 {
		r.follow(next.firstGap)
		r.lastGap = next.lastGap
	}
	r.last = next.last
	r.ended = next.ended
	r.lastNominal, r.lastData = next.lastNominal, next.lastData
	r.mergeSums(next)
}

func (r *row) mergeSums(next *row) {
	r.earliest, r.latest = min(r.earliest, next.earliest), max(r.latest, next.latest)
	r.frames += next.frames
	r.fdFrames += next.fdFrames
	r.nominal += next.nominal
	r.data += next.data
	for i, n := range next.lengths {
		bump(&r.lengths[i], n)
	}
	r.pairs += next.pairs
	r.repeats += next.repeats
	r.backward += next.backward
	switch {
	case r.gaps == nil:
		r.gaps = next.gaps
	case next.gaps != nil:
		r.gaps[0].Merge(&next.gaps[0])
		r.gaps[1].Merge(&next.gaps[1])
	}
	r.evenPairs += next.evenPairs
	r.evenGapDiff = addSum(r.evenGapDiff, next.evenGapDiff)
	if r.message != nil && next.message != nil {
		r.message.merge(next.message)
	}
}

// allGaps returns the gaps before every frame, changed or not.
func (r *row) allGaps() *Gaps {
	var all Gaps
	if r.gaps != nil {
		all.Merge(&r.gaps[0])
		all.Merge(&r.gaps[1])
	}
	return &all
}
