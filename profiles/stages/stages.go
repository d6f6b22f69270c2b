// Package stages says which part of the capture script a stretch of a capture
// is: as marked beside the capture, as the user says, or as recognised by the
// rules of the profile.
package stages

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"

	"plugproof/decode/dbc"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
)

// Source says how a span came to its name.
type Source string

// The sources.
const (
	Marked     Source = "marked"     // in the file beside the capture
	Stated     Source = "stated"     // by the user, for the whole capture
	Recognised Source = "recognised" // by the profile's rules
)

// Span is one stretch of a capture. Times are ns on the capture's clock.
type Span struct {
	Stage      string
	Start, End int64
	Source     Source
	RestsOn    []string // messages by which it was recognised, sorted
}

// Spans are stretches in order of their start.
type Spans []Span

// Has reports whether any span is of the stage.
func (s Spans) Has(stage string) bool {
	return slices.ContainsFunc(s, func(span Span) bool { return span.Stage == stage })
}

// Of returns the spans of the given stages that do not rest on the message: no
// frame may decide by itself where it is judged.
func (s Spans) Of(message string, stages ...string) Spans {
	var out Spans
	for _, span := range s {
		if slices.Contains(stages, span.Stage) && !slices.Contains(span.RestsOn, message) {
			out = append(out, span)
		}
	}
	return out
}

// Whole returns the capture as one span of the stage that the user states.
func Whole(stage string, ev *evidence.Evidence) (Spans, error) {
	if !slices.Contains(profiles.StageNames(), stage) {
		return nil, fmt.Errorf("no stage %q: one of %s", stage, strings.Join(profiles.StageNames(), ", "))
	}
	return Spans{{Stage: stage, Start: ev.Start, End: ev.End, Source: Stated}}, nil
}

// markers is the content of a stages file.
type markers struct {
	Format int      `yaml:"format"`
	Stages []marker `yaml:"stages"`
}

type marker struct {
	Name  string `yaml:"name"`
	Start stamp  `yaml:"start"` // seconds as the capture's stamps
	End   stamp  `yaml:"end"`
}

// stamp is a time in ns, written in seconds with up to nine digits.
type stamp int64

// UnmarshalYAML reads seconds without the loss of a floating-point number.
func (s *stamp) UnmarshalYAML(node ast.Node) error {
	text := node.GetToken().Value
	whole, fraction, _ := strings.Cut(text, ".")
	sec, err1 := strconv.ParseInt(whole, 10, 64)
	ns, err2 := strconv.ParseInt((fraction + "000000000")[:9], 10, 64)
	if err1 != nil || err2 != nil || len(fraction) > 9 || sec < 0 || sec > 1<<33 || ns < 0 {
		return &yaml.SyntaxError{Message: fmt.Sprintf("%q is no time stamp: write seconds as in the capture", text), Token: node.GetToken()}
	}
	*s = stamp(sec*1e9 + ns)
	return nil
}

// maxFile bounds a stages file.
const maxFile = 1 << 20

// Parse reads a stages file. The error says where, as profiles.Problems do.
func Parse(file string, src []byte) (Spans, error) {
	fault := func(line, col int, text string) error {
		return profiles.Problems{{Diagnostic: dbc.Diagnostic{
			Pos: dbc.Position{File: file, Line: line, Col: col}, Severity: dbc.Error, Rule: "stages/file", Text: text,
		}}}
	}
	if len(src) > maxFile {
		return nil, fault(1, 1, "larger than any stages file")
	}
	var m markers
	if err := yaml.UnmarshalWithOptions(src, &m, yaml.Strict()); err != nil {
		if at, ok := errors.AsType[yaml.Error](err); ok && at.GetToken() != nil {
			return nil, fault(at.GetToken().Position.Line, at.GetToken().Position.Column, at.GetMessage())
		}
		return nil, fault(1, 1, err.Error())
	}
	if m.Format != profiles.FormatVersion {
		return nil, fault(1, 1, fmt.Sprintf("format %d; this plugproof reads %d", m.Format, profiles.FormatVersion))
	}
	var spans Spans
	for i, stage := range m.Stages {
		switch {
		case !slices.Contains(profiles.StageNames(), stage.Name):
			return nil, fault(1, 1, fmt.Sprintf("entry %d: no stage %q", i+1, stage.Name))
		case stage.End <= stage.Start:
			return nil, fault(1, 1, fmt.Sprintf("entry %d: %s ends before it starts", i+1, stage.Name))
		}
		spans = append(spans, Span{Stage: stage.Name, Start: int64(stage.Start), End: int64(stage.End), Source: Marked})
	}
	slices.SortStableFunc(spans, compare)
	return spans, nil
}

