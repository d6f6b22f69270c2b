package rules

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"plugproof/profiles"
)

// Earlier is what was seen on the car before its engine computer was replaced. A
// nil list was not taken down; an empty one says that there was nothing.
type Earlier struct {
	Codes []Code
	Lamps []string
}

// SinceSwap is what became of trouble codes and lamps since the swap. A nil part
// was not taken down both before and after.
type SinceSwap struct {
	Codes *CodesChange
	Lamps *LampsChange
}

// LampsChange is what became of the lamps that are lit.
type LampsChange struct{ New, Gone, Stayed []string }

// Since holds what is seen now against what was seen before the swap. s names the
// lamps of a car that goes by several names for one; nil: not known.
func (o *Observed) Since(s *profiles.Setting) (since SinceSwap) {
	if o.Codes != nil && o.Before.Codes != nil {
		change := CompareCodes(o.Before.Codes, o.Codes)
		since.Codes = &change
	}
	if o.Lamps != nil && o.Before.Lamps != nil {
		change := CompareLamps(o.Before.Lamps, o.Lamps, s)
		since.Lamps = &change
	}
	return since
}

// CompareLamps holds the lamps that are lit after the swap against those that
// were before it.
func CompareLamps(before, after []string, s *profiles.Setting) (change LampsChange) {
	in := func(list []string, lamp string) bool {
		return slices.ContainsFunc(list, func(other string) bool { return sameLamp(lamp, other, s) })
	}
	for _, lamp := range after {
		if in(before, lamp) {
			change.Stayed = append(change.Stayed, lamp)
		} else {
			change.New = append(change.New, lamp)
		}
	}
	for _, lamp := range before {
		if !in(after, lamp) {
			change.Gone = append(change.Gone, lamp)
		}
	}
	return change
}

// sameLamp reports whether two names mean one lamp: MIL and engine lamp.
func sameLamp(a, b string, s *profiles.Setting) bool {
	if strings.EqualFold(strings.TrimSpace(a), strings.TrimSpace(b)) {
		return true
	}
	if s == nil {
		return false
	}
	x, one, err1 := FindSymptom(a+lampLit, s)
	y, two, err2 := FindSymptom(b+lampLit, s)
	return err1 == nil && err2 == nil && len(one) > 0 && x.Name == y.Name && slices.Equal(one, two)
}

// lampLit turns the name of a lamp into a text for FindSymptom.
const lampLit = " lamp on"

// sinceRules ask what a person sees that was not there before the swap. They come
// last, to name what the captures show of it.
func sinceRules() []Rule {
	return []Rule{
		{"listener/new-code", "a unit stored a code that it did not have", judgeNewCodes},
		{"listener/new-lamp", "a lamp is lit that was not", judgeNewLamps},
	}
}

// judgeNewCodes reports the trouble codes that were not there before the swap.
func judgeNewCodes(c *Case, r *Results) {
	since := c.Seen.Since(c.Setting)
	if since.Codes == nil {
		return
	}
	for _, code := range since.Codes.New {
		r.note(NewCode(code, c.Setting, r.Findings))
	}
}

// judgeNewLamps reports the lamps that were not lit before the swap.
func judgeNewLamps(c *Case, r *Results) {
	since := c.Seen.Since(c.Setting)
	if since.Lamps == nil {
		return
	}
	for _, lamp := range since.Lamps.New {
		r.note(NewLamp(lamp, c.Setting, r.Findings))
	}
}

// note files what somebody says of a message. It is not Add: a word about a
// message makes nothing about it untestable.
func (r *Results) note(f Finding) { r.Findings = append(r.Findings, f) }

// readAgain ends a next step about a trouble code: it is not known to be of now
// until it came back.
const readAgain = "clear the codes with the workshop's scan tool, turn the key off and on three times, and read again"

