package service

import "fmt"

// How an answer begins (ISO 14229-1).
const (
	positive        = 0x40 // added to the service
	negative        = 0x7F
	responsePending = 0x78
)

// Refusal is a module's answer that it does not do what was asked.
type Refusal struct {
	Service byte
	Code    byte // ISO 14229-1: negative response code
}

func (r *Refusal) Error() string {
	return fmt.Sprintf("service 0x%02X refused: %s (0x%02X)", r.Service, r.Words(), r.Code)
}

// refusals says in our words what the codes of ISO 14229-1 mean (numbers:
// python-udsoncan, ResponseCode.py).
var refusals = map[byte]string{
	0x10: "no reason given",
	0x11: "it does not know this service",
	0x12: "it does not know this kind of request",
	0x13: "the request has the wrong length",
	0x14: "the answer would be too long",
	0x21: "busy: ask again",
	0x22: "the conditions are not right (engine state, speed)",
	0x24: "not in this order",
	0x25: "a module behind it does not answer",
	0x26: "a fault keeps it from doing so",
	0x31: "it has nothing of that number",
	0x33: "locked",
	0x34: "it wants proof of who asks",
	0x35: "wrong key",
	0x36: "too many attempts",
	0x37: "wait before the next attempt",
	0x70: "no transfer",
	0x71: "transfer stopped",
	0x72: "writing its memory failed",
	0x73: "transfer out of order",
	0x78: "it asks for more time",
	0x7E: "not in the state it is in now",
	0x7F: "not in the state it is in now",
	0x92: "supply voltage too high",
	0x93: "supply voltage too low",
}

// Words says why, for a person.
func (r *Refusal) Words() string {
	if w := refusals[r.Code]; w != "" {
		return w
	}
	return "for a reason of the maker's own"
}
