package learn

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"plugproof/decode/capture"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
	"plugproof/profiles/rules"
	"plugproof/profiles/stages"
)

// Unfit is the error of a capture that nothing may be learned from: its own
// faults would be taken for those of the car.
type Unfit struct {
	Findings []rules.Finding // of the capture group
}

// Error says which capture rules fail, where, and what to do.
func (u *Unfit) Error() string {
	var parts []string
	for i := range u.Findings {
		f := &u.Findings[i]
		text := f.Rule + ": " + f.Text
		if f.Example != nil {
			text += fmt.Sprintf(" (%s:%d)", f.Example.File, f.Example.Record)
		}
		parts = append(parts, text)
	}
	return "the capture is not fit to learn from: " + strings.Join(parts, "; ")
}

// clockRuns refuses captures without the engine computer whose clock jumps: how
// long a message was away cannot be told.
func (s *seen) clockRuns() error {
	for i := range s.buses {
		if b := &s.buses[i]; b.Jumps+b.Backward > 0 {
			return &Unfit{[]rules.Finding{{
				Rule: "capture/clock-jump", Verdict: rules.Review, Bus: b.Name, Count: b.Jumps + b.Backward,
				Text: fmt.Sprintf("the clock jumps %d times on %s", b.Jumps+b.Backward, b.Name),
			}}}
		}
	}
	return nil
}

// mostProofs is how often the captures are read again at most: when what was
// learned fails, once more without it. There are five things to drop: the pace,
// and four kinds of protection.
const mostProofs = 6

// prove reads the captures again, by the drafted profile, and drops from it what
// they contradict.
func (d *draft) prove(ctx context.Context) (*Learned, error) {
	if len(d.opts.Stages) > 0 {
		d.askForRanges()
	}
	for range mostProofs {
		l, err := d.load()
		if err != nil {
			return nil, err
		}
		if err := d.gather(ctx, l); err != nil {
			return nil, err
		}
		agreed, err := d.compare(l)
		if err != nil {
			return nil, err
		}
		if agreed {
			d.describePages(l.Evidence)
			d.describeRanges(l.Evidence)
			final, err := d.load()
			if err != nil {
				return nil, err
			}
			final.Evidence, final.Captures = l.Evidence, l.Captures
			final.Evidence.Under(final.Setting)
			return final, nil
		}
	}
	return nil, fmt.Errorf("internal error: what was learned does not hold after %d readings", mostProofs)
}

// gather collects the evidence of the captures by the setting of l.
func (d *draft) gather(ctx context.Context, l *Learned) error {
	r, err := capture.Open(d.opts.Captures, capture.Options{Hash: true, Workers: d.opts.Workers, Columns: d.opts.Columns})
	if err != nil {
		return err
	}
	defer r.Close()
	if d.opts.Opened != nil {
		d.opts.Opened(r)
	}
	plan, err := evidence.NewPlan(evidence.Options{Setting: l.Setting, Buses: r.Buses()})
	if err != nil {
		return fmt.Errorf("internal error: %w", err)
	}
	c, err := capture.Fold(ctx, r, plan.Stretches())
	if err != nil {
		return err
	}
	l.Evidence, l.Captures = c.Evidence(), r.Reports()
	for i, rep := range l.Captures {
		if rep.SHA256 != d.seen.reports[i].SHA256 {
			return fmt.Errorf("%s changed while it was read", rep.Path)
		}
	}
	return nil
}

// compare holds the draft against the evidence, and reports whether nothing had to
// be dropped.
func (d *draft) compare(l *Learned) (agreed bool, err error) {
	c := &rules.Case{
		Setting: l.Setting, Evidence: l.Evidence, Scope: rules.Car, ErrorsRecorded: true,
		Reports: l.Captures, Files: paths(l.Captures),
	}
	unfit := &Unfit{}
	agreed = true
	for _, f := range rules.Recording(c) {
		switch f.Rule {
		case "capture/clumped-stamps":
			agreed = d.clump(&f) && agreed
		case "capture/clock-jump", "capture/frames-lost", "capture/recording-paused":
			if !d.opts.WithoutTiming {
				unfit.Findings = append(unfit.Findings, f)
			}
		case "capture/own-frames":
			unfit.Findings = append(unfit.Findings, f)
		}
	}
	if len(unfit.Findings) > 0 {
		return false, unfit
	}
	for _, e := range d.entries {
		var faults guard.Faults
		for fault := range l.Evidence.Messages[e.name].Faults {
			faults |= fault
		}
		agreed = !e.forget(faults) && agreed
	}
	return agreed, nil
}

