package survey

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// Report computes the survey of everything added so far.
func (c *Collector) Report() *Report {
	c.limitRows()
	rep := &Report{
		GapQuantileErrorPercent: GapErrorPercent,
		Timing:                  c.span.report(),
		Buses:                   []Bus{},
	}
	rates := c.opts.Buses.All()
	for index, b := range c.buses {
		if b == nil {
			continue
		}
		var known can.Bus
		if index < len(rates) {
			known = rates[index]
		}
		out := b.report(known, c.span.observed)
		rep.Frames += out.Frames
		rep.ErrorFrames += out.Errors.Frames
		rep.Buses = append(rep.Buses, out)
	}
	slices.SortFunc(rep.Buses, func(x, y Bus) int { return cmp.Compare(x.Name, y.Name) })
	return rep
}

func (s *span) report() Timing {
	t := Timing{Backward: s.backward, Jumps: s.jumps}
	if s.timed {
		observed := float64(s.observed) / 1e9
		t.First, t.Last, t.ObservedS = instant(s.earliest), instant(s.latest), &observed
	}
	return t
}

// report tells what the bus carried; observed is the capture's time in ns.
func (b *bus) report(known can.Bus, observed int64) Bus {
	out := Bus{
		Name:        b.name,
		Bitrate:     positive(known.Bitrate),
		DataBitrate: positive(known.DataBitrate),
		Frames:      b.others.frames,
		Timing:      b.span.report(),
		IDs:         []ID{},
		Errors:      b.errors.report(),
	}
	nominal, data := b.others.nominal, b.others.data
	for _, r := range b.rows {
		out.Frames += r.frames
		nominal += r.nominal
		data += r.data
	}
	all := float64(nominal + data)
	for _, r := range b.rows {
		out.IDs = append(out.IDs, r.report(all, b.span.timed))
	}
	slices.SortFunc(out.IDs, func(x, y ID) int {
		return cmp.Or(cmp.Compare(x.ID, y.ID), compareBool(x.Extended, y.Extended), compareBool(x.Remote, y.Remote))
	})
	out.NotSeen = b.notSeen()
	out.Load = b.load(known, observed)
	out.Load.NominalBits, out.Load.DataBits = nominal, data
	if o := &b.others; o.frames > 0 {
		out.Others = &Others{Frames: o.frames, SharePercent: ratio(100*float64(o.nominal+o.data), all)}
		if b.span.timed {
			out.Others.First, out.Others.Last = instant(o.first), instant(o.last)
		}
	}
	return out
}

// notSeen lists the messages of the DBC of which no frame came.
func (b *bus) notSeen() []NotSeen {
	list := []NotSeen{}
	if b.definitions == nil {
		return list
	}
	seen := make(map[*decode.Message]bool)
	for _, r := range b.rows {
		if r.message != nil {
			seen[r.message.def] = true
		}
	}
	for _, m := range b.definitions.Messages() {
		def := m.Def
		if seen[m] || def.Length > can.MaxFDLen {
			continue
		}
		list = append(list, NotSeen{
			ID: def.ID, Text: idText(def.ID, def.Extended), Extended: def.Extended, Message: def.Name,
			Senders: append([]string{}, def.Senders...), Cycle: statedCycle(def),
		})
	}
	slices.SortFunc(list, func(x, y NotSeen) int {
		return cmp.Or(cmp.Compare(x.ID, y.ID), compareBool(x.Extended, y.Extended))
	})
	return list
}

func (b *bus) load(known can.Bus, observed int64) Load {
	var l Load
	nominal, data := b.windows.Total()
	if seconds := float64(observed) / 1e9; seconds > 0 {
		l.Mean = rate(nominal, data, seconds, known)
	}
	tenth, second := b.windows.Busiest()
	if tenth.Found {
		l.WorstTenth = rate(tenth.Nominal, tenth.Data, 0.1, known)
		l.WorstTenth.Start = instant(tenth.Start)
	}
	if second.Found {
		l.WorstSecond = rate(second.Nominal, second.Data, 1, known)
		l.WorstSecond.Start = instant(second.Start)
	}
	return l
}

// rate returns the load of so many bits in so many seconds.
func rate(nominal, data uint64, seconds float64, known can.Bus) *Rate {
	r := &Rate{NominalBitPerS: float64(nominal) / seconds, DataBitPerS: float64(data) / seconds}
	if known.Bitrate > 0 && (data == 0 || known.DataBitrate > 0) {
		percent := 100 * r.NominalBitPerS / float64(known.Bitrate)
		if data > 0 {
			percent += 100 * r.DataBitPerS / float64(known.DataBitrate)
		}
		r.Percent = &percent
	}
	return r
}

