// Package guide leads a person through the capture script while the buses are
// recorded: it says what to do, watches what it leads to, and marks when each
// stage was. It knows frames and their times only: they may come from a live
// interface or from a file.
package guide

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/stages"
)

// Options of New.
type Options struct {
	// Setting tells what the signals mean; nil: each step lasts its time, and only
	// whether frames come is watched.
	Setting *profiles.Setting
	Buses   func(bus uint16) string // bus of the setting by can.Frame.Bus; "": none of its buses
	Stages  []string                // to be done, in the order of the script; empty: all that the car has
	On      []string                // buses that are recorded, by their name in the setting; empty: all
	Quick   bool                    // the shortest times instead of those of common practice
	// HandsFree goes on by itself when a step has taken four times its least time,
	// whether all was seen or not: nobody answers.
	HandsFree bool
}

// Guide is a capture script on its way. It is for one goroutine.
type Guide struct {
	say   func(Line)
	watch *watch
	steps []*step
	at    int   // of the present step; len(steps): done
	now   int64 // ns, newest time known
	last  int64 // time of the newest frame; 0: none yet
	began int64 // the present step
	pause int64 // ns between two steps: stimuli are kept apart
	next  int64 // when the present step begins, while it has not
	spans stages.Spans
	said  map[string]bool // of the present step
	alone bool            // Options.HandsFree
}

// Line is something said to the person.
type Line struct {
	Kind Kind
	Text string
}

// Kind says what a line is.
type Kind int

// The kinds of lines.
const (
	Caution Kind = iota // before the engine runs, or a gear is chosen
	Do                  // what to do now
	Seen                // was proved
	Wanted              // is still to be seen
	Trouble             // something is wrong with the bus or the recording
	Done                // a step, or all of them
)

// Answers of a person.
const (
	Next   = ""       // go on, whether all was seen or not
	Again  = "again"  // do the step again
	Skip   = "skip"   // the car cannot do it
	Finish = "finish" // end here
)

// pause is the least time between two stimuli; common practice.
const pause = 2 * time.Second

// New makes a guide. say is told every line, from within the calls of the guide.
func New(o Options, say func(Line)) (*Guide, error) {
	g := &Guide{say: say, watch: newWatch(o), alone: o.HandsFree}
	if !o.Quick {
		g.pause = int64(pause)
	}
	for _, s := range script(o) {
		if len(o.Stages) == 0 || slices.Contains(o.Stages, s.stage) {
			g.steps = append(g.steps, s)
		}
	}
	if len(g.steps) == 0 {
		return nil, fmt.Errorf("no stage of the script is left; it has %s", strings.Join(profiles.StageNames(), ", "))
	}
	return g, nil
}

// Finished reports whether the script is over.
func (g *Guide) Finished() bool { return g.at >= len(g.steps) }

// Spans are the stages that were done so far, for the file beside the capture.
func (g *Guide) Spans() stages.Spans { return g.spans }

// Start begins the script at a time, in ns on the clock of the frames.
func (g *Guide) Start(now int64) {
	g.now = now
	g.begin()
}

// Frames takes frames in the order of their time.
func (g *Guide) Frames(frames []can.Frame) {
	for i := range frames {
		f := &frames[i]
		g.Tick(f.Time)
		if g.Finished() {
			return
		}
		g.watch.frame(f)
		if f.Flags&can.Error == 0 {
			g.last = f.Time
		}
		g.progress()
	}
}

// Tick says what time it is while no frame comes.
func (g *Guide) Tick(now int64) {
	if now <= g.now || g.Finished() {
		return
	}
	g.now = now
	if g.next > 0 {
		if now < g.next {
			return
		}
		g.begin()
	}
	g.watch.quiet = time.Duration(g.now - max(g.last, g.began))
	g.troubles()
	g.progress()
}

// Answer takes what the person typed.
func (g *Guide) Answer(text string) {
	if g.Finished() {
		return
	}
	if g.next > 0 {
		g.begin() // an impatient person has waited enough
		return
	}
	switch strings.ToLower(strings.TrimSpace(text)) {
	case Next:
		g.end(true)
	case Again:
		g.begin()
	case Skip:
		g.say(Line{Done, g.step().title + ": left out"})
		g.forward()
	case Finish:
		g.end(g.Missing() == nil)
		g.at = len(g.steps)
	default:
		g.say(Line{Wanted, "Enter goes on, again repeats the step, skip leaves it out, finish ends the recording"})
	}
}

func (g *Guide) step() *step { return g.steps[g.at] }

// begin tells the present step and starts to watch for what it must show.
func (g *Guide) begin() {
	s := g.step()
	g.began, g.next = g.now, 0
	g.said = map[string]bool{}
	g.watch.reset()
	for _, c := range s.cautions {
		g.say(Line{Caution, c})
	}
	g.say(Line{Do, s.do})
}

// progress says what has been seen since, and goes on when all of it was.
func (g *Guide) progress() {
	if g.next > 0 {
		return
	}
	s := g.step()
	all := true
	for _, p := range s.proofs {
		if !p.holds(g.watch) {
			all = false
		} else if !g.said[p.text] {
			g.said[p.text] = true
			g.say(Line{Seen, p.text})
		}
	}
	const patience = 4 // times the least
	took := time.Duration(g.now - g.began)
	switch {
	case all && took >= s.least:
		g.end(true)
	case g.alone && took >= patience*s.least:
		g.end(false) // nobody says that it was done: what it was is left open
	}
}

// end closes the present step, marks it when it was done, and goes on.
func (g *Guide) end(done bool) {
	s := g.step()
	for _, missing := range g.Missing() {
		g.say(Line{Wanted, missing})
	}
	if done && g.now > g.began {
		g.spans = append(g.spans, stages.Span{Stage: s.stage, Start: g.began, End: g.now, Source: stages.Marked})
		g.say(Line{Done, s.title})
	}
	g.forward()
}

// forward goes on to the next step.
func (g *Guide) forward() {
	g.at++
	switch {
	case g.Finished():
	case g.pause > 0:
		g.next = g.now + g.pause
	default:
		g.begin()
	}
}

// Missing lists what the present step must still show.
func (g *Guide) Missing() []string {
	if g.Finished() {
		return nil
	}
	var list []string
	for _, p := range g.step().proofs {
		if !p.holds(g.watch) {
			list = append(list, p.missing(g.watch))
		}
	}
	return list
}

// troubles says once a step what is wrong with the bus.
func (g *Guide) troubles() {
	tell := func(text string) {
		if !g.said[text] {
			g.said[text] = true
			g.say(Line{Trouble, text})
		}
	}
	const asleep = 3 * time.Second
	switch s := g.step(); {
	case g.watch.errors > 10 && g.watch.frames == 0:
		tell("only errors come: the bit rate is wrong, or the wires")
	case !s.silent && g.watch.quiet > asleep:
		tell("nothing comes: the bus sleeps, or the ignition is off")
	case s.silent && s.stage == "key-off" && time.Duration(g.now-g.began) > neverSleeps && g.watch.quiet < asleep:
		tell("the bus does not go to sleep: is the key out, and every door shut?")
	}
}

// neverSleeps is how long an ignition may be off before a bus that still talks is
// remarked on; common practice.
const neverSleeps = 3 * time.Minute

// Lost says that frames were lost on the way to the recording.
func (g *Guide) Lost(n uint64) {
	g.say(Line{Trouble, fmt.Sprintf("%d frames were lost on the way here: repeat this step", n)})
}
