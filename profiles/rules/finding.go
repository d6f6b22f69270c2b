// Package rules judges what a capture shows of a setting. Every rule is a value
// with a name in words, what it needs, and a judge; a finding carries what the
// technician needs to believe it and what to do next.
package rules

import (
	"fmt"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// Verdict of a rule, a function, or a whole check.
type Verdict uint8

// The verdicts, least serious first. NotTestable is never counted as Pass.
const (
	Pass Verdict = iota
	NotTestable
	Review
	Fail
)

var verdictWords = [...]string{"pass", "not testable", "review", "fail"}

// String gives the verdict in words.
func (v Verdict) String() string { return verdictWords[v] }

// MarshalText gives the verdict in words.
func (v Verdict) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// UnmarshalText reads the verdict in words.
func (v *Verdict) UnmarshalText(text []byte) error {
	for i, word := range verdictWords {
		if word == string(text) {
			*v = Verdict(i)
			return nil
		}
	}
	return fmt.Errorf("no verdict %q", text)
}

// Quantity is a figure with its unit: ms, %, frames, km/h.
type Quantity struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

// Example is one frame as it stands in the capture.
type Example struct {
	File   string `json:"file"`
	Offset int64  `json:"offset"` // bytes into the decompressed capture
	Record uint32 `json:"record"` // 1-based; for text the line
	Raw    string `json:"raw"`    // the frame as a candump log line
}

// Finding is what a rule found. Verdict is Review, Fail or NotTestable.
type Finding struct {
	Rule      string // "message/absent"
	Verdict   Verdict
	Text      string // what is wrong, in one plain sentence with the figures
	Function  string // the function it hurts most; "" when none hangs on it
	Functions []string
	Message   string
	Signal    string
	ID        profiles.ID
	HasID     bool
	Bus       string
	Stage     string // that is missing
	Sender    string
	Listener  string
	FirstTime int64 // ns on the capture's clock
	HasTime   bool
	Count     uint64
	Measured  *Quantity
	Limit     *Quantity
	LimitFrom string   // the profile with file:line, "baseline", or "common practice"
	Example   *Example // nil where the finding is an absence
	NextStep  string
	Code      *Explained // the trouble code that it is about; nil: none
}

// at puts the place of an event on a finding.
func (f Finding) at(c *Case, e *evidence.Event) Finding {
	f.FirstTime, f.HasTime = e.Frame.Time, true
	f.Example = c.example(&e.Frame)
	return f
}

// events puts count and place of a list of events on a finding.
func (f Finding) events(c *Case, e *evidence.Events) Finding {
	f.Count = e.Count
	if len(e.First) == 0 {
		return f
	}
	return f.at(c, &e.First[0])
}

// measured puts a figure, its limit and where the limit comes from on a finding.
func (f Finding) measured(value, limit float64, unit, from string) Finding {
	f.Measured, f.Limit, f.LimitFrom = &Quantity{value, unit}, &Quantity{limit, unit}, from
	return f
}

// example quotes a frame as it stands in the capture.
func (c *Case) example(f *can.Frame) *Example {
	e := Quote(f, c.Files, c.Buses)
	if c.secrets == nil {
		c.secrets = SecretsOf(c.Setting)
	}
	if c.secrets.Hold(f) {
		e.Raw = Hide(e.Raw)
	}
	return e
}

// Quote returns a frame as it stands in the capture. files are the names of the
// captures by can.Frame.File, buses names the interfaces; it may be nil.
func Quote(f *can.Frame, files []string, buses func(bus uint16) string) *Example {
	e := &Example{Offset: f.Offset, Record: f.Record}
	if int(f.File) < len(files) {
		e.File = files[f.File]
	}
	bus := "?"
	if buses != nil {
		bus = buses(f.Bus)
	}
	e.Raw = string(capture.AppendLogLine(nil, f, bus))
	return e
}

// Where limits come from when no profile and no baseline states them.
const (
	CommonPractice = "common practice"
	FromBaseline   = "baseline"
)

// inMS is a time in ms for a figure.
func inMS[T ~int64](ns T) float64 { return float64(ns) / 1e6 }
