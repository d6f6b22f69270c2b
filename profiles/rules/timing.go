package rules

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"plugproof/decode/guard"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// timingRules ask whether messages come at the pace that their listeners need.
func timingRules() []Rule {
	return []Rule{
		{"message/two-senders", "a gauge flickers between two values, lamps blink", judgeTwoSenders},
		{"message/too-slow", "a lamp now and then, a sluggish needle", judgeSlow},
		{"message/long-gap", "a lamp that stays on until the key is turned", judgeLongGap},
		{"message/too-fast", "other messages come late", judgeFast},
		{"message/uneven", "a twitching needle, a code now and then", judgeUneven},
		{"message/late-start", "a code or lamp only after a cold key-on", judgeLateStart},
		{"message/early-stop", "codes stored at shut-down", judgeEarlyStop},
		{"message/no-reaction", "a button does nothing", judgeNoReaction},
	}
}

// Fewest gaps for a judgement on pace, and those for two senders.
const (
	leastGaps     = 10
	leastTwoGaps  = 50
	twoShare      = 0.10            // of the gaps under 0.3 cycles
	twoContent    = 0.20            // of consecutive pairs
	failByDefault = 5 * time.Second // no listener waits longer (clusters; common practice)
)

// paced calls judge for every cyclic message with enough gaps.
func (c *Case) paced(r *Results, judge func(m *profiles.MessageFacts, ev *evidence.Message)) {
	if c.timeless(r) || unjudgeable(r) {
		return
	}
	for _, m := range c.Setting.Messages {
		ev := c.Evidence.Messages[m.Name]
		if cyclic(m) && ev.Seen() > 0 && ev.Stream.Gaps.Count() >= leastGaps {
			judge(m, ev)
		}
	}
}

// judgeTwoSenders finds an identifier that two units send, by timing and content.
func judgeTwoSenders(c *Case, r *Results) {
	c.paced(r, func(m *profiles.MessageFacts, ev *evidence.Message) {
		gaps := ev.Stream.Gaps.Count()
		if gaps < leastTwoGaps || float64(ev.Stream.Short) < twoShare*float64(gaps) {
			return
		}
		content := float64(ev.Stream.Alternates)
		second := ev.Faults[guard.SecondSender]
		if second != nil {
			content = max(content, float64(second.Count))
		}
		if content < twoContent*float64(gaps) {
			return
		}
		f := About("message/two-senders", Fail, m)
		f.Listener, f.Count = firstListener(m), uint64(content)
		f.Text = fmt.Sprintf("%s (%s) is sent by two units: %.0f %% of its frames follow another one at once, and their content alternates",
			m.Name, m.ID, 100*float64(ev.Stream.Short)/float64(gaps))
		f.NextStep = "unplug one of the senders: the factory ECU or a translator box is still on the bus"
		if second != nil {
			f = f.events(c, second)
		} else {
			f.Example = c.example(&ev.Stream.FirstFrame)
		}
		r.Add(f.measured(100*content/float64(gaps), 100*twoContent, "% of its frames", CommonPractice))
	})
}

// timeout returns the shortest timeout of a message's listeners, and whether it
// is stated; else what common practice says.
func timeout(m *profiles.MessageFacts) (limit time.Duration, listener profiles.ListenerFacts, stated bool) {
	for _, l := range m.Listeners {
		if l.Timeout.Value > 0 && (!stated || l.Timeout.Value < limit) {
			limit, listener, stated = l.Timeout.Value, l, true
		}
	}
	if !stated && len(m.Listeners) > 0 {
		listener = m.Listeners[0]
	}
	if !stated {
		limit = max(5*m.Cycle.Value, 100*time.Millisecond)
	}
	return limit, listener, stated
}

// Timeout returns the shortest timeout of a message's listeners, and where it
// comes from: the limit of a gap between its frames.
func Timeout(m *profiles.MessageFacts) (limit time.Duration, from string) {
	limit, listener, stated := timeout(m)
	if !stated {
		return limit, CommonPractice
	}
	return limit, listener.Node + " (" + cmp.Or(listener.Timeout.From, m.Name) + ")"
}

