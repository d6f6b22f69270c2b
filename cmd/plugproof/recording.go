package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/learn"
	"plugproof/profiles/rules"
)

// recordingHelp explains the flags of recordingOptions in a command's help.
const recordingHelp = profileHelp + `

Which bus an interface of a capture is follows from its name, else from the
identifiers of its first frames; --bus can1=body says so. What is read from a
pipe must have the names of the buses, or be given.

The stages of the capture script (key-on, idle, ...) are those marked in
CAPTURE.stages.yaml beside the capture, else those that the profile recognises;
--stage says that the whole capture is one.`

// recordingOptions are the flags of every command that judges captures: what
// they are judged by, and how they were taken.
type recordingOptions struct {
	profileFolders
	profile        string
	baseline       []string
	scope          string
	stage          string
	buses          list
	errorsRecorded bool

	// Of the car whose profile is not on file.
	dbc       []string
	unplugged []string
}

func (o *recordingOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringVarP(&o.profile, "profile", "p", "", "the setting of the car, by `NAME` or file")
	o.profileFolders.addFlags(flags)
	flags.StringArrayVar(&o.baseline, "baseline", nil, "a `CAPTURE` of the same car in good order; may be repeated")
	flags.StringVar(&o.scope, "scope", string(rules.Car), "`WHERE` it was taken: car, ecu-on-bench or listener-on-bench")
	flags.StringVar(&o.stage, "stage", "", "the whole capture is this `STAGE` of the capture script")
	flags.Var(&o.buses, "bus", "an interface and the bus that it is, as `IF=BUS`; may be repeated")
	flags.BoolVar(&o.errorsRecorded, "errors-recorded", false, "error frames would be in the capture if there had been any")
}

// addUnknownCar adds the flags for a car whose profile is not on file.
func (o *recordingOptions) addUnknownCar(flags *pflag.FlagSet) {
	flags.StringArrayVarP(&o.dbc, "dbc", "d", nil, "without a profile: the `[BUS=]FILE` that says what frames mean; may be repeated")
	flags.StringArrayVar(&o.unplugged, "unplugged", nil, "without a profile: a `CAPTURE` of the car without its engine computer; may be repeated")
}

// input loads the setting and opens the captures. The caller closes what is in
// opened, also after an error.
func (o *recordingOptions) input(ctx context.Context, a *app, paths []string, hash bool) (in *check.Input, opened []*capture.Reader, err error) {
	given, err := o.given()
	if err != nil {
		return nil, nil, err
	}
	in = &check.Input{Scope: rules.Scope(o.scope), ErrorsRecorded: o.errorsRecorded}
	how, err := a.reading(hash)
	if err != nil {
		return nil, nil, err
	}
	learned, err := o.judgeBy(ctx, in, how.Columns)
	if err != nil {
		return nil, nil, err
	}
	open := func(paths []string, stage string) (rec check.Recording, err error) {
		rec.Stage = stage
		if rec.Reader, err = capture.Open(paths, how); err != nil {
			return rec, err
		}
		opened = append(opened, rec.Reader)
		if rec.Interfaces, err = check.MatchBuses(ctx, paths, how.Columns, in.Setting, given); err != nil {
			return rec, hint(err, "--bus IF=BUS")
		}
		if stage == "" {
			rec.Marked, err = check.StagesBeside(paths)
		}
		return rec, err
	}
	if in.Capture, err = open(paths, o.stage); err != nil || len(o.baseline) == 0 {
		return in, opened, err
	}
	if learned != nil && !renames(given, in.Setting) { // it was read to learn from it
		in.Baseline = &check.Recording{Learned: learned}
		in.Baseline.Marked, err = check.StagesBeside(o.baseline)
		return in, opened, err
	}
	was, err := open(o.baseline, "")
	in.Baseline = &was
	return in, opened, err
}

// renames reports whether --bus takes a bus of the setting for another one.
func renames(given map[string]string, s *profiles.Setting) bool {
	return slices.ContainsFunc(s.Buses, func(b *profiles.BusFacts) bool {
		bus, ok := given[b.Name]
		return ok && bus != b.Name
	})
}

// judgeBy loads the setting that the captures are judged by. Where no profile is
// named, it is learned from the baseline, for this run alone, and what was learned
// is returned.
func (o *recordingOptions) judgeBy(ctx context.Context, in *check.Input, columns *capture.Columns) (learned *learn.Learned, err error) {
	if o.profile != "" {
		if len(o.dbc)+len(o.unplugged) > 0 {
			return nil, hint(errors.New("--dbc and --unplugged are for cars without a profile"), "leave --profile out, or leave them out: a profile names its DBC files and senders")
		}
		in.Setting, in.Library, err = o.setting(o.profile)
		return nil, err
	}
	files, err := loadDBC(o.dbc)
	if err != nil {
		return nil, err
	}
	opts := learn.Options{Captures: o.baseline, Unplugged: o.unplugged, Columns: columns}
	if opts.DBC, err = files.toLearn(); err != nil {
		return nil, err
	}
	learned, err = learn.Setting(ctx, opts)
	if _, unfit := errors.AsType[*learn.Unfit](err); unfit {
		return nil, hint(err, "a baseline must be a good capture: cut it (convert --from, --to), or record it anew")
	}
	if err != nil {
		return nil, err
	}
	in.Setting = learned.Setting
	return learned, nil
}

// given checks the flags that say what was recorded, and parses those of --bus.
func (o *recordingOptions) given() (map[string]string, error) {
	if err := oneOf("--scope", o.scope, string(rules.Car), string(rules.ECUOnBench), string(rules.ListenerOnBench)); err != nil {
		return nil, err
	}
	if o.stage != "" {
		if err := oneOf("--stage", o.stage, profiles.StageNames()...); err != nil {
			return nil, err
		}
	}
	return busFlags(o.buses)
}

// busFlags parses the values of --bus.
func busFlags(values []string) (map[string]string, error) {
	given := map[string]string{}
	for _, value := range values {
		name, bus, _ := strings.Cut(value, "=")
		if name == "" || bus == "" {
			return nil, hint(fmt.Errorf("--bus %q is not an interface and a bus", value), "--bus can1=body")
		}
		if have, ok := given[name]; ok && have != bus {
			return nil, hint(fmt.Errorf("--bus says that %s is %s and %s", name, have, bus), "leave one out")
		}
		given[name] = bus
	}
	return given, nil
}

// inputPaths lists what a run reads, for --out not to replace it.
func (o *recordingOptions) inputPaths(captures []string) []string {
	return slices.Concat(captures, o.baseline, o.unplugged, o.dbc, []string{o.profile})
}
