package moved

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"plugproof/profiles/stages"
)

// shape is how a thing moves.
type shape uint8

const (
	strokes  shape = iota // there and back, so many times, else at rest
	codes                 // a few values, one for each position
	revs                  // engine speed: 0, cranking, idle, revved
	slow                  // rises over minutes
	states                // lit or dark
	readings              // as an instrument read
)

// Kind is a thing that a technician moves.
type Kind struct {
	Name   string
	Title  string // for the help
	Signal string // what a DBC file calls it
	Unit   string
	shape  shape

	graded  bool        // takes many values; else two
	span    *[2]float64 // physical end points, where the trade has some
	strokes int
	moved   []string // stages of the capture script in which it moves
	rest    []string // stages in which it does not
	held    []string // stages in which it is away from rest
}

var still = []string{"key-on", "crank", "idle", "warm-up", "air-con", "cruise"}

// Kinds are the things that can be looked for. How they move in which stage is
// the capture script of the trade (common practice).
func Kinds() []Kind {
	percent := &[2]float64{0, 100}
	more := func(names ...string) []string { return append(slices.Clone(still), names...) }
	return []Kind{
		{Name: "pedal", Title: "accelerator pedal", Signal: "Pedal", Unit: "%", graded: true, span: percent, strokes: 3, moved: []string{"pedal"}, rest: more("brake", "lever")},
		{Name: "brake", Title: "brake pedal or its switch", Signal: "Brake", strokes: 3, moved: []string{"brake"}, rest: more("pedal", "rev"), held: []string{"lever", "in-gear"}},
		{Name: "clutch", Title: "clutch switch", Signal: "Clutch", strokes: 3, moved: []string{"brake"}, rest: []string{"key-on", "pedal", "lever", "warm-up", "air-con", "cruise", "rev"}},
		{Name: "handbrake", Title: "handbrake switch", Signal: "Handbrake", strokes: 2, moved: []string{"brake"}, rest: more("pedal", "lever", "rev")},
		{Name: "lever", Title: "selector lever", Signal: "Lever", shape: codes, moved: []string{"lever"}, rest: more("pedal", "brake", "rev")},
		{Name: "engine-speed", Title: "engine speed", Signal: "EngineSpeed", Unit: "rpm", shape: revs, graded: true, moved: []string{"crank", "idle", "rev"}, rest: []string{"key-on", "pedal", "brake", "lever"}},
		{Name: "vehicle-speed", Title: "speed of the car or a wheel", Signal: "VehicleSpeed", Unit: "km/h", graded: true, strokes: 1, moved: []string{"road"}, rest: more("pedal", "brake", "lever", "rev", "in-gear")},
		{Name: "temperature", Title: "coolant, oil: rises as the engine warms up", Signal: "Temperature", Unit: "degC", shape: slow, graded: true, moved: []string{"idle", "warm-up", "air-con", "cruise", "rev"}, rest: []string{"key-on", "pedal", "brake", "lever"}},
		{Name: "lamp", Title: "lamp: lit with the key, dark with the engine running; or lit in --when", Signal: "Lamp", shape: states, moved: []string{"key-on"}, rest: []string{"idle", "warm-up", "air-con", "cruise", "rev", "in-gear", "road"}},
		{Name: "air-con", Title: "air-con switch", Signal: "Aircon", strokes: 3, moved: []string{"air-con"}, rest: []string{"key-on", "pedal", "brake", "lever", "crank", "idle", "warm-up", "cruise", "rev"}},
		{Name: "steering", Title: "steering wheel, with --when", Signal: "Steering", Unit: "deg", graded: true, strokes: 2},
		{Name: "switch", Title: "anything with two positions, with --when", Signal: "Switch", strokes: 3},
		{Name: "value", Title: "anything with many values, with --when or --at", Signal: "Value", graded: true, strokes: 3},
	}
}

// KindNames lists the names of Kinds.
func KindNames() (names []string) {
	for _, k := range Kinds() {
		names = append(names, k.Name)
	}
	return names
}

// SignalName is what a DBC file calls a kind of thing.
func SignalName(kind string) string {
	for _, k := range Kinds() {
		if k.Name == kind {
			return k.Signal
		}
	}
	return "Value"
}

// plan is what to look for in one capture.
type plan struct {
	Kind
	n     int // strokes
	start int64
	total int64 // length of what was looked at, ns

	moved, rest, held []Span
	crank, idle, rev  []Span // for revs
	turning           []Span // where the engine runs all the time
	focus             []Span
	readings          []Reading
	found             bool // the window was found by the pattern itself
	script            bool // by the stages, not by --when
	each              bool // one stroke in each window
}

const (
	grace      = 2e9   // ns after the key is turned in which values start (trade practice)
	margin     = 500e6 // ns at the borders of a stretch at rest: nobody is exact
	readingFar = 2e9   // ns by which a reading may be late
)

