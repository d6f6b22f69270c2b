package main

import (
	"context"
	"errors"
	"runtime/debug"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/profiles/check"
	"plugproof/profiles/report"
	"plugproof/profiles/rules"
)

// checkOptions are the flags of check.
type checkOptions struct {
	resultOptions
	recordingOptions
	observedOptions
	jobOptions
	functions list
	strict    bool
}

func (o *checkOptions) addFlags(flags *pflag.FlagSet) {
	o.recordingOptions.addFlags(flags)
	o.addUnknownCar(flags)
	o.observedOptions.addFlags(flags)
	o.jobOptions.addFlags(flags, "after, bench or baseline")
	flags.Var(&o.functions, "function", "judge only this `FUNCTION` of the setting; may be repeated")
	flags.BoolVar(&o.strict, "strict", false, "a review ends with exit code 1 too")
	o.resultOptions.addFlags(flags, "json", html)
}

func newCheck(a *app) *cobra.Command {
	var o checkOptions
	cmd := &cobra.Command{
		Use:   "check CAPTURE... --profile NAME",
		Short: "Judge whether everybody on the buses gets what they wait for",
		Long: `Judge captures against the setting of a car: which functions work, which do not,
which frame is to blame, and what to do next.

Verdicts: pass, review (look at it), fail, and not testable, which is never
counted as a pass and says what would make it so.

Without --profile the baseline alone says what is right: what was sent, how
often, how long and how guarded. --unplugged tells the engine computer's messages
from the rest, --dbc names them.

` + pageHelp + `

` + observedHelp + `

` + jobHelp + `

` + recordingHelp,
		Example: `  plugproof check after.log --profile lowan-2-20t-a5
  plugproof check after.log -p lowan-2-20t-a5 --baseline before.log --bus can1=body
  plugproof check after.log -p lowan-2-20t-a5 --format html --out report.html
  plugproof check after.log -p lowan-2-20t-a5 --codes-before was.txt --codes is.txt --lamp-before none --lamp MIL
  plugproof check after.log --baseline before.log --dbc drive.dbc --unplugged without.log
  plugproof check - -p ./mine.yaml --scope ecu-on-bench --format json < bench.log`,
		Args: o.captures,
		RunE: func(cmd *cobra.Command, args []string) error {
			return runCheck(cmd.Context(), a, &o, args)
		},
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
	return cmd
}

func runCheck(ctx context.Context, a *app, o *checkOptions, paths []string) error {
	if err := a.format(o.format, o.out); err != nil {
		return err
	}
	paths, err := o.fromJob(paths)
	if err != nil {
		return err
	}
	if o.profile == "" && len(o.baseline) == 0 {
		return hint(errors.New("check needs --profile or --baseline"),
			"--profile NAME or --profile FILE.yaml; --baseline CAPTURE of the same car in good order where no profile is on file")
	}
	in, opened, err := o.input(ctx, a, paths, o.format != "text" || o.entry != nil)
	for _, r := range opened {
		defer r.Close()
	}
	if err != nil {
		return err
	}
	if in.Seen, err = o.observed(); err != nil {
		return err
	}
	in.Functions, in.Series = o.functions, o.format == html
	out, err := a.output(o.out, append(o.inputPaths(paths), o.codesBefore, o.codes)...)
	if err != nil {
		return err
	}
	defer out.Drop()
	result, err := a.check(ctx, in)
	if err != nil {
		return err
	}
	if o.format == "text" {
		err = report.Text(out, result, report.Options{Colour: bool(a.colours(out))})
	} else {
		err = o.writeCheck(out, in, result)
	}
	if err != nil {
		return err
	}
	if err := out.Commit(); err != nil {
		return err
	}
	if err := o.fileCheck(in, result); err != nil {
		return err
	}
	o.next(a, o.format)
	return verdictError(result.Result, o.strict)
}

// collectEarly makes the garbage collector run when the heap has grown by half. What
// stretches of a long capture gathered dies as soon as it is merged: with four
// workers this saves 15 MB and costs no time that could be measured. What is read
// in a moment would only be collected more often.
func collectEarly() { debug.SetGCPercent(50) }

// check runs a check with a progress bar for captures that take a while.
func (a *app) check(ctx context.Context, in *check.Input) (*check.Output, error) {
	defer a.progress(in.Capture.Reader)()
	defer time.AfterFunc(time.Second, collectEarly).Stop()
	out, err := check.Run(ctx, in)
	if _, ok := errors.AsType[*check.NoBusError](err); ok {
		return nil, hint(err, "--bus IF=BUS")
	}
	if _, ok := errors.AsType[*rules.SymptomError](err); ok {
		return nil, hint(err, "plugproof diagnose --list shows the symptoms")
	}
	if _, ok := errors.AsType[*check.MarksError](err); ok {
		return nil, hint(err, "correct its times, which are the stamps of the capture, or take the file away")
	}
	if _, ok := errors.AsType[*check.OrderError](err); ok {
		return nil, hint(err, "give captures in the order in which they were recorded, or check them one by one")
	}
	return out, err
}

// writeCheck writes the forms that say what the verdict rests on: a page where
// the evidence was kept, else JSON.
func (o *checkOptions) writeCheck(out *output, in *check.Input, result *check.Output) error {
	files, err := o.files(in)
	if err != nil {
		return err
	}
	if in.Series {
		return report.HTML(out, result, report.HTMLOptions{Version: toolVersion, Files: files})
	}
	return report.JSON(out, result, toolVersion, files)
}

// files identifies what the verdict rests on besides the captures.
func (o *checkOptions) files(in *check.Input) ([]check.File, error) {
	files, err := check.SettingFiles(in.Library, in.Setting)
	if err != nil {
		return nil, err
	}
	lists, err := codeFiles(o.codesBefore, o.codes)
	return append(files, lists...), err
}

// verdictError gives the exit code of a verdict as an error.
func verdictError(r *rules.Result, strict bool) error {
	switch {
	case r.Verdict == rules.Fail, strict && r.Verdict == rules.Review:
		return errFailed
	case len(r.Unjudged()) > 0:
		return errUntestable
	}
	return nil
}
