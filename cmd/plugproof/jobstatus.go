package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"plugproof/profiles/job"
)

func newJobStatus(a *app) *cobra.Command {
	var format string
	cmd := &cobra.Command{
		Use:   "status DIR",
		Short: "Say where a job stands, phase by phase, and what comes next",
		Long: `Say where a job stands, phase by phase: what is done, what is missing, what was
left out and why; whether the factory ECU may be unplugged; what comes next.
Exit code 3: something is open.`,
		Example: "  plugproof job status blue-ute",
		Args:    oneFolder,
		RunE: func(_ *cobra.Command, args []string) error {
			if err := oneOf("--format", format, "text", "json"); err != nil {
				return err
			}
			j, err := openJob(args[0])
			if err != nil {
				return err
			}
			steps := j.Status()
			if format == "json" {
				err = writeJSON(a.stdout, jobStatusDocument{"plugproof/job-status/1", toolVersion, j.Journal, steps})
			} else {
				writeStatus(a.stdout, j, steps)
			}
			if err == nil && job.Next(steps) != nil {
				err = errUntestable
			}
			return err
		},
	}
	cmd.Flags().StringVarP(&format, "format", "f", "text", "`FORMAT` of the output: text or json")
	return cmd
}

// jobStatusDocument is the JSON form of a job's status.
type jobStatusDocument struct {
	Schema  string      `json:"schema"`
	Version string      `json:"tool_version"`
	Journal []job.Entry `json:"journal"`
	Steps   []job.Step  `json:"steps"`
}

// writeStatus prints the phases, and what comes next.
func writeStatus(w io.Writer, j *job.Job, steps []job.Step) {
	if writeCutShort(w, j, j.Strays()) {
		fmt.Fprintln(w)
	}
	for _, s := range steps {
		mark := "open"
		switch {
		case s.Done:
			mark = "done"
		case s.LeftOut != "":
			mark = "left out"
		}
		fmt.Fprintf(w, "%-8s  %-12s  %s\n", mark, s.Phase, s.Title)
		if s.LeftOut != "" {
			fmt.Fprintf(w, "%s%s\n", statusIndent, plain(s.LeftOut))
			continue
		}
		writeWrapped(w, "missing: ", s.Missing)
		for _, r := range s.Remarks {
			writeWrapped(w, "", []string{r})
		}
	}
	fmt.Fprintln(w)
	switch ok, open := job.MayUnplug(steps); {
	case ok && j.CaptureOf(job.After) != nil: // it is out
	case ok:
		fmt.Fprintln(w, "The factory ECU may be unplugged: nothing is lost by it.")
	default:
		writeLine(w, "Leave the factory ECU plugged in until these are done: "+strings.Join(open, "; ")+".", 0)
	}
	writeNext(w, steps)
}

// writeCutShort says what a run that was ended, or a machine that went off, left in
// the folder: lines of the journal and files that nobody filed.
func writeCutShort(w io.Writer, j *job.Job, strays []job.Stray) (some bool) {
	if len(j.Aside) > 0 {
		some = true
		writeLine(w, fmt.Sprintf("journal.jsonl: lines that cannot be read are set aside, as one that was cut short: %s", strings.Trim(fmt.Sprint(j.Aside), "[]")), 2)
	}
	for _, s := range strays {
		if s.Leftover {
			continue // takes room only: verify tells of it
		}
		some = true
		moment, known := job.MomentOfCapture(s.File)
		if !known {
			writeLine(w, s.File+" was not filed: a run was ended before that. Do the step again.", 2)
			continue
		}
		writeLine(w, s.File+" was not filed: the recording goes on, or was ended. To file what there is of it:", 2)
		fmt.Fprintf(w, "  $ %s\n", plain(job.Command{"job", "add", j.Dir, j.Path(s.File), "--moment", string(moment)}.String()))
	}
	return some
}

// statusIndent is where the details of a phase stand.
const statusIndent = "                        "

// writeWrapped prints a list behind a word, wrapped at 80 columns.
func writeWrapped(w io.Writer, word string, items []string) {
	if len(items) > 0 {
		writeLine(w, statusIndent+word+strings.Join(items, ", "), len(statusIndent)+len(word))
	}
}

// writeLine prints text wrapped at 80 columns; further lines begin at indent.
func writeLine(w io.Writer, s string, indent int) {
	const width = 79
	line := ""
	body := strings.TrimLeft(s, " ")
	line = s[:len(s)-len(body)]
	first := true
	for word := range strings.FieldsSeq(plain(body)) {
		if !first && len(line)+1+len(word) > width {
			fmt.Fprintln(w, line)
			line = strings.Repeat(" ", indent) + word
			continue
		}
		if !first {
			line += " "
		}
		line += word
		first = false
	}
	fmt.Fprintln(w, line)
}

// writeNext says what comes next, why, and how.
func writeNext(w io.Writer, steps []job.Step) {
	next := job.Next(steps)
	if next == nil {
		fmt.Fprintln(w, "Nothing is open.")
		return
	}
	fmt.Fprintf(w, "Next: %s.\n", next.Title)
	writeLine(w, "  "+next.Why, 2)
	for i, line := range next.Do {
		if i > 0 {
			fmt.Fprintln(w, "  or")
		}
		fmt.Fprintf(w, "  $ %s\n", plain(line.String()))
	}
	for _, line := range job.Blanks(next.Do...) {
		writeLine(w, "  "+line, 4)
	}
}

// printNext says what comes next in a job.
func (a *app) printNext(j *job.Job) error {
	writeNext(a.stdout, j.Status())
	return nil
}

func newJobNext(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "next DIR",
		Short: "Start the next step of a job",
		Long: `Start the next step of a job: ask for what is missing, or run the command that
does it. Where something must be filled in first, as the interface to record
from, the command line is shown instead.`,
		Example: "  plugproof job next blue-ute",
		Args:    oneFolder,
		RunE: func(cmd *cobra.Command, args []string) error {
			j, err := openJob(args[0])
			if err != nil {
				return err
			}
			return a.startNext(cmd.Context(), j)
		},
	}
}

func (a *app) startNext(ctx context.Context, j *job.Job) error {
	steps := j.Status()
	next := job.Next(steps)
	writeNext(a.stdout, steps)
	if next == nil {
		return nil
	}
	if asked := job.Unanswered(j.Card, next.Phase); len(asked) > 0 {
		if err := a.askPhase(ctx, j, next.Phase, newAnswers(ctx, a.stdin)); err != nil {
			return err
		}
		return a.printNext(j)
	}
	if !next.Do[0].Whole() {
		return nil
	}
	root := newRoot(a)
	root.SetArgs(next.Do[0])
	root.SetIn(a.stdin)
	root.SetOut(a.stdout)
	root.SetErr(a.stderr)
	return root.ExecuteContext(ctx)
}