// judgeSlow finds messages that come too seldom all the time.
func judgeSlow(c *Case, r *Results) {
	c.paced(r, func(m *profiles.MessageFacts, ev *evidence.Message) {
		if r.Has("message/two-senders", m.Name) || m.Kind != profiles.Cyclic || lossy(r) {
			return
		}
		limit, listener, stated := timeout(m)
		p50, p95 := time.Duration(ev.Stream.Gaps.Quantile(0.5)), time.Duration(ev.Stream.Gaps.Quantile(0.95))
		f := About("message/too-slow", Fail, m)
		f.Listener = listener.Node
		switch {
		case stated && p95 > limit:
			f.Text = fmt.Sprintf("%s comes every %v; %s gives up after %v", m.Name, round(p95), listener.Node, limit)
			f = f.measured(inMS(p95), inMS(limit), "ms", listener.Timeout.From)
		case !stated && p95 > failByDefault:
			f.Text = fmt.Sprintf("%s comes every %v only", m.Name, round(p95))
			f = f.measured(inMS(p95), inMS(failByDefault), "ms", CommonPractice)
		case float64(p50) > (1+m.Tolerance)*float64(m.Cycle.Value):
			f.Verdict = Review
			f.Text = fmt.Sprintf("%s comes every %v instead of every %v", m.Name, round(p50), m.Cycle.Value)
			f = f.measured(inMS(p50), (1+m.Tolerance)*inMS(m.Cycle.Value), "ms", cmp.Or(m.Cycle.From, CommonPractice))
		default:
			return
		}
		f.NextStep = "look at the new ECU's send rate of this message, and at the load of the bus"
		f = f.pace(c, ev.Stream)
		r.Add(f)
	})
}

// pace puts on a finding about a message's pace where it first shows and, as the
// example, the frame after the longest gap.
func (f Finding) pace(c *Case, s *evidence.Stream) Finding {
	f.Count, f.FirstTime, f.HasTime = s.LongGaps.Count, s.First, true
	if len(s.LongGaps.First) > 0 {
		f.FirstTime = s.LongGaps.First[0].Frame.Time
	}
	f.Example = c.example(&s.MaxGap.Frame)
	return f
}

// lossy reports whether frames got lost on the way into the capture: then gaps
// are not the sender's.
func lossy(r *Results) bool {
	return r.Has("capture/frames-lost", "") || r.Has("capture/clock-jump", "")
}

func round(d time.Duration) time.Duration {
	if d > 10*time.Second {
		return d.Round(100 * time.Millisecond)
	}
	return d.Round(100 * time.Microsecond)
}

