package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/rules"
	"plugproof/replay"
	"plugproof/replay/exercise"
	"plugproof/replay/gate"
)

// exerciseOptions are the flags of exercise.
type exerciseOptions struct {
	profileFolders
	sendingOptions
	profile  string
	all      bool
	baseline []string
	buses    list
	seed     uint64
	format   string
	out      string
}

func (o *exerciseOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringVarP(&o.profile, "profile", "p", "", "the setting of the car, by `NAME` or file")
	o.profileFolders.addFlags(flags)
	o.sendingOptions.addFlags(flags)
	flags.BoolVar(&o.all, "all", false, "go through every function of the profile that can be shown")
	flags.StringArrayVar(&o.baseline, "baseline", nil, "a `CAPTURE` of the factory unit: its own frames come first; may be repeated")
	flags.Var(&o.buses, "bus", "an interface of the baseline and the bus that it is, as `IF=BUS`; may be repeated")
	flags.Uint64Var(&o.seed, "seed", 0, "`NUMBER` that the values come from; as printed, to repeat them")
	flags.StringVarP(&o.format, "format", "f", "text", "`FORMAT` of the output: text or json")
	flags.StringVarP(&o.out, "out", "o", "", "write to `FILE` instead of standard output")
}

func newExercise(a *app) *cobra.Command {
	var o exerciseOptions
	cmd := &cobra.Command{
		Use:   "exercise FUNCTION --profile NAME --on INTERFACE",
		Short: "Move a gauge or a lamp on the bench and ask what is seen",
		Long: `Move one gauge or lamp of a unit on the bench over its range and back, then to
values that nobody is told, and ask each time what it shows. Then the value is
said to be not available, the message stops for longer than the unit waits, and
comes back. Where a gauge is level on purpose nothing is asked.

With --baseline the factory unit's own frames are played first: they tell "the
cluster is fine, our frame was wrong" from "the cluster does not react to a
right frame". The answers come from standard input, a line each; ? means cannot
tell. With --dead-man they are typed on the keyboard that is held: any key
counts, but a keyboard repeats only the one that was pressed last. So press the
bar again after each, within half a second, and hold it after Enter. Its repeat
must begin sooner than that; xset r rate 250 30 or the desktop's settings see to
it.

Only gauges and lamps can be exercised whose message a bench may send.

` + sendingHelp + `

` + profileHelp,
		Example: `  plugproof exercise tachometer -p lowan-2-20t-a5 --on vcan0
  plugproof exercise tachometer -p lowan-2-20t-a5 --on vcan0 --baseline idle.log
  plugproof exercise --all -p lowan-2-20t-a5 --on can0 --on-bench cluster --dead-man`,
		Args: func(_ *cobra.Command, args []string) error {
			switch {
			case o.all && len(args) > 0:
				return hint(errors.New("a function and --all contradict each other"), "leave one out")
			case !o.all && len(args) != 1:
				return hint(errors.New("exercise needs one function of the profile, or --all"), "plugproof exercise --help shows an example")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			if !cmd.Flags().Changed("seed") {
				o.seed = rand.Uint64()
			}
			return runExercise(cmd.Context(), a, &o, args)
		},
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
	return cmd
}

func runExercise(ctx context.Context, a *app, o *exerciseOptions, names []string) error {
	if err := oneOf("--format", o.format, "text", "json"); err != nil {
		return err
	}
	if o.profile == "" {
		return hint(errors.New("exercise needs --profile"), "--profile NAME or --profile FILE.yaml")
	}
	if err := o.sendingOptions.check(); err != nil {
		return err
	}
	b := &exerciser{exerciseOptions: o, app: a}
	var err error
	if b.setting, _, err = o.setting(o.profile); err != nil {
		return err
	}
	if b.given, err = o.interfaces(); err != nil {
		return err
	}
	if o.all {
		names = slices.Sorted(maps.Keys(b.setting.Functions))
	}
	if err := b.prepare(ctx, names); err != nil {
		return err
	}
	out, err := a.output(o.out, append(slices.Clone(o.baseline), o.profile)...)
	if err != nil {
		return err
	}
	defer out.Drop()
	if o.dryRun {
		return b.dryRun(out)
	}
	return b.run(ctx, out)
}

// exerciser goes through functions one after the other.
type exerciser struct {
	*exerciseOptions
	app     *app
	setting *profiles.Setting
	given   onInterfaces
	ready   []*exercise.Exercise
	cannot  []string // functions that cannot be exercised, and why
	answers *bufio.Reader
	done    []exercise.Outcome
}

// prepare makes the exercises of functions.
func (b *exerciser) prepare(ctx context.Context, names []string) error {
	for _, name := range names {
		x, err := exercise.New(exercise.Config{Setting: b.setting, Function: name, Seed: b.seed})
		if cannot, ok := errors.AsType[*exercise.CannotError](err); ok && b.all {
			b.cannot = append(b.cannot, fmt.Sprintf("%s: %s", name, cannot.Reason))
			continue
		}
		if err != nil {
			return hint(err, "plugproof exercise --all --dry-run lists those that can be")
		}
		if b.given.of(x.Bus()) == "" {
			if !b.all {
				return hint(fmt.Errorf("%s is on the bus %s, which has no interface", name, x.Bus()), "--on %s=INTERFACE", x.Bus())
			}
			b.cannot = append(b.cannot, fmt.Sprintf("%s: the bus %s has no interface", name, x.Bus()))
			continue
		}
		if len(b.baseline) > 0 {
			if err := b.control(ctx, name, x); err != nil {
				return err
			}
		}
		b.ready = append(b.ready, x)
	}
	return nil
}

// control looks for the positive control of a function in the baseline.
func (b *exerciser) control(ctx context.Context, name string, x *exercise.Exercise) error {
	given, err := busFlags(b.buses)
	if err != nil {
		return err
	}
	how, err := b.app.reading(false)
	if err != nil {
		return err
	}
	matched, err := check.MatchBuses(ctx, b.baseline, how.Columns, b.setting, given)
	if err != nil {
		return err
	}
	r, err := capture.Open(b.baseline, how)
	if err != nil {
		return err
	}
	defer r.Close()
	frames, shown, err := x.Control(ctx, r, func(f *can.Frame) bool {
		name := r.Buses().Name(f.Bus)
		return slices.ContainsFunc(matched, func(in check.Interface) bool { return in.Name == name && in.Bus == x.Bus() })
	})
	if err != nil {
		return err
	}
	if len(frames) == 0 {
		b.app.remark("%s: the baseline never holds it still long enough away from rest, so it is no positive control", name)
		return nil
	}
	x.SetControl(frames, shown)
	return nil
}

// job is what an exercise sends.
func (b *exerciser) job(x *exercise.Exercise) (*prepared, error) {
	p := &prepared{
		replayOptions: &replayOptions{sendingOptions: b.sendingOptions, profile: b.profile, format: b.format, speed: 1},
		command:       "exercise", schedule: &replay.Schedule{},
	}
	p.job = replay.Job{
		Stream: x.Stream, Interfaces: []string{b.given.of(x.Bus())}, Car: replay.Car{Setting: b.setting, Buses: []string{x.Bus()}},
		Horizon: replay.DefaultHorizon,
		// A needle that waits for a moment says nothing, and nobody measures time here.
		Options: replay.Options{MaxLate: 2 * time.Second},
	}
	p.apply(&p.job)
	var err error
	if p.job.Guards, err = p.job.Car.Guards(); err != nil {
		return nil, err
	}
	if x.HasControl() { // what the factory unit sent goes out as it was
		m, _, err := p.job.Car.Message(x.Message())
		if err != nil {
			return nil, err
		}
		delete(p.job.Guards, m)
	}
	return p, nil
}

// dryRun shows the plan of each function.
func (b *exerciser) dryRun(out *output) error {
	var refused error
	for _, x := range b.ready {
		p, err := b.job(x)
		if err != nil {
			return err
		}
		if b.format == "text" {
			fmt.Fprintf(out, "%s\n", x.Title())
		}
		switch err := p.dryRunPart(out); {
		case errors.Is(err, errRefusedShown):
			refused = err
		case err != nil:
			return err
		}
	}
	if b.format == "text" {
		b.writeCannot(out)
	}
	return errors.Join(refused, out.Commit())
}

// run exercises one function after the other and prints what came of it.
func (b *exerciser) run(ctx context.Context, out *output) error {
	if len(b.ready) == 0 {
		b.writeCannot(b.app.stderr)
		return hint(errors.New("nothing can be exercised"), "the reasons stand above")
	}
	fmt.Fprintln(b.app.stderr, cautions)
	b.answers = bufio.NewReader(b.app.stdin)
	if b.deadMan {
		b.typed = newTypedKeys()
		b.answers = bufio.NewReader(b.typed)
	}
	for _, x := range b.ready {
		outcome, err := b.one(ctx, x)
		if refused, ok := errors.AsType[*replay.RefusedError](err); ok {
			b.app.sayRefusals(refused.Refusals)
		}
		if err != nil {
			return err
		}
		b.done = append(b.done, outcome)
	}
	if err := b.write(out); err != nil {
		return err
	}
	if err := out.Commit(); err != nil {
		return err
	}
	worst := rules.Pass
	for i := range b.done {
		worst = max(worst, b.done[i].Verdict)
	}
	switch {
	case worst == rules.Fail:
		return errFailed
	case slices.ContainsFunc(b.done, func(o exercise.Outcome) bool { return o.Verdict == rules.NotTestable }):
		return errUntestable
	}
	return nil
}

// one runs an exercise: the frames beside the dialogue.
func (b *exerciser) one(ctx context.Context, x *exercise.Exercise) (exercise.Outcome, error) {
	p, err := b.job(x)
	if err != nil {
		return exercise.Outcome{}, err
	}
	open := make(chan struct{})
	var once sync.Once
	p.job.Note = func(progress replay.Progress) {
		if progress.Phase == gate.Open {
			once.Do(func() { close(open) })
		}
	}
	both, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	sent := make(chan error, 1)
	go func() {
		result, err := b.app.sendWarned(ctx, &b.sendingOptions, p.job, replay.Entry{Command: os.Args})
		for _, note := range result.Notes {
			b.app.remark("%s", note)
		}
		cancel(err)
		sent <- err
	}()
	select {
	case <-open:
	case <-both.Done(): // refused, or stopped before it began
		return exercise.Outcome{}, <-sent
	}
	outcome, err := x.Guide(both, b.talk())
	x.End()
	if ended := <-sent; ended != nil {
		err = ended
	}
	return outcome, err
}

// talk asks on standard error and reads from the keyboard.
func (b *exerciser) talk() exercise.Talk {
	end := "\n"
	if b.deadMan {
		end = "\r\n" // the terminal takes line ends as they are
	}
	return exercise.Talk{
		Tell: func(text string) { fmt.Fprint(b.app.stderr, plain(text), end) },
		Ask: func(ctx context.Context, question string) (string, error) {
			fmt.Fprint(b.app.stderr, plain(question), " ")
			type read struct {
				line string
				err  error
			}
			answer := make(chan read, 1)
			go func() { // a read from a keyboard cannot be broken off
				line, err := b.answers.ReadString('\n')
				if errors.Is(err, io.EOF) && line != "" {
					err = nil
				}
				answer <- read{line, err}
			}()
			select {
			case <-ctx.Done():
				return "", context.Cause(ctx)
			case r := <-answer:
				fmt.Fprint(b.app.stderr, end)
				return strings.TrimSpace(r.line), r.err
			}
		},
	}
}
