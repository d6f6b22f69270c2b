package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/replay"
	"plugproof/replay/standin"
)

// standinOptions are the flags of standin.
type standinOptions struct {
	profileFolders
	sendingOptions
	profile string
	script  string
	only    list
	seconds float64
	late    time.Duration
	format  string
	out     string
}

func (o *standinOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringVarP(&o.profile, "profile", "p", "", "the setting of the car, by `NAME` or file")
	o.profileFolders.addFlags(flags)
	o.sendingOptions.addFlags(flags)
	flags.StringVar(&o.script, "script", "", "take the values from the value script `FILE`")
	flags.Var(&o.only, "only", "send only this `MESSAGE`; may be repeated")
	flags.Float64Var(&o.seconds, "seconds", 0, "end after so many `SECONDS`")
	flags.DurationVar(&o.late, "max-late", replay.DefaultMaxLate, "stop when the schedule is missed by more than this `TIME`")
	flags.StringVarP(&o.format, "format", "f", "text", "`FORMAT` of the output: text or json")
	flags.StringVarP(&o.out, "out", "o", "", "write to `FILE` instead of standard output")
}

func newStandin(a *app) *cobra.Command {
	var o standinOptions
	cmd := &cobra.Command{
		Use:   "standin UNIT... --profile NAME --on INTERFACE",
		Short: "Send what units of the car would, to another on the bench",
		Long: `Send the messages of units that are not there: the rest of the car for a cluster
alone on the bench, or the engine for a gearbox. Cycles, counters, checksums,
multiplexer pages and start values come from the profile and its DBC files; a
unit begins with its start values, as after power-up.

Without --script signals keep their start values. A value script is YAML:
  format: 1
  values: {EngineSpeed.EngineSpeedRpm: 800, EngineSpeed.EngineState: Running}
  steps:
    - at: 2s
      set: {EngineTemps.CoolantTemp: not-available}
    - ramp: {EngineSpeed.EngineSpeedRpm: 3000}
      over: 5s
    - hold: 2s
    - power: off
      hold: 3s
    - power: on
    - send: [EngineCruise]
    - repeat: 3        # or forever, as the last step
      steps: [...]
boot: 60ms and start_values: 250ms at its top say how the units come up. Without
steps it goes on until Ctrl-C or the end of --seconds.

` + sendingHelp + `

` + profileHelp,
		Example: `  plugproof standin Engine -p lowan-2-20t-a5 --on vcan0 --script idle.yaml
  plugproof standin Engine Gearbox -p lowan-2-20t-a5 --on drive=vcan0 --seconds 20
  plugproof standin Engine -p lowan-2-20t-a5 --on can0 --only EngineSpeed --only EngineTemps \
    --on-bench cluster --dead-man`,
		Args: atLeastOne("unit of the profile"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if cmd.Flags().Changed("seconds") && !(o.seconds > 0 && o.seconds <= 1e6) {
				return hint(fmt.Errorf("--seconds %g is out of range", o.seconds), "more than 0, and at most 1000000")
			}
			return runStandin(cmd.Context(), a, &o, args)
		},
	}
	o.addFlags(cmd.Flags())
	return cmd
}

func runStandin(ctx context.Context, a *app, o *standinOptions, units []string) error {
	if err := oneOf("--format", o.format, "text", "json"); err != nil {
		return err
	}
	if o.profile == "" {
		return hint(errors.New("standin needs --profile"), "--profile NAME or --profile FILE.yaml")
	}
	if err := o.sendingOptions.check(); err != nil {
		return err
	}
	if o.late <= 0 {
		return hint(errors.New("a length of time is not positive"), "--max-late 500ms")
	}
	p, err := o.prepare(units)
	if err != nil {
		return err
	}
	out, err := a.output(o.out, o.script, o.profile)
	if err != nil {
		return err
	}
	defer out.Drop()
	if o.dryRun {
		return p.dryRun(out)
	}
	return a.sendPrepared(ctx, p, out)
}

