package evidence

import (
	"maps"
	"math"
	"slices"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/profiles"
)

// MaxExchanges is how many requests of a dialogue are kept, the first ones.
const MaxExchanges = 512

// talkMemory is how many frames of a dialogue's messages one exchange looks back
// and ahead: some 3 s of two messages every 10 ms. Because nothing reaches
// further, stretches of a capture that are gathered apart can be joined without
// a trace.
const talkMemory = 640

// Talk is how one dialogue of the setting went.
type Talk struct {
	Name      string
	Asked     uint64     // requests
	Exchanges []Exchange // the first MaxExchanges
}

// Exchange is one request and what came of it. Times are ns from the request on;
// Never where nothing came.
type Exchange struct {
	Frame    can.Frame // that brought the request
	Lasted   int64     // until the request was withdrawn; Never: the frames end before
	Wanted   float64   // the lowest value asked for; NaN: none
	Before   float64   // the value that was given before; NaN: none
	Least    float64   // the lowest that was given while it was asked for; NaN: none
	Fell     int64     // until it had fallen by the dialogue's depth of the step from Before to Wanted
	Rose     int64     // from the end of the request until half of the fall was made good
	Answered int64     // until the first answer
	Already  bool      // it was answered before it was asked
	Refused  bool      // the answer was that it cannot be done

	number int // of the frame that brought it, among the dialogue's own
}

// Never stands for a time at which nothing happened.
const Never = int64(-1)

// Step is by how much the value was asked to fall; NaN where nobody knows.
func (x *Exchange) Step() float64 { return x.Before - x.Wanted }

// What a frame says of a dialogue.
const (
	saysAsk = 1 << iota
	asks
	saysAnswer
	answers
	refuses
)

// talkPart is what one message has to do with a dialogue: the indices of its
// signals in the decoder, -1 for one that is elsewhere.
type talkPart struct {
	talk                                   int
	asked, wanted, given, answers, refuses int
	askedIs, answerIs, refusedIs           []int64
	anyAnswers                             bool
	notGiven, notWanted                    []uint64
}

// heard is what one frame said of a dialogue.
type heard struct {
	time          int64
	wanted, given float64 // NaN: nothing
	says          uint8
	frame         int32 // index among the kept frames; -1: not kept
}

// talk is a Talk being gathered.
type talk struct {
	Talk
	depth float64
	each  bool

	n       int         // frames heard
	begin   []heard     // the first 2 * talkMemory of them
	frames  []can.Frame // of those in begin that may bring a request
	early   []Exchange  // brought by one of the first talkMemory
	open    Exchange
	isOpen  bool
	ended   int64 // time at which the open one was withdrawn; valid if Lasted is not Never
	wantAt  int64 // time since which the open one wants as little as it does
	last    heard // what was said last of each thing
	askedAt int   // number of the frame that said so; far back: nothing is known
	gaveAt  int
	saidAt  int
}

const longAgo = -10 * talkMemory

func newTalk(name string, d *profiles.Dialogue) talk {
	t := talk{Talk: Talk{Name: name}, depth: float64(d.Depth), each: d.Each}
	if t.depth == 0 {
		t.depth = float64(profiles.DefaultDepth)
	}
	t.askedAt, t.gaveAt, t.saidAt = longAgo, longAgo, longAgo
	return t
}

// hear takes what a frame says.
func (t *talk) hear(f *can.Frame, values []decode.Value, p *talkPart) {
	h := heard{time: f.Time, wanted: math.NaN(), given: math.NaN(), frame: -1}
	if v := valueOf(values, p.asked); v != nil {
		h.says |= saysAsk
		if slices.Contains(p.askedIs, int64(v.Raw)) {
			h.says |= asks
		}
	}
	if v := valueOf(values, p.answers); v != nil || p.anyAnswers {
		h.says |= saysAnswer
		if v == nil || slices.Contains(p.answerIs, int64(v.Raw)) {
			h.says |= answers
		}
	}
	if v := valueOf(values, p.refuses); v != nil && slices.Contains(p.refusedIs, int64(v.Raw)) {
		h.says |= refuses
	}
	if v := valueOf(values, p.given); v != nil && !slices.Contains(p.notGiven, patternOf(v)) {
		h.given = v.Phys
	}
	if v := valueOf(values, p.wanted); v != nil && !slices.Contains(p.notWanted, patternOf(v)) {
		h.wanted = v.Phys
	}
	t.add(&h, f, true)
}

