package gate

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// Diagnostic identifiers, ISO 15765-4: 11 bits to all units and to and from
// each; 29 bits with PDU formats 0xDA and 0xDB, here at any priority.
func diagnosticID(id ID) bool {
	if id&extendedBit == 0 {
		return id == 0x7DF || id >= 0x7E0 && id <= 0x7EF
	}
	format := uint32(id) >> 16 & 0x3FF
	return format == 0xDA || format == 0xDB
}

// class is a kind of content that is never sent, told by the words in the names
// of a message, its sender and its signals.
type class struct {
	rule, what string
	alone      []string // one of these words is enough
	subject    []string // one of these with
	action     []string // one of these
}

// neverClasses are built in: no flag, profile or file opens them.
func neverClasses() []class {
	acts := []string{
		"request", "requested", "demand", "demanded", "command", "commanded", "target", "actuate", "actuation",
		"intervention", "apply", "release", "control", "setpoint",
	}
	return []class{
		{
			rule: "never/restraint", what: "restraint systems",
			alone: []string{"airbag", "airbags", "restraint", "restraints", "srs", "pretensioner", "tensioner", "crash"},
		},
		{
			rule: "never/brake", what: "brake and stability actuation",
			subject: []string{
				"brake", "brakes", "braking", "abs", "stability", "esp", "esc", "vsc", "traction", "yaw", "handbrake", "parkbrake",
			},
			action: acts,
		},
		{
			rule: "never/steering", what: "steering",
			subject: []string{"steering", "steer", "eps"},
			action:  append([]string{"torque", "angle", "assist", "assistance"}, acts...),
		},
		{
			rule: "never/immobiliser", what: "immobiliser and key answers",
			alone:   []string{"immobiliser", "immobilizer", "immo", "transponder", "keyless"},
			subject: []string{"key", "keys", "start", "alarm"},
			action: []string{
				"answer", "code", "challenge", "response", "authentication", "authorisation", "authorization",
				"authenticate", "secret", "seed", "learn", "disarm",
			},
		},
		{
			rule: "never/odometer", what: "the odometer",
			alone:   []string{"odometer", "odo", "mileage"},
			subject: []string{"total", "overall", "lifetime"},
			action:  []string{"distance", "kilometres", "kilometers", "miles", "km"},
		},
		{
			rule: "never/diagnostics", what: "diagnosis",
			alone: []string{"diagnostic", "diagnostics", "diagnosis", "diag", "uds", "obd", "tester", "kwp"},
		},
		{
			rule: "never/flashing", what: "flashing",
			alone:   []string{"bootloader", "reprogramming", "reflash", "flashing"},
			subject: []string{"flash", "program", "programming", "firmware", "software"},
			action:  []string{"download", "upload", "write", "erase", "block", "transfer", "update", "request"},
		},
	}
}

// never returns why a message is never sent on a physical interface, nil when
// nothing forbids it. What lists allow is not looked at here.
func never(m *Message) *Refusal {
	refuse := func(rule, format string, args ...any) *Refusal {
		return &Refusal{
			Rule: rule, ID: m.ID, HasID: true, Reason: fmt.Sprintf("%s: ", m.label()) + fmt.Sprintf(format, args...),
			Try: "leave it out; nothing opens this",
		}
	}
	switch {
	case diagnosticID(m.ID):
		return refuse("never/diagnostics", "an identifier of diagnosis is never sent by a replay")
	case m.Never != "":
		return refuse("never/profile", "the profile never lets it be sent: %s", m.Never)
	}
	for _, text := range append([]string{m.Name, m.Sender}, m.Words...) {
		words := split(text)
		for _, c := range neverClasses() {
			if c.holds(words) {
				return refuse(c.rule, "%s belongs to %s", text, c.what)
			}
		}
	}
	if m.Request != 0 && m.Name == "" {
		return refuse(requestRule(m.Request), "its payload looks like the diagnostic request 0x%02X", m.Request)
	}
	return nil
}

// label names a message for people.
func (m *Message) label() string {
	if m.Name == "" {
		return m.ID.String()
	}
	return fmt.Sprintf("%s %s", m.ID, m.Name)
}

func (c *class) holds(words []string) bool {
	has := func(list []string) bool {
		return slices.ContainsFunc(words, func(w string) bool { return slices.Contains(list, w) })
	}
	return has(c.alone) || has(c.subject) && has(c.action)
}

// split cuts a name into lower-case words: at anything that is no letter and
// before a capital that begins a word.
func split(name string) (words []string) {
	runes := []rune(name)
	start := 0
	cut := func(end int) {
		if end > start {
			words = append(words, strings.ToLower(string(runes[start:end])))
		}
		start = end
	}
	for i, r := range runes {
		switch {
		case !unicode.IsLetter(r):
			cut(i)
			start = i + 1
		case i > 0 && unicode.IsUpper(r) && (unicode.IsLower(runes[i-1]) || i+1 < len(runes) && unicode.IsLower(runes[i+1])):
			cut(i)
		}
	}
	cut(len(runes))
	return words
}

// Services of ISO 14229-1 whose requests change something, and the two of SAE
// J1979 that do.
const (
	serviceFlashFrom, serviceFlashTo = 0x34, 0x38 // request download to request file transfer
)

func requestRule(service byte) string {
	if service >= serviceFlashFrom && service <= serviceFlashTo {
		return "never/flashing"
	}
	return "never/diagnostics"
}

// Request returns the diagnostic service that a payload asks for when it has the
// shape of a single or a first frame of ISO 15765-2 with a service of ISO
// 14229-1 or SAE J1979 in it; 0 when it has not. Any payload may have that shape
// by chance: it says something only where nothing else is known.
func Request(payload []byte) byte {
	if len(payload) < 2 {
		return 0
	}
	var service byte
	switch length := payload[0]; {
	case length >= 1 && length <= 7 && int(length) < len(payload):
		service = payload[1]
		for _, rest := range payload[1+length:] { // padding is all one value
			if rest != payload[len(payload)-1] {
				return 0
			}
		}
	case length>>4 == 1 && len(payload) == 8 && (length&0x0F != 0 || payload[1] > 7):
		service = payload[2]
	default:
		return 0
	}
	known := service >= 0x01 && service <= 0x0A || slices.Contains([]byte{
		0x10, 0x11, 0x14, 0x19, 0x22, 0x23, 0x24, 0x27, 0x28, 0x29, 0x2A, 0x2C, 0x2E, 0x2F,
		0x31, 0x34, 0x35, 0x36, 0x37, 0x38, 0x3D, 0x3E, 0x83, 0x84, 0x85, 0x86, 0x87,
	}, service)
	if !known {
		return 0
	}
	return service
}
