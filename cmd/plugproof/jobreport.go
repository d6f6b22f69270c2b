package main

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/job"
	"plugproof/profiles/report"
	"plugproof/profiles/rules"
)

func newJobReport(a *app) *cobra.Command {
	var folders profileFolders
	cmd := &cobra.Command{
		Use:   "report DIR",
		Short: "Write the handover report of a job, one page to print and sign",
		Long: `Write the handover report of a job as one HTML page that needs no other file:
what was asked, both settings and why they were believed, function by function,
lamps and trouble codes before and after, what could not be tested, cautions,
room for signatures. The vehicle number is masked. It is filed in the job.

Exit code 1: the job is not fit to hand over; 3: not everything was judged.`,
		Example: "  plugproof job report blue-ute",
		Args:    oneFolder,
		RunE: func(_ *cobra.Command, args []string) error {
			j, err := openJob(args[0])
			if err != nil {
				return err
			}
			return runJobReport(a, &folders, j)
		},
	}
	folders.addFlags(cmd.Flags())
	return cmd
}

func runJobReport(a *app, folders *profileFolders, j *job.Job) error {
	h := &report.JobHistory{Job: j, Damage: j.Verify(), Day: time.Now().Format(time.DateOnly)} //nolint:forbidigo // a report has a date
	opts := report.HTMLOptions{Version: toolVersion}
	if name := j.Card.Settings.Network; name != "" {
		setting, lib, err := folders.setting(name)
		switch {
		case errors.Is(err, profiles.ErrNoProfile):
			a.remark("the network setting %s is not on file", name)
		case err != nil:
			return err
		default:
			h.Setting = setting
			if opts.Files, err = check.SettingFiles(lib, setting); err != nil {
				return err
			}
		}
	}
	for _, e := range j.Checks() {
		src, err := os.ReadFile(j.Path(e.File))
		if err != nil {
			continue // Damage says so
		}
		h.Checks = append(h.Checks, src)
	}
	var err error
	if h.CodesBefore, err = filedCodes(j, job.Baseline); err != nil {
		return err
	}
	if h.CodesAfter, err = filedCodes(j, job.After); err != nil {
		return err
	}
	var page bytes.Buffer
	verdict, err := report.JobHTML(&page, h, opts)
	if err != nil {
		return err
	}
	e, err := j.FileReport(page.Bytes(), now())
	if err != nil {
		return err
	}
	fmt.Fprintf(a.stdout, "%s\n", j.Path(e.File))
	switch verdict {
	case rules.Fail:
		fmt.Fprintln(a.stdout, "Not fit to hand over yet: its first lines say why.")
		return errFailed
	case rules.NotTestable:
		fmt.Fprintln(a.stdout, "Not everything was judged: its first lines say what was not.")
		return errUntestable
	}
	fmt.Fprintln(a.stdout, "Nothing fails. Open it in a browser, print it, and have it signed.")
	return nil
}

// filedCodes reads the list of codes of a moment; none where none is filed.
func filedCodes(j *job.Job, m job.Moment) ([]rules.Code, error) {
	e := j.CodesOf(m)
	if e == nil {
		return nil, nil
	}
	return readCodes(j.Path(e.File))
}
