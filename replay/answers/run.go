package answers

import (
	"context"
	"errors"
	"io"
	"slices"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/rules"
)

// Input of Run.
type Input struct {
	Setting *profiles.Setting
	Library *profiles.Library // nil: none
	Capture string            // what was on the bus while something was played, ours included
	Buses   map[string]string // interface of the capture: bus of the setting; found out where it is left out
	Expect  *Expectations     // nil: none; the rules judge alone
	Begin   int64             // when the first frame was played, ns on the capture's clock
	Virtual bool              // it was recorded from virtual interfaces only
	Played  []string          // names of the messages that were played
}

// Outcome is what the listeners answered.
type Outcome struct {
	Check    *check.Output   // by the rules: what they say of themselves, and how their frames are
	Expected []rules.Finding // one for each expectation, in their order; rules.Pass where it is met
	Verdict  rules.Verdict   // of both
	Open     []string        // functions of the units that answered, fed by what was played, that could not be judged
}

// Run judges a recording by the rules, as of a listener alone on a bench, and by
// the expectations.
func Run(ctx context.Context, in *Input) (*Outcome, error) {
	paths := []string{in.Capture}
	r, err := capture.Open(paths, capture.Options{Hash: true})
	if err != nil {
		return nil, err
	}
	defer r.Close()
	interfaces, err := check.MatchBuses(ctx, paths, nil, in.Setting, in.Buses)
	if err != nil {
		return nil, err
	}
	out := &Outcome{}
	out.Check, err = check.Run(ctx, &check.Input{
		Setting: in.Setting, Library: in.Library, Scope: rules.ListenerOnBench, ErrorsRecorded: true, Series: true,
		Played: true, NoWire: in.Virtual,
		Capture: check.Recording{Reader: r, Interfaces: interfaces},
	})
	if err != nil {
		return nil, err
	}
	if out.Expected, err = in.expected(ctx, interfaces); err != nil {
		return nil, err
	}
	out.Open = in.open(out.Check)
	out.Verdict = out.Check.Verdict
	for i := range out.Expected {
		out.Verdict = max(out.Verdict, out.Expected[i].Verdict)
	}
	return out, nil
}

// expected judges the expectations.
func (in *Input) expected(ctx context.Context, interfaces []check.Interface) ([]rules.Finding, error) {
	if in.Expect == nil {
		return nil, nil
	}
	r, err := capture.Open([]string{in.Capture}, capture.Options{})
	if err != nil {
		return nil, err
	}
	defer r.Close()
	var j *Judge
	buses := 0
	batch := make([]can.Frame, 512)
	for {
		n, err := r.Read(ctx, batch)
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, err
		}
		if all := r.Buses().All(); j == nil || len(all) > buses {
			buses = len(all)
			j = j.widened(in, busNames(all, interfaces))
		}
		for i := range batch[:n] {
			j.Add(&batch[i])
		}
		if err != nil {
			break
		}
	}
	quote := func(f *can.Frame) *rules.Example { return rules.Quote(f, []string{in.Capture}, r.Buses().Name) }
	return j.Findings(quote), nil
}

// widened returns the judge for more buses: a capture names them as they come.
func (j *Judge) widened(in *Input, buses []string) *Judge {
	if j == nil {
		return New(in.Setting, in.Expect, buses, in.Begin)
	}
	wider := New(in.Setting, in.Expect, buses, in.Begin)
	j.routes = wider.routes
	return j
}

// busNames returns the bus of the setting for each interface; "": none.
func busNames(all []can.Bus, interfaces []check.Interface) []string {
	names := make([]string, len(all))
	for i := range all {
		at := slices.IndexFunc(interfaces, func(in check.Interface) bool { return in.Name == all[i].Name })
		if at >= 0 {
			names[i] = interfaces[at].Bus
		}
	}
	return names
}

// open lists the functions that were asked for and could not be judged, of those
// that this bench can show: their message was played, and the unit that they end
// at was there.
func (in *Input) open(out *check.Output) (names []string) {
	present := map[string]bool{}
	for name, m := range out.Evidence.Messages {
		if m.Seen() > 0 && !slices.Contains(in.Played, name) {
			present[m.Facts.Sender] = true
		}
	}
	for _, name := range out.Unjudged() {
		f := in.Setting.Functions[name]
		message, _ := f.Chain[0].Split()
		if present[f.Ends] && slices.Contains(in.Played, message) {
			names = append(names, name)
		}
	}
	return names
}

// Unjudged reports whether something that was asked for could not be judged.
func (o *Outcome) Unjudged() bool {
	return len(o.Open) > 0 ||
		slices.ContainsFunc(o.Expected, func(f rules.Finding) bool { return f.Verdict == rules.NotTestable })
}

// Report returns the judged result with the expectations that are not met among
// its findings, first of all: what was expected is what was asked for.
func (o *Outcome) Report() *check.Output {
	out, result := *o.Check, *o.Check.Result
	result.Verdict = o.Verdict
	var failed, open []rules.Finding
	for _, f := range o.Expected {
		switch f.Verdict {
		case rules.Fail, rules.Review:
			failed = append(failed, f)
		case rules.NotTestable:
			open = append(open, f)
		}
	}
	result.Findings = append(failed, result.Findings...)
	result.NotTestable = append(open, result.NotTestable...)
	out.Result = &result
	return &out
}
