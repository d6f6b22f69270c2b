package main

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"strings"
	"time"

	"plugproof/profiles"
	"plugproof/profiles/rules"
	"plugproof/replay/service"
)

// codeEntry is the JSON form of a code.
type codeEntry struct {
	Module   string        `json:"module,omitempty"`
	Code     string        `json:"code"`
	Text     string        `json:"text,omitempty"`
	Means    string        `json:"means,omitempty"`
	Missed   string        `json:"missed,omitempty"`
	Listener string        `json:"listener,omitempty"`
	Awaits   []awaitedJSON `json:"awaits,omitempty"`
}

type awaitedJSON struct {
	Message    string `json:"message"`
	ID         string `json:"id"`
	Bus        string `json:"bus"`
	CycleMS    int64  `json:"cycle_ms,omitempty"`
	TimeoutMS  int64  `json:"timeout_ms,omitempty"`
	Substitute string `json:"substitute,omitempty"`
}

type codesChange struct {
	New    []codeEntry `json:"new"`
	Gone   []codeEntry `json:"gone"`
	Stayed []codeEntry `json:"stayed"`
}

// codesModule is the JSON form of what one module said.
type codesModule struct {
	codesAddress
	VIN            string            `json:"vin_sha256,omitempty"` // the number itself stays with the car
	Identification map[string]string `json:"identification,omitempty"`
	Answered       []string          `json:"answered"`
	Refused        []string          `json:"refused,omitempty"`
	Problems       []string          `json:"problems,omitempty"`
}

type codesAddress struct {
	Name    string `json:"name,omitempty"`
	Request string `json:"request"`
	Answer  string `json:"answer"`
}

func addressOf(t service.Target) codesAddress {
	digits := 3
	if t.Link.Extended {
		digits = 8
	}
	return codesAddress{t.Name, fmt.Sprintf("0x%0*X", digits, t.Link.Tx), fmt.Sprintf("0x%0*X", digits, t.Link.Rx)}
}

// label names a module for people.
func (a codesAddress) label() string {
	if a.Name != "" {
		return a.Name
	}
	return "at " + a.Request
}

// take files what modules said, and gives their codes as a list.
func (d *codesDocument) take(r *service.Report) []rules.Code {
	var codes []rules.Code
	for _, m := range r.Modules {
		at := addressOf(m.Target)
		out := codesModule{codesAddress: at, Answered: m.Answered, Refused: m.Refused, Problems: m.Problems}
		if m.VIN != "" {
			sum := sha256.Sum256([]byte(m.VIN))
			out.VIN = hex.EncodeToString(sum[:])
		}
		for _, f := range m.Identification {
			if out.Identification == nil {
				out.Identification = map[string]string{}
			}
			out.Identification[f.Name] = f.Value
		}
		d.Modules = append(d.Modules, out)
		for _, c := range m.Codes {
			text := string(c.Kind)
			if c.HasStatus {
				text = c.Status.String()
			}
			codes = append(codes, rules.Code{Module: at.label(), Code: c.Code, Text: text})
		}
	}
	for _, t := range r.Silent {
		d.Silent = append(d.Silent, addressOf(t))
	}
	return codes
}

// fill adds the codes with what a setting makes of them, and what changed.
func (d *codesDocument) fill(codes, before []rules.Code, compare bool, s *profiles.Setting) {
	explain := func(list []rules.Code) []codeEntry {
		entries := []codeEntry{}
		for _, c := range list {
			e := rules.Explain(c, s)
			entry := codeEntry{Module: c.Module, Code: c.Code, Text: c.Text, Means: e.Means, Missed: e.Missed, Listener: e.Listener}
			for _, w := range e.Awaits {
				entry.Awaits = append(entry.Awaits, awaitedJSON{
					w.Message, w.ID.String(), w.Bus, w.Cycle.Milliseconds(), w.Timeout.Milliseconds(), w.Substitute,
				})
			}
			entries = append(entries, entry)
		}
		return entries
	}
	if s != nil {
		d.Setting = s.Name
	}
	d.Codes = explain(codes)
	if compare {
		c := rules.CompareCodes(before, codes)
		d.Change = &codesChange{explain(c.New), explain(c.Gone), explain(c.Stayed)}
	}
}

// writeCodes prints the document for people.
func writeCodes(w io.Writer, d *codesDocument) {
	for _, m := range d.Modules {
		fmt.Fprintf(w, "%s (%s, answers on %s)\n", plain(m.label()), m.Request, m.Answer)
		for _, name := range []string{"spare part number", "software version", "system name"} {
			if v := m.Identification[name]; v != "" {
				fmt.Fprintf(w, "  %s: %s\n", name, plain(v))
			}
		}
		for _, r := range m.Refused {
			writeLine(w, "  refuses "+r, 4)
		}
		for _, p := range m.Problems {
			writeLine(w, "  not understood: "+p, 4)
		}
	}
	for _, s := range d.Silent {
		fmt.Fprintf(w, "%s (%s) does not answer\n", plain(s.label()), s.Request)
	}
	if len(d.Modules)+len(d.Silent) > 0 {
		fmt.Fprintln(w, "\nServices 03, 07 and 0A cover emission modules only: silence there proves nothing.")
		fmt.Fprintln(w)
	}
	if d.Change == nil {
		writeCodeList(w, plural(len(d.Codes), "trouble code"), d.Codes)
		return
	}
	writeCodeList(w, "new", d.Change.New)
	writeCodeList(w, "still there", d.Change.Stayed)
	writeCodeList(w, "gone", d.Change.Gone)
}

// writeCodeList prints codes with what they mean, below a title.
func writeCodeList(w io.Writer, title string, codes []codeEntry) {
	if len(codes) == 0 {
		fmt.Fprintf(w, "%s: none\n", title)
		return
	}
	fmt.Fprintf(w, "%s\n", title)
	for _, c := range codes {
		writeLine(w, "  "+strings.TrimSpace(fmt.Sprintf("%s  %s  %s", c.Code, c.Module, c.Text)), 10)
		if c.Means != "" {
			writeLine(w, "      "+c.Means, 6)
		}
		for _, a := range c.Awaits {
			writeLine(w, "      "+a.describe(), 8)
		}
	}
}

// describe says what a unit waits for, and what it does without it.
func (a awaitedJSON) describe() string {
	ms := func(n int64) string { return (time.Duration(n) * time.Millisecond).String() }
	s := fmt.Sprintf("%s %s on %s", a.ID, a.Message, a.Bus)
	if a.CycleMS > 0 {
		s += ", every " + ms(a.CycleMS)
	}
	if a.TimeoutMS > 0 {
		s += ", missed after " + ms(a.TimeoutMS)
	}
	if a.Substitute != "" {
		s += ": then " + a.Substitute
	}
	return s
}