// judgeLongGap finds single gaps after which a listener complains, perhaps until
// the next key cycle.
func judgeLongGap(c *Case, r *Results) {
	c.paced(r, func(m *profiles.MessageFacts, ev *evidence.Message) {
		if r.Has("message/too-slow", m.Name) || lossy(r) {
			return
		}
		limit, listener, stated := timeout(m)
		w := c.awake(m.Name)
		var hits evidence.Events
		for i := range ev.Stream.LongGaps.Worst {
			gap := &ev.Stream.LongGaps.Worst[i]
			dip := r.Has("wiring/crank-dip", "") && c.cranking(gap.Frame.Time)
			if gap.Gap > int64(limit) && gap.Frame.Time-gap.Gap >= w.start && gap.Frame.Time <= w.end && !c.shared(ev.Stream, gap) && !dip && !c.away(m.Name, gap) {
				hits.Count++
				hits.First = append(hits.First, *gap)
			}
		}
		end, stopped := c.stops(m, ev, w)
		stopped = stopped && !r.Has("message/absent", m.Name)
		if stopped && end.Gap > int64(limit) && (stated || end.Gap > int64(failByDefault)) {
			hits.Count++
			hits.First = append(hits.First, end)
		}
		if hits.Count == 0 {
			return
		}
		longest := hits.First[0]
		for _, gap := range hits.First {
			if gap.Gap > longest.Gap {
				longest = gap
			}
		}
		f := About("message/long-gap", Fail, m)
		f.Listener = listener.Node
		f.Text = fmt.Sprintf("%s was away for %v; %s waits %v", m.Name, round(time.Duration(longest.Gap)), cmp.Or(listener.Node, "a listener"), limit)
		if stopped && longest == end {
			f.Text = fmt.Sprintf("%s stopped, and stayed away for the %v that were left, while %s went on; %s waits %v", m.Name,
				round(time.Duration(longest.Gap)), m.Sender, cmp.Or(listener.Node, "a listener"), limit)
		}
		if listener.Latched {
			f.Text += ", and then complains until the next key cycle"
		}
		from := listener.Timeout.From
		if !stated {
			from = CommonPractice
			if longest.Gap < int64(failByDefault) {
				f.Verdict = Review
			}
		}
		f.NextStep = "turn the key off and on, clear, capture again; find what happened there (crank, a restart of the sender)"
		f = f.events(c, &hits).measured(inMS(longest.Gap), inMS(limit), "ms", from)
		r.Add(f)
	})
}

// stops returns the silence after the last frame of a message that ends while its
// sender goes on with others.
func (c *Case) stops(m *profiles.MessageFacts, ev *evidence.Message, w window) (evidence.Event, bool) {
	silence := evidence.Event{Frame: ev.Stream.LastFrame, Gap: w.end - ev.Stream.Last}
	if silence.Gap <= 0 || !c.Sent(m) || !c.oneUnit(m.Sender) {
		return silence, false
	}
	return silence, slices.ContainsFunc(c.Setting.Messages, func(other *profiles.MessageFacts) bool {
		s := c.Evidence.Messages[other.Name].Stream
		return other.Sender == m.Sender && other.Bus == m.Bus && cyclic(other) && s != nil &&
			s.Last > w.end-2*int64(other.Cycle.Value)
	})
}

// judgeFast finds messages that come too often.
func judgeFast(c *Case, r *Results) {
	c.paced(r, func(m *profiles.MessageFacts, ev *evidence.Message) {
		g := &ev.Stream.Gaps
		p50 := g.Quantile(0.5)
		if r.Has("message/two-senders", m.Name) || m.Kind != profiles.Cyclic || ev.Faults[guard.SecondSender] != nil ||
			float64(p50) > 0.6*float64(m.Cycle.Value) || float64(g.Quantile(0.9)-g.Quantile(0.1)) > 0.5*float64(p50) {
			return
		}
		f := About("message/too-fast", Review, m)
		f.Text = fmt.Sprintf("%s comes every %v instead of every %v", m.Name, round(time.Duration(p50)), m.Cycle.Value)
		f.NextStep = "lower the new ECU's send rate of this message: it takes the bus from others"
		f.Count, f.FirstTime, f.HasTime = ev.Seen(), ev.Stream.First, true
		f.Example = c.example(&ev.Stream.FirstFrame)
		r.Add(f.measured(inMS(p50), 0.6*inMS(m.Cycle.Value), "ms", cmp.Or(m.Cycle.From, CommonPractice)))
	})
}

