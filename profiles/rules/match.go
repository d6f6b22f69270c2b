package rules

import (
	"fmt"
	"slices"
	"strings"

	"plugproof/profiles"
)

// judgeNoMatch answers a capture of another car in one line, instead of with a
// finding for every message.
func judgeNoMatch(c *Case, r *Results) {
	if unjudgeable(r) {
		return
	}
	expected, seen := c.matches()
	if expected == 0 || seen*10 > expected || seen > 2 || c.listed() {
		return
	}
	f := Finding{
		Rule: "message/no-match", Verdict: Fail,
		Text:     fmt.Sprintf("none of this profile's messages were seen (%s has %d): this looks like another car or another bus", c.Setting.Name, expected),
		NextStep: "check which car the capture is of (identify), and which bus of the profile each interface is (--bus)",
	}
	if seen > 0 {
		f.Text = fmt.Sprintf("only %d of the %d messages of %s were seen: this looks like another car or another bus", seen, expected, c.Setting.Name)
	}
	if names := c.strangers(); len(names) > 0 {
		f.Text += fmt.Sprintf("; %s fits none of its buses", strings.Join(names, ", "))
	}
	r.Add(f.measured(float64(seen), float64(expected), "messages", c.profile()))
}

// matches counts the messages that the capture should hold, and those of them
// that came. Where its interfaces are no bus of the setting, that is all of them.
func (c *Case) matches() (expected, seen int) {
	count := func(should func(m *profiles.MessageFacts) bool) {
		for _, m := range c.Setting.Messages {
			if !should(m) {
				continue
			}
			if expected++; c.Evidence.Messages[m.Name].Seen() > 0 {
				seen++
			}
		}
	}
	if count(c.Sent); expected == 0 && len(c.strangers()) > 0 {
		count(func(m *profiles.MessageFacts) bool { return m.Expected && !m.Option })
	}
	return expected, seen
}

// strangers names the interfaces that carried frames and are no bus of the setting.
func (c *Case) strangers() (names []string) {
	for _, b := range c.Evidence.Buses {
		if b.Facts == nil && b.Frames > 0 {
			names = append(names, b.Interface)
		}
	}
	return names
}

// listed reports whether most of what came is of the setting: a car of which
// little is awake, not another one.
func (c *Case) listed() bool {
	own, others := 0, 0
	for _, m := range c.Setting.Messages {
		if c.Evidence.Messages[m.Name].Seen() >= 3 {
			own++
		}
	}
	for _, s := range c.Evidence.Others {
		if s.Frames >= 3 {
			others++
		}
	}
	return own > others
}

// unjudgeable reports whether nothing can be said about messages at all.
func unjudgeable(r *Results) bool { return r.meaningless() != nil }

// meaningless returns the finding because of which the capture says nothing about
// the setting; nil when there is none.
func (r *Results) meaningless() *Finding {
	for i := range r.Findings {
		switch r.Findings[i].Rule {
		case "message/no-match", "wiring/no-frames", "wiring/unacknowledged":
			return &r.Findings[i]
		}
	}
	return nil
}

// pointless drops advice that helps nobody where the capture says nothing about
// the setting: which stages to add, which bus to record.
func (r *Results) pointless() {
	if unjudgeable(r) {
		r.Findings = slices.DeleteFunc(r.Findings, func(f Finding) bool {
			return f.Rule == "capture/stage-missing" || f.Rule == "wiring/other-segment"
		})
	}
}
