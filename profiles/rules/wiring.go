package rules

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// wiringRules ask whether wires, bit rate and supply are sound.
func wiringRules() []Rule {
	return []Rule{
		{"wiring/no-frames", "everything is dead", judgeSilence},
		{"wiring/only-errors", "the recorder sees nothing but errors", judgeOnlyErrors},
		{"wiring/unacknowledged", "on the bench the new ECU seems to send nothing", judgeAlone},
		{"wiring/wrong-bit-rate", "lamps everywhere since the new ECU was plugged in", judgeBursts},
		{"wiring/ecu-wires", "the new ECU is not seen, the rest is fine", judgeECUWires},
		{"wiring/terminator", "random lamps, worse when hot", both(judgeOhms, judgeNoise)},
		{"wiring/restart-loop", "all gauges drop together for a moment, and return", judgeRestarts},
		{"wiring/crank-dip", "after starting: gearbox emergency, cluster reset", judgeCrank},
		{"wiring/supply", "random lamps, limp mode", judgeSupply},
		{"wiring/overload", "low-priority gauges are late", judgeOverload},
		{"wiring/other-segment", "frames perfect, cluster still dead", judgeSegment},
		{"wiring/keeps-talking", "flat battery the next day", judgeKeepsTalking},
	}
}

// Limits of the wiring rules. The resistances are those of published service
// manuals (60 ohm good; 120 ohm one end open; under 54 or 55 ohm a short), as
// collected for two terminators of 120 ohm; the rest is common practice.
const (
	errorRate     = 10 // error frames a second without one valid frame
	burstErrors   = 20 // error frames within one bucket of 100 ms
	noiseRate     = 1  // error frames a second
	ohmsLow       = 54
	ohmsBad       = 45
	ohmsHigh      = 66
	ohmsOpen      = 110
	restartLeast  = 20e6 // ns of silence of one sender that counts as a restart
	restartMost   = 2e9
	crankWarn     = 100e6 // ns
	LoadReview    = 70    // percent of the worst second
	supplyLow     = 10.0  // volts: units judge from 10 to 16 V
	supplyHigh    = 16.0
	talksLonger   = 60e9 // ns after key-off
	aliveCoverage = 0.95
)

// judgeSilence answers a capture without a single frame.
func judgeSilence(c *Case, r *Results) {
	if c.Evidence.Frames > 0 {
		return
	}
	r.Add(Finding{
		Rule: "wiring/no-frames", Verdict: Fail,
		Text:     "there is no frame at all in the capture",
		NextStep: "asleep, without power, an open pair or the wrong pins: check supply, wake line and pins; measure volts and ohms",
	})
}

// judgeOnlyErrors finds a bus on which nothing but errors is heard.
func judgeOnlyErrors(c *Case, r *Results) {
	seconds := float64(c.Evidence.End-c.Evidence.Start) / 1e9
	for _, b := range c.Evidence.Buses {
		rate := float64(b.ErrorFrames.Count) / max(seconds, 1)
		if b.Frames > 0 || rate <= errorRate {
			continue
		}
		f := Finding{
			Rule: "wiring/only-errors", Verdict: Fail, Bus: b.Interface,
			Text:     fmt.Sprintf("%s hears %.0f errors a second and not one frame: wrong bit rate, or wrong kind of bus", b.Interface, rate),
			NextStep: "listen only, and try 500, 125, 250, 100, 83.3 and 33.3 kbit/s; never try bit rates with an active adapter in a car",
		}
		r.Add(f.events(c, &b.ErrorFrames).measured(rate, errorRate, "error frames/s", CommonPractice))
	}
}

// judgeAlone finds a sender whom nobody acknowledges: it repeats one frame for ever.
func judgeAlone(c *Case, r *Results) {
	for _, b := range c.Evidence.Buses {
		streams := c.on(b)
		noAck := b.ErrorClass[can.ClassNoAck.String()]
		if len(streams) != 1 || streams[0].Frames < 100 {
			continue
		}
		s := streams[0]
		gap := time.Duration(s.Gaps.Quantile(0.5))
		if gap > 500*time.Microsecond || s.Repeats*10 < s.Frames*9 {
			continue
		}
		f := Finding{
			Rule: "wiring/unacknowledged", Verdict: Fail, Bus: b.Interface, ID: s.ID, HasID: true, Count: s.Frames + noAck,
			Text:     fmt.Sprintf("one frame (%s) is repeated every %v, back to back: nobody acknowledges it", s.ID, gap.Round(10*time.Microsecond)),
			NextStep: "connect any second active unit; an adapter that only listens does not acknowledge",
		}
		f.Example = c.example(&s.FirstFrame)
		f.FirstTime, f.HasTime = s.First, true
		r.Add(f.measured(inMS(gap), 0.5, "ms", CommonPractice))
	}
}