// judgeUneven finds messages of the right pace with many stragglers.
func judgeUneven(c *Case, r *Results) {
	c.paced(r, func(m *profiles.MessageFacts, ev *evidence.Message) {
		g := &ev.Stream.Gaps
		// The pauses in which nobody need send it are the longest of its gaps.
		paced := float64(g.Count()) - float64(c.pausesOf(m.Name, ev.Stream))
		quantile := func(q float64) float64 { return float64(g.Quantile(q * paced / float64(g.Count()))) }
		p50, p99 := quantile(0.5), quantile(0.99)
		cycle := float64(m.Cycle.Value)
		uneven := p99 > 3*cycle || p99 > 1.8*cycle && quantile(0.9) > 1.4*cycle
		if g.Count() < 50 || p50 < 0.8*cycle || p50 > (1+max(m.Tolerance, 0.2))*cycle || !uneven ||
			lossy(r) || r.Has("message/two-senders", m.Name) || r.Has("message/too-slow", m.Name) {
			return
		}
		f := About("message/uneven", Review, m)
		f.Listener = firstListener(m)
		f.Text = fmt.Sprintf("%s comes every %v on the whole, but one gap in a hundred is %v or more", m.Name, m.Cycle.Value, round(time.Duration(p99)))
		f.NextStep = "the sender is overloaded, or a replay is not paced: look at its other messages and at the bus load"
		f = f.pace(c, ev.Stream)
		r.Add(f.measured(p99/1e6, 3*cycle/1e6, "ms", CommonPractice))
	})
}

// pausesOf counts the breaks that a stream of a message goes on after.
func (c *Case) pausesOf(message string, s *evidence.Stream) (n int) {
	for _, b := range c.breaks(message) {
		if b.start >= s.First && b.end <= s.Last {
			n++
		}
	}
	return n
}

// judgeLateStart finds messages that come, or become valid, too long after key-on.
func judgeLateStart(c *Case, r *Results) {
	if c.timeless(r) || unjudgeable(r) || lossy(r) {
		return
	}
	for _, m := range c.Setting.Messages {
		ev := c.Evidence.Messages[m.Name]
		w := c.awake(m.Name)
		if !w.keyOn || !c.Sent(m) || !cyclic(m) || ev.Seen() == 0 || ev.Stream.First <= w.start || r.Has("message/too-slow", m.Name) {
			continue
		}
		f, ok := c.lateStart(m, "first comes", ev.Stream.First-w.start, firstSeen)
		if !ok && ev.HasValid {
			f, ok = c.lateStart(m, "first is valid", ev.FirstValid-w.start, firstValid)
		}
		if ok {
			f.FirstTime, f.HasTime, f.Count = ev.Stream.First, true, 1
			f.Example = c.example(&ev.Stream.FirstFrame)
			r.Add(f)
		}
	}
}

// lateStart judges how long after key-on a message did something: a listener
// minds when its grace is over, and next to the baseline it may take 300 ms and
// one cycle longer.
func (c *Case) lateStart(m *profiles.MessageFacts, what string, late int64, was func(*evidence.Message) (int64, bool)) (Finding, bool) {
	limit, node, from := graceLimit(c.Setting, m)
	verdict := Fail
	if late <= int64(limit) {
		start, ok := c.baselineStart(m, was)
		if limit = start + 300*time.Millisecond + m.Cycle.Value; !ok || late <= int64(limit) {
			return Finding{}, false
		}
		verdict, from = Review, FromBaseline
	}
	f := About("message/late-start", verdict, m)
	f.Listener = node
	f.Text = fmt.Sprintf("%s %s %v after key-on", m.Name, what, round(time.Duration(late)))
	f.NextStep = "look at the new ECU's boot time: it should send early, with \"not available\" values at first"
	return f.measured(inMS(late), inMS(limit), "ms", from), true
}

// graceLimit returns by when after key-on a message must be there: the shortest
// grace of its listeners, and one cycle.
func graceLimit(s *profiles.Setting, m *profiles.MessageFacts) (limit time.Duration, node, from string) {
	limit, from = profiles.DefaultGrace, CommonPractice
	for _, l := range m.Listeners {
		if l.Listener.Grace > 0 || l.Grace < limit {
			limit, node, from = l.Grace, l.Node, "profile "+s.Name
		}
	}
	return limit + m.Cycle.Value, node, from
}

