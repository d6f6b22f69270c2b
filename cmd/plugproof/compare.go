package main

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/compare"
	"plugproof/profiles/report"
	"plugproof/profiles/rules"
	"plugproof/profiles/stages"
)

// compareOptions are the flags of compare.
type compareOptions struct {
	jobOptions
	profileFolders
	profile string
	dbc     list
	buses   list
	filed   [2]map[string]string // the buses of the captures before and after, as a job has them
	strict  bool
	codes   [2]string // lists of trouble codes, before and after
	lamps   [2]list
	format  string
	out     string
}

func (o *compareOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringVarP(&o.profile, "profile", "p", "", "the setting of the car, by `NAME` or file")
	o.profileFolders.addFlags(flags)
	o.jobOptions.addFlags(flags, "after")
	flags.Var(&o.dbc, "dbc", "definitions where there is no profile: `[BUS=]FILE`; may be repeated")
	flags.Var(&o.buses, "bus", "an interface of either capture and the bus that it is, as `IF=BUS`; may be repeated")
	flags.BoolVar(&o.strict, "strict", false, "a review ends with exit code 1 too")
	flags.StringVarP(&o.format, "format", "f", "text", "`FORMAT` of the output: text, json or html")
	flags.StringVarP(&o.out, "out", "o", "", "write to `FILE` instead of standard output")
	flags.StringVar(&o.codes[0], "codes-before", "", "trouble codes from before the swap, as a scan tool lists them, in the text `FILE`")
	flags.StringVar(&o.codes[1], "codes-after", "", "trouble codes from after it, in the text `FILE`")
	flags.Var(&o.lamps[0], "lamp-before", "a `LAMP` that was lit before the swap, or none; may be repeated")
	flags.Var(&o.lamps[1], "lamp-after", "a `LAMP` that is lit after it, or none; may be repeated")
}

