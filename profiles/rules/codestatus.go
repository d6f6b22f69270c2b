package rules

import (
	"strings"

	"plugproof/decode/pattern"
)

// CodeStatus is what a scan tool says of when the fault of a code was there.
type CodeStatus string

// The states of a code; "" is not said.
const (
	Active  CodeStatus = "active"  // it fails now
	Past    CodeStatus = "stored"  // it was there; perhaps it is over
	Pending CodeStatus = "pending" // seen once, and not confirmed
)

// The words of scan tools, and those by which this tool writes the status byte of
// ISO 14229-1; common practice. An order of ranks: what fails now is active,
// whatever else is said of it. "Confirmed" alone says nothing of now.
var (
	activeWords = pattern.Late(`(?i)^(failed now|failing|test failed|active|currently active|current|present|now present)$`)
	pastWords   = pattern.Late(`(?i)^(stored|history|historic|historical|past|previous|passive|inactive|intermittent|sporadic|permanent|` +
		`not (active|current|present)|not currently (active|present)|failed this drive|failed since clearing)$`)
	pendingWords = pattern.Late(`(?i)^(pending|maturing|unconfirmed|not confirmed)$`)
	filler       = pattern.Late(`(?i)^(codes?|dtcs?|faults?|trouble codes|status)[: ]+|[: ]+(d?tcs?|codes?|faults?|trouble codes|status)$`)
	statusParts  = pattern.Late(`[,;:|/()\[\]\t]|\s-\s|\s{2,}|\band\b`)
	lastStatus   = pattern.Late(`(?i)\s(stored|history|historic|pending|intermittent|sporadic)$`)
)

// Status reads from the text of a code whether its fault is there now. Only a part
// of the text that is nothing but such a word counts: "control current high" is
// about amperes.
func (c *Code) Status() CodeStatus { return statusOf(c.Text) }

func statusOf(text string) CodeStatus {
	parts := statusParts().Split(text, -1)
	if m := lastStatus().FindStringSubmatch(text); m != nil {
		parts = append(parts, m[1])
	}
	var past, pending bool
	for _, part := range parts {
		part = strings.Trim(filler().ReplaceAllString(strings.Trim(part, " .\"'"), ""), " .")
		switch {
		case activeWords().MatchString(part):
			return Active
		case pastWords().MatchString(part):
			past = true
		case pendingWords().MatchString(part):
			pending = true
		}
	}
	switch {
	case past && !pending:
		return Past
	case pending:
		return Pending
	}
	return ""
}
