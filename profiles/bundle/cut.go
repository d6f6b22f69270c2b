package bundle

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"maps"
	"path"
	"slices"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/job"
	"plugproof/profiles/rules"
	"plugproof/profiles/stages"
)

// captures writes the captures of the job, cut and masked. Each is read once to
// find the numbers that modules tell and where the findings are, and once for
// every cut: memory holds one cut at a time.
func (b *builder) captures() error {
	if b.opts.Setting == nil {
		b.leaveOut("the captures: what is secret in them follows from the profile, and the job names no network setting")
		return nil
	}
	sources, err := b.sources()
	if err != nil {
		return err
	}
	// Numbers that any capture tells are masked in all.
	extents := map[*source]stretch{}
	for _, s := range sources {
		extent, err := b.look(s)
		switch {
		case b.ctx.Err() != nil:
			return err
		case err != nil:
			b.leaveOut("the capture of %s: %v", s.entry.Moment, err)
			continue
		}
		extents[s] = extent
	}
	for _, s := range sources {
		if extent, ok := extents[s]; ok {
			if err := b.capture(s, extent); err != nil {
				return err
			}
		}
	}
	return nil
}

// readAll reads a capture of the job to its end; each is called for every frame,
// which it may change.
func (b *builder) readAll(s *source, each func(*can.Frame, *can.Buses) error) error {
	r, err := capture.Open([]string{b.job.Path(s.entry.File)}, capture.Options{Workers: 1})
	if err != nil {
		return err
	}
	defer r.Close()
	frames := make([]can.Frame, 512)
	for {
		n, err := r.Read(b.ctx, frames)
		for i := range frames[:n] {
			if err := each(&frames[i], r.Buses()); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// look reads a capture for the first time, and returns its extent.
func (b *builder) look(s *source) (extent stretch, err error) {
	some := false
	err = b.readAll(s, func(f *can.Frame, _ *can.Buses) error {
		b.hidden.finder.Look(f)
		for _, i := range s.records[f.Record] {
			s.findings[i].at, s.findings[i].hasAt = f.Time, true
		}
		if !some {
			extent, some = stretch{f.Time, f.Time}, true
		}
		extent.from, extent.to = min(extent.from, f.Time), max(extent.to, f.Time)
		return nil
	})
	if err == nil && !some {
		err = errors.New("it holds no frame")
	}
	return extent, err
}

// capture writes what lies around the findings of a capture.
func (b *builder) capture(s *source, extent stretch) error {
	c := Capture{Moment: s.entry.Moment, SHA256: s.entry.SHA256, Cuts: []Cut{}, Findings: []Finding{}}
	list := s.stretches(extent)
	if len(list) == 0 && s.filed.Interfaces != nil {
		b.leaveOut("the capture of %s: nothing was found in it", s.entry.Moment)
	}
	masked := map[Masked]uint64{}
	for i, st := range list {
		cut := Cut{
			File: s.cutName(i, len(list)), Whole: s.whole, stretch: st,
			FromS: float64(st.from-extent.from) / 1e9, ToS: float64(st.to-extent.from) / 1e9,
		}
		if err := b.cut(s, &cut, masked); err != nil {
			return err
		}
		c.Cuts = append(c.Cuts, cut)
	}
	for _, f := range s.findings {
		for i := range c.Cuts {
			if at := c.Cuts[i].stretch; f.hasAt && f.at >= at.from && f.at <= at.to {
				f.Cut = c.Cuts[i].File
			}
		}
		c.Findings = append(c.Findings, f)
	}
	b.manifest.Captures = append(b.manifest.Captures, c)
	for _, m := range slices.SortedFunc(maps.Keys(masked), compareMasked) {
		m.Frames = masked[m]
		b.manifest.Masked = append(b.manifest.Masked, m)
	}
	return nil
}

func compareMasked(a, b Masked) int {
	return cmp.Or(cmp.Compare(a.Bus, b.Bus), cmp.Compare(a.ID, b.ID), cmp.Compare(a.Why, b.Why))
}

// cut writes one cut with the stages beside it, and sees which findings it shows.
func (b *builder) cut(s *source, c *Cut, masked map[Masked]uint64) error {
	if c.Whole {
		err := b.stream(c.File, func(w io.Writer) error { return b.copy(s, c, masked, w) })
		if err != nil {
			return err
		}
		return b.mark(s, c)
	}
	var log bytes.Buffer
	if err := b.copy(s, c, masked, &log); err != nil {
		return err
	}
	if err := b.recheck(s, c, log.Bytes()); err != nil {
		return err
	}
	if err := b.file(c.File, log.Bytes()); err != nil {
		return err
	}
	return b.mark(s, c)
}

// mark writes the stages of a cut as the check found them.
func (b *builder) mark(s *source, c *Cut) error {
	spans := s.stages(c.stretch)
	if len(spans) == 0 {
		return nil
	}
	return b.file(c.File+".stages.yaml", stages.Format(path.Base(c.File), spans))
}

// copy writes the frames of a stretch as a candump log, masked.
func (b *builder) copy(s *source, c *Cut, masked map[Masked]uint64, w io.Writer) error {
	var out *capture.Writer
	hides := b.hidden.finder.Mask()
	err := b.readAll(s, func(f *can.Frame, buses *can.Buses) error {
		if out == nil {
			var err error
			if out, err = capture.NewWriter(w, buses, capture.WriterOptions{}); err != nil {
				return err
			}
		}
		why := b.hidden.mask(hides, f)
		if f.Time < c.stretch.from || f.Time > c.stretch.to {
			return nil
		}
		if why != "" {
			id := profiles.ID{Value: f.ID, Extended: f.Is(can.Extended)}
			masked[Masked{Capture: s.entry.Moment, Bus: buses.Name(f.Bus), ID: id.String(), Why: string(why)}]++
			c.Masked++
		}
		c.Frames++
		return out.Write([]can.Frame{*f})
	})
	if err == nil && out != nil {
		err = out.Close()
	}
	return err
}

// recheck judges a cut as its capture was judged, but without the baseline and
// what a person saw, and notes which of its findings it shows.
func (b *builder) recheck(s *source, c *Cut, log []byte) error {
	if len(s.filed.Interfaces) == 0 {
		return nil
	}
	r, err := capture.Open([]string{"-"}, capture.Options{Stdin: bytes.NewReader(log), Workers: 1})
	if err != nil {
		return err
	}
	defer r.Close()
	rec := check.Recording{Reader: r, Interfaces: s.interfaces()}
	if spans := s.stages(c.stretch); len(spans) > 0 {
		rec.Marked = []check.Marked{{Capture: "-", File: c.File + ".stages.yaml", Spans: spans}}
	}
	out, err := check.Run(b.ctx, &check.Input{
		Setting: b.opts.Setting, Library: b.opts.Library, Capture: rec, Scope: scopeOf(&s.entry),
	})
	if err != nil {
		return fmt.Errorf("%s: the cut cannot be judged: %w", c.File, err)
	}
	for i := range s.findings {
		f := &s.findings[i]
		if f.Of != "check" || f.at < c.stretch.from || f.at > c.stretch.to {
			continue
		}
		shows := slices.ContainsFunc(out.Findings, func(g rules.Finding) bool {
			return g.Rule == f.Rule && g.Message == f.Message && g.Signal == f.Signal && g.Bus == f.Bus
		})
		f.Shows = &shows
	}
	return nil
}

// scopeOf is where a capture was taken.
func scopeOf(e *job.Entry) rules.Scope { return cmp.Or(rules.Scope(e.Scope), e.Moment.Scope()) }