func newCompare(a *app) *cobra.Command {
	var o compareOptions
	cmd := &cobra.Command{
		Use:   "compare BEFORE AFTER",
		Short: "Set a capture after the swap against one from before it",
		Long: `Compare two captures of one car, before and after its engine computer was
replaced: what comes and what is gone, how often, how long, which bits stand, by
which law counters and checksums go, where values lie in the same state of the
car, what answers a stimulus and how late, when each message starts and stops.
What the other units complain about comes first, and outranks the rest.

Captures are matched by state (key, engine speed, vehicle speed, lever,
coolant), not by time. States are told by other units' frames where there are
any: what a unit sends is never failed by its own word. Where both captures have
their stages marked (CAPTURE.stages.yaml) those count too. Another idle speed,
fan point or torque, weather and a slower rate are for review only.

Codes and lamps, before and after, are told by --codes-before and --codes-after,
--lamp-before and --lamp-after: one that is new comes first and outranks what is
as before. It fails, unless the scan tool does not call the code active and the
time without an engine computer explains it, or it is listed as stored or
pending: then it is for review.

With --profile senders, listeners and functions are known; with --dbc alone what
the frames mean; with neither, payloads are compared bit by bit.

` + pageHelp + `

` + jobHelp + `

` + profileHelp + `

` + dbcHelp,
		Example: `  plugproof compare before.log after.log --profile lowan-2-20t-a5
  plugproof compare before.log after.log --dbc car.dbc --bus can1=can0
  plugproof compare before.log after.log --format json --out compared.json
  plugproof compare before.log after.log -p lowan-2-20t-a5 --format html --out compared.html`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 && o.dir != "" {
				return nil
			}
			if len(args) != 2 {
				return hint(fmt.Errorf("compare takes two captures, not %d", len(args)), "plugproof compare BEFORE AFTER")
			}
			if args[0] == "-" && args[1] == "-" {
				return hint(errors.New("standard input can be one of the captures only"), "name a file for the other")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			args, err := o.fromJob(args)
			if err != nil {
				return err
			}
			return runCompare(cmd.Context(), a, &o, args[0], args[1])
		},
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
	return cmd
}

func runCompare(ctx context.Context, a *app, o *compareOptions, before, after string) error {
	if err := a.format(o.format, o.out); err != nil {
		return err
	}
	in := &compare.Input{Reading: a.progress}
	if err := sinceSwap(&in.Seen, o.codes, o.lamps, "--lamp-after"); err != nil {
		return err
	}
	opts, err := a.reading(o.format != "text" || o.entry != nil)
	if err != nil {
		return err
	}
	files, err := o.knowledge(ctx, a, in, opts.Columns, before, after)
	if err != nil {
		return err
	}
	if in.Before, err = capture.Open([]string{before}, opts); err != nil {
		return err
	}
	defer in.Before.Close()
	if in.After, err = capture.Open([]string{after}, opts); err != nil {
		return err
	}
	defer in.After.Close()
	lists, err := codeFiles(o.codes[:]...)
	if err != nil {
		return err
	}
	files = append(files, lists...)
	inputs := []string{before, after, o.profile}
	for _, f := range files {
		inputs = append(inputs, f.File)
	}
	marks, err := comparedStages(in, before, after)
	if err != nil {
		return err
	}
	out, err := a.output(o.out, inputs...)
	if err != nil {
		return err
	}
	defer out.Drop()
	res, err := compare.Run(ctx, in)
	if err != nil {
		return comparisonHint(err)
	}
	if err := marksFit(marks, res); err != nil {
		return err
	}
	if err := o.write(a, out, res, in.Setting, files); err != nil {
		return err
	}
	a.summary(slices.Concat(in.Before.Reports(), in.After.Reports()))
	if err := out.Commit(); err != nil {
		return err
	}
	if err := o.fileComparison(res, files); err != nil {
		return err
	}
	o.next(a, o.format)
	return comparedError(res, o.strict)
}

// write writes the comparison in the format asked for.
func (o *compareOptions) write(a *app, out *output, res *compare.Result, s *profiles.Setting, files []check.File) error {
	switch o.format {
	case "json":
		return report.ComparisonJSON(out, res, toolVersion, files)
	case html:
		return report.ComparisonHTML(out, res, s, report.HTMLOptions{Version: toolVersion, Files: files})
	}
	return report.Comparison(out, res, report.Options{Colour: bool(a.colours(out))})
}

// comparedStages reads the stages files beside the captures.
func comparedStages(in *compare.Input, before, after string) (marks [2][]check.Marked, err error) {
	for i, path := range []string{before, after} {
		if marks[i], err = check.StagesBeside([]string{path}); err != nil {
			return marks, err
		}
	}
	for _, m := range marks[0] {
		in.BeforeStages = m.Spans
	}
	for _, m := range marks[1] {
		in.AfterStages = m.Spans
	}
	return marks, nil
}

// marksFit refuses stages files that speak of another time than their captures.
func marksFit(marks [2][]check.Marked, res *compare.Result) error {
	for i, side := range []*compare.Side{&res.Before, &res.After} {
		for _, m := range marks[i] {
			inside := slices.ContainsFunc(m.Spans, func(s stages.Span) bool { return s.Start <= side.End && s.End >= side.Start })
			if !inside && len(m.Spans) > 0 {
				return hint(&check.MarksError{File: m.File, Capture: m.Capture},
					"correct its times, which are the stamps of the capture, or take the file away")
			}
		}
	}
	return nil
}

func comparisonHint(err error) error {
	if _, ok := errors.AsType[*compare.OtherCarError](err); ok {
		return hint(err, "--bus IF=BUS says which buses are the same; plugproof survey shows what a capture holds")
	}
	if errors.Is(err, compare.ErrNothing) {
		return hint(err, "plugproof survey shows what a capture holds")
	}
	return err
}

// comparedError gives the exit code of a comparison as an error.
func comparedError(res *compare.Result, strict bool) error {
	switch {
	case res.Verdict == rules.Fail, strict && res.Verdict == rules.Review:
		return errFailed
	case res.Verdict == rules.NotTestable, len(res.Unjudged()) > 0:
		return errUntestable
	}
	return nil
}

// knowledge loads the profile or the DBC files, works out which buses are the
// same, and returns the files that the comparison rests on.
func (o *compareOptions) knowledge(ctx context.Context, a *app, in *compare.Input, columns *capture.Columns, before, after string) ([]check.File, error) {
	given, err := o.given()
	if err != nil {
		return nil, err
	}
	if o.profile == "" {
		return o.definitions(ctx, a, in, given, columns, before, after)
	}
	if len(o.dbc) > 0 {
		return nil, hint(errors.New("--profile brings its own DBC files: --dbc has no place beside it"), "name the file in the profile, or leave out --profile")
	}
	setting, lib, err := o.setting(o.profile)
	if err != nil {
		return nil, err
	}
	in.Setting = setting
	for i, side := range []struct {
		path  string
		buses *map[string]string
	}{{before, &in.BeforeBuses}, {after, &in.AfterBuses}} {
		found, err := check.MatchBuses(ctx, []string{side.path}, columns, setting, given[i])
		if err != nil {
			return nil, hint(err, "--bus IF=BUS")
		}
		*side.buses = map[string]string{}
		for _, i := range found {
			(*side.buses)[i.Name] = i.Bus
		}
	}
	return check.SettingFiles(lib, setting)
}

// given returns the buses of the interfaces before and after: those of the flags
// for both, else those that the job filed with each capture, whose recorders may
// have named their interfaces apart.
func (o *compareOptions) given() ([2]map[string]string, error) {
	flags, err := busFlags(o.buses)
	if err != nil || len(flags) > 0 {
		return [2]map[string]string{flags, flags}, err
	}
	return o.filed, nil
}

// definitions loads the DBC files, where there are any.
func (o *compareOptions) definitions(ctx context.Context, a *app, in *compare.Input, given [2]map[string]string, columns *capture.Columns, before, after string) ([]check.File, error) {
	dbcs, err := loadDBC(o.dbc)
	if err != nil {
		return nil, err
	}
	in.Definitions = dbcs.mappings
	if len(dbcs.mappings) > 0 {
		dbcs.decoder(a) // says what of them has no effect
	}
	if in.BeforeBuses, in.AfterBuses = given[0], given[1]; len(given[0])+len(given[1]) == 0 {
		if in.AfterBuses, err = compare.Match(ctx, []string{before}, []string{after}, columns); err != nil {
			return nil, err
		}
	}
	var files []check.File
	for _, f := range dbcs.inputs {
		files = append(files, check.File(f))
	}
	return files, nil
}
