package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plugproof/profiles/job"
)

func newJob(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "job COMMAND",
		Short: "Keep the job of one car in a folder, from intake to handover",
		Long: `A job is a folder: job.yaml with what people know of the car, captures and lists
of trouble codes with their hashes, and what was found. Everything is plain
files; job.yaml may be edited by hand.

job status says where the job stands and what is missing, job next starts the
next step. The phases are

` + phaseList() + `

One that cannot be done is left out, with the reason: job leave.`,
		Example: `  plugproof job new blue-ute
  plugproof job status blue-ute
  plugproof job next blue-ute`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				return hint(fmt.Errorf("no command %q of job", args[0]), "plugproof job --help lists them")
			}
			return cmd.Help()
		},
	}
	cmd.AddCommand(newJobNew(a), newJobIntake(a), newJobStatus(a), newJobNext(a), newJobAdd(a), newJobLeave(a), newJobStages(a), newJobReport(a), newJobBundle(a), newJobVerify(a))
	return cmd
}

// phaseList names the phases.
func phaseList() string {
	var names []string
	for _, p := range job.Phases() {
		names = append(names, string(p))
	}
	return inColumns(names)
}

// inColumns sets words within 80 columns, each line two blanks in.
func inColumns(words []string) string {
	const width = 78
	var b strings.Builder
	column := 0
	for _, w := range words {
		switch {
		case column == 0:
			b.WriteString("  ")
		case column+2+len(w) > width:
			b.WriteString("\n  ")
			column = 0
		default:
			b.WriteString("  ")
		}
		b.WriteString(w)
		column += 2 + len(w)
	}
	return b.String()
}

// openJob opens a job for a command.
func openJob(dir string) (*job.Job, error) {
	j, err := job.Open(dir)
	if errors.Is(err, job.ErrNoJob) {
		return nil, hint(err, "plugproof job new %s begins one", dir)
	}
	return j, err
}

// jobNewOptions are the flags of job new and job intake.
type jobNewOptions struct {
	set []string
	ask bool
}

func (o *jobNewOptions) addFlags(cmd *cobra.Command) {
	cmd.Flags().StringArrayVar(&o.set, "set", nil, "an answer without being asked, as `KEY=ANSWER`; may be repeated")
	cmd.Flags().BoolVar(&o.ask, "ask", true, "ask for what is not known yet")
}

const answersHelp = `It asks for one thing after another; an empty answer leaves it open. Answers may
be given by --set instead, or by editing job.yaml. The keys are:
`

func newJobNew(a *app) *cobra.Command {
	var o jobNewOptions
	cmd := &cobra.Command{
		Use:   "new DIR",
		Short: "Begin a job: make its folder and ask for the car",
		Long:  "Begin a job: make its folder and ask for what is known of the car.\n\n" + answersHelp + inColumns(job.Keys()),
		Example: `  plugproof job new blue-ute
  plugproof job new blue-ute --ask=false --set series=2 --set "engine=2.0 turbo"`,
		Args: oneFolder,
		RunE: func(cmd *cobra.Command, args []string) error {
			card := &job.Card{Opened: time.Now().Format(time.DateOnly)} //nolint:forbidigo // the day a job began is the machine's
			j, err := job.Create(args[0], card)
			if err != nil {
				return err
			}
			if err := a.intake(cmd.Context(), &o, j, ""); err != nil {
				return err
			}
			return a.printNext(j)
		},
	}
	o.addFlags(cmd)
	return cmd
}

func newJobIntake(a *app) *cobra.Command {
	var o jobNewOptions
	var phase string
	cmd := &cobra.Command{
		Use:   "intake DIR",
		Short: "Ask for what a job does not know yet of its car",
		Long:  "Ask for what a job does not know yet.\n\n" + answersHelp + inColumns(job.Keys()),
		Example: `  plugproof job intake blue-ute
  plugproof job intake blue-ute --ask=false --set "factory_ecu_ohm=60.2 meter 3"`,
		Args: oneFolder,
		RunE: func(cmd *cobra.Command, args []string) error {
			j, err := openJob(args[0])
			if err != nil {
				return err
			}
			if err := a.intake(cmd.Context(), &o, j, job.Phase(phase)); err != nil {
				return err
			}
			return a.printNext(j)
		},
	}
	o.addFlags(cmd)
	cmd.Flags().StringVar(&phase, "phase", "", "ask for this `PHASE` only")
	return cmd
}

// oneFolder asks for the folder of a job.
func oneFolder(cmd *cobra.Command, args []string) error {
	if len(args) == 1 && args[0] != "" {
		return nil
	}
	return hint(fmt.Errorf("%s needs the folder of one job", cmd.CommandPath()), "%s --help shows an example", cmd.CommandPath())
}