// on lists the streams of a bus.
func (c *Case) on(b *evidence.Bus) []*evidence.Stream {
	var list []*evidence.Stream
	for _, m := range c.Setting.Messages {
		if s := c.Evidence.Messages[m.Name].Stream; s != nil && s.Bus == b && s.Frames > 0 {
			list = append(list, s)
		}
	}
	for _, s := range c.Evidence.Others {
		if s.Bus == b && s.Frames > 0 {
			list = append(list, s)
		}
	}
	return list
}

// judgeBursts finds error bursts at a fixed interval: a unit at the wrong bit
// rate that restarts again and again.
func judgeBursts(c *Case, r *Results) {
	for _, b := range c.Evidence.Buses {
		if b.Frames == 0 || b.ErrorFrames.Count < 3*burstErrors {
			continue
		}
		at := bursts(b)
		interval := spacing(at)
		if len(at) < 3 || interval == 0 {
			continue
		}
		f := Finding{
			Rule: "wiring/wrong-bit-rate", Verdict: Fail, Bus: b.Interface,
			Text: fmt.Sprintf("%d bursts of errors, one every %v: a unit comes back again and again and spoils what the others send",
				len(at), round(time.Duration(interval))),
			NextStep: "set the new ECU's bit rate, or exchange its CAN-H and CAN-L if it is never seen; do not try bit rates in the car",
		}
		if own := c.ownCoverage(); own > 0 && own < goneBelow {
			f.Sender = c.Setting.Replaced
		}
		r.Add(f.events(c, &b.ErrorFrames).measured(float64(b.ErrorFrames.Count)/float64(len(at)), burstErrors, "error frames in a burst", CommonPractice))
	}
}

// bursts returns when bursts of error frames begin.
func bursts(b *evidence.Bus) []int64 {
	var at []int64
	last := int64(math.MinInt64)
	window := max(100e6, b.Errors.Width())
	for _, bucket := range b.Errors.Buckets() {
		if bucket.FirstTime-last > window {
			at = append(at, bucket.FirstTime)
		}
		last = bucket.LastTime
	}
	if len(at) > 0 && b.ErrorFrames.Count/uint64(len(at)) < burstErrors {
		return nil
	}
	return at
}

// ownCoverage is the mean coverage of the replaced unit's cyclic messages, -1
// when it has none.
func (c *Case) ownCoverage() float64 {
	for _, p := range c.presences() {
		if p.sender != c.Setting.Replaced {
			continue
		}
		sum := 0.0
		for _, cov := range p.observations {
			sum += cov
		}
		return sum / float64(len(p.observations))
	}
	return -1
}

// judgeECUWires tells swapped wires of the replaced unit from open ones, where
// the rest of the bus is fine.
func judgeECUWires(c *Case, r *Results) {
	if c.Setting.Replaced == "" || c.Scope != Car || r.Has("wiring/wrong-bit-rate", "") {
		return
	}
	own, foreign := c.ownCoverage(), 0
	for _, p := range c.presences() {
		if p.sender != c.Setting.Replaced && len(p.there) > 0 {
			foreign++
		}
	}
	if own < 0 || own >= goneBelow || foreign < 2 {
		return
	}
	var errors uint64
	for _, b := range c.Evidence.Buses {
		errors += b.ErrorFrames.Count
	}
	if errors == 0 {
		return // open or off: the message group says that it is silent
	}
	f := Finding{
		Rule: "wiring/ecu-wires", Verdict: Fail, Sender: c.Setting.Replaced, Count: errors,
		Text:     fmt.Sprintf("%s is not seen, the other units are, and there are errors: its CAN-H and CAN-L may be exchanged", c.Setting.Replaced),
		NextStep: "check its CAN pins against the loom setting, and measure ohms at its plug",
	}
	r.Add(f.measured(100*own, 100*goneBelow, "% of its frames", CommonPractice))
}