// valueOf returns the value of the signal with the given index, nil when the
// frame does not have it.
func valueOf(values []decode.Value, index int) *decode.Value {
	if index < 0 {
		return nil
	}
	if index < len(values) && values[index].Signal.Index == index {
		return &values[index]
	}
	for i := range values {
		if values[i].Signal.Index == index {
			return &values[i]
		}
	}
	return nil
}

func patternOf(v *decode.Value) uint64 {
	return v.Raw & (^uint64(0) >> (64 - min(64, v.Signal.Def.Length)))
}

// recent reports whether the frame of that number is within reach of the next one.
func (t *talk) recent(number int) bool { return t.n-number <= talkMemory }

// add takes what a frame said, in order. Unless mayBring is set the frame brings
// no request of its own: that is another stretch's to tell.
func (t *talk) add(h *heard, f *can.Frame, mayBring bool) {
	if t.isOpen && t.n-t.open.number >= talkMemory {
		t.close()
	}
	brings := h.says&asks != 0 && (t.each || t.recent(t.askedAt) && t.last.says&asks == 0)
	maybe := h.says&asks != 0 && (t.each || t.last.says&asks == 0 || !t.recent(t.askedAt))
	t.keep(h, f, maybe)
	if brings {
		if t.isOpen {
			t.close()
		}
		if mayBring {
			t.bring(h, f)
		}
	}
	if t.isOpen {
		t.follow(h)
	}
	t.remember(h)
	t.n++
}

// keep stores the begin of a stretch, for whoever joins it to the one before.
func (t *talk) keep(h *heard, f *can.Frame, maybe bool) {
	if len(t.begin) == 2*talkMemory {
		return
	}
	if t.begin == nil {
		t.begin = make([]heard, 0, 2*talkMemory)
	}
	kept := *h
	kept.frame = -1
	if maybe {
		kept.frame = int32(len(t.frames))
		t.frames = append(t.frames, *f)
	}
	t.begin = append(t.begin, kept)
}

func (t *talk) remember(h *heard) {
	if h.says&saysAsk != 0 {
		t.last.says = t.last.says&^asks | h.says&asks
		t.askedAt = t.n
	}
	if h.says&saysAnswer != 0 {
		t.last.says = t.last.says&^answers | h.says&answers
		t.saidAt = t.n
	}
	if !math.IsNaN(h.given) {
		t.last.given, t.gaveAt = h.given, t.n
	}
}

// bring begins an exchange.
func (t *talk) bring(h *heard, f *can.Frame) {
	t.isOpen = true
	t.open = Exchange{
		Frame: *f, Lasted: Never, Wanted: math.NaN(), Before: math.NaN(), Least: math.NaN(),
		Fell: Never, Rose: Never, Answered: Never, number: t.n,
	}
	if t.recent(t.gaveAt) {
		t.open.Before = t.last.given
	}
	t.open.Already = t.recent(t.saidAt) && t.last.says&answers != 0
	t.wantAt = h.time
}

// follow takes what comes after the request.
func (t *talk) follow(h *heard) {
	x := &t.open
	if h.says&saysAsk != 0 && h.says&asks == 0 && x.Lasted == Never {
		x.Lasted = h.time - x.Frame.Time
		t.ended = h.time
	}
	standing := x.Lasted == Never
	if standing && h.says&asks != 0 && !math.IsNaN(h.wanted) && !(h.wanted >= x.Wanted) {
		x.Wanted, x.Fell, t.wantAt = h.wanted, Never, h.time // more is asked for: the time runs anew
	}
	if h.says&answers != 0 && x.Answered == Never {
		x.Answered = h.time - x.Frame.Time
	}
	x.Refused = x.Refused || standing && h.says&refuses != 0
	if math.IsNaN(h.given) {
		return
	}
	if standing {
		if !(h.given >= x.Least) {
			x.Least = h.given
		}
		if x.Fell == Never && h.given <= x.Before-t.depth*x.Step() {
			x.Fell = h.time - t.wantAt
		}
		return
	}
	if x.Rose == Never && h.given >= (x.Before+x.Least)/2 {
		x.Rose = h.time - t.ended
	}
}