// Format writes spans as the stages file of the named capture: names, begins and
// ends, in seconds as the capture's own stamps. Parse reads it.
func Format(capture string, spans Spans) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "# Stages of the capture script in %s, in seconds as its time stamps.\nformat: 1\nstages:\n", capture)
	for _, s := range spans {
		fmt.Fprintf(&b, "  - {name: %s, start: %s, end: %s}\n", s.Stage, seconds(s.Start), seconds(s.End))
	}
	return []byte(b.String())
}

// seconds writes a time stamp with six digits, as candump does, or nine where
// there are more.
func seconds(ns int64) string {
	if ns%1e3 != 0 {
		return fmt.Sprintf("%d.%09d", ns/1e9, ns%1e9)
	}
	return fmt.Sprintf("%d.%06d", ns/1e9, ns%1e9/1e3)
}

func compare(a, b Span) int {
	return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Stage, b.Stage))
}

// Recognise finds the stages of a capture by the rules of its setting.
func Recognise(ev *evidence.Evidence) Spans {
	var spans Spans
	for _, name := range profiles.StageNames() {
		stage := ev.Setting.Stages[name]
		if stage == nil {
			continue
		}
		conditions := stage.When
		if len(conditions) == 0 || !allSeen(ev, conditions) {
			conditions = stage.Otherwise
		}
		if len(conditions) == 0 || !allSeen(ev, conditions) {
			continue
		}
		lasting := cmp.Or(int64(stage.Lasting), 1e9)
		for _, p := range bridged(holding(ev, conditions), int64(stage.Bridge)) {
			if p.end-p.start >= lasting {
				spans = append(spans, Span{
					Stage: name, Start: p.start, End: p.end, Source: Recognised, RestsOn: restsOn(conditions),
				})
			}
		}
	}
	slices.SortStableFunc(spans, compare)
	return order(spans)
}

// order drops what the order of the stages rules out: a car is asleep before the
// key was ever on, and goes to sleep after.
func order(spans Spans) Spans {
	on := int64(math.MaxInt64)
	for _, span := range spans {
		if span.Stage != "asleep" && span.Stage != "key-off" {
			on = min(on, span.Start)
		}
	}
	return slices.DeleteFunc(spans, func(s Span) bool {
		return s.Stage == "asleep" && s.Start > on || s.Stage == "key-off" && s.Start < on
	})
}

func restsOn(conditions []profiles.Condition) []string {
	var names []string
	for _, c := range conditions {
		message, _ := c.Signal.Split()
		names = append(names, message)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// signalOf returns what the capture shows of a signal, nil when it never came.
func signalOf(ev *evidence.Evidence, ref profiles.SignalRef) *evidence.Signal {
	message, signal := ref.Split()
	m := ev.Messages[message]
	if m == nil || m.Seen() == 0 {
		return nil
	}
	s := m.Signals[signal]
	if s == nil || s.Available == 0 {
		return nil
	}
	return s
}

func allSeen(ev *evidence.Evidence, conditions []profiles.Condition) bool {
	for _, c := range conditions {
		if signalOf(ev, c.Signal) == nil {
			return false
		}
	}
	return true
}