// prepare makes the job of a stand-in.
func (o *standinOptions) prepare(units []string) (*prepared, error) {
	setting, _, err := o.setting(o.profile)
	if err != nil {
		return nil, err
	}
	config := standin.Config{Setting: setting}
	if config.Nodes, err = unitNames(setting, units); err != nil {
		return nil, err
	}
	if o.script != "" {
		src, err := check.ReadSmall(o.script)
		if err != nil {
			return nil, err
		}
		if config.Script, err = standin.ParseScript(o.script, src); err != nil {
			return nil, err
		}
	}
	given, err := o.interfaces()
	if err != nil {
		return nil, err
	}
	if config.Messages, err = o.messages(&config, given); err != nil {
		return nil, err
	}
	first, err := standin.New(config)
	if err != nil {
		return nil, err
	}
	p := &prepared{
		replayOptions: &replayOptions{sendingOptions: o.sendingOptions, profile: o.profile, format: o.format, speed: 1},
		command:       "standin", schedule: &replay.Schedule{},
	}
	p.job = replay.Job{Car: replay.Car{Setting: setting}, Options: replay.Options{Precise: true, MaxLate: o.late}}
	for _, bus := range first.Buses().All() {
		p.job.Car.Buses = append(p.job.Car.Buses, bus.Name)
		p.job.Interfaces = append(p.job.Interfaces, given.of(bus.Name))
	}
	length, ends := first.Length()
	limit := time.Duration(o.seconds * float64(time.Second))
	if limit == 0 && !ends {
		p.job.Horizon = max(2*length, replay.DefaultHorizon)
	}
	p.job.Stream = func() replay.Stream {
		s, err := standin.New(config) // it worked before
		return &limited{stream: s, limit: limit, err: err}
	}
	p.apply(&p.job)
	return p, nil
}

// messages lists what the units send on buses that have an interface, of what
// --only names.
func (o *standinOptions) messages(c *standin.Config, given onInterfaces) ([]string, error) {
	buses := map[string]bool{}
	var names []string
	for _, m := range c.Setting.Messages {
		if m.Def == nil || !m.Expected || !slices.Contains(c.Nodes, m.Sender) {
			continue
		}
		if len(o.only) > 0 && !slices.Contains(o.only, m.Name) {
			continue
		}
		buses[m.Bus] = true
		if given.of(m.Bus) != "" {
			names = append(names, m.Name)
		}
	}
	for _, name := range o.only {
		if m := c.Setting.Message(name); m == nil || !slices.Contains(c.Nodes, m.Sender) {
			return nil, hint(fmt.Errorf("--only %s: %s sends no such message", name, strings.Join(c.Nodes, ", ")), "plugproof profiles show %s", o.profile)
		}
	}
	if list := slices.Sorted(maps.Keys(buses)); given[""] != "" && len(list) > 1 {
		return nil, hint(fmt.Errorf("--on %s: %s sends on %s", given[""], strings.Join(c.Nodes, ", "), strings.Join(list, " and ")),
			"--on %s=%s", list[0], given[""])
	}
	if len(names) == 0 {
		return nil, hint(fmt.Errorf("%s sends nothing on the buses that have an interface", strings.Join(c.Nodes, ", ")), "--on BUS=INTERFACE")
	}
	return names, nil
}

// onInterfaces is the interface for each bus of the setting; "": any bus.
type onInterfaces map[string]string

func (g onInterfaces) of(bus string) string {
	if name := g[bus]; name != "" {
		return name
	}
	return g[""]
}

// interfaces parses --on for commands that send on buses of a setting.
func (o *sendingOptions) interfaces() (onInterfaces, error) {
	given := onInterfaces{}
	for _, text := range o.on {
		bus, name, named := strings.Cut(text, "=")
		if !named {
			bus, name = "", text
		}
		if name == "" || named && bus == "" {
			return nil, hint(fmt.Errorf("--on %s: a name is missing", text), "--on can0, or --on drive=can0 --on body=can1")
		}
		if given[bus] != "" || slices.Contains(slices.Collect(maps.Values(given)), name) {
			return nil, hint(fmt.Errorf("--on %s: named twice", text), "--on drive=can0 --on body=can1")
		}
		given[bus] = name
	}
	if given[""] != "" && len(given) > 1 {
		return nil, hint(fmt.Errorf("--on %s: which bus is it?", given[""]), "--on drive=can0 --on body=can1")
	}
	return given, nil
}

// unitNames returns the profile's spelling of units.
func unitNames(s *profiles.Setting, units []string) ([]string, error) {
	var names []string
	have := slices.Sorted(maps.Keys(s.Nodes))
	for _, unit := range units {
		at := slices.IndexFunc(have, func(name string) bool { return strings.EqualFold(name, unit) })
		if at < 0 {
			return nil, hint(fmt.Errorf("%s has no unit %q", s.Name, unit), "there are %s", strings.Join(have, ", "))
		}
		names = append(names, have[at])
	}
	slices.Sort(names)
	return slices.Compact(names), nil
}

// limited ends a stream after some time.
type limited struct {
	stream replay.Stream
	limit  time.Duration // 0: none
	err    error
}

func (l *limited) Next(item *replay.Item) error {
	if l.err != nil {
		return l.err
	}
	if err := l.stream.Next(item); err != nil {
		return err
	}
	if l.limit > 0 && item.Offset >= l.limit {
		return io.EOF
	}
	return nil
}