// judgeOhms compares the measured resistance with this car's own value.
func judgeOhms(c *Case, r *Results) {
	ohms := c.Seen.Ohms
	if ohms == nil { // what the factory ECU had says nothing by itself
		return
	}
	f := Finding{Rule: "wiring/terminator", Verdict: Fail}
	low, high, from := float64(ohmsLow), float64(ohmsHigh), "published service manuals (two terminators of 120 ohm)"
	if c.Seen.FactoryOhms != nil {
		low, high, from = *c.Seen.FactoryOhms*0.9, *c.Seen.FactoryOhms*1.1, "this car with its factory ECU"
	}
	switch {
	case *ohms > high:
		f.Text = fmt.Sprintf("%.0f ohm between the lines: a terminator is missing", *ohms)
		f.NextStep = "the factory ECU may have held one: fit a terminator of 120 ohm in or near the ECU's position"
		if *ohms < ohmsOpen && c.Seen.FactoryOhms == nil {
			f.Verdict = Review
			f.Text = fmt.Sprintf("%.0f ohm between the lines: a terminator may be missing, or a joint is bad", *ohms)
		}
		f = f.measured(*ohms, high, "ohm", from)
	case *ohms < low:
		f.Text = fmt.Sprintf("%.0f ohm between the lines: one terminator too many, or a short", *ohms)
		f.NextStep = "take the added terminator out; under 45 ohm look for a short"
		if *ohms > ohmsBad {
			f.Verdict = Review
		}
		f = f.measured(*ohms, low, "ohm", from)
	default:
		return
	}
	r.Add(f)
}

// judgeNoise finds error frames all over the drive, on a bus whose resistance
// nobody measured: a terminator or a joint may be at fault.
func judgeNoise(c *Case, r *Results) {
	seconds := float64(c.Evidence.End-c.Evidence.Start) / 1e9
	if c.Seen.Ohms != nil || r.Has("wiring/wrong-bit-rate", "") || r.Has("wiring/ecu-wires", "") {
		return
	}
	for _, b := range c.Evidence.Buses {
		rate := float64(b.ErrorFrames.Count) / max(seconds, 1)
		if b.Frames == 0 || rate < noiseRate {
			continue
		}
		f := Finding{
			Rule: "wiring/terminator", Verdict: Review, Bus: b.Interface,
			Text:     fmt.Sprintf("%s has %.1f errors a second, all over the capture: a terminator or a bad joint, perhaps", b.Interface, rate),
			NextStep: "power off: measure ohms between CAN-H and CAN-L, and give them (--ohms); look for loose pins",
		}
		r.Add(f.events(c, &b.ErrorFrames).measured(rate, noiseRate, "error frames/s", CommonPractice))
	}
}

// judgeRestarts finds a unit all of whose messages stop and start together again
// and again.
func judgeRestarts(c *Case, r *Results) {
	if c.timeless(r) || lossy(r) {
		return
	}
	by := map[string][]*evidence.Message{}
	var senders []string
	for _, m := range c.Setting.Messages {
		ev := c.Evidence.Messages[m.Name]
		if cyclic(m) && m.Cycle.Value <= 100*time.Millisecond && ev.Seen() > 50 && c.oneUnit(m.Sender) {
			if by[m.Sender] == nil {
				senders = append(senders, m.Sender)
			}
			by[m.Sender] = append(by[m.Sender], ev)
		}
	}
	slices.Sort(senders)
	for _, sender := range senders {
		at := c.common(by[sender])
		if at.Count < 2 {
			continue
		}
		f := Finding{
			Rule: "wiring/restart-loop", Verdict: Fail, Sender: sender, Bus: by[sender][0].Facts.Bus,
			Text: fmt.Sprintf("all messages of %s stopped and came back together, %d times, for %v at first",
				sender, at.Count, round(time.Duration(at.First[0].Gap))),
			NextStep: "a restart or bus-off of that unit: check its supply, its CAN wires and terminators, and for a second sender of its identifiers",
		}
		r.Add(f.events(c, &at).measured(inMS(at.First[0].Gap), restartLeast/1e6, "ms", CommonPractice))
	}
}