// newPlan works out which stretches say what.
func newPlan(opts *Options) (*plan, error) {
	at := slices.IndexFunc(Kinds(), func(k Kind) bool { return k.Name == opts.Moved })
	if at < 0 {
		return nil, &UsageError{fmt.Sprintf("nothing called %q can be looked for", opts.Moved), "one of " + strings.Join(KindNames(), ", ")}
	}
	p := &plan{Kind: Kinds()[at], readings: opts.Readings}
	p.n = cmp.Or(opts.Strokes, p.strokes)
	switch {
	case len(opts.When) > 0:
		p.moved = slices.Clone(opts.When)
		slices.SortFunc(p.moved, func(a, b Span) int { return cmp.Compare(a.Start, b.Start) })
		if p.shape == revs || p.shape == slow {
			p.shape = strokes
			p.n = cmp.Or(opts.Strokes, len(p.moved))
		}
		if opts.Strokes == 0 && len(p.moved) > 1 {
			p.n, p.each = len(p.moved), true
		}
	case slices.ContainsFunc(opts.Stages, func(s stages.Span) bool { return slices.Contains(p.Kind.moved, s.Stage) }):
		p.byStages(opts.Stages)
	case len(opts.Readings) >= leastReadings:
	case p.shape == strokes && p.Kind.strokes > 1:
	default:
		return nil, &UsageError{
			fmt.Sprintf("nothing says when the %s moved", p.Name),
			"give --when FROM-TO, mark the stages (CAPTURE.stages.yaml, job stages), or read values with --at TIME=VALUE",
		}
	}
	if len(p.moved) == 0 && len(p.readings) >= leastReadings {
		p.shape = readings
	}
	for _, r := range p.readings {
		p.focus = append(p.focus, Span{r.Time - readingFar, r.Time + readingFar})
	}
	p.focus = append(p.focus, p.moved...)
	return p, nil
}

// byStages takes the stretches from marked stages.
func (p *plan) byStages(marked stages.Spans) {
	p.script = true
	for _, s := range marked {
		span := Span{s.Start, s.End}
		inner := Span{s.Start + margin, s.End - margin}
		if s.Stage == "key-on" {
			inner.Start = s.Start + min(grace, (s.End-s.Start)/2)
		}
		if slices.Contains(p.Kind.moved, s.Stage) {
			p.moved = append(p.moved, span)
		}
		if slices.Contains(p.Kind.rest, s.Stage) && inner.Start < inner.End {
			p.rest = append(p.rest, inner)
		}
		if slices.Contains(p.Kind.held, s.Stage) && inner.Start < inner.End {
			p.held = append(p.held, inner)
		}
		switch s.Stage {
		case "crank":
			p.crank = append(p.crank, span)
		case "idle":
			p.idle = append(p.idle, Span{s.Start + (s.End-s.Start)/2, s.End})
		case "in-gear", "road", "warm-up", "air-con", "cruise":
			p.turning = append(p.turning, inner)
		case "rev":
			p.rev = append(p.rev, span)
		}
	}
	if p.shape == states { // lit from the turn of the key on, until the bulb check ends
		for i, s := range p.moved {
			p.moved[i] = Span{s.Start + 700e6, min(s.End, s.Start+grace)}
		}
	}
}

// stretches are those in which the thing moved or was read, sorted; nil: anywhere.
func (p *plan) stretches() []Span {
	if p.moved == nil && len(p.readings) > 0 {
		return p.focus
	}
	return p.moved
}

// bound sets the length of the capture, and outside of --when everything at rest.
func (p *plan) bound(list []*identifier) {
	first, last := list[0].span[0], list[0].span[1]
	for _, id := range list {
		first, last = min(first, id.span[0]), max(last, id.span[1])
	}
	p.start, p.total = first, max(1, last-first)
	if !p.script && len(p.moved) > 0 {
		p.rest = outside(p.moved, first, last)
	}
}

// window makes one stretch that of the movement and all others rest.
func (p *plan) window(at Span) {
	p.moved = []Span{at}
	p.rest = outside(p.moved, p.start, p.start+p.total)
}

// outside returns the stretches between spans, with a margin.
func outside(spans []Span, first, last int64) (rest []Span) {
	from := first
	for _, s := range spans {
		if s.Start-margin > from {
			rest = append(rest, Span{from, s.Start - margin})
		}
		from = max(from, s.End+margin)
	}
	if from < last {
		rest = append(rest, Span{from, last + 1})
	}
	return rest
}

// fields are the fields of an identifier that can be such a thing.
func (p *plan) fields(id *identifier) []candidate {
	switch {
	case p.shape == codes:
		return id.codes()
	case p.shape == states:
		return id.switches()
	case p.graded || p.shape == readings:
		return id.numbers()
	case p.shape == strokes:
		return append(id.switches(), id.numbers()...)
	}
	return id.numbers()
}

// share is the part of the capture that lies in the windows of movement.
func (p *plan) share() float64 {
	var sum int64
	for _, s := range p.moved {
		sum += s.End - s.Start + 2*margin
	}
	return min(1, float64(sum)/float64(p.total))
}

// relative writes a stretch in seconds after the first frame.
func (p *plan) relative(s Span) string {
	return fmt.Sprintf("%.3f to %.3f s", float64(s.Start-p.start)/1e9, float64(s.End-p.start)/1e9)
}
