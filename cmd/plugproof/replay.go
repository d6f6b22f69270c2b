package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/replay"
	replies "plugproof/replay/answers"
	"plugproof/replay/gate"
)

// replayOptions are the flags of replay.
type replayOptions struct {
	profileFolders
	sendingOptions
	changeOptions
	judgingOptions
	span
	profile   string
	buses     list
	senders   list
	only      list
	permitted bool
	speed     float64
	maxGap    time.Duration
	loop      int
	late      time.Duration
	format    string
	out       string
}

func (o *replayOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringVarP(&o.profile, "profile", "p", "", "the setting of the car, by `NAME` or file")
	o.profileFolders.addFlags(flags)
	o.sendingOptions.addFlags(flags)
	flags.Var(&o.buses, "bus", "an interface of the capture and the bus that it is, as `IF=BUS`; may be repeated")
	flags.Var(&o.senders, "sender", "send what this `UNIT` of the profile sent; may be repeated")
	flags.Var(&o.only, "only", "send these messages, by `NAME` or identifier; may be repeated")
	flags.BoolVar(&o.permitted, "permitted", false, "leave out what a physical interface may not carry")
	o.span.addFlags(flags)
	flags.Float64Var(&o.speed, "speed", 1, "so many `TIMES` as fast")
	flags.DurationVar(&o.maxGap, "max-gap", 0, "shorten longer gaps between frames to this `TIME`")
	flags.IntVar(&o.loop, "loop", 1, "send it so many `TIMES`; 0: until Ctrl-C")
	flags.DurationVar(&o.late, "max-late", replay.DefaultMaxLate, "stop when the schedule is missed by more than this `TIME`")
	o.changeOptions.addFlags(flags)
	o.judgingOptions.addFlags(flags)
	flags.StringVarP(&o.format, "format", "f", "text", "`FORMAT` of the output: text or json")
	flags.StringVarP(&o.out, "out", "o", "", "write to `FILE` instead of standard output")
}

