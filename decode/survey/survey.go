// Package survey gathers timing, load, bit activity and signal ranges of a
// capture in one pass and bounded memory, whatever the capture's length.
//
// Everything is counted in integers and keeps what it needs of its first and
// last frame, so a capture may be cut anywhere, each stretch given to a
// collector of its own, and the collectors merged in order: the report is the
// same, to the last bit, as that of one collector over the whole.
//
// The parts that other collectors need as well are exported: Gaps, Windows,
// Track and Changes.
package survey

import (
	"math"

	"plugproof/decode"
	"plugproof/decode/can"
)

// Options of New.
type Options struct {
	// Buses names the buses that the frames come from. Their bit rates are
	// looked up twice: when the first frame of a bus comes, to weigh FD bits of
	// both rates against each other, and for the report, to give percent.
	Buses   *can.Buses
	Decoder *decode.Decoder // nil: no names and no signal ranges
}

// Collector gathers a survey. It satisfies capture.Collector[*Collector].
type Collector struct {
	opts   Options
	buses  []*bus // by Frame.Bus; nil: no frame yet
	rows   int    // of all buses
	span   span
	values []decode.Value // scratch space of the decoder
}

// New returns an empty collector.
func New(opts Options) *Collector { return &Collector{opts: opts} }

// Add takes the frames of a batch in order. It keeps no reference to them.
func (c *Collector) Add(batch []can.Frame) {
	for i := range batch {
		c.add(&batch[i])
	}
}

func (c *Collector) add(f *can.Frame) {
	if int(f.Bus) >= len(c.buses) || c.buses[f.Bus] == nil {
		c.addBus(f.Bus)
	}
	b := c.buses[f.Bus]
	c.span.step(f.Time, f.File)
	b.span.step(f.Time, f.File)
	if f.Flags&can.Error != 0 {
		b.errors.add(f)
		return
	}
	r := b.table.find(keyOf(f))
	if r == nil {
		if r = c.addRow(b, f); r == nil {
			b.addOther(f)
			return
		}
	}
	same := r.add(f, c.span.observed)
	b.windows.Add(f.Time, f.File, r.lastNominal, r.lastData)
	if r.message == nil {
		return
	}
	if same {
		r.message.repeats++
		return
	}
	c.values = r.message.add(f, c.values)
}

func (c *Collector) addBus(index uint16) {
	for int(index) >= len(c.buses) {
		c.buses = append(c.buses, nil)
	}
	b := &bus{name: c.opts.Buses.Name(index), limit: math.MaxUint64}
	if list := c.opts.Buses.All(); int(index) < len(list) {
		// A nominal bit lasts as long as DataBitrate/Bitrate data bits.
		if rates := list[index]; rates.Bitrate > 0 && rates.DataBitrate > 0 {
			b.windows.Nominal, b.windows.Data = uint64(rates.DataBitrate), uint64(rates.Bitrate)
		}
	}
	if c.opts.Decoder != nil {
		b.definitions = c.opts.Decoder.Bus(b.name)
	}
	c.buses[index] = b
}

// addRow makes the row for a new identifier; nil when it has no claim to one.
// An eighth more rows than allowed are kept for a while, so that giving up the
// excess costs little for each.
func (c *Collector) addRow(b *bus, f *can.Frame) *row {
	var def *decode.Message
	if b.definitions != nil {
		def = b.definitions.Lookup(f)
	}
	key := keyOf(f)
	rank := rankOf(key, def != nil)
	if rank > b.limit {
		return nil
	}
	r := &row{key: key, rank: rank}
	if def != nil {
		r.message = newMessage(def)
	}
	b.put(r)
	c.rows++
	if len(b.rows) > MaxIDs+MaxIDs/8 || c.rows > MaxRows+MaxRows/8 {
		c.limitRows()
		if rank > b.limit {
			return nil
		}
	}
	return r
}

// Merge takes over what the collector of the following stretch gathered; next
// is not to be used afterwards.
func (c *Collector) Merge(next *Collector) {
	c.span.merge(&next.span)
	elapsed := c.span.observed - next.span.observed // before next's first frame
	for index, from := range next.buses {
		if from == nil {
			continue
		}
		if index >= len(c.buses) || c.buses[index] == nil {
			c.addBus(uint16(index))
		}
		c.buses[index].merge(from, elapsed)
	}
	c.limitRows()
}

// bus gathers the frames of one bus.
type bus struct {
	name        string
	definitions *decode.Table
	table       rowTable
	rows        []*row
	limit       uint64 // rows of a higher rank have no claim any more
	others      others
	windows     Windows
	errors      errorFrames
	span        span
}

func (b *bus) put(r *row) {
	b.table.put(r)
	b.rows = append(b.rows, r)
}

func (b *bus) addOther(f *can.Frame) {
	nominal, data := f.WireBits()
	b.others.add(f.Time, uint64(nominal), uint64(data))
	b.windows.Add(f.Time, f.File, uint64(nominal), uint64(data))
}

// merge takes over the following stretch, which began elapsed ns of observed
// time after this one.
func (b *bus) merge(next *bus, elapsed int64) {
	for _, r := range next.rows {
		r.begun += elapsed
		r.ended += elapsed
		if mine := b.table.find(r.key); mine != nil {
			mine.merge(r)
		} else {
			b.put(r)
		}
	}
	b.others.include(&next.others)
	b.limit = min(b.limit, next.limit)
	b.windows.Merge(&next.windows)
	b.errors.merge(&next.errors)
	b.span.merge(&next.span)
}

// jumpNS is the step in time that is not taken for time that passed: a clock
// that was set, or joined captures.
const jumpNS = 60_000_000_000

// span follows the stamps of a stretch of frames.
type span struct {
	frames      uint64
	first, last int64 // stamps, ns
	earliest    int64
	latest      int64
	files       [2]uint16 // of the first and the last frame
	timed       bool      // any stamp other than 0
	observed    int64     // ns: steps between frames of one capture, steps over jumpNS left out
	backward    uint64    // steps back
	jumps       uint64    // steps over jumpNS in either direction
}

func (s *span) step(time int64, file uint16) {
	if s.frames == 0 {
		s.first, s.files[0] = time, file
		s.earliest, s.latest = time, time
	} else {
		s.between(time, file)
	}
	s.frames++
	s.last, s.files[1] = time, file
	s.earliest, s.latest = min(s.earliest, time), max(s.latest, time)
	s.timed = s.timed || time != 0
}

func (s *span) between(time int64, file uint16) {
	if file != s.files[1] {
		return
	}
	d := time - s.last
	if time < s.last {
		s.backward++
	}
	if d > jumpNS || d < -jumpNS {
		s.jumps++
		return
	}
	s.observed += d
}

func (s *span) merge(next *span) {
	if next.frames == 0 {
		return
	}
	if s.frames == 0 {
		*s = *next
		return
	}
	s.between(next.first, next.files[0])
	s.frames += next.frames
	s.last, s.files[1] = next.last, next.files[1]
	s.earliest, s.latest = min(s.earliest, next.earliest), max(s.latest, next.latest)
	s.timed = s.timed || next.timed
	s.observed += next.observed
	s.backward += next.backward
	s.jumps += next.jumps
}
