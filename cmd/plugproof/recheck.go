package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"sync/atomic"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/recheck"
	"plugproof/profiles/report"
)

// recheckOptions are the flags of recheck.
type recheckOptions struct {
	profileFolders
	update bool
	format string
	out    string
}

func (o *recheckOptions) addFlags(flags *pflag.FlagSet) {
	o.profileFolders.addFlags(flags)
	flags.BoolVar(&o.update, "update", false, "put the verdicts that are new or changed on file, and print them")
	flags.StringVarP(&o.format, "format", "f", "text", "`FORMAT` of the output: text, json, junit, html or parquet")
	flags.StringVarP(&o.out, "out", "o", "", "write to `FILE` instead of standard output")
}

func newRecheck(a *app) *cobra.Command {
	var o recheckOptions
	cmd := &cobra.Command{
		Use:   "recheck DIR",
		Short: "Judge all captures on file again, and tell what changed",
		Long: `Judge all captures of a folder again, several at a time, and print only what is
another verdict than the one on file: after a change of a profile, of firmware,
or of plugproof itself.

The folder's ` + recheck.ManifestName + ` lists the captures and what each is judged by:

  format: 1
  profile: lowan-2-20t-a5
  captures:
    - {capture: after.log.zst}
    - {capture: [drive.log, body.log], profile: lowan-3-20-a8,
       baseline: before.log, buses: {can1: body}, dead: [tachometer]}

An entry may also have scope, stage, functions and lamps, as check has them.
Without that file all captures in the folder are judged, each by the setting
that the nearest of its folders is named like: DIR/lowan-2-20t-a5/after.log.

Beside each capture lies its verdict, CAPTURE` + recheck.Ending + `. --update writes
those that are new or changed: read what it prints before you keep them. A
capture that cannot be judged has a verdict, too, and ends nothing.

Exit code 1 is a verdict that changed, or whose capture is gone; 3 a capture
that has none on file, or a folder without any. With --update all are 0.`,
		Example: `  plugproof recheck captures
  plugproof recheck captures --profiles changed --format junit --out recheck.xml
  plugproof recheck captures --update`,
		Args: exactly(1, "one folder"),
		RunE: func(cmd *cobra.Command, args []string) error { return runRecheck(cmd.Context(), a, &o, args[0]) },
	}
	o.addFlags(cmd.Flags())
	return cmd
}

func runRecheck(ctx context.Context, a *app, o *recheckOptions, dir string) error {
	if err := oneOf("--format", o.format, "text", "json", "junit", html, "parquet"); err != nil {
		return err
	}
	if o.format == html {
		if err := a.format(o.format, o.out); err != nil {
			return err
		}
	}
	if o.format == "parquet" && o.out == "" {
		return hint(errors.New("--format parquet needs --out"), "--out FILE, or --out - for standard output")
	}
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return hint(fmt.Errorf("%s is no folder", dir), "name the folder that the captures are in")
	}
	lib, err := o.library()
	if err != nil {
		return err
	}
	entries, err := recheck.List(dir, lib)
	if err != nil {
		return err
	}
	if len(entries) == 0 {
		a.remark("there is no capture in %s", dir)
	}
	out, err := a.output(o.out)
	if err != nil {
		return err
	}
	defer out.Drop()
	var done atomic.Int64
	stop := a.bar("judging", int64(len(entries)), done.Load)
	res, err := recheck.Run(ctx, recheck.Options{
		Dir: dir, Entries: entries, Library: lib, Hash: o.format == "json", Done: func() { done.Add(1) },
	})
	stop()
	if err != nil {
		return err
	}
	if err := o.write(a, out, lib, res); err != nil {
		return err
	}
	if err := out.Commit(); err != nil {
		return err
	}
	return o.settle(res)
}

func (o *recheckOptions) write(a *app, out *output, lib *profiles.Library, res *recheck.Result) error {
	switch o.format {
	case "json", html:
		files, err := recheckFiles(lib, res)
		if err != nil {
			return err
		}
		if o.format == html {
			return report.RecheckHTML(out, res, report.HTMLOptions{Version: toolVersion, Files: files})
		}
		return recheck.JSON(out, res, toolVersion, files)
	case "junit":
		return recheck.JUnit(out, res)
	case "parquet":
		return outputError(recheck.Parquet(out, res))
	}
	return recheck.Text(out, res, a.colours(out).strong)
}

// settle puts verdicts on file where that is asked for, else says how the run ends.
func (o *recheckOptions) settle(res *recheck.Result) error {
	if o.update {
		for i := range res.Rows {
			row := &res.Rows[i]
			if row.State != recheck.New && row.State != recheck.Changed {
				continue
			}
			if err := row.Accept(res.Dir); err != nil {
				return err
			}
		}
		return nil
	}
	switch t := res.Tally(); {
	case t.Changed+t.Gone > 0:
		return errFailed
	case t.New > 0, len(res.Rows) == 0: // a folder without captures is hardly the one that was meant
		return errUntestable
	}
	return nil
}

// recheckFiles identifies the files of the settings that captures were judged by.
func recheckFiles(lib *profiles.Library, res *recheck.Result) (files []check.File, err error) {
	seen := map[string]bool{}
	for i := range res.Rows {
		now := res.Rows[i].Now
		if now == nil || now.Verdict == recheck.Unreadable || seen[now.Profile] {
			continue
		}
		seen[now.Profile] = true
		s, err := lib.Load(now.Profile)
		if err != nil {
			return nil, err
		}
		list, err := check.SettingFiles(lib, s)
		if err != nil {
			return nil, err
		}
		for _, f := range list {
			if !slices.Contains(files, f) {
				files = append(files, f)
			}
		}
	}
	return files, nil
}
