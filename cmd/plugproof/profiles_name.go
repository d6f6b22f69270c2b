package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/decode/atomicfile"
	"plugproof/decode/capture"
	"plugproof/decode/dbc"
	"plugproof/profiles/check"
	"plugproof/profiles/moved"
)

// nameOptions are the flags of profiles name.
type nameOptions struct {
	resultOptions
	moved   string
	when    []string
	strokes int
	span    string
	unit    string
	at      []string

	write string
	merge bool
	pick  int
	as    string
}

func (o *nameOptions) addFlags(flags *pflag.FlagSet) {
	o.resultOptions.addFlags(flags)
	flags.StringVarP(&o.moved, "moved", "m", "", "`WHAT` was moved: "+alternatives(moved.KindNames()))
	flags.StringArrayVar(&o.when, "when", nil, "it moved `FROM-TO`; may be repeated")
	flags.IntVar(&o.strokes, "strokes", 0, "how `OFTEN` it was moved there and back")
	flags.StringVar(&o.span, "range", "", "its values at rest and at the far end, as `LOW:HIGH`")
	flags.StringVar(&o.unit, "unit", "", "the `UNIT` of these values")
	flags.StringArrayVar(&o.at, "at", nil, "what an instrument showed, as `TIME=VALUE`; may be repeated")
	flags.StringVarP(&o.write, "write", "w", "", "write a proposal to `FILE.dbc`, which must not exist")
	flags.BoolVar(&o.merge, "merge", false, "add it to the file of --write, which must exist")
	flags.IntVar(&o.pick, "pick", 0, "`NUMBER` of the proposal to write; needed where several are tied")
	flags.StringVar(&o.as, "as", "", "`NAME` of the signal to write")
}