// NewCode judges a code that was not there before the swap: the unit that stored
// it is not content, whatever the figures look like. It is for review only where
// the scan tool does not call it active and either says that the fault is past, or
// the time without an engine computer explains it. findings are those of the
// captures: one on a message that the unit waits for says why, and then it fails.
// s is nil where the car has no setting.
func NewCode(code Code, s *profiles.Setting, findings []Finding) Finding {
	e := Explain(code, s)
	f := Finding{
		Rule: "listener/new-code", Verdict: Fail, Sender: e.Missed, Listener: e.Listener,
		Functions: []string{}, Count: 1, Code: &e,
	}
	if e.Listener == "" && s != nil {
		f.Listener = code.Listener(s)
	}
	why, causes := e.doubt(s), e.causes(findings)
	var cause *Finding
	if len(causes) > 0 {
		cause = &causes[0]
	}
	if e.Means != "" && s != nil && e.Listener != "" {
		f.Functions = functionsBetween(s, e.Missed, e.Listener, causes)
	}
	switch {
	case cause != nil && cause.Verdict == Fail:
		why = fmt.Sprintf("the capture shows why (%s)", cause.subject())
	case why != "":
		f.Verdict = Review
	case code.Status() == Active:
		why = "the scan tool calls it active"
	}
	f.pointAt(e.guilty(cause), s)
	f.Text = e.says(why)
	f.NextStep = e.next(cause, f.Verdict, s)
	return f
}

// functionsBetween lists the functions that a listener has from a sender. Where
// the captures show which messages fail, those that hang on them; never nil.
func functionsBetween(s *profiles.Setting, sender, listener string, causes []Finding) []string {
	c := &Case{Setting: s}
	names := append([]string{}, c.between(sender, listener)...)
	hit := map[string]bool{}
	for i := range causes {
		if causes[i].Verdict == Fail {
			for _, name := range c.hurts(&causes[i]) {
				hit[name] = true
			}
		}
	}
	if len(hit) == 0 {
		return names
	}
	return slices.DeleteFunc(names, func(name string) bool { return !hit[name] })
}

// doubt says why a code need not be of now; "" when nothing does.
func (e *Explained) doubt(s *profiles.Setting) string {
	status := e.Status()
	lost := e.network().says == saysLost
	switch {
	case status == Active:
		return ""
	case lost && (e.network().missed.name == unitEngine.name || s != nil && e.Missed != "" && e.Missed == s.Replaced):
		return "every unit that was awake while no engine computer was plugged in stores it: that may be all there is to it"
	case status == Past:
		return "the scan tool lists it as stored, not as active: its fault may be over"
	case status == Pending:
		return "it is pending: seen, and not confirmed yet"
	}
	return ""
}

// causes are the findings of the captures on what the unit waits for: on its
// messages, or on the sender as a whole; the gravest first. What is for review
// counts where it is about how a message comes, which a value of it is not.
func (e *Explained) causes(findings []Finding) (list []Finding) {
	if e.Missed == "" {
		return nil
	}
	for i := range findings {
		f := &findings[i]
		switch {
		case strings.HasPrefix(f.Rule, "listener/"):
		case f.Verdict != Fail && (f.Verdict != Review || !strings.HasPrefix(f.Rule, "message/") && !strings.HasPrefix(f.Rule, "integrity/")):
		case f.Message == "" && f.Sender != e.Missed:
		case f.Message != "" && !slices.ContainsFunc(e.Awaits, func(a Awaited) bool { return a.Message == f.Message }):
		default:
			list = append(list, *f)
		}
	}
	slices.SortStableFunc(list, func(a, b Finding) int { return cmp.Compare(b.Verdict, a.Verdict) })
	return list
}

// guilty names the message that the code points at: that of the cause, else the
// one that the unit misses first; "" for none.
func (e *Explained) guilty(cause *Finding) string {
	if cause != nil {
		return cause.Message
	}
	if len(e.Awaits) == 0 {
		return ""
	}
	return slices.MinFunc(e.Awaits, byPatience).Message
}

// byPatience orders messages by how long they are waited for, the least patient
// first.
func byPatience(a, b Awaited) int {
	const never = 1 << 62 // ns; nobody states a timeout
	return cmp.Compare(cmp.Or(a.Timeout, never), cmp.Or(b.Timeout, never))
}

