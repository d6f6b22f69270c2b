package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"plugproof/decode/atomicfile"
	"plugproof/profiles"
	"plugproof/profiles/stages"
)

// jobStagesOptions are the flags of job stages.
type jobStagesOptions struct {
	recordingOptions
	marks   []string
	write   bool
	replace bool
}

func newJobStages(a *app) *cobra.Command {
	var o jobStagesOptions
	cmd := &cobra.Command{
		Use:   "stages CAPTURE --profile NAME",
		Short: "Give a capture that was taken elsewhere its stages",
		Long: `Say which stages of the capture script a capture holds: as marked beside it,
else as the profile recognises them. --mark corrects or adds one, in seconds
from the first frame; --write puts them into CAPTURE.stages.yaml, which check
reads.`,
		Example: `  plugproof job stages drive.log --profile lowan-2-20t-a5
  plugproof job stages drive.log -p lowan-2-20t-a5 --mark idle=12.5..80 --write`,
		Args: exactly(1, "one capture"),
		RunE: func(cmd *cobra.Command, args []string) error { return runJobStages(cmd.Context(), a, &o, args[0]) },
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
	cmd.Flags().StringArrayVar(&o.marks, "mark", nil, "a stage that a person knows, as `STAGE=FROM..TO`; may be repeated")
	cmd.Flags().BoolVar(&o.write, "write", false, "write them into CAPTURE.stages.yaml")
	cmd.Flags().BoolVar(&o.replace, "replace", false, "also where there is such a file")
	return cmd
}

func runJobStages(ctx context.Context, a *app, o *jobStagesOptions, path string) error {
	if o.profile == "" {
		return hint(errors.New("job stages needs --profile"), "stages are recognised by the signals of a setting")
	}
	file := path + ".stages.yaml"
	if _, err := os.Stat(file); o.write && !o.replace && !errors.Is(err, fs.ErrNotExist) {
		return hint(fmt.Errorf("%s is there already", file), "--replace writes it anew")
	}
	in, opened, err := o.input(ctx, a, []string{path}, false)
	for _, r := range opened {
		defer r.Close()
	}
	if err != nil {
		return err
	}
	result, err := a.check(ctx, in)
	if err != nil {
		return err
	}
	spans, err := corrected(result.Stages, o.marks, result.Start)
	if err != nil {
		return err
	}
	for _, s := range spans {
		from, to := float64(s.Start-result.Start)/1e9, float64(s.End-result.Start)/1e9
		fmt.Fprintf(a.stdout, "%-8s  %9.1f to %9.1f s  %s\n", s.Stage, from, to, s.Source)
	}
	if len(spans) == 0 {
		fmt.Fprintln(a.stdout, "no stage is recognised: --mark says what a person knows")
		return errUntestable
	}
	if !o.write {
		return nil
	}
	return atomicfile.WriteFile(file, stages.Format(filepath.Base(path), spans))
}

// corrected puts what a person says in place of what overlaps it.
func corrected(spans stages.Spans, marks []string, start int64) (stages.Spans, error) {
	spans = slices.Clone(spans)
	for _, text := range marks {
		name, times, _ := strings.Cut(text, "=")
		first, last, ok := strings.Cut(times, "..")
		from, err1 := strconv.ParseFloat(first, 64)
		to, err2 := strconv.ParseFloat(last, 64)
		const day = 86400 // seconds; no capture script is longer
		if !ok || err1 != nil || err2 != nil || !(from >= 0 && from < to && to <= day) || !slices.Contains(profiles.StageNames(), name) {
			return nil, hint(fmt.Errorf("--mark %q is no stage and its seconds", text), "as in --mark idle=12.5..80; stages are %s", strings.Join(profiles.StageNames(), ", "))
		}
		mark := stages.Span{
			Stage: name, Start: start + int64(math.Round(from*1e9)), End: start + int64(math.Round(to*1e9)), Source: stages.Stated,
		}
		spans = slices.DeleteFunc(spans, func(s stages.Span) bool { return s.Start < mark.End && mark.Start < s.End })
		spans = append(spans, mark)
	}
	slices.SortStableFunc(spans, func(a, b stages.Span) int { return int(a.Start/1e6 - b.Start/1e6) })
	return spans, nil
}