// paths lists the names of captures by can.Frame.File.
func paths(reports []capture.FileReport) (names []string) {
	for _, rep := range reports {
		names = append(names, rep.Path)
	}
	return names
}

// clump drops the cycles that stamps in bursts leave uncertain: those whose own
// gaps differ by more than what a message is allowed. A message whose gaps agree
// shows by that how little the bursts matter to it. It reports whether none had
// to be dropped.
func (d *draft) clump(f *rules.Finding) bool {
	if d.clumped {
		return true
	}
	d.clumped = true
	d.remarks = append(d.remarks, f.Text+"; a cycle was learned only where the gaps agree within 10 %")
	none := true
	for _, e := range d.entries {
		g := e.seen.Gaps
		if e.message.Kind == "" || g == nil || g.P95MS-g.P50MS <= profiles.DefaultTolerance*g.P50MS {
			continue
		}
		e.message.Kind, e.message.Cycle = "", 0
		delete(e.notes, "kind")
		delete(e.notes, "cycle")
		e.about = append(e.about, fmt.Sprintf("half of its gaps up to %s, 95 %% up to %s: with stamps in bursts its pace cannot be told", ms(g.P50MS), ms(g.P95MS)))
		none = false
	}
	return none
}

// describePages takes over the pages that a multiplexer goes through. One that
// came in less than a twentieth of the frames may be a slip.
func (d *draft) describePages(ev *evidence.Evidence) {
	for _, e := range d.entries {
		m := ev.Messages[e.name]
		if e.def == nil || m.Seen() < minGaps {
			continue
		}
		i := slices.IndexFunc(e.def.Signals, func(sig *dbc.Signal) bool { return sig.Multiplexer })
		if i < 0 {
			continue
		}
		var pages []uint64
		for page, n := range m.Pages {
			if n*20 > m.Seen() {
				pages = append(pages, page)
			}
		}
		if slices.Sort(pages); len(pages) > 1 {
			e.message.Pages = &profiles.Pages{Signal: e.def.Signals[i].Name, Values: pages}
		}
	}
}

// askForRanges makes the evidence follow every signal closely enough to tell its
// range in a stage.
func (d *draft) askForRanges() {
	for _, e := range d.entries {
		if e.def == nil {
			continue
		}
		e.message.Signals = map[string]*profiles.Signal{}
		for _, sig := range e.def.Signals {
			if sig.Length <= 64 && !sig.Multiplexer {
				e.message.Signals[sig.Name] = &profiles.Signal{}
			}
		}
	}
}

// describeRanges takes over the range of each signal that moved, stage by stage.
// Signals that did not move are among the bits that stood.
func (d *draft) describeRanges(ev *evidence.Evidence) {
	for _, e := range d.entries {
		for name, own := range e.message.Signals {
			s := ev.Messages[e.name].Signals[name]
			if s == nil || s.Span() == 0 || rules.NamesNumber(e.def.Name, s.Def) {
				delete(e.message.Signals, name)
				continue
			}
			own.Ranges = ranges(s, d.opts.Stages)
			if len(own.Ranges) == 0 {
				delete(e.message.Signals, name)
			}
		}
	}
}

// ranges returns least and greatest value of a signal by stage, over the stretches
// of its track that lie within.
func ranges(s *evidence.Signal, spans stages.Spans) map[string]*profiles.Range {
	out := map[string]*profiles.Range{}
	buckets := s.Track.Buckets()
	for _, span := range spans {
		for i := range buckets {
			b := &buckets[i]
			if b.FirstTime < span.Start || b.LastTime > span.End {
				continue
			}
			if r := out[span.Stage]; r == nil {
				out[span.Stage] = &profiles.Range{From: b.Min, To: b.Max}
			} else {
				r.From, r.To = min(r.From, b.Min), max(r.To, b.Max)
			}
		}
	}
	return out
}
