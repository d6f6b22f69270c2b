package capture

import (
	"math"

	"plugproof/decode/can"
)

// remarks watches the order and the clock of the frames of one capture,
// whatever its format. It is a Collector: the remarks of two stretches of a
// capture merge into those of the whole. Its memory does not grow with the
// capture.
type remarks struct {
	frames  uint64
	first   can.Frame // of the stretch; valid when frames > 0
	last    can.Frame
	min     int64 // earliest and latest stamp, ns; valid when frames > 0
	max     int64
	buses   []busClock // by Frame.Bus
	tallies [4]Tally   // by the index in remarkKinds
}

// remarkKinds are what judge and clumped stamps give.
var remarkKinds = [4]Kind{Backward, Jump, Duplicate, Clumped}

const (
	backward = iota
	jump
	duplicate
	clumped
	noRemark
)

// busClock is what is known of one bus at both ends of a stretch.
type busClock struct {
	seen  bool
	first stamp
	place Place // of first
	last  stamp
}

// stamp is when a frame came and how long it takes on the wire at least, in ns.
type stamp struct{ time, wire int64 }

const jumpAfter = 60e9 // ns

func newRemarks() *remarks {
	return &remarks{min: math.MaxInt64, max: math.MinInt64}
}

// Add takes the next frames of the capture.
func (r *remarks) Add(batch []can.Frame) {
	if len(batch) == 0 {
		return
	}
	if r.frames == 0 {
		r.first = batch[0]
		r.stampFirst(&batch[0])
	} else {
		r.step(&r.last, &batch[0])
	}
	for i := 1; i < len(batch); i++ {
		r.step(&batch[i-1], &batch[i])
	}
	r.frames += uint64(len(batch))
	r.last = batch[len(batch)-1]
}

// stampFirst takes the very first frame: nothing is before it.
func (r *remarks) stampFirst(f *can.Frame) {
	r.min, r.max = f.Time, f.Time
	r.bus(f).take(f)
}

// step judges f by the frame before it.
func (r *remarks) step(before, f *can.Frame) {
	r.min, r.max = min(r.min, f.Time), max(r.max, f.Time)
	remark := judge(before, f)
	if remark != noRemark {
		r.tallies[remark].add(placeOf(f))
	}
	if soon := r.bus(f).take(f); soon && remark != duplicate {
		r.tallies[clumped].add(placeOf(f))
	}
}

// judge compares two frames that follow each other: backward, jump, duplicate or
// noRemark.
func judge(before, f *can.Frame) int {
	switch gap := f.Time - before.Time; {
	case gap < 0:
		return backward
	case gap > jumpAfter:
		return jump
	case gap == 0 && f.Time != 0 && same(before, f):
		return duplicate
	}
	return noRemark
}

// same reports whether two frames agree but for their place.
func same(a, b *can.Frame) bool {
	const way = can.Rx | can.Tx
	return a.ID == b.ID && a.Bus == b.Bus && (a.Flags^b.Flags)&^way == 0 &&
		a.Len == b.Len && a.DLC == b.DLC && a.Data == b.Data
}

func placeOf(f *can.Frame) Place { return Place{Offset: f.Offset, Record: f.Record} }

func (r *remarks) bus(f *can.Frame) *busClock {
	if int(f.Bus) >= len(r.buses) {
		r.buses = append(r.buses, make([]busClock, int(f.Bus)+1-len(r.buses))...)
	}
	return &r.buses[f.Bus]
}

// take sets the bus's clock to f and reports whether f came sooner after the
// frame before than the shorter of the two takes to send.
func (b *busClock) take(f *can.Frame) (soon bool) {
	if f.Flags&can.Error != 0 { // the length of an error frame is not recorded
		return false
	}
	now := stamp{f.Time, shortest(f)}
	if !b.seen {
		b.seen, b.first, b.place = true, now, placeOf(f)
	} else {
		soon = now.tooSoonAfter(b.last)
	}
	b.last = now
	return soon
}

// tooSoonAfter says whether a bus can have carried both frames so close. Stamps
// may be taken at a frame's start or end, so the shorter frame counts, and they
// are whole microseconds mostly, which may shorten a gap by one. Stamps of 0
// are no stamps.
func (s stamp) tooSoonAfter(before stamp) bool {
	gap := s.time - before.time
	return gap >= 0 && gap < min(s.wire, before.wire)-1e3 && s.time != 0
}

// shortest is a lower bound of the time a frame takes on any bus, in ns: no
// stuff bits, 1 Mbit/s, and 8 Mbit/s for the FD data phase. The bit counts are
// those of the kernel's can/length.h, the 3 bits between frames included.
func shortest(f *can.Frame) int64 {
	const bit, fastBit = 1e9 / 1e6, 1e9 / 8e6
	head := int64(47)
	if f.Flags&can.Extended != 0 {
		head = 67
	}
	switch {
	case f.Flags&(can.FD|can.Remote) == 0:
		return (head + 8*int64(f.Len)) * bit
	case f.Flags&can.Remote != 0:
		return head * bit
	case f.Flags&can.BRS == 0:
		return (head + 14 + 8*int64(f.Len)) * bit
	}
	return (head-19)*bit + (32+8*int64(f.Len))*fastBit
}

// Merge takes over the remarks of the stretch that follows.
func (r *remarks) Merge(next *remarks) {
	if next.frames == 0 {
		return
	}
	if r.frames == 0 {
		*r = *next
		return
	}
	seam := judge(&r.last, &next.first)
	if seam != noRemark {
		next.tallies[seam].insert(placeOf(&next.first))
	}
	for i := range next.buses {
		b := &next.buses[i]
		if !b.seen {
			continue
		}
		a := r.bus(&can.Frame{Bus: uint16(i)})
		doubled := seam == duplicate && b.place == placeOf(&next.first)
		if a.seen && !doubled && b.first.tooSoonAfter(a.last) {
			next.tallies[clumped].insert(b.place)
		}
		if !a.seen {
			a.seen, a.first, a.place = true, b.first, b.place
		}
		a.last = b.last
	}
	for i := range r.tallies {
		r.tallies[i].merge(next.tallies[i])
	}
	r.frames += next.frames
	r.last = next.last
	r.min, r.max = min(r.min, next.min), max(r.max, next.max)
}

// report writes what was found into the capture's report.
func (r *remarks) report(rep *FileReport) {
	for i, t := range r.tallies {
		if t.Count > 0 {
			rep.Remarks[remarkKinds[i]] = t
		}
	}
	if r.frames == 0 {
		return
	}
	rep.FirstTime, rep.LastTime = r.min, r.max
	if rep.Clock == ClockNone {
		rep.Clock = clockOf(r.min, r.max)
	}
}

// clockOf guesses what stamps count from. No capture is older than CAN, so
// stamps before 1986 do not count from the epoch.
func clockOf(earliest, latest int64) Clock {
	const year1986 = 504_921_600e9
	switch {
	case earliest == 0 && latest == 0:
		return ClockNone
	case earliest < year1986:
		return ClockRelative
	}
	return ClockAbsolute
}
