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
	latest atomic.Pointer[map[place]*streamGrain]
}

// place is an identifier on an interface, by can.Frame.Bus.
type place struct {
	bus uint16
	id  profiles.ID
}

// streamGrain is the grain of one identifier.
type streamGrain struct {
	count    trackGrain
	payloads bool // as many as are told apart were seen
	signals  []signalGrain
}

// signalGrain is the grain of one signal.
type signalGrain struct {
	track, na trackGrain
	changes   bool // as many as are kept were seen
	values    bool // as many as are told apart were seen
}

// trackGrain is the grain of one track.
type trackGrain struct {
	doublings int
	buckets   int // it will have about as many
}

// fineGrain is that of a stretch about which nothing is known.
var fineGrain = streamGrain{count: trackGrain{doublings: coarse}}

// of returns the grain of a place. A nil grain knows nothing.
func (g *grain) of(at place) *streamGrain {
	if g == nil {
		return &fineGrain
	}
	if known := g.latest.Load(); known != nil {
		if sg := (*known)[at]; sg != nil {
			return sg
		}
	}
	return &fineGrain
}

// signal returns the grain of one of the message's signals.
func (g *streamGrain) signal(index int) signalGrain {
	if index >= len(g.signals) {
		return signalGrain{track: fineGrain.count, na: fineGrain.count}
	}
	return g.signals[index]
}

// tell makes known how coarse a collector has become; the next stretch will take
// about so many ns.
func (g *grain) tell(c *Collector, span int64) {
	if g == nil {
		return
	}
	now := map[place]*streamGrain{}
	for i, b := range c.buses {
		if b == nil {
			continue
		}
		for _, s := range b.streams {
			now[place{uint16(i), s.ID}] = s.grain(span)
		}
	}
	g.latest.Store(&now)
}

func (s *stream) grain(span int64) *streamGrain {
	g := &streamGrain{count: grainOf(s.Count, span), payloads: s.full}
	if s.msg == nil {
		return g
	}
	g.signals = make([]signalGrain, len(s.msg.signals))
	for i := range s.msg.signals {
		g.signals[i] = s.msg.signals[i].grain(span)
	}
	return g
}

func (s *signal) grain(span int64) signalGrain {
	g := signalGrain{track: grainOf(s.Track, span), na: fineGrain.count, values: s.MoreValues}
	if s.NATrack != nil {
		g.na = grainOf(s.NATrack, span)
	}
	g.changes = s.Changes != nil && len(s.Changes.Steps()) >= MaxChanges
	return g
}

func grainOf(t *survey.Track, span int64) trackGrain {
	return trackGrain{doublings: t.Doublings(), buckets: t.Expected(span)}
}

// newTrack returns the track of a signal.
func (g trackGrain) newTrack(named bool) *survey.Track {
	if named {
		return g.withLimit(trackLimit)
	}
	return g.withLimit(smallTrackLimit)
}

func (g trackGrain) withLimit(limit int) *survey.Track {
	t := survey.NewCoarseTrack(limit, g.doublings)
	t.Expect(g.buckets)
	return t
}