// common returns the gaps that all messages of a sender have together and that
// the rest of the bus does not share.
func (c *Case) common(list []*evidence.Message) (at evidence.Events) {
	slices.SortFunc(list, func(a, b *evidence.Message) int { return int(a.Facts.Cycle.Value - b.Facts.Cycle.Value) })
	for i := range list[0].Stream.LongGaps.Worst {
		gap := &list[0].Stream.LongGaps.Worst[i]
		if gap.Gap < restartLeast || gap.Gap > restartMost || c.shared(list[0].Stream, gap) || c.cranking(gap.Frame.Time) || c.away(list[0].Facts.Name, gap) {
			continue
		}
		together, others := true, 0
		for _, other := range list[1:] {
			if evidence.LongGap*float64(other.Facts.Cycle.Value) > float64(gap.Gap) {
				continue // too slow to show it
			}
			others++
			together = together && slices.ContainsFunc(other.Stream.LongGaps.Worst, func(e evidence.Event) bool {
				apart := e.Frame.Time - gap.Frame.Time
				return max(apart, -apart) <= int64(other.Facts.Cycle.Value)+20e6
			})
		}
		if together && others > 0 {
			at.Count++
			at.First = append(at.First, *gap)
		}
	}
	return at
}

// cranking reports whether an instant lies in the crank stage, or within 2 s after it.
func (c *Case) cranking(t int64) bool {
	for _, span := range c.Stages {
		if span.Stage == "crank" && t >= span.Start && t <= span.End+2e9 {
			return true
		}
	}
	return false
}

// dip is the silence of one message while the starter turns.
type dip struct {
	m     *profiles.MessageFacts
	event *evidence.Event
	fails bool // a stated time-out ran out
}

// judgeCrank finds a replaced unit that falls silent while the starter turns.
func judgeCrank(c *Case, r *Results) {
	if c.timeless(r) || lossy(r) || len(c.Stages.Of("", "crank")) == 0 {
		return
	}
	var worst *dip
	var hurt []string
	dips := c.dips()
	for i := range dips {
		d := &dips[i]
		if worst == nil || d.fails && !worst.fails {
			worst = d
		}
		if d.fails {
			hurt = append(hurt, c.hurts(&Finding{Message: d.m.Name})...)
		}
	}
	if len(dips) < 2 { // one message alone: judgeLongGap
		return
	}
	limit, listener, _ := timeout(worst.m)
	f := Finding{Rule: "wiring/crank-dip", Verdict: Review, Sender: c.Setting.Replaced, Bus: worst.m.Bus, Listener: listener.Node}
	if worst.fails {
		f.Verdict = Fail
		slices.Sort(hurt)
		f.Functions = slices.Compact(hurt)
	}
	who := "the others went on, so it is the ECU's own supply or start-up"
	if c.shared(c.Evidence.Messages[worst.m.Name].Stream, worst.event) {
		who = "the whole bus was silent: the battery or the supply"
	}
	f.Text = fmt.Sprintf("%d messages of %s were away while the starter turned, %s for %v; %s",
		len(dips), f.Sender, worst.m.Name, round(time.Duration(worst.event.Gap)), who)
	f.NextStep = "check battery, supply, ground and relay of the ECU; it must keep sending at crank"
	f = f.at(c, worst.event).measured(inMS(worst.event.Gap), inMS(limit), "ms", cmp.Or(listener.Timeout.From, CommonPractice))
	f.Count = uint64(len(dips))
	r.Add(f)
}

// dips lists the messages of the replaced unit that were away at crank.
func (c *Case) dips() (list []dip) {
	for _, m := range c.Setting.Messages {
		ev := c.Evidence.Messages[m.Name]
		if !c.Own(m) || !cyclic(m) || ev.Seen() == 0 {
			continue
		}
		limit, _, stated := timeout(m)
		for i := range ev.Stream.LongGaps.Worst {
			gap := &ev.Stream.LongGaps.Worst[i]
			if gap.Gap > max(crankWarn, 2*int64(m.Cycle.Value)) && c.cranking(gap.Frame.Time) {
				list = append(list, dip{m, gap, stated && gap.Gap > int64(limit)})
				break
			}
		}
	}
	return list
}