// baselineStart returns how long after key-on the same happened in the baseline.
func (c *Case) baselineStart(m *profiles.MessageFacts, was func(*evidence.Message) (int64, bool)) (time.Duration, bool) {
	if c.Baseline == nil {
		return 0, false
	}
	base := c.asBaseline()
	w, ev := base.awake(m.Name), c.Baseline.Messages[m.Name]
	if !w.keyOn || ev.Seen() == 0 || w.turned != c.awake(m.Name).turned {
		return 0, false
	}
	at, ok := was(ev)
	return time.Duration(at - w.start), ok && at > w.start
}

func firstSeen(ev *evidence.Message) (int64, bool) { return ev.Stream.First, true }

func firstValid(ev *evidence.Message) (int64, bool) { return ev.FirstValid, ev.HasValid }

// judgeEarlyStop finds messages that end too soon after key-off.
func judgeEarlyStop(c *Case, r *Results) {
	if c.Baseline == nil || c.timeless(r) || lossy(r) {
		return
	}
	base := c.asBaseline()
	for _, m := range c.Setting.Messages {
		ev, was := c.Evidence.Messages[m.Name], c.Baseline.Messages[m.Name]
		w, bw := c.awake(m.Name), base.awake(m.Name)
		if !w.keyOff || !bw.keyOff || ev.Seen() == 0 || was.Seen() == 0 || !c.Own(m) || !cyclic(m) {
			continue
		}
		now, before := ev.Stream.Last-w.end, was.Stream.Last-bw.end
		if now >= before-1e9 || c.Evidence.End-ev.Stream.Last < 1e9 {
			continue
		}
		f := About("message/early-stop", Review, m)
		f.Listener = firstListener(m)
		f.Text = fmt.Sprintf("%s ends %v after key-off; it was %v", m.Name, round(time.Duration(now)), round(time.Duration(before)))
		f.NextStep = "lengthen the new ECU's hold after key-off: listeners still wait for it"
		f.FirstTime, f.HasTime, f.Count = ev.Stream.Last, true, 1
		r.Add(f.measured(inMS(now), inMS(before-1e9), "ms", FromBaseline))
	}
}

// judgeNoReaction finds messages that must answer a change of another unit's
// signal and do not.
func judgeNoReaction(c *Case, r *Results) {
	for _, name := range slices.Sorted(maps.Keys(c.Setting.Functions)) {
		f := c.Setting.Functions[name]
		m, _ := c.Setting.Signal(f.Chain[0])
		if _, failed := r.Failed(m.Name); failed || f.Against == nil || m.Kind != profiles.OnChange || !c.Sent(m) {
			continue
		}
		repeats, answered := c.answers(f)
		if repeats < 3 || answered*3 > repeats {
			continue
		}
		finding := About("message/no-reaction", Fail, m)
		finding.Function = name
		finding.Text = fmt.Sprintf("%s changed %d times, and %s answered %d times within 500 ms", f.Against.Signal, repeats, m.Name, answered)
		finding.NextStep = "the option is off in the setting, or the input is not mapped"
		finding.Count = uint64(repeats - answered)
		r.Add(finding.measured(float64(answered), float64(repeats), "answers", CommonPractice))
	}
}

// answers counts the changes of a function's reference and how many of them the
// function's own signal followed within 500 ms.
func (c *Case) answers(f *profiles.Function) (repeats, answered int) {
	signal := func(ref profiles.SignalRef) *evidence.Signal {
		message, name := ref.Split()
		return c.Evidence.Messages[message].Signals[name]
	}
	cause, effect := signal(f.Against.Signal), signal(f.Chain[0])
	if cause == nil || cause.Changes == nil {
		return 0, 0
	}
	for i, step := range cause.Changes.Steps() {
		if i == 0 {
			continue
		}
		repeats++
		if effect == nil || effect.Changes == nil {
			continue
		}
		for _, e := range effect.Changes.Steps() {
			if e.Time >= step.Time && e.Time-step.Time <= 500e6 {
				answered++
				break
			}
		}
	}
	return repeats, answered
}