func (e *errorFrames) report() ErrorFrames {
	out := ErrorFrames{Frames: e.frames, Classes: []ErrorClass{}, Course: []ErrorRate{}}
	for class, n := range e.classes {
		if n > 0 {
			c := can.ErrorClass(class)
			out.Classes = append(out.Classes, ErrorClass{c, c.String(), n})
		}
	}
	tenth, second := e.windows.Busiest()
	if !tenth.Found {
		return out
	}
	out.WorstTenth = &ErrorRate{Instant(tenth.Start), tenth.Nominal}
	out.WorstSecond = &ErrorRate{Instant(second.Start), second.Nominal}
	width := float64(e.course.Width()) / 1e9
	out.CourseS = &width
	for i := range e.course.Buckets() {
		b := &e.course.Buckets()[i]
		out.Course = append(out.Course, ErrorRate{Instant(e.course.StartOf(b)), b.N})
	}
	return out
}

// report tells what was seen of the row; all is the number of bits on its bus.
func (r *row) report(all float64, timed bool) ID {
	id, extended := r.key&can.MaxExtendedID, r.key&keyExtended != 0
	out := ID{
		ID:       id,
		Text:     idText(id, extended),
		Extended: extended,
		Remote:   r.key&keyRemote != 0,
		Senders:  []string{},
		Frames:   r.frames,
		FDFrames: r.fdFrames,
		Kind:     Unknown,
		Backward: r.backward,
		Share:    ratio(100*float64(r.nominal+r.data), all),
		Repeats:  r.repeats,
		Bits:     newBitMap(r.words, r.longest()),
		Signals:  []Signal{},
	}
	for code, n := range r.lengths {
		if n > 0 {
			out.Lengths = append(out.Lengths, Length{int(can.DLCToLen(uint8(code), true)), uint64(n)})
		}
	}
	if timed {
		out.First, out.Last = instant(r.earliest), instant(r.latest)
	}
	if gaps := r.allGaps(); gaps.Count() > 0 {
		out.Kind = r.kind(gaps)
		out.CycleNS = r.cycle(out.Kind, gaps)
		out.Gaps = r.gapTimes(gaps)
	}
	if r.ended > r.begun {
		out.RateHz = ratio(float64(r.frames-1)*1e9, float64(r.ended-r.begun))
	}
	if r.message != nil {
		r.message.report(&out)
	}
	return out
}

// longest returns the longest payload, in bytes.
func (r *row) longest() uint8 {
	if r.key&keyRemote != 0 {
		return 0
	}
	for code := len(r.lengths) - 1; code > 0; code-- {
		if r.lengths[code] > 0 {
			return can.DLCToLen(uint8(code), true)
		}
	}
	return 0
}

func (r *row) gapTimes(all *Gaps) *GapTimes {
	const ms = 1e6
	g := &GapTimes{
		Count:  all.Count(),
		MinMS:  float64(all.Min()) / ms,
		MeanMS: float64(all.Sum()) / float64(all.Count()) / ms,
		P50MS:  float64(all.Quantile(0.50)) / ms,
		P95MS:  float64(all.Quantile(0.95)) / ms,
		P99MS:  float64(all.Quantile(0.99)) / ms,
		MaxMS:  float64(all.Max()) / ms,
	}
	g.JitterMS = ratio(float64(r.evenGapDiff)/ms, float64(r.evenPairs))
	return g
}

func (m *message) report(out *ID) {
	m.book()
	def := m.def.Def
	out.Message = def.Name
	out.Senders = append(out.Senders, def.Senders...)
	out.Cycle = statedCycle(def)
	out.ShortCount = m.short
	for i := range m.signals {
		out.Signals = append(out.Signals, m.signals[i].report(m.latest[i].frames))
	}
}

// statedCycle returns the cycle that the DBC states, in ms; nil: none.
func statedCycle(def *dbc.Message) *float64 {
	if def.CycleTime <= 0 {
		return nil
	}
	ms := def.CycleTime.Seconds() * 1000
	return &ms
}

func (s *signal) report(frames uint64) Signal {
	def := s.sig.Def
	out := Signal{
		Name:      def.Name,
		Unit:      def.Unit,
		Frames:    frames,
		Min:       finite(s.min),
		Max:       finite(s.max),
		Distinct:  s.distinct.count(),
		More:      s.distinct.full,
		Outside:   s.outside,
		NotFinite: s.infinite,
		Labels:    []Label{},
	}
	if def.Min != 0 || def.Max != 0 {
		out.StatedMin, out.StatedMax = finite(def.Min), finite(def.Max)
	}
	for _, l := range s.labels {
		out.Labels = append(out.Labels, Label{rawText(l.raw, def), s.sig.Label(l.raw), l.frames})
	}
	return out
}

// rawText writes a raw value as the DBC file would.
func rawText(raw uint64, def *dbc.Signal) string {
	switch def.Type {
	case dbc.Signed:
		return strconv.FormatInt(int64(raw), 10)
	case dbc.Float32:
		return strconv.FormatFloat(float64(math.Float32frombits(uint32(raw))), 'g', -1, 32)
	case dbc.Float64:
		return strconv.FormatFloat(math.Float64frombits(raw), 'g', -1, 64)
	}
	return strconv.FormatUint(raw, 10)
}

func positive(n int64) *int64 {
	if n <= 0 {
		return nil
	}
	return &n
}

func instant(ns int64) *Instant {
	i := Instant(ns)
	return &i
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}