// judgeSupply compares the measured supply with what units work by.
func judgeSupply(c *Case, r *Results) {
	v := c.Seen.Supply
	if v == nil || *v >= supplyLow && *v <= supplyHigh {
		return
	}
	limit := supplyLow
	if *v > supplyHigh {
		limit = supplyHigh
	}
	f := Finding{
		Rule: "wiring/supply", Verdict: Fail,
		Text:     fmt.Sprintf("%.1f V supply: units judge the bus, and themselves, only from 10 to 16 V", *v),
		NextStep: "put the battery on a maintainer, and capture again",
	}
	r.Add(f.measured(*v, limit, "V", "service manuals of several makers (codes need 10 to 16 V)"))
}

// judgeOverload finds a bus that is too full.
func judgeOverload(c *Case, r *Results) {
	for _, b := range c.Evidence.Buses {
		if b.Facts == nil || b.Facts.Bitrate == 0 || r.Has("wiring/unacknowledged", "") || c.timeless(r) {
			continue
		}
		_, second := b.Load.Busiest()
		load := 100 * float64(second.Nominal) / float64(b.Facts.Bitrate)
		if load <= LoadReview {
			continue
		}
		f := Finding{
			Rule: "wiring/overload", Verdict: Review, Bus: b.Interface, Count: 1,
			Text:     fmt.Sprintf("%s is %.0f %% full in its worst second", b.Interface, load),
			NextStep: "switch extra broadcasts of the new ECU off (logging streams)",
		}
		if late := c.lateLow(b); late != "" {
			f.Verdict = Fail
			f.Text += "; " + late + " comes late while the urgent ones do not"
		}
		r.Add(f.measured(load, LoadReview, "% of the bus", CommonPractice))
	}
}

// lateLow names a message of low priority that is late although the urgent ones
// come on time.
func (c *Case) lateLow(b *evidence.Bus) string {
	urgentLate, low := false, ""
	for _, m := range c.Setting.Messages {
		s := c.Evidence.Messages[m.Name].Stream
		if s == nil || s.Bus != b || !cyclic(m) || s.Gaps.Count() < leastGaps {
			continue
		}
		late := s.Gaps.Quantile(0.95) > 2*int64(m.Cycle.Value)
		if m.ID.Value < 0x200 {
			urgentLate = urgentLate || late
		} else if late {
			low = m.Name
		}
	}
	if urgentLate {
		return ""
	}
	return low
}

// judgeSegment finds listeners of which no frame was seen on any bus of the
// capture: they sit behind a gateway or on a bus that was not recorded.
func judgeSegment(c *Case, r *Results) {
	if c.Scope != Car || c.Evidence.Frames == 0 {
		return
	}
	var missing []string
	for _, b := range c.Setting.Buses {
		if !c.recorded(b.Name) {
			missing = append(missing, b.Name)
		}
	}
	if len(missing) == 0 {
		return
	}
	r.Add(Finding{
		Rule: "wiring/other-segment", Verdict: NotTestable, Bus: missing[0],
		Text:     fmt.Sprintf("the bus %s was not recorded: what its units hear and say is not known", strings.Join(missing, ", ")),
		NextStep: "record it too, or say which interface it is (--bus can1=" + missing[0] + ")",
	})
}

// judgeKeepsTalking finds a replaced unit that sends on long after key-off.
func judgeKeepsTalking(c *Case, r *Results) {
	if c.Baseline == nil {
		return
	}
	base := c.asBaseline()
	for _, m := range c.Setting.Messages {
		ev, was := c.Evidence.Messages[m.Name], c.Baseline.Messages[m.Name]
		w, bw := c.awake(m.Name), base.awake(m.Name)
		if !c.Own(m) || !w.keyOff || !bw.keyOff || ev.Seen() == 0 || was.Seen() == 0 {
			continue
		}
		now, before := ev.Stream.Last-w.end, was.Stream.Last-bw.end
		if now <= before+talksLonger || c.Baseline.End-bw.end < before+1e9 {
			continue
		}
		f := About("wiring/keeps-talking", Fail, m)
		f.Text = fmt.Sprintf("%s still comes %v after key-off; it was %v", m.Name, round(time.Duration(now)), round(time.Duration(before)))
		f.NextStep = "mend the new ECU's power-hold: it drains the battery"
		f.FirstTime, f.HasTime, f.Count = ev.Stream.Last, true, 1
		r.Add(f.measured(float64(now)/1e9, float64(before+talksLonger)/1e9, "s", FromBaseline))
		return
	}
}
