// Package check runs a whole check: it reads captures once against a setting,
// finds out which stages they hold, and has the rules judge what was seen. What
// it returns needs only to be printed.
//
// It is a package of its own because commands that judge one capture and those
// that judge many do the same, and the rules are to know nothing of files.
package check

import (
	"context"
	"fmt"
	"strings"
	"sync"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
	"plugproof/profiles/learn"
	"plugproof/profiles/rules"
	"plugproof/profiles/stages"
)

// Recording is captures that belong together, and what is known of them.
type Recording struct {
	Reader     *capture.Reader
	Learned    *learn.Learned // what the setting was learned from, read already; then there is no Reader
	Interfaces []Interface    // see MatchBuses
	Stage      string         // the whole is this stage; "": see Marked
	Marked     []Marked       // stages files; what they leave open is recognised
}

// Marked is the stages file of one capture.
type Marked struct {
	Capture string // path, as the Reader was given it
	File    string
	Spans   stages.Spans
}

// Input of Run.
type Input struct {
	Setting  *profiles.Setting
	Library  *profiles.Library          // where the replaced unit's other settings are looked up; nil: nowhere
	Others   func() []*profiles.Setting // those settings, where several runs share them; nil: loaded when asked for
	Capture  Recording
	Baseline *Recording // of the same car in good order; nil: none

	Scope          rules.Scope
	Seen           rules.Observed
	ErrorsRecorded bool     // error frames would have been recorded
	Played         bool     // see rules.Case
	NoWire         bool     // see rules.Case
	Functions      []string // asked for; empty: those of the stages in the capture
	Series         bool     // keep what a drawn report shows: Output.Evidence
}

// Output of Run.
type Output struct {
	*rules.Result
	Setting    *profiles.Setting
	Scope      rules.Scope
	Interfaces []Interface // sorted by name
	Frames     uint64
	Start, End int64 // ns, on the capture's clock
	Captures   []capture.FileReport
	Baseline   []capture.FileReport // empty: none
	Seen       rules.Observed
	Evidence   *evidence.Evidence // nil without Input.Series
}

// Run reads the captures to their end and judges them. The error is that of
// reading, or says which option does not fit; damage in a capture is a finding.
func Run(ctx context.Context, in *Input) (*Output, error) {
	if err := known(in); err != nil {
		return nil, err
	}
	now, err := in.Capture.gather(ctx, in.Setting, in.Series)
	if err != nil {
		return nil, err
	}
	c := &rules.Case{
		Learned: in.Library == nil && in.Baseline != nil,
		Setting: in.Setting, Evidence: now.evidence, Stages: now.stages,
		Scope: in.Scope, Seen: in.Seen, ErrorsRecorded: in.ErrorsRecorded,
		Played: in.Played, NoWire: in.NoWire,
		Reports: in.Capture.Reader.Reports(), Buses: in.Capture.Reader.Buses().Name,
	}
	for i := range c.Reports {
		c.Files = append(c.Files, c.Reports[i].Path)
	}
	out := &Output{
		Setting: in.Setting, Scope: in.Scope, Interfaces: now.interfaces, Frames: now.evidence.Frames,
		Start: now.evidence.Start, End: now.evidence.End, Captures: c.Reports, Seen: in.Seen,
	}
	if in.Series {
		out.Evidence = now.evidence
	}
	if in.Baseline != nil {
		was, err := in.Baseline.gather(ctx, in.Setting, false)
		if err != nil {
			return nil, fmt.Errorf("baseline: %w", err)
		}
		c.Baseline, c.BaselineStages = was.evidence, was.stages
		c.BaselineReports = in.Baseline.reports()
		out.Baseline = c.BaselineReports
	}
	if in.Library != nil {
		if c.Settings = in.Others; c.Settings == nil {
			c.Settings = Others(in.Library)
		}
	}
	out.Result = rules.Judge(c, in.Functions)
	return out, nil
}

// known refuses functions that the setting does not have and symptoms that mean
// nothing.
func known(in *Input) error {
	for _, name := range in.Functions {
		if in.Setting.Functions[name] == nil {
			return &FunctionError{Name: name, Setting: in.Setting.Name, Have: functionNames(in.Setting)}
		}
	}
	for _, text := range in.Seen.Texts() {
		if _, _, err := rules.FindSymptom(text, in.Setting); err != nil {
			return err
		}
	}
	return nil
}

// FunctionError says that a setting has no function of a name.
type FunctionError struct {
	Name, Setting string
	Have          []string
}

func (e *FunctionError) Error() string {
	return fmt.Sprintf("%s has no function %q: there are %s", e.Setting, e.Name, strings.Join(e.Have, ", "))
}

// gathered is what one Recording holds.
type gathered struct {
	evidence   *evidence.Evidence
	stages     stages.Spans
	interfaces []Interface
}

// reports says what was found in the captures that were read.
func (rec *Recording) reports() []capture.FileReport {
	if rec.Learned != nil {
		return rec.Learned.Captures
	}
	return rec.Reader.Reports()
}

func (rec *Recording) gather(ctx context.Context, s *profiles.Setting, series bool) (*gathered, error) {
	ev, err := rec.read(ctx, s, series)
	if err != nil {
		return nil, err
	}
	if err := inOrder(rec.reports()); err != nil {
		return nil, err
	}
	g := &gathered{evidence: ev}
	if g.interfaces, err = rec.heard(s, ev); err != nil {
		return nil, err
	}
	g.stages, err = rec.stages(ev)
	return g, err
}

// read reads the captures, unless that was done to learn from them.
func (rec *Recording) read(ctx context.Context, s *profiles.Setting, series bool) (*evidence.Evidence, error) {
	if rec.Learned != nil {
		return rec.Learned.Evidence, nil
	}
	plan, err := evidence.NewPlan(evidence.Options{
		Setting: s, Buses: rec.Reader.Buses(), Map: busMap(rec.Interfaces), Series: series,
	})
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.Name, err)
	}
	collected, err := capture.Fold(ctx, rec.Reader, plan.Stretches())
	if err != nil {
		return nil, err
	}
	return collected.Evidence(), nil
}

// Others returns the settings of a library, loaded when they are first asked for.
func Others(lib *profiles.Library) func() []*profiles.Setting {
	return sync.OnceValue(func() []*profiles.Setting { return settingsOf(lib) })
}

// settingsOf returns the settings of a library. A file that cannot be loaded is
// somebody else's business here.
func settingsOf(lib *profiles.Library) (list []*profiles.Setting) {
	for _, name := range lib.Files() {
		if s, err := lib.Load(name); err == nil && !s.Part {
			list = append(list, s)
		}
	}
	return list
}