// intake fills in what --set says and asks for the rest, saving each answer.
func (a *app) intake(ctx context.Context, o *jobNewOptions, j *job.Job, phase job.Phase) error {
	if phase != "" && !slices.Contains(job.Phases(), phase) {
		return hint(fmt.Errorf("no phase %q", phase), "plugproof job --help lists them")
	}
	for _, s := range o.set {
		key, answer, ok := strings.Cut(s, "=")
		q, known := job.QuestionOf(key)
		if !ok || !known {
			return hint(fmt.Errorf("--set %q is no key and answer", s), "the keys are listed by --help")
		}
		if err := q.Set(j.Card, answer); err != nil {
			return fmt.Errorf("--set %s: %w", key, err)
		}
	}
	if len(o.set) > 0 {
		if err := j.Save(); err != nil {
			return err
		}
	}
	if !o.ask {
		return nil
	}
	phases := []job.Phase{phase}
	if phase == "" {
		phases = []job.Phase{job.Intake, job.Electrical}
	}
	answers := newAnswers(ctx, a.stdin)
	for _, p := range phases {
		if err := a.askPhase(ctx, j, p, answers); err != nil {
			return err
		}
	}
	return nil
}

// askPhase asks the open questions of a phase until the answers end.
func (a *app) askPhase(ctx context.Context, j *job.Job, phase job.Phase, answers *answers) error {
	asked := job.Unanswered(j.Card, phase)
	if len(asked) > 0 && !answers.told {
		answers.told = true
		fmt.Fprintln(a.stderr, "Enter alone leaves a question open. Every answer is saved at once.")
	}
	for _, q := range asked {
		for {
			line := q.Ask
			if q.Hint != "" {
				line += " (" + q.Hint + ")"
			}
			fmt.Fprintf(a.stderr, "%s ", line)
			answer, err := answers.next(ctx)
			if errors.Is(err, io.EOF) {
				fmt.Fprintln(a.stderr)
				return nil
			}
			if err != nil {
				return err
			}
			if err := q.Set(j.Card, answer); err != nil {
				fmt.Fprintf(a.stderr, "  %v\n", err)
				continue
			}
			if answer != "" {
				if err := j.Save(); err != nil {
					return err
				}
			}
			break
		}
	}
	return nil
}

// answers are lines that a person types; waiting for one ends with its context.
type answers struct {
	lines chan string
	told  bool // how to answer
}

func newAnswers(ctx context.Context, r io.Reader) *answers {
	a := &answers{lines: make(chan string)}
	go func() {
		defer close(a.lines)
		for s := bufio.NewScanner(r); s.Scan(); {
			select {
			case a.lines <- strings.TrimSpace(s.Text()):
			case <-ctx.Done():
				return
			}
		}
	}()
	return a
}

// next waits for a line. After the last it returns io.EOF.
func (a *answers) next(ctx context.Context) (string, error) {
	select {
	case line, ok := <-a.lines:
		if !ok {
			return "", io.EOF
		}
		return line, nil
	case <-ctx.Done():
		return "", context.Cause(ctx)
	}
}

func newJobLeave(a *app) *cobra.Command {
	var why string
	cmd := &cobra.Command{
		Use:   "leave DIR PHASE --why REASON",
		Short: "Leave out a phase that cannot be done, and say why",
		Long: `Leave out a phase that cannot be done, and say why: the reason goes into
job.yaml and into the report. The phases are

` + phaseList(),
		Example: `  plugproof job leave blue-ute baseline --why "the factory ECU is dead"`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 2 && args[0] != "" {
				return nil
			}
			return hint(errors.New("job leave needs the folder of a job and one phase"), "%s --help shows an example", cmd.CommandPath())
		},
		RunE: func(_ *cobra.Command, args []string) error {
			j, err := openJob(args[0])
			if err != nil {
				return err
			}
			if err := j.Leave(job.Phase(args[1]), why); err != nil {
				return hint(err, "plugproof job leave --help lists the phases; --why says why")
			}
			return a.printNext(j)
		},
	}
	cmd.Flags().StringVar(&why, "why", "", "the `REASON`")
	return cmd
}

func newJobVerify(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "verify DIR",
		Short: "Hold every file of a job to the hash it was filed with",
		Long: `Hold every file of a job to the size and SHA-256 it was filed with.
What lies in the folder and was never filed is told, too.
Exit code 1: a file is gone or was changed.`,
		Example: "  plugproof job verify blue-ute",
		Args:    oneFolder,
		RunE: func(_ *cobra.Command, args []string) error {
			j, err := openJob(args[0])
			if err != nil {
				return err
			}
			strays := j.Strays()
			writeCutShort(a.stdout, j, strays)
			for _, s := range strays {
				if s.Leftover {
					fmt.Fprintf(a.stdout, "%s was left by a run that was ended: it may be deleted\n", plain(s.File))
				}
			}
			damage := j.Verify()
			for _, d := range damage {
				fmt.Fprintf(a.stdout, "%s %s\n", plain(d.File), d.What)
			}
			if len(damage) > 0 {
				return errFailed
			}
			fmt.Fprintf(a.stdout, "%d files are as they were filed\n", len(j.Journal))
			return nil
		},
	}
}
