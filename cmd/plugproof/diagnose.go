package main

import (
	"context"
	"errors"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/profiles/report"
	"plugproof/profiles/rules"
)

// diagnoseOptions are the flags of diagnose.
type diagnoseOptions struct {
	recordingOptions
	observedOptions
	jobOptions
	symptom string
	list    bool
}

func (o *diagnoseOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringVarP(&o.symptom, "symptom", "s", "", "what is wrong, in the `WORDS` of --list or those of the setting")
	flags.BoolVar(&o.list, "list", false, "list the symptoms")
	o.recordingOptions.addFlags(flags)
	o.observedOptions.addFlags(flags)
	o.jobOptions.addFlags(flags, "after or bench")
}

func newDiagnose(a *app) *cobra.Command {
	var o diagnoseOptions
	cmd := &cobra.Command{
		Use:   "diagnose --symptom WORDS CAPTURE... --profile NAME",
		Short: "Search for the cause of a symptom, the likeliest first",
		Long: `Ask, one after the other, the questions that find the cause of a symptom, and
stop at the first that a capture answers with a fault.

` + recordingHelp + `

--job DIR takes from a job what is not given: its newest capture of the car with
the new ECU, and the network setting.`,
		Example: `  plugproof diagnose --symptom "tachometer dead" after.log --profile lowan-2-20t-a5
  plugproof diagnose --symptom "tachometer dead" --job blue-ute
  plugproof diagnose --list`,
		Args: func(cmd *cobra.Command, args []string) error {
			if o.list {
				return noArgs(cmd, args)
			}
			return o.captures(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if o.list {
				return listSymptoms(a)
			}
			return runDiagnose(cmd.Context(), a, &o, args)
		},
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
	return cmd
}

// listSymptoms writes the index: each symptom and the questions it leads to.
func listSymptoms(a *app) error {
	out, err := a.output("")
	if err != nil {
		return err
	}
	if err := report.Index(out, rules.Symptoms()); err != nil {
		return err
	}
	return out.Commit()
}

func runDiagnose(ctx context.Context, a *app, o *diagnoseOptions, paths []string) error {
	if strings.TrimSpace(o.symptom) == "" {
		return hint(errors.New("diagnose needs --symptom"), "plugproof diagnose --list shows the symptoms")
	}
	paths, err := o.fromJob(paths)
	switch {
	case err != nil:
		return err
	case o.profile == "":
		return hint(errors.New("diagnose needs --profile"), "--profile NAME, or --profile FILE.yaml")
	}
	in, opened, err := o.input(ctx, a, paths, false)
	for _, r := range opened {
		defer r.Close()
	}
	if err != nil {
		return err
	}
	if in.Seen, err = o.observed(); err != nil {
		return err
	}
	in.Seen.Symptoms = append(in.Seen.Symptoms, o.symptom)
	out, err := a.output("")
	if err != nil {
		return err
	}
	result, err := a.check(ctx, in)
	if err != nil {
		return err
	}
	if err := report.Symptoms(out, result, report.Options{Colour: bool(a.colours(out))}); err != nil {
		return err
	}
	if err := out.Commit(); err != nil {
		return err
	}
	return differentialError(result.Symptoms)
}

// differentialError gives the exit code of a search as an error: a fault was
// found, or a question that comes before its end could not be answered.
func differentialError(list []rules.Differential) error {
	var untold bool
	for i := range list {
		if f := list[i].Fired(); f != nil && f.Finding.Verdict == rules.Fail {
			return errFailed
		}
		for _, step := range list[i].Steps {
			untold = untold || step.State == rules.Untold || step.State == rules.NotJudged
		}
	}
	if untold {
		return errUntestable
	}
	return nil
}