// close ends the open exchange.
func (t *talk) close() {
	t.isOpen = false
	t.Asked++
	switch {
	case t.open.number < talkMemory:
		t.early = append(t.early, t.open)
	case len(t.Exchanges) < MaxExchanges:
		t.Exchanges = append(t.Exchanges, t.open)
	}
}

// merge takes over what followed: its begin is heard once more, now that it is
// known what was said before it.
func (t *talk) merge(next *talk) {
	whole := next.n <= 2*talkMemory
	base := t.n
	for i := range next.begin {
		h := &next.begin[i]
		var f can.Frame
		if h.frame >= 0 {
			f = next.frames[h.frame]
		}
		t.add(h, &f, whole || i < talkMemory)
	}
	if whole {
		return
	}
	for _, x := range next.Exchanges[:min(len(next.Exchanges), MaxExchanges-len(t.Exchanges))] {
		x.number += base
		t.Exchanges = append(t.Exchanges, x)
	}
	t.Asked += next.Asked - uint64(len(next.early))
	t.n = base + next.n
	t.open, t.isOpen, t.ended, t.wantAt, t.last = next.open, next.isOpen, next.ended, next.wantAt, next.last
	t.open.number += base
	t.askedAt, t.gaveAt, t.saidAt = next.askedAt+base, next.gaveAt+base, next.saidAt+base
}

// finish gives the dialogue as it went.
func (t *talk) finish() Talk {
	if t.isOpen {
		t.close()
	}
	out := t.Talk
	out.Exchanges = append(t.early, t.Exchanges...)
	out.Exchanges = out.Exchanges[:min(len(out.Exchanges), MaxExchanges)]
	return out
}

// planTalks lists the dialogues of the setting, and what each message has to do
// with them.
func (p *Plan) planTalks() {
	for _, name := range slices.Sorted(maps.Keys(p.opts.Setting.Dialogues)) {
		p.talks = append(p.talks, newTalk(name, p.opts.Setting.Dialogues[name]))
	}
}

// partsOf returns what a message has to do with the dialogues.
func (p *Plan) partsOf(plan *messagePlan) (parts []talkPart) {
	for i := range p.talks {
		d := p.opts.Setting.Dialogues[p.talks[i].Name]
		part := talkPart{talk: i, asked: -1, wanted: -1, given: -1, answers: -1, refuses: -1}
		part.asked, part.askedIs = plan.saidBy(d.Asked)
		part.answers, part.answerIs = plan.saidBy(d.Answer)
		part.refuses, part.refusedIs = plan.saidBy(d.Refused)
		part.anyAnswers = d.Answer != nil && string(d.Answer.Signal) == plan.facts.Name
		if part.given = plan.indexOf(d.Given); part.given >= 0 {
			part.notGiven = slices.Concat(plan.signals[part.given].na, plan.signals[part.given].words)
		}
		if part.wanted = plan.indexOf(d.Wanted); part.wanted >= 0 {
			part.notWanted = slices.Concat(plan.signals[part.wanted].na, plan.signals[part.wanted].words)
		}
		if part.asked >= 0 || part.wanted >= 0 || part.given >= 0 || part.answers >= 0 || part.refuses >= 0 || part.anyAnswers {
			parts = append(parts, part)
		}
	}
	return parts
}

// saidBy returns the index of a condition's signal in the message, -1 when it is
// elsewhere, and the raw values by which it holds.
func (plan *messagePlan) saidBy(c *profiles.Condition) (int, []int64) {
	if c == nil {
		return -1, nil
	}
	return plan.indexOf(c.Signal), c.Is
}

// indexOf returns the index of a signal in the message, -1 when it is elsewhere.
func (plan *messagePlan) indexOf(ref profiles.SignalRef) int {
	message, signal := ref.Split()
	if message != plan.facts.Name {
		return -1
	}
	return slices.IndexFunc(plan.signals, func(s signalPlan) bool { return s.sig.Def.Name == signal })
}