func newProfilesName(a *app) *cobra.Command {
	var o nameOptions
	var what strings.Builder
	for _, k := range moved.Kinds() {
		fmt.Fprintf(&what, "  %-14s %s\n", k.Name, k.Title)
	}
	cmd := &cobra.Command{
		Use:   "name CAPTURE... --moved WHAT",
		Short: "Find the bits that moved with what a technician moved",
		Long: `Find the bits that moved with what a technician moved, on a car that no DBC file
describes: where they start, how many, byte order, sign and scale. What can be
looked for:

` + what.String() + `
When it moved says --when FROM-TO (seconds after the first frame, or @STAMP),
else the file CAPTURE.stages.yaml beside the capture, else the pattern itself:
three strokes somewhere, and rest before and after. --at TIME=VALUE gives what an
instrument showed: two make a scale, four or more find a value by themselves.

A score is the share of what was expected that came. The chance is how many
fields of this capture would do as well by accident: over 0.01 nothing is
claimed. Fields that fit as well are ties, and those that say the same elsewhere
are copies. Bits over those that moved are a guess, to the end of the byte. If
a value runs fast, its lowest bits cannot be told: move slowly.

--write puts the SG_ line into a new DBC file, or with --merge into one that is
there, of which nothing else changes.`,
		Example: `  plugproof profiles name script.log --moved pedal --write car.dbc
  plugproof profiles name key-on.log --moved switch --when 12-20 --strokes 3
  plugproof profiles name drive.log --moved value --at 5=800 --at 9=2500 --at 14=3500 --at 20=900`,
		Args: atLeastOne("capture"),
		RunE: func(cmd *cobra.Command, args []string) error { return runProfilesName(cmd.Context(), a, &o, args) },
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
	return cmd
}

func runProfilesName(ctx context.Context, a *app, o *nameOptions, paths []string) error {
	if err := o.check(); err != nil {
		return err
	}
	opts, err := o.options(ctx, a, paths)
	if err != nil {
		return err
	}
	out, err := a.output(o.out, paths...)
	if err != nil {
		return err
	}
	defer out.Drop()
	stop := func() {}
	opts.Opened = func(r *capture.Reader) { stop = a.progress(r) }
	res, err := moved.Find(ctx, opts)
	stop()
	if u, ok := errors.AsType[*moved.UsageError](err); ok {
		return hint(err, "%s", u.Try)
	}
	if err != nil {
		return err
	}
	a.summary(res.Reports)
	doc := newNameDocument(o.moved, res)
	if o.write != "" {
		if err := o.writeDBC(res, doc); err != nil {
			return err
		}
	}
	if o.format == "json" {
		err = writeJSON(out, doc)
	} else {
		writeName(out, a.colours(out), doc)
	}
	if err == nil {
		err = out.Commit()
	}
	if err == nil && !res.Told {
		return errUntestable
	}
	return err
}

// maxSignalName is how many characters the name of a signal has at most in a DBC file.
const maxSignalName = 32

// check refuses flags that contradict each other.
func (o *nameOptions) check() error {
	if err := o.known(); err != nil {
		return err
	}
	switch {
	case o.moved == "":
		return hint(errors.New("profiles name needs --moved"), "one of %s", strings.Join(moved.KindNames(), ", "))
	case o.strokes < 0 || o.strokes > 100:
		return hint(fmt.Errorf("--strokes %d: nobody moves it that often", o.strokes), "--strokes 3")
	case o.pick < 0:
		return hint(fmt.Errorf("--pick %d: proposals count from 1", o.pick), "--pick 1")
	case o.write == "" && (o.merge || o.pick > 0 || o.as != ""):
		return hint(errors.New("--merge, --pick and --as say how to --write"), "--write car.dbc")
	case len(o.as) > maxSignalName || !dbc.IsIdentifier(o.as):
		return hint(fmt.Errorf("--as %q is no name for a DBC file", o.as), "letters, digits and _, no digit first")
	}
	return nil
}

// options reads what the flags and the stages beside the captures say.
func (o *nameOptions) options(ctx context.Context, a *app, paths []string) (moved.Options, error) {
	opts := moved.Options{Captures: paths, Moved: o.moved, Strokes: o.strokes, Unit: o.unit}
	if slices.Contains(paths, "-") {
		return opts, hint(errors.New("profiles name cannot read standard input: it looks twice"), "write it to a file first")
	}
	if o.span != "" {
		low, high, ok := strings.Cut(o.span, ":")
		l, err1 := strconv.ParseFloat(low, 64)
		h, err2 := strconv.ParseFloat(high, 64)
		if !ok || err1 != nil || err2 != nil || !(l != h) || l-l != 0 || h-h != 0 {
			return opts, hint(fmt.Errorf("--range %q is no pair of different numbers", o.span), "--range 0:100")
		}
		opts.Range = &[2]float64{l, h}
	}
	how, err := a.reading(false)
	if err != nil {
		return opts, err
	}
	opts.Columns = how.Columns
	first, err := moved.FirstStamp(ctx, paths, opts.Columns)
	if err != nil {
		return opts, err
	}
	if err := o.times(&opts, first); err != nil {
		return opts, err
	}
	marked, err := check.StagesBeside(paths)
	for _, m := range marked {
		opts.Stages = append(opts.Stages, m.Spans...)
	}
	return opts, err
}

// times reads --when and --at.
func (o *nameOptions) times(opts *moved.Options, first int64) error {
	for _, text := range o.when {
		from, to, ok := strings.Cut(text, "-")
		var a, b moment
		if !ok || a.Set(from) != nil || b.Set(to) != nil || a.at(first) >= b.at(first) {
			return hint(fmt.Errorf("--when %q is no stretch of time", text), "--when 12.5-18, in seconds after the first frame")
		}
		opts.When = append(opts.When, moved.Span{Start: a.at(first), End: b.at(first)})
	}
	for _, text := range o.at {
		at, value, ok := strings.Cut(text, "=")
		var m moment
		v, err := strconv.ParseFloat(value, 64)
		if !ok || m.Set(at) != nil || err != nil || v-v != 0 {
			return hint(fmt.Errorf("--at %q is no reading", text), "--at 12.5=2500, in seconds after the first frame")
		}
		opts.Readings = append(opts.Readings, moved.Reading{Time: m.at(first), Value: v})
	}
	return nil
}

// writeDBC writes the proposal that was picked.
func (o *nameOptions) writeDBC(res *moved.Result, doc *nameDocument) error {
	pick := o.pick
	switch {
	case len(res.Proposals) == 0 || pick == 0 && !res.Told:
		doc.NotWritten = "nothing was told beyond accident: --pick writes a proposal all the same"
		return nil
	case pick == 0 && res.Tied():
		return hint(errors.New("several proposals are tied: which one is to be written?"), "--pick 1, and so on; without --write they are listed")
	case pick > len(res.Proposals):
		return fmt.Errorf("--pick %d: there are %s", pick, plural(len(res.Proposals), "proposal"))
	}
	p := res.Proposals[max(0, pick-1)]
	named := moved.Named{Proposal: p, Signal: cmp.Or(o.as, moved.SignalName(o.moved))}
	src, err := os.ReadFile(o.write)
	switch {
	case o.merge && err != nil:
		return fmt.Errorf("%s: %w", o.write, bareError(err))
	case !o.merge && err == nil:
		return hint(fmt.Errorf("%s is there already", o.write), "--merge adds to it; nothing else of it changes")
	case !o.merge && !errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s: %w", o.write, bareError(err))
	case o.merge:
		src, err = moved.MergeDBC(o.write, src, []moved.Named{named})
	default:
		src, err = moved.WriteDBC([]moved.Named{named}), nil
	}
	if err != nil {
		return err
	}
	doc.Written = &writtenName{o.write, strings.TrimSpace(named.SignalLine())}
	return atomicfile.WriteFile(o.write, src)
}
