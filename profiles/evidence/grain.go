package evidence

import (
	"sync/atomic"

	"plugproof/decode/survey"
	"plugproof/profiles"
)

// grain is how coarse what is gathered of a capture will end up at least, as far
// as the stretches merged so far tell. A track's buckets only ever widen and a
// full list stays full, so a later stretch need not be finer: its collector
// works and remembers less, and the result is the same whatever it was told. That
// it is told later or earlier, by the luck of the workers, changes nothing.
type grain struct {
	latest atomic.Pointer[map[place]streamGrain]
	span   atomic.Int64 // ns that the stretch merged last took: the next one will take about as long
}

// place is an identifier on an interface, by can.Frame.Bus.
type place struct {
	bus uint16
	id  profiles.ID
}

// streamGrain is the grain of one identifier.
type streamGrain struct {
	span     int64 // ns that the stretch will take, about
	count    int   // doublings of the track
	payloads bool  // as many as are told apart were seen
	signals  []signalGrain
}

// signalGrain is the grain of one signal.
type signalGrain struct {
	span      int64
	track, na int  // doublings
	changes   bool // as many as are kept were seen
	values    bool // as many as are told apart were seen
}

// fineGrain is that of a stretch about which nothing is known.
var fineGrain = streamGrain{count: coarse}

// of returns the grain of a place. A nil grain knows nothing.
func (g *grain) of(at place) *streamGrain {
	if g == nil {
		return &fineGrain
	}
	if known := g.latest.Load(); known != nil {
		if sg, ok := (*known)[at]; ok {
			sg.span = g.span.Load()
			return &sg
		}
	}
	return &fineGrain
}

// signal returns the grain of one of the message's signals.
func (g *streamGrain) signal(index int) signalGrain {
	if index >= len(g.signals) {
		return signalGrain{track: coarse, na: coarse}
	}
	s := g.signals[index]
	s.span = g.span
	return s
}

// tell makes known how coarse a collector has become by a stretch of so many ns.
func (g *grain) tell(c *Collector, span int64) {
	if g == nil {
		return
	}
	g.span.Store(span)
	now := map[place]streamGrain{}
	for i, b := range c.buses {
		if b == nil {
			continue
		}
		for _, s := range b.streams {
			now[place{uint16(i), s.ID}] = s.grain()
		}
	}
	g.latest.Store(&now)
}

func (s *stream) grain() streamGrain {
	g := streamGrain{count: s.Count.Doublings(), payloads: s.full}
	if s.msg == nil {
		return g
	}
	g.signals = make([]signalGrain, len(s.msg.signals))
	for i := range s.msg.signals {
		g.signals[i] = s.msg.signals[i].grain()
	}
	return g
}

func (s *signal) grain() signalGrain {
	g := signalGrain{track: s.Track.Doublings(), na: coarse, values: s.MoreValues}
	if s.NATrack != nil {
		g.na = s.NATrack.Doublings()
	}
	g.changes = s.Changes != nil && len(s.Changes.Steps()) >= MaxChanges
	return g
}

func newTrack(named bool, doublings int) *survey.Track {
	if named {
		return survey.NewCoarseTrack(trackLimit, doublings)
	}
	return survey.NewCoarseTrack(smallTrackLimit, doublings)
}
