package identify

import (
	"fmt"
	"math"
	"slices"
	"time"

	"plugproof/profiles"
)

// Starting values of the probabilities, common practice: how likely the capture
// shows what it shows when the setting is the car's, and when it is not.
var (
	oddsAbsent     = math.Log(0.95 / 0.02)   // declared, and it did not come
	oddsUndeclared = math.Log(0.98 / 0.05)   // not declared, and it came
	oddsLength     = math.Log(0.99 / 0.01)   //
	oddsPace       = math.Log(0.95 / 0.10)   // cycle
	oddsKind       = math.Log(0.95 / 0.02)   // sent on a change, and it comes steadily
	oddsFarPace    = math.Log(0.95 / 0.02)   // cycle, off by farPace and more
	oddsPages      = math.Log(0.95 / 0.10)   //
	oddsLaw        = math.Log(0.99 / 0.02)   // counter, checksum
	oddsConstant   = math.Log(0.999 / 0.001) // configuration field
)

// What a capture must hold for a piece of evidence; common practice.
const (
	leastWindow  = 2e9                       // ns that a module must have been alive for an absence to count
	cyclesAbsent = 3                         // and in cycles of the message
	graceModule  = 2e9                       // ns longer for a whole module
	leastGaps    = 10                        // for a cycle
	farPace      = 1.5                       // times the cycle, or the cycle times that
	steadyGaps   = profiles.DefaultTolerance // of the usual gap: how far nine of ten gaps may be from it
	leastTrials  = 64                        // for a law over time
	leastContent = 16                        // different payloads, for a law of one frame
	leastSame    = 2                         // frames with the value, for a constant
	shareLaw     = 0.97
	shareBroken  = 0.95
	shareSame    = 0.9
)

// Why an item is not testable.
const (
	answered  = "the length tells already" // another layout has no such field
	tooShort  = "the capture is too short"
	oneFrame  = "one frame only"
	fewValues = "fewer than two frames with a value"
)

// item is one question that a capture answers about settings, or cannot.
type item struct {
	key     *keyPlan
	group   string // pieces of one group are not independent: the strongest counts
	what    string
	shown   string
	missing string    // why it is not testable; "" when it is
	loss    []float64 // by kind of the key: ln of the odds against it; 0 where it agrees
	says    func(f *fact) string
}

// scene is what a capture shows, on the buses of the library.
type scene struct {
	plan     *Plan
	in       Input
	streams  map[string]map[profiles.ID]*stream // by bus of the library
	recorded map[string]bool
	alive    map[string]map[string]int64 // by bus and module: ns for which it sent
	seen     map[string]bool             // modules
	ecuSeen  uint64                      // frames of the replaced unit
	rates    []rateItem                  // of the recorded buses
}

func (sc *scene) stream(k *keyPlan) *stream { return sc.streams[k.bus][k.id] }

// measure finds out which modules were alive, and for how long.
func (sc *scene) measure() {
	sc.alive, sc.seen = map[string]map[string]int64{}, map[string]bool{}
	for _, k := range sc.plan.keys {
		s := sc.stream(k)
		if s == nil {
			continue
		}
		if k.echo == ofECU {
			sc.ecuSeen += s.frames
			continue
		}
		sc.seen[k.sender] = true
		if sc.alive[k.bus] == nil {
			sc.alive[k.bus] = map[string]int64{}
		}
		alive := sc.alive[k.bus]
		// Where an adapter delivers in clumps the usual gap is near 0, and where
		// all messages are slow no gap is short: whichever is longer.
		alive[k.sender] = max(alive[k.sender], int64(s.frames)*s.gaps.Quantile(0.5), s.active)
	}
}

// window is for how long an absent message of the module would have been due.
func (sc *scene) window(k *keyPlan) (ns int64, whole bool) {
	if own := sc.alive[k.bus][k.sender]; own > 0 || sc.seen[k.sender] {
		return own, false
	}
	for module, t := range sc.alive[k.bus] {
		if module != k.sender {
			ns = max(ns, t)
		}
	}
	return max(0, ns-graceModule), true
}

// items lists all questions about one identifier.
func (sc *scene) items(k *keyPlan) []item {
	s := sc.stream(k)
	list := []item{sc.presence(k, s)}
	if s == nil {
		return list
	}
	list = append(list, length(k, s), pace(k, s), kind(k, s))
	fits := lengthFits(k, s)
	for _, part := range lawParts(k) {
		list = append(list, law(k, s, part, fits))
	}
	for _, signal := range constantNames(k) {
		list = append(list, constant(k, s, signal, fits))
	}
	if slices.ContainsFunc(k.kinds, func(f fact) bool { return f.pages != nil }) {
		list = append(list, pages(k, s, fits))
	}
	return list
}