// pointAt puts a message of the setting on a finding.
func (f *Finding) pointAt(message string, s *profiles.Setting) {
	if s == nil {
		return
	}
	if m := s.Message(message); m != nil {
		f.Message, f.ID, f.HasID, f.Bus, f.Sender = m.Name, m.ID, true, m.Bus, m.Sender
	}
}

// subject names what a finding is about: its rule and message.
func (f *Finding) subject() string {
	return f.Rule + " on " + cmp.Or(f.Message, f.Sender)
}

// Name says which code it is, and whose.
func (c *Code) Name() string {
	return fmt.Sprintf("%s of %s", c.Code, cmp.Or(c.Module, "a unit that the list does not name"))
}

// says words the code: what it is, what it misses, and why it counts or may not.
func (e *Explained) says(why string) string {
	text := e.Name() + " is there since the swap"
	switch {
	case e.Means != "":
		text += ": " + e.Means
	case e.Text != "":
		text += ": " + e.Text
	}
	if names := e.awaited(); names != "" {
		text += "; of that it waits for " + names
	}
	if why != "" {
		text += ". " + strings.ToUpper(why[:1]) + why[1:]
	}
	return text
}

// awaited lists the messages that the unit waits for, the least patient first.
func (e *Explained) awaited() string {
	const shown = 3 // more than that nobody reads
	list := slices.Clone(e.Awaits)
	slices.SortStableFunc(list, byPatience)
	var names []string
	for _, a := range list[:min(shown, len(list))] {
		names = append(names, fmt.Sprintf("%s (%s on %s)", a.Message, a.ID, a.Bus))
	}
	text := strings.Join(names, ", ")
	if more := len(list) - shown; more > 0 {
		text += fmt.Sprintf(" and %d more", more)
	}
	return text
}

// next says what to do about a new code.
func (e *Explained) next(cause *Finding, v Verdict, s *profiles.Setting) string {
	switch {
	case cause != nil && cause.Verdict == Fail:
		return fmt.Sprintf("mend what the capture shows (%s): %s; then %s", cause.subject(), cause.NextStep, readAgain)
	case v == Review:
		return readAgain + ": only what comes back is of now"
	case cause != nil:
		return fmt.Sprintf("the capture shows a likely cause (%s): %s; then %s", cause.subject(), cause.NextStep, readAgain)
	case e.Means != "" && len(e.Awaits) > 0:
		return "what it waits for is in order in this capture: record while the code is active, on the bus that the unit sits on; then " + readAgain
	case e.Means != "":
		return "see the findings about these units; then " + readAgain
	case s != nil && e.Code.Listener(s) == s.Replaced && s.Replaced != "":
		return "look it up in the new ECU's own list of codes: the bus does not say what it means; then " + readAgain
	}
	return "look it up in the list of codes of that unit: it is not about the network; then " + readAgain
}

// NewLamp judges a lamp that is lit since the swap and was not before. findings
// are those of the captures: one on its way through the car says why.
func NewLamp(lamp string, s *profiles.Setting, findings []Finding) Finding {
	f := Finding{
		Rule: "listener/new-lamp", Verdict: Fail, Functions: []string{}, Count: 1,
		Text:     fmt.Sprintf("the lamp %q is lit since the swap; before it was not", lamp),
		NextStep: "read the codes of every unit (plugproof codes): one of them says why it asks for the lamp",
	}
	if s == nil {
		return f
	}
	_, functions, err := FindSymptom(lamp+lampLit, s)
	if err != nil || len(functions) == 0 {
		return f
	}
	f.Functions = append(f.Functions, functions...)
	own := s.Functions[functions[0]]
	f.Listener = own.Ends
	message, signal := own.Chain[0].Split()
	f.pointAt(message, s)
	f.Signal = signal
	for i := range findings {
		cause := &findings[i]
		if cause.Verdict < Review || strings.HasPrefix(cause.Rule, "listener/") || linkOf(cause, own) == len(own.Chain) {
			continue
		}
		f.Text += fmt.Sprintf(". The capture shows why (%s)", cause.subject())
		f.NextStep = fmt.Sprintf("mend what the capture shows (%s): %s", cause.subject(), cause.NextStep)
		break
	}
	return f
}
