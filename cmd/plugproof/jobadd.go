package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/job"
)

// jobAddOptions are the flags of job add.
type jobAddOptions struct {
	profileFolders
	moment         string
	buses          list
	errorsRecorded bool
}

func newJobAdd(a *app) *cobra.Command {
	var o jobAddOptions
	cmd := &cobra.Command{
		Use:   "add DIR CAPTURE --moment MOMENT",
		Short: "File a capture in a job, and say whether it is good enough",
		Long: `File a capture in a job: it is copied into the folder with the stages file
beside it, its hash is noted, and it is judged by the network setting of the
job. What could not be judged must be recorded again before the next step.

Delimited text (--columns) is filed as a candump log, so that what was judged can
be read without the file of columns, whatever becomes of that. Both are kept
beside it.

The moments are baseline (factory ECU in the car), unplugged (no ECU), bench
(new ECU on the bench) and after (new ECU in the car).`,
		Example: `  plugproof job add blue-ute drive.log --moment baseline
  plugproof job add blue-ute bench.log --moment bench --bus can0=drive`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 2 && args[0] != "" && args[1] != "" {
				return nil
			}
			return hint(errors.New("job add needs the folder of a job and one capture"), "%s --help shows an example", cmd.CommandPath())
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			return runJobAdd(cmd.Context(), a, &o, args[0], args[1])
		},
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
	cmd.Flags().StringVar(&o.moment, "moment", "", "`WHEN` it was taken: baseline, unplugged, bench or after")
	cmd.Flags().Var(&o.buses, "bus", "an interface and the bus that it is, as `IF=BUS`; may be repeated")
	cmd.Flags().BoolVar(&o.errorsRecorded, "errors-recorded", false, "error frames would be in the capture if there had been any")
	return cmd
}

func runJobAdd(ctx context.Context, a *app, o *jobAddOptions, dir, path string) error {
	moment := job.Moment(o.moment)
	if !moment.Valid() {
		return hint(fmt.Errorf("--moment %q is none of a job", o.moment), "baseline, unplugged, bench or after")
	}
	j, err := openJob(dir)
	if err != nil {
		return err
	}
	from, columnsFile := path, a.columnsFile
	if columnsFile != "" {
		dir, err := os.MkdirTemp("", "plugproof-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(dir)
		if path, err = a.asLog(ctx, path, dir); err != nil {
			return err
		}
		a.columnsFile = "" // what is judged and filed is the log
	}
	e := job.Entry{Moment: moment, Scope: string(moment.Scope()), Time: now()}
	if e, err = a.judgeForJob(ctx, o, j, e, path); err != nil {
		return err
	}
	if e, err = j.FileCapture(path, e); err != nil {
		return err
	}
	if path != from {
		if err := j.KeepSources(e, from, columnsFile); err != nil {
			return err
		}
	}
	fmt.Fprintf(a.stdout, "filed as %s\n", j.Path(e.File))
	for _, f := range e.Findings {
		writeLine(a.stdout, "  "+f, 4)
	}
	if len(e.Repeat) > 0 {
		fmt.Fprintln(a.stdout, "It does not show everything. Do again:")
		for _, r := range e.Repeat {
			writeLine(a.stdout, "  "+r, 4)
		}
	}
	fmt.Fprintln(a.stdout)
	return a.printNext(j)
}

// asLog writes delimited text as a candump log into a folder, with the stages file
// beside it, and returns its path. A capture with a format of its own stays.
func (a *app) asLog(ctx context.Context, path, dir string) (string, error) {
	opts, err := a.reading(false)
	if err != nil {
		return "", err
	}
	r, err := capture.Open([]string{path}, opts)
	if err != nil {
		return "", err
	}
	defer r.Close()
	if r.Reports()[0].Format != capture.FormatDelimited {
		return path, nil
	}
	log := filepath.Join(dir, strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))+".log.zst")
	wopts, err := captureFormat(log)
	if err != nil {
		return "", err
	}
	out, err := a.output(log, path)
	if err != nil {
		return "", err
	}
	defer out.Drop()
	if err := copyFrames(ctx, a, r, &frameFilter{}, out, wopts); err != nil {
		return "", err
	}
	a.summary(r.Reports())
	if err := out.Commit(); err != nil {
		return "", err
	}
	marks, err := os.ReadFile(path + ".stages.yaml")
	if errors.Is(err, fs.ErrNotExist) {
		return log, nil
	}
	if err != nil {
		return "", err
	}
	return log, os.WriteFile(log+".stages.yaml", marks, 0o600)
}

// judgeForJob judges a capture by the setting of the job, or only reads it.
func (a *app) judgeForJob(ctx context.Context, o *jobAddOptions, j *job.Job, e job.Entry, path string) (job.Entry, error) {
	r := recordingOptions{
		profileFolders: o.profileFolders, profile: j.Card.Settings.Network, buses: o.buses, errorsRecorded: o.errorsRecorded,
	}
	e, judged, err := a.judgeRecorded(ctx, &r, e, path)
	if errors.Is(err, profiles.ErrNoProfile) {
		return e, hint(fmt.Errorf("the network setting of job.yaml: %w", err), "correct it there, or name its folder with --profiles")
	}
	if err == nil && !judged {
		err = a.readWhole(ctx, path)
	}
	return e, err
}

// readWhole reads a capture to its end, so that what is filed can be read.
func (a *app) readWhole(ctx context.Context, path string) error {
	r, err := capture.Open([]string{path}, capture.Options{})
	if err != nil {
		return err
	}
	defer r.Close()
	defer a.progress(r)()
	frames := make([]can.Frame, 512)
	some := false
	for {
		n, err := r.Read(ctx, frames)
		some = some || n > 0
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
	}
	a.summary(r.Reports())
	if !some {
		return fmt.Errorf("%s holds no frame", path)
	}
	return nil
}

// busesOf says which interface is which bus.
func busesOf(list []check.Interface) map[string]string {
	buses := map[string]string{}
	for _, i := range list {
		if i.Bus != "" {
			buses[i.Name] = i.Bus
		}
	}
	return buses
}

// now is the time of the machine, for the journal.
func now() string {
	return time.Now().Format(time.RFC3339) //nolint:forbidigo // when a file was filed is the machine's time
}