func (sc *scene) presence(k *keyPlan, s *stream) item {
	it := item{key: k, group: "sent", what: "sent", loss: make([]float64, len(k.kinds))}
	it.says = func(f *fact) string { return map[bool]string{true: "sent", false: "not sent"}[f.sent] }
	if s != nil {
		it.shown = fmt.Sprintf("%d frames", s.frames)
		if s.frames < leastSame && slices.ContainsFunc(k.kinds, cyclic) {
			it.missing = oneFrame
			return it
		}
		it.loss[0] = oddsUndeclared
		return it
	}
	it.shown = "no frame"
	window, whole := sc.window(k)
	switch {
	case !sc.recorded[k.bus]:
		it.missing = "bus " + k.bus + " is not in the capture"
	case sc.hangsOnECU(k):
		it.missing = "its module falls silent with the unit that is unplugged"
	case !slices.ContainsFunc(k.kinds, cyclic):
		it.missing = "sent on events only"
	default:
		for n := range k.kinds {
			f := &k.kinds[n]
			if cyclic(*f) && window >= max(leastWindow, cyclesAbsent*int64(f.m.Cycle.Value)) {
				it.loss[n] = oddsAbsent
			}
		}
		if slices.Max(it.loss) == 0 {
			it.missing = tooShort
		}
	}
	if whole {
		it.group = "module"
	}
	return it
}

// hangsOnECU reports whether the module is silent where the replaced unit is out.
func (sc *scene) hangsOnECU(k *keyPlan) bool {
	if sc.in.ECU != Out && sc.ecuSeen > 0 {
		return false
	}
	return slices.ContainsFunc(sc.plan.settings, func(s *car) bool { return s.hangs[k.sender] })
}

func cyclic(f fact) bool {
	return f.sent && f.m.Cycle.Value > 0 && (f.m.Kind == profiles.Cyclic || f.m.Kind == profiles.Mixed)
}

func length(k *keyPlan, s *stream) item {
	it := item{key: k, group: "form", what: "length", loss: make([]float64, len(k.kinds))}
	it.shown = fmt.Sprintf("%d bytes", s.length())
	it.says = func(f *fact) string {
		if !f.sent || f.m.Length.From == "" {
			return "not stated"
		}
		return fmt.Sprintf("%d bytes", f.m.Length.Value)
	}
	if s.frames < leastSame {
		it.missing = oneFrame
		return it
	}
	for n, fits := range lengthFits(k, s) {
		if !fits {
			it.loss[n] = oddsLength
		}
	}
	return it
}

// lengthFits reports by kind whether the length of the frames is the stated one.
func lengthFits(k *keyPlan, s *stream) []bool {
	fits := make([]bool, len(k.kinds))
	for n, f := range k.kinds {
		fits[n] = !f.sent || f.m.Length.From == "" || f.m.Length.Value == s.length()
	}
	return fits
}

func pace(k *keyPlan, s *stream) item {
	it := item{key: k, group: "pace", what: "cycle", loss: make([]float64, len(k.kinds))}
	it.says = func(f *fact) string {
		if !cyclic(*f) {
			return "none"
		}
		return f.m.Cycle.Value.String()
	}
	gaps := s.usualGaps()
	it.shown = "about " + roundTime(gaps[0])
	if s.gaps.Count() < leastGaps {
		it.missing, it.shown = fmt.Sprintf("fewer than %d gaps", leastGaps), fmt.Sprintf("%d frames", s.frames)
		return it
	}
	for n, f := range k.kinds {
		want := float64(0)
		if cyclic(f) {
			want = float64(f.m.Cycle.Value)
		}
		if want == 0 {
			continue
		}
		near, fits := false, false
		for _, gap := range gaps {
			fits = fits || math.Abs(gap-want) <= f.m.Tolerance*want
			near = near || gap < farPace*want && want < farPace*gap
		}
		switch {
		case fits:
		case near:
			it.loss[n] = oddsPace
		default:
			it.loss[n] = oddsFarPace
		}
	}
	return it
}

// usualGaps returns what the cycle may be, in ns: the usual gap, which clumped
// stamps bend; the mean, which a pause bends; the mean without pauses, which a
// cycle about as long as a pause has not.
func (s *stream) usualGaps() []float64 {
	gaps := []float64{float64(s.gaps.Quantile(0.5)), float64(s.last-s.first) / float64(max(1, s.frames-1))}
	if s.paced >= leastGaps {
		gaps = append(gaps, float64(s.active)/float64(s.paced))
	}
	if gaps[0] == 0 {
		gaps[0] = gaps[1]
	}
	return gaps
}

// kind asks whether a message that is said to be sent on a change comes steadily
// all the same. The opposite shows in the cycle.
func kind(k *keyPlan, s *stream) item {
	it := item{key: k, group: "pace", what: "kind", loss: make([]float64, len(k.kinds))}
	it.says = func(f *fact) string {
		if !f.sent {
			return "not sent"
		}
		return string(f.m.Kind)
	}
	usual := float64(s.gaps.Quantile(0.5))
	near := func(q float64) bool { return math.Abs(float64(s.gaps.Quantile(q))-usual) <= steadyGaps*usual }
	it.shown = "on changes"
	switch {
	case s.gaps.Count() < leastGaps:
		it.missing = fmt.Sprintf("fewer than %d gaps", leastGaps)
		return it
	case s.repeats >= leastGaps && 2*s.repeats > s.frames && near(0.05) && near(0.95):
		it.shown = "steadily, the same again and again"
	default:
		it.missing = "its payload changes all the time, or it comes at odd times"
		return it
	}
	for n, f := range k.kinds {
		if f.sent && f.m.Kind == profiles.OnChange {
			it.loss[n] = oddsKind
		}
	}
	return it
}

// roundTime writes ns with three digits.
func roundTime(ns float64) string {
	if ns <= 0 {
		return "0s"
	}
	unit := math.Pow(10, math.Floor(math.Log10(ns))-2)
	return time.Duration(math.Round(ns/unit) * unit).String()
}
