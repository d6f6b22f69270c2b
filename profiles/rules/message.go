package rules

import (
	"cmp"
	"fmt"
	"maps"
	"math/bits"
	"slices"
	"strings"
	"time"

	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// messageRules ask whether each message is there, on the right bus, with the
// right identifier and length.
func messageRules() []Rule {
	return append([]Rule{
		{"message/no-match", "none of the profile's messages are on the bus", judgeNoMatch},
		{"message/sender-silent", "tachometer, temperature, lamps and gearbox complain all at once", judgeSenderSilent},
		{"message/wrong-bus", "one gauge or function is dead", judgeWrongBus},
		{"message/other-id", "one gauge or function is dead, after choosing a neighbouring series", judgeOtherID},
		{"message/absent", "one gauge or function is dead", judgeAbsent},
		{"message/wrong-length", "a listener ignores a frame that is there", judgeLength},
		{"message/wrong-format", "a listener ignores a frame that is there", judgeFormat},
		{"message/not-forwarded", "gauges on the other bus stand still", judgeForwarding},
	}, timingRules()...)
}

// Shares of the expected frames, common practice.
const (
	goneBelow  = 0.05 // a message with less is absent
	thereAbove = 0.5  // a message with more is present
)

// oneUnit reports whether a sender is known, and one unit: what it does it does
// with all of its messages.
func (c *Case) oneUnit(sender string) bool {
	node := c.Setting.Nodes[sender]
	return sender != "" && (node == nil || !node.Several)
}

// presence is what the capture shows of one sender.
type presence struct {
	sender       string
	there, gone  []*profiles.MessageFacts // cyclic messages that the window can prove present, absent
	short        []*profiles.MessageFacts // too slow for this capture
	observations map[string]float64       // coverage by message
}

// presences groups the cyclic messages that this capture should hold by sender.
func (c *Case) presences() []*presence {
	by := map[string]*presence{}
	for _, m := range c.Setting.Messages {
		if !c.Sent(m) || !cyclic(m) {
			continue
		}
		p := by[m.Sender]
		if p == nil {
			p = &presence{sender: m.Sender, observations: map[string]float64{}}
			by[m.Sender] = p
		}
		w := c.awake(m.Name)
		from := w.settled(profiles.DefaultGrace)
		ev := c.Evidence.Messages[m.Name]
		away := c.broken(m.Name, from, w.end)
		cov := ev.Stream.Coverage(from, w.end-away, int64(m.Cycle.Value))
		p.observations[m.Name] = cov
		switch {
		case ev.Seen() >= 3 && cov >= goneBelow, seldom(ev, w.end):
			p.there = append(p.there, m)
		case w.end-from-away < enough(m.Cycle.Value):
			p.short = append(p.short, m)
		default:
			p.gone = append(p.gone, m)
		}
	}
	var list []*presence
	for _, sender := range slices.Sorted(maps.Keys(by)) {
		list = append(list, by[sender])
	}
	return list
}

// seldom reports whether a message comes to the end at a pace of its own, however
// slow: then it is too slow, not absent.
func seldom(ev *evidence.Message, end int64) bool {
	if ev.Seen() < leastGaps {
		return false
	}
	p95 := ev.Stream.Gaps.Quantile(0.95)
	return p95 < int64(failByDefault) && ev.Stream.Last > end-2*p95
}

// alive counts the senders that are there.
func alive(list []*presence) (n int) {
	for _, p := range list {
		if len(p.there) > 0 {
			n++
		}
	}
	return n
}

// judgeSenderSilent finds a unit of which no frame came while others sent.
func judgeSenderSilent(c *Case, r *Results) {
	if unjudgeable(r) {
		return
	}
	list := c.presences()
	for _, p := range list {
		if len(p.there) > 0 || len(p.gone) == 0 || c.Scope == Car && alive(list) == 0 {
			continue
		}
		if other := c.elsewhere(p); other != "" {
			continue // judgeAbsent says on which bus they are
		}
		node := c.Setting.Nodes[p.sender]
		if node != nil && node.HangsOn != "" && c.silent(list, node.HangsOn) {
			r.Add(Finding{
				Rule: "message/sender-silent", Verdict: NotTestable, Sender: p.sender,
				Text:     fmt.Sprintf("%s is silent, as it must be without %s", p.sender, node.HangsOn),
				NextStep: fmt.Sprintf("bring %s back first", node.HangsOn),
			})
			continue
		}
		r.Add(c.silentSender(p))
		for _, m := range c.Setting.Messages {
			if m.Sender == p.sender {
				r.fail(m.Name, "message/sender-silent")
			}
		}
	}
}

// fail marks a message as failed by a finding that is filed elsewhere.
func (r *Results) fail(message, rule string) {
	if r.failed == nil {
		r.failed = map[string][]string{}
	}
	r.failed[message] = append(r.failed[message], rule)
}

func (c *Case) silent(list []*presence, sender string) bool {
	return slices.ContainsFunc(list, func(p *presence) bool {
		return p.sender == sender && len(p.there) == 0 && len(p.gone) > 0
	})
}

// silentSender words the finding about a silent unit.
func (c *Case) silentSender(p *presence) Finding {
	f := Finding{
		Rule: "message/sender-silent", Verdict: Fail, Sender: p.sender, Count: uint64(len(p.gone)), Bus: p.gone[0].Bus,
		Text: fmt.Sprintf("none of the %d messages of %s came, while other units were sending", len(p.gone), p.sender),
	}
	last := c.lastOf(p.gone)
	if last != nil {
		f.Text = fmt.Sprintf("%s fell silent %v into the capture, with all of its messages (%d), while other units went on",
			p.sender, round(time.Duration(last.Last-c.Evidence.Start)), len(p.gone))
		f.Example = c.example(&last.LastFrame)
		f.FirstTime, f.HasTime = last.Last, true
	}
	f.NextStep = fmt.Sprintf("check that %s has power and its CAN wires, pin by pin; if it works all the same, it sits on another segment, perhaps of other physics, behind a gateway: tap the bus at its own plug", p.sender)
	if p.sender == c.Setting.Replaced {
		f.NextStep = "check the new ECU's CAN pins and fuse against the loom setting, and that CAN sending is switched on in its settings"
		if last == nil && c.Scope != ECUOnBench && c.neverChosen() {
			f.Text += "; nor did a message of any setting on file"
			f.NextStep = "choose both settings in the new ECU (loom and network), apply them, restart it and capture again"
		}
	}
	return f.measured(0, float64(len(p.gone)), "messages", c.profile())
}

// lastOf returns the stream with the last frame of the given messages, nil when
// none came.
func (c *Case) lastOf(list []*profiles.MessageFacts) (last *evidence.Stream) {
	for _, m := range list {
		if s := c.Evidence.Messages[m.Name].Stream; s != nil && s.Frames > 0 && (last == nil || s.Last > last.Last) {
			last = s
		}
	}
	return last
}

// neverChosen reports whether the replaced unit answers as one that was never
// told its network: it is alive for a tester, but sends nothing of any setting.
func (c *Case) neverChosen() bool {
	answers := func(s *evidence.Stream) bool { // as emission units do (ISO 15765-4)
		return s.ID.Value >= 0x7E8 && s.ID.Value <= 0x7EF && !s.ID.Extended
	}
	return slices.ContainsFunc(c.Evidence.Others, answers) && !c.speaksOther()
}

// speaksOther reports whether an identifier was seen that this setting does not
// have, but the replaced unit in another one.
func (c *Case) speaksOther() bool {
	own := map[profiles.ID]bool{}
	for _, s := range c.others() {
		for _, m := range s.Messages {
			own[m.ID] = own[m.ID] || m.Sender == s.Replaced && s.Replaced != ""
		}
	}
	return slices.ContainsFunc(c.Evidence.Others, func(s *evidence.Stream) bool { return own[s.ID] })
}

// elsewhere names another bus on which most of a sender's messages came.
func (c *Case) elsewhere(p *presence) string {
	count := map[string]int{}
	for _, m := range p.gone {
		for _, s := range c.Evidence.Messages[m.Name].Elsewhere {
			if s.Frames >= 3 {
				count[s.Bus.Interface]++
			}
		}
	}
	for _, bus := range slices.Sorted(maps.Keys(count)) {
		if count[bus]*2 > len(p.gone) {
			return bus
		}
	}
	return ""
}

// missing calls judge for every message that did not come on its bus although
// its sender is there, and that no rule has explained so far.
func (c *Case) missing(r *Results, judge func(p *presence, m *profiles.MessageFacts)) {
	if unjudgeable(r) {
		return
	}
	for _, p := range c.presences() {
		for _, m := range p.gone {
			if _, failed := r.Failed(m.Name); !failed && !c.otherFormat(m) {
				judge(p, m)
			}
		}
	}
}

// judgeWrongBus finds messages that came on another bus.
func judgeWrongBus(c *Case, r *Results) {
	c.missing(r, func(p *presence, m *profiles.MessageFacts) {
		elsewhere := c.Evidence.Messages[m.Name].Elsewhere
		if len(elsewhere) == 0 || elsewhere[0].Frames < 3 {
			return
		}
		s := elsewhere[0]
		f := c.gone("message/wrong-bus", p, m)
		f.Text = fmt.Sprintf("%s (%s) came on %s instead of %s", m.Name, m.ID, s.Bus.Interface, m.Bus)
		f.NextStep = "exchange the channel assignment in the new ECU, or its two pairs of CAN wires"
		f.Example = c.example(&s.FirstFrame)
		f.FirstTime, f.HasTime = s.First, true
		r.Add(f)
	})
}

// judgeOtherID finds messages that came under another identifier.
func judgeOtherID(c *Case, r *Results) {
	c.missing(r, func(p *presence, m *profiles.MessageFacts) {
		s, alike := c.disguised(m)
		if s == nil {
			return
		}
		f := c.gone("message/other-id", p, m)
		f.Text = fmt.Sprintf("%s (%s) is missing, but %s, which this setting does not have, looks like it: %s", m.Name, m.ID, s.ID, alike)
		f.NextStep = "a neighbouring series: choose the setting whose list has that identifier"
		f.Example = c.example(&s.FirstFrame)
		f.FirstTime, f.HasTime = s.First, true
		r.Add(f)
	})
}

// judgeAbsent finds single messages that are missing.
func judgeAbsent(c *Case, r *Results) {
	c.missing(r, func(p *presence, m *profiles.MessageFacts) {
		f := c.gone("message/absent", p, m)
		whose := "the car"
		if c.oneUnit(m.Sender) {
			whose = m.Sender
		}
		f.Text = fmt.Sprintf("%s (%s on %s) %s, while %d other messages of %s come", m.Name, m.ID, m.Bus, c.howGone(m), len(p.there), whose)
		if s := c.Evidence.Messages[m.Name].Stream; s != nil && s.Frames > 0 {
			f.Example = c.example(&s.LastFrame)
			f.FirstTime, f.HasTime = s.Last, true
		}
		f.NextStep = "wrong network setting, or the message is switched off in it: compare with neighbouring settings (profiles differ)"
		if hint := c.unlisted(m.Bus); hint != "" {
			f.Text += "; unlisted identifiers there: " + hint
		}
		r.Add(f)
	})
	if unjudgeable(r) {
		return
	}
	for _, p := range c.presences() {
		for _, m := range p.short {
			if _, failed := r.Failed(m.Name); failed {
				continue
			}
			f := About("message/absent", NotTestable, m)
			f.Text = fmt.Sprintf("the capture is too short to miss %s, which comes every %v", m.Name, m.Cycle.Value)
			f.NextStep = fmt.Sprintf("capture at least %v with the key on", time.Duration(enough(m.Cycle.Value))+profiles.DefaultGrace)
			r.Add(f)
		}
	}
}

// howGone says whether a missing message never came, stopped, or came too seldom.
func (c *Case) howGone(m *profiles.MessageFacts) string {
	s := c.Evidence.Messages[m.Name].Stream
	switch {
	case s == nil || s.Frames == 0:
		return "is missing"
	case c.awake(m.Name).end-s.Last > enough(m.Cycle.Value):
		return fmt.Sprintf("came %d times within %v, and then no more", s.Frames, round(time.Duration(s.Last-s.First)))
	}
	return fmt.Sprintf("came %d times only", s.Frames)
}

// gone starts a finding about a missing message.
func (c *Case) gone(rule string, p *presence, m *profiles.MessageFacts) Finding {
	f := About(rule, Fail, m)
	f.Listener, f.Count = firstListener(m), 1
	return f.measured(100*p.observations[m.Name], 100*goneBelow, "% of its frames", CommonPractice)
}

func firstListener(m *profiles.MessageFacts) string {
	if len(m.Listeners) == 0 {
		return ""
	}
	shortest := m.Listeners[0]
	for _, l := range m.Listeners {
		if l.Timeout.Value > 0 && (shortest.Timeout.Value == 0 || l.Timeout.Value < shortest.Timeout.Value) {
			shortest = l
		}
	}
	return shortest.Node
}

// disguised looks for an unlisted identifier on the message's bus with at least
// two independent similarities: pace and length together are one, the bits in
// use the other.
func (c *Case) disguised(m *profiles.MessageFacts) (*evidence.Stream, string) {
	want := definedBits(m)
	if c.Baseline != nil {
		if s := c.Baseline.Messages[m.Name].Stream; s != nil {
			want = ^s.Constant()
		}
	}
	var best *evidence.Stream
	bestScore := 0.0
	for _, s := range c.Evidence.Others {
		if s.Bus.Facts == nil || s.Bus.Facts.Name != m.Bus || s.Frames < 10 || s.Length() != m.Length.Value {
			continue
		}
		pace := float64(s.Gaps.Quantile(0.5)) / float64(m.Cycle.Value)
		if pace < 0.9 || pace > 1.1 {
			continue
		}
		if score := similarity(^s.Constant(), want); score > bestScore {
			best, bestScore = s, score
		}
	}
	if best == nil || bestScore < 0.8 {
		return nil, ""
	}
	return best, fmt.Sprintf("same length and pace, and %.0f %% of its changing bits are where %s has signals", 100*bestScore, m.Name)
}

// definedBits returns the bits of the first 8 bytes that belong to a signal.
func definedBits(m *profiles.MessageFacts) (mask uint64) {
	if m.Def == nil {
		return 0
	}
	for _, s := range m.Def.Signals {
		mask |= s.Mask()
	}
	return mask
}

// similarity is the share of the changing bits that lie in the wanted ones.
func similarity(have, want uint64) float64 {
	if bits.OnesCount64(have) < 8 {
		return 0 // too little moves to tell anything
	}
	return float64(bits.OnesCount64(have&want)) / float64(bits.OnesCount64(have))
}

// unlisted names a few identifiers on a bus that the setting does not have.
func (c *Case) unlisted(bus string) string {
	var ids []string
	for _, s := range c.Evidence.Others {
		if s.Bus.Facts != nil && s.Bus.Facts.Name == bus && len(ids) < 4 {
			ids = append(ids, s.ID.String())
		}
	}
	return strings.Join(ids, ", ")
}

// judgeLength finds messages whose frames are longer or shorter than listeners want.
func judgeLength(c *Case, r *Results) {
	for _, m := range c.Setting.Messages {
		ev := c.Evidence.Messages[m.Name]
		if ev.Seen() == 0 || ev.Stream.Misfits.Count == 0 {
			continue
		}
		f := About("message/wrong-length", Fail, m)
		f.Listener = firstListener(m)
		got := ev.Stream.Length()
		f.Text = fmt.Sprintf("%s comes with %d bytes; its listeners want %d", m.Name, got, m.Length.Value)
		f.NextStep = "wrong series or setting: one message exists in several lengths"
		if got == m.Length.Value {
			share := float64(ev.Stream.Misfits.Count) / float64(ev.Seen())
			f.Text = fmt.Sprintf("%d of %d frames of %s do not have %d bytes", ev.Stream.Misfits.Count, ev.Seen(), m.Name, m.Length.Value)
			f.NextStep = "look for a second sender of the identifier, or a sender that cuts its frames"
			// A listener that minds waits 2 s for it (common practice).
			if share*float64(c.Evidence.End-c.Evidence.Start) < 2e9 {
				f.Verdict = Review
			}
		}
		r.Add(f.events(c, &ev.Stream.Misfits).measured(float64(int(ev.Stream.Misfits.First[0].Frame.Len)), float64(m.Length.Value), "bytes", m.Length.From))
	}
}

// judgeFormat finds identifiers that come with the wrong number of bits.
func judgeFormat(c *Case, r *Results) {
	for _, m := range c.Setting.Messages {
		ev := c.Evidence.Messages[m.Name]
		if !c.otherFormat(m) || !c.Sent(m) {
			continue
		}
		f := About("message/wrong-format", Fail, m)
		f.Listener = firstListener(m)
		f.Count, f.FirstTime, f.HasTime = ev.OtherKind.Frames, ev.OtherKind.First, true
		f.Example = c.example(&ev.OtherKind.FirstFrame)
		f.Text = fmt.Sprintf("%s comes as %s instead of %s: the same number, but of another length", m.Name, ev.OtherKind.ID, m.ID)
		f.NextStep = "wrong series or setting: listeners do not take the other identifier format"
		r.Add(f)
	}
}

// otherFormat reports whether a message comes only with the other number of
// identifier bits.
func (c *Case) otherFormat(m *profiles.MessageFacts) bool {
	ev := c.Evidence.Messages[m.Name]
	return ev.Seen() == 0 && ev.OtherKind != nil && ev.OtherKind.Frames >= 3
}

// judgeForwarding finds gateways that do not pass on what they hear.
func judgeForwarding(c *Case, r *Results) {
	if unjudgeable(r) {
		return
	}
	for i := range c.Evidence.Fits {
		fit := &c.Evidence.Fits[i]
		if fit.Link == 0 {
			continue
		}
		if f, ok := c.notForwarded(fit, r); ok && !r.Has(f.Rule, f.Message) {
			r.Withdraw("message/absent", f.Message)
			r.Add(f)
		}
	}
}

// followsWithin is how late a gateway's copy may follow its source, ns.
const followsWithin = 500e6

// notForwarded judges one link from a source to a gateway's copy.
func (c *Case) notForwarded(fit *evidence.Fit, r *Results) (Finding, bool) {
	source, sourceDef := c.Setting.Signal(fit.X)
	copied, _ := c.Setting.Signal(fit.Y)
	from, to := c.Evidence.Messages[source.Name], c.Evidence.Messages[copied.Name]
	if _, failed := r.Failed(source.Name); failed || from.Seen() == 0 || !c.Sent(copied) || sourceDef == nil {
		return Finding{}, false
	}
	in := from.Signals[sourceDef.Name]
	_, name := fit.Y.Split()
	out := to.Signals[name]
	span := sourceDef.Max - sourceDef.Min
	moves := in != nil && in.Available > 10 && in.Span() > 0.10*cmp.Or(span, in.Max)
	f := About("message/not-forwarded", Fail, copied)
	f.Signal, f.Listener, f.Function = name, firstListener(copied), fit.Function
	f.NextStep = "the gateway does not take the source: check series and the source's length, counter and checksum; gateways copy values only of messages that they accept"
	switch {
	case to.Seen() == 0 && r.Has("message/absent", copied.Name):
		f.Text = fmt.Sprintf("%s is on %s, but %s does not pass it on as %s", fit.X, source.Bus, copied.Sender, copied.Name)
	case out == nil || !moves:
		return f, false
	case out.Own.Counts || in.Own.Counts: // rolling values need not be equal, only move alike
		if in.Rises == 0 || out.Rises > 0 || out.Available < leastMoved {
			return f, false
		}
		f.Text = fmt.Sprintf("%s counts, but the copy %s stands still", fit.X, fit.Y)
		f.Example, f.Count = c.example(&to.Stream.FirstFrame), out.Frames
		f.FirstTime, f.HasTime = to.Stream.First, true
	case out.Available == 0 && out.Frames > 0:
		f.Text = fmt.Sprintf("%s moves from %g to %g, but the copy %s is \"not available\"", fit.X, in.Min, in.Max, fit.Y)
		f = f.events(c, &out.NAFirst)
	case out.Available > 10 && out.Span() == 0:
		seen, ok := levels(in, to.Stream.First, to.Stream.Last-followsWithin)
		if !ok || seen[2]-seen[0] <= 0.10*cmp.Or(span, in.Max) {
			return f, false // it moved before the copy was seen, or has only just moved
		}
		f.Text = fmt.Sprintf("%s moves from %g to %g, but the copy %s stands at %g", fit.X, in.Min, in.Max, fit.Y, out.Min)
		f.Example = c.example(&to.Stream.FirstFrame)
		f.FirstTime, f.HasTime, f.Count = to.Stream.First, true, out.Frames
	case in.Own.Counts || out.Own.Counts:
		return f, false // a count that begins again is on no straight line
	default:
		_, _, r2, ok := fit.Line()
		rolling := in.Own.Counts || out.Own.Counts // each wraps where its own width ends
		if !ok || rolling || r2 >= 0.5*0.5 {       // a correlation of 0.5
			return f, false
		}
		f.Text = fmt.Sprintf("%s does not follow %s: correlation %.2f", fit.Y, fit.X, r2)
		f = f.measured(r2, 0.25, "R2", CommonPractice)
	}
	return f, true
}