func newReplay(a *app) *cobra.Command {
	var o replayOptions
	cmd := &cobra.Command{
		Use:   "replay CAPTURE... --on INTERFACE",
		Short: "Send a capture to a unit on the bench, on time",
		Long: `Send the frames of captures on CAN interfaces, each at its own time from one
start instant. With a profile these are the messages of the unit that a new ECU
stands in for, unless --sender or --only say otherwise; without one all of them.
At the end, also after Ctrl-C, the profile's neutral values are sent.

` + sendingHelp + `

` + changesHelp + `

` + judgingHelp + `

` + spanHelp + `

` + profileHelp,
		Example: `  plugproof replay idle.log --on vcan0 --profile lowan-2-20t-a5
  plugproof replay idle.log --on vcan0 -p lowan-2-20t-a5 --ramp EngineSpeedRpm=800:6000:10s
  plugproof replay idle.log --on vcan0 -p lowan-2-20t-a5 --judge-answers --expect answers.yaml
  plugproof replay idle.log --on can0 -p lowan-2-20t-a5 --on-bench cluster --permitted --dry-run
  plugproof replay idle.log --on can0 -p lowan-2-20t-a5 --on-bench cluster --permitted --dead-man`,
		Args: atLeastOne("capture"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runReplay(cmd.Context(), a, &o, args)
		},
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
	return cmd
}

func (o *replayOptions) check() error {
	if err := o.sendingOptions.check(); err != nil {
		return err
	}
	switch {
	case !(o.speed > 0 && o.speed <= 1000):
		return hint(fmt.Errorf("--speed %g is out of range", o.speed), "more than 0, and at most 1000")
	case o.loop < 0:
		return hint(fmt.Errorf("--loop %d is out of range", o.loop), "0 is until Ctrl-C")
	case o.maxGap < 0 || o.late <= 0:
		return hint(errors.New("a length of time is not positive"), "--max-gap 1s, --max-late 500ms")
	case o.profile == "" && (len(o.senders) > 0 || o.permitted || o.onBench != ""):
		return hint(errors.New("--sender, --permitted and --on-bench need a profile"), "--profile NAME")
	}
	if err := o.judgingOptions.check(o.profile, o.dryRun); err != nil {
		return err
	}
	if err := o.span.check(); err != nil {
		return err
	}
	return oneOf("--format", o.format, "text", "json")
}

func runReplay(ctx context.Context, a *app, o *replayOptions, paths []string) error {
	if err := o.check(); err != nil {
		return err
	}
	p, err := o.prepare(ctx, a, paths)
	if err != nil {
		return err
	}
	out, err := a.output(o.out, paths...)
	if err != nil {
		return err
	}
	defer out.Drop()
	if o.dryRun {
		return p.dryRun(out)
	}
	for _, w := range p.warnings() {
		a.remark("%s", w)
	}
	return a.sendPrepared(ctx, p, out)
}

// sendPrepared sends, judges what is answered where that is asked for, and prints.
func (a *app) sendPrepared(ctx context.Context, p *prepared, out *output) error {
	judging, err := p.startJudging(&p.job)
	if err != nil {
		return err
	}
	defer judging.drop()
	p.result, err = a.send(ctx, &p.sendingOptions, p.job, p.entry())
	if refused, ok := errors.AsType[*replay.RefusedError](err); ok {
		p.refusals = refused.Refusals
		return errors.Join(err, p.writeRefused(a, out))
	}
	ended := err
	if p.answers, err = judging.judge(ctx, p); err != nil {
		return errors.Join(ended, err)
	}
	if p.result.Frames+p.result.First > 0 {
		ended = errors.Join(ended, p.write(out, ended, bool(a.colours(out))), out.Commit())
	}
	if ended != nil || p.answers == nil {
		return ended
	}
	return answersError(p.answers)
}

// prepared is a replay that is ready to be put to the gate.
type prepared struct {
	*replayOptions
	command  string
	job      replay.Job
	schedule *replay.Schedule
	reports  []capture.FileReport
	withheld []gate.Refusal // what --permitted left out
	plan     *gate.Plan
	refusals []gate.Refusal
	result   replay.Result
	library  *profiles.Library
	answers  *replies.Outcome // nil: not judged
}

// entry is what the log says of the replay.
func (p *prepared) entry() replay.Entry {
	e := replay.Entry{Command: os.Args}
	for i := range p.reports {
		e.Files = append(e.Files, p.reports[i].SHA256+" "+p.reports[i].Path)
	}
	return e
}

// prepare reads the captures and makes the job.
func (o *replayOptions) prepare(ctx context.Context, a *app, paths []string) (*prepared, error) {
	p := &prepared{replayOptions: o, command: "replay"}
	k := &keeper{o: o}
	how, err := a.reading(true)
	if err != nil {
		return nil, err
	}
	if o.profile != "" {
		if k.car.Setting, p.library, err = o.setting(o.profile); err != nil {
			return nil, err
		}
		if err := o.readExpectations(k.car.Setting); err != nil {
			return nil, err
		}
		given, err := busFlags(o.buses)
		if err != nil {
			return nil, err
		}
		if k.matched, err = check.MatchBuses(ctx, paths, how.Columns, k.car.Setting, given); err != nil {
			return nil, err
		}
	}
	if err := k.setUp(); err != nil {
		return nil, err
	}
	reader, err := capture.Open(paths, how)
	if err != nil {
		return nil, err
	}
	defer reader.Close()
	defer a.progress(reader)()
	k.names = reader.Buses()
	loops := o.loop
	if loops == 0 {
		loops = -1
	}
	p.schedule, err = replay.ReadSchedule(ctx, reader, replay.ScheduleOptions{
		Keep: k.keep, Speed: o.speed, MaxGap: o.maxGap, Loops: loops,
	})
	if k.err != nil {
		err = k.err
	}
	if errors.Is(err, replay.ErrNothing) {
		return nil, hint(err, "%s", k.nothing())
	}
	if err != nil {
		return nil, err
	}
	p.reports, p.withheld = reader.Reports(), k.withheldList()
	for i := range p.reports {
		if r := &p.reports[i]; r.Clock == capture.ClockNone && r.Frames > 1 {
			return nil, hint(fmt.Errorf("%s has no time stamps: nobody knows when its frames are due", r.Path),
				"record it with stamps, as a candump log has them")
		}
	}
	return p, p.makeJob(k)
}

func (p *prepared) makeJob(k *keeper) (err error) {
	p.job = replay.Job{
		Stream: p.schedule.Stream, Interfaces: k.interfaces, Car: k.sendCar(), Seam: p.schedule.Seam(),
		Options: replay.Options{Precise: true, MaxLate: p.late},
	}
	if p.schedule.Endless() {
		p.job.Horizon = max(2*p.schedule.Seam(), replay.DefaultHorizon)
	}
	p.apply(&p.job)
	if p.job.Changes, err = p.changes(&p.job.Car); err != nil {
		return err
	}
	if p.job.Guards, err = p.job.Car.Guards(); err != nil {
		return err
	}
	if p.loop != 1 {
		p.job.Guards.Learn(p.schedule.Loop())
	}
	return nil
}

// keeper picks the frames of the captures that are sent, and their interface.
type keeper struct {
	o          *replayOptions
	car        replay.Car // its buses are those of the capture
	matched    []check.Interface
	names      *can.Buses
	ids        []idRange
	messages   []string       // names of --only
	given      map[string]int // interface by the capture's or the setting's name of a bus
	interfaces []string
	first      string // the capture's bus that goes to an interface without a name before it
	known      map[replay.Message]verdict
	withheld   map[replay.Message]gate.Refusal
	err        error
}

// verdict is what becomes of a message.
type verdict struct {
	bus  int
	keep bool
}

// setUp parses --on and --only.
func (k *keeper) setUp() error {
	k.given, k.known, k.withheld = map[string]int{}, map[replay.Message]verdict{}, map[replay.Message]gate.Refusal{}
	for _, text := range k.o.on {
		bus, name, named := strings.Cut(text, "=")
		if !named {
			bus, name = "", text
		}
		if name == "" || slices.Contains(k.interfaces, name) {
			return hint(fmt.Errorf("--on %s: an interface is missing or named twice", text), "--on can0, or --on drive=can0 --on body=can1")
		}
		if _, twice := k.given[bus]; twice {
			return hint(fmt.Errorf("--on %s: the same bus goes to two interfaces", text), "--on drive=can0 --on body=can1")
		}
		k.given[bus] = len(k.interfaces)
		k.interfaces = append(k.interfaces, name)
	}
	for _, text := range k.o.only {
		if !looksLikeID(text) {
			k.messages = append(k.messages, text)
			if k.car.Setting == nil {
				return hint(fmt.Errorf("--only %s: without a profile no message has a name", text), "--profile NAME, or identifiers")
			}
			if k.car.Setting.Message(text) == nil {
				return hint(fmt.Errorf("--only %s: the profile has no message of that name", text), "plugproof profiles show %s", k.o.profile)
			}
			continue
		}
		r, err := parseIDRange(text)
		if err != nil {
			return err
		}
		k.ids = append(k.ids, r)
	}
	for _, unit := range k.o.senders {
		if k.car.Setting.Nodes[unit] == nil {
			return hint(fmt.Errorf("--sender %s: the profile has no unit of that name", unit), "plugproof profiles show %s", k.o.profile)
		}
	}
	return nil
}

// keep says whether a frame is sent, and on which interface.
func (k *keeper) keep(f *can.Frame) (bus int, keep bool) {
	if !k.o.holds(f) {
		return 0, false
	}
	m := replay.Message{Bus: int(f.Bus), ID: gate.IDOf(f)}
	v, known := k.known[m]
	if !known {
		v = k.judge(m, f)
		k.known[m] = v
	}
	return v.bus, v.keep
}

// judge looks at a message for the first time.
func (k *keeper) judge(m replay.Message, f *can.Frame) verdict {
	for len(k.car.Buses) <= m.Bus {
		k.car.Buses = append(k.car.Buses, k.busOf(k.names.Name(uint16(len(k.car.Buses)))))
	}
	facts := k.car.Facts(m)
	if !k.wanted(f, facts) {
		return verdict{}
	}
	if k.o.permitted {
		if r := k.car.Withheld(m, k.o.unit(k.car.Setting)); r != nil {
			r.Bus = k.names.Name(f.Bus)
			k.withheld[m] = *r
			return verdict{}
		}
	}
	bus, err := k.interfaceOf(k.names.Name(f.Bus), k.car.Buses[m.Bus])
	if err != nil && k.err == nil {
		k.err = err
	}
	return verdict{bus, err == nil}
}

// busOf returns the setting's bus of an interface of the capture.
func (k *keeper) busOf(name string) string {
	for _, in := range k.matched {
		if in.Name == name {
			return in.Bus
		}
	}
	if k.car.Setting != nil && slices.ContainsFunc(k.car.Setting.Buses, func(b *profiles.BusFacts) bool { return b.Name == name }) {
		return name
	}
	return ""
}

// wanted looks at --sender and --only. Without them a profile stands for the unit
// that a new ECU replaces.
func (k *keeper) wanted(f *can.Frame, facts *profiles.MessageFacts) bool {
	if slices.ContainsFunc(k.ids, func(r idRange) bool { return r.holds(f) }) {
		return true
	}
	if facts != nil && (slices.Contains(k.messages, facts.Name) || slices.Contains(k.o.senders, facts.Sender)) {
		return true
	}
	if len(k.o.only)+len(k.o.senders) > 0 {
		return false
	}
	return k.car.Setting == nil || facts != nil && facts.Sender == k.car.Setting.Replaced
}

// interfaceOf returns the index of the interface for a bus, by its name in the
// capture or in the setting. An interface without a bus before it takes the
// first one that has none of its own.
func (k *keeper) interfaceOf(name, bus string) (int, error) {
	for _, key := range []string{name, bus} {
		if i, ok := k.given[key]; ok && key != "" {
			return i, nil
		}
	}
	i, ok := k.given[""]
	if ok && (k.first == "" || k.first == name) {
		k.first = name
		return i, nil
	}
	return 0, hint(fmt.Errorf("no interface is named for the frames of %s", name), "--on %s=INTERFACE, or leave them out with --only or --sender", name)
}

// sendCar is the car with its buses in the order of the interfaces.
func (k *keeper) sendCar() replay.Car {
	car := replay.Car{Setting: k.car.Setting, Buses: make([]string, len(k.interfaces))}
	for i, bus := range k.car.Buses {
		if to, err := k.interfaceOf(k.names.Name(uint16(i)), bus); err == nil {
			car.Buses[to] = bus
		}
	}
	return car
}

func (k *keeper) withheldList() (list []gate.Refusal) {
	for _, r := range k.withheld {
		list = append(list, r)
	}
	slices.SortFunc(list, func(a, b gate.Refusal) int { return cmp.Or(cmp.Compare(a.Bus, b.Bus), cmp.Compare(a.ID, b.ID)) })
	return list
}

func (k *keeper) nothing() string {
	switch {
	case len(k.withheld) > 0:
		return "all of it may not be sent; without --permitted, --dry-run says why"
	case k.car.Setting != nil && len(k.o.only)+len(k.o.senders) == 0:
		return "the capture has no message of " + k.car.Setting.Replaced + ", which the profile replaces; --sender or --only choose others"
	}
	return "is the selection right, and the stretch between --from and --to?"
}

// unit is the profile's spelling of --on-bench.
func (o *sendingOptions) unit(s *profiles.Setting) string {
	job := replay.Job{Car: replay.Car{Setting: s}}
	o.apply(&job)
	return job.OnBench
}

// warnings say what a user should know before a replay.
func (p *prepared) warnings() (list []string) {
	s := p.schedule
	add := func(is bool, format string, args ...any) {
		if is {
			list = append(list, fmt.Sprintf(format, args...))
		}
	}
	add(p.speed != 1, "at %g times the speed the time-outs of listeners mean nothing", p.speed)
	add(s.Backward > 0, "%s back in time: small ones were put in order, after larger ones time goes on", plural(int(min(s.Backward, math.MaxInt)), "step"))
	add(s.LongestGap > time.Minute && s.Shortened == 0, "there is a gap of %v after %v: --max-gap 1s shortens it",
		s.LongestGap.Round(time.Second), s.GapAt.Round(time.Millisecond))
	add(s.Shortened > 0, "%s shortened to %v, the longest was %v", plural(s.Shortened, "gap"), p.maxGap, s.LongestGap.Round(time.Millisecond))
	add(s.ErrorFrames > 0, "%s left out: they are never sent", plural(int(s.ErrorFrames), "error frame"))
	add(len(p.withheld) > 0, "%s left out, which a physical interface may not carry", plural(len(p.withheld), "message"))
	return list
}
