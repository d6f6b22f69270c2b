package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"plugproof/decode/atomicfile"
	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles/check"
	"plugproof/profiles/guide"
	"plugproof/profiles/job"
	"plugproof/profiles/stages"
	"plugproof/replay/socketcan"
)

// scriptHelp explains the flags of scriptOptions in a command's help.
const scriptHelp = `--script leads through the capture script: it says what to do, watches what that
leads to, and marks the stages in FILE.stages.yaml. Enter goes on, again repeats
a step, skip leaves it out, finish ends. With --profile it knows what each step
must show and says at the end whether the recording is good enough. The same
script is done before and after the swap. --from replays a capture instead of
recording from an interface: for practice, and to mark one taken elsewhere.`

// scriptOptions are the flags of a guided recording.
type scriptOptions struct {
	recording recordingOptions
	script    bool
	from      string
	stages    list
	quick     bool
	handsFree bool
	job       string
	moment    string
}

func (o *scriptOptions) addFlags(flags *pflag.FlagSet) {
	flags.BoolVar(&o.script, "script", false, "lead through the capture script")
	flags.StringVarP(&o.recording.profile, "profile", "p", "", "the setting of the car, by `NAME` or file, for --script")
	o.recording.profileFolders.addFlags(flags)
	flags.Var(&o.recording.buses, "bus", "an interface and the bus that it is, as `IF=BUS`; may be repeated")
	flags.StringVar(&o.from, "from", "", "take the frames from this `CAPTURE`, for --script")
	flags.Var(&o.stages, "stages", "only these `STAGES` of the script")
	flags.BoolVar(&o.quick, "quick", false, "the shortest steps: for practice, not for a baseline")
	flags.BoolVar(&o.handsFree, "hands-free", false, "go on by itself when a step takes too long")
	flags.StringVar(&o.job, "job", "", "file the recording in the job in this `DIR`")
	flags.StringVar(&o.moment, "moment", "", "`WHEN` in the job: baseline, unplugged, bench or after")
}

// check refuses flags that need --script.
func (o *scriptOptions) check(record *recordOptions) error {
	if !o.script {
		if o.from != "" || o.quick || o.handsFree || len(o.stages) > 0 || o.job != "" || o.moment != "" || o.recording.profile != "" {
			return hint(errors.New("--profile, --from, --stages, --quick, --hands-free and --job are of a guided recording"), "--script")
		}
		return nil
	}
	switch {
	case (o.from == "") == (len(record.on) == 0):
		return hint(errors.New("record --script needs --on or --from, one of them"), "plugproof record --help shows an example")
	case (o.job == "") == (record.out == ""):
		return hint(errors.New("record --script needs --out or --job, one of them"), "plugproof record --help shows an example")
	case o.job != "" && !job.Moment(o.moment).Valid():
		return hint(fmt.Errorf("--moment %q is none of a job", o.moment), "baseline, unplugged, bench or after")
	case o.job == "" && o.moment != "":
		return hint(errors.New("--moment is of a job"), "--job DIR")
	}
	return nil
}

// guided is a guided recording on its way.
type guided struct {
	a       *app
	o       *scriptOptions
	path    string // of the capture
	file    *socketcan.File
	session *guide.Session
	at      int // steps begun, for people
}

// runScript records, guided.
func runScript(ctx context.Context, a *app, record *recordOptions) error {
	o := &record.scriptOptions
	var j *job.Job
	path := record.out
	if o.job != "" {
		var err error
		if j, err = openJob(o.job); err != nil {
			return err
		}
		if o.recording.profile == "" {
			o.recording.profile = j.Card.Settings.Network
		}
		path = j.Path(j.NewCapture(job.Moment(o.moment), ".log"))
	}
	if err := recordGuided(ctx, a, record, path); err != nil {
		return err
	}
	e := job.Entry{Moment: job.Moment(o.moment), Scope: string(job.Moment(o.moment).Scope()), Time: now()}
	e, judged, err := a.judgeRecorded(ctx, &o.recording, e, path)
	if err != nil {
		return err
	}
	a.sayVerdict(o, e, judged)
	if j != nil {
		if _, err := j.FileCapture(path, e); err != nil {
			return err
		}
		return a.printNext(j)
	}
	if judged && len(e.Repeat) > 0 {
		return errUntestable
	}
	return nil
}

// recordGuided makes the capture and its stages file.
func recordGuided(ctx context.Context, a *app, record *recordOptions, path string) error {
	o := &record.scriptOptions
	buses := &can.Buses{}
	var from *capture.Reader
	if o.from == "" {
		if err := socketcan.Ready(record.on, record.bench != ""); err != nil {
			return err
		}
	} else {
		var err error
		if from, err = capture.Open([]string{o.from}, capture.Options{}); err != nil {
			return err
		}
		defer from.Close()
		buses = from.Buses()
	}
	options, err := o.guideOptions(ctx, record, buses)
	if err != nil {
		return err
	}
	g := &guided{a: a, o: o, path: path}
	if g.session, err = guide.NewSession(options, g.say); err != nil {
		return err
	}
	if g.file, err = socketcan.Create(path, buses); err != nil {
		return err
	}
	if from != nil {
		err = g.fromFile(ctx, from)
	} else {
		err = g.live(ctx, record, buses)
	}
	if closing := g.file.Close(); err == nil {
		err = closing
	}
	if marking := g.mark(); err == nil {
		err = marking
	}
	return err
}

// guideOptions finds out which interface is which bus of the setting.
func (o *scriptOptions) guideOptions(ctx context.Context, record *recordOptions, buses *can.Buses) (guide.Options, error) {
	out := guide.Options{Stages: o.stages, Quick: o.quick, HandsFree: o.handsFree || o.from != ""}
	names := map[string]string{}
	out.Buses = func(bus uint16) string { return names[buses.Name(bus)] }
	if o.recording.profile == "" {
		return out, nil
	}
	o.recording.scope = string(job.Moment(o.moment).Scope())
	given, err := o.recording.given()
	if err != nil {
		return out, err
	}
	if out.Setting, _, err = o.recording.setting(o.recording.profile); err != nil {
		return out, err
	}
	var matched []check.Interface
	if o.from != "" {
		if matched, err = check.MatchBuses(ctx, []string{o.from}, nil, out.Setting, given); err != nil {
			return out, hint(err, "--bus IF=BUS")
		}
	} else if matched, err = check.NameBuses(record.on, out.Setting, given); err != nil {
		return out, hint(err, "--bus IF=BUS, as in --bus %s=%s", record.on[0], out.Setting.Buses[0].Name)
	}
	for _, m := range matched {
		if m.Bus != "" {
			names[m.Name] = m.Bus
			out.On = append(out.On, m.Bus)
		}
	}
	return out, nil
}

// say prints one line of the guide.
func (g *guided) say(l guide.Line) {
	w := g.a.stdout
	switch l.Kind {
	case guide.Caution:
		writeLine(w, "  careful: "+l.Text, 11)
	case guide.Do:
		g.at++
		writeLine(w, fmt.Sprintf("%2d  %s", g.at, l.Text), 4)
	case guide.Seen:
		fmt.Fprintf(w, "    seen: %s\n", l.Text)
	case guide.Wanted:
		writeLine(w, "    missing: "+l.Text, 13)
	case guide.Trouble:
		writeLine(w, "    trouble: "+l.Text, 13)
	case guide.Done:
		fmt.Fprintf(w, "    done: %s\n", l.Text)
	}
}

// mark writes the stages file of what was done so far.
func (g *guided) mark() error {
	spans := g.session.Spans()
	if len(spans) == 0 {
		return nil
	}
	return atomicfile.WriteFile(g.path+".stages.yaml", stages.Format(filepath.Base(g.path), spans))
}

// Write implements socketcan.Sink: frames go to the file and to the guide.
func (g *guided) Write(frames []can.Frame) error {
	if err := g.file.Write(frames); err != nil {
		return err
	}
	return g.session.Write(frames)
}

// Sync implements socketcan.Sink: what was done is safe on the disk.
func (g *guided) Sync() error {
	if err := g.file.Sync(); err != nil {
		return err
	}
	return g.mark()
}

// live records from interfaces until the script is over.
func (g *guided) live(ctx context.Context, record *recordOptions, buses *can.Buses) error {
	timed, cancel := context.WithCancel(ctx)
	defer cancel()
	answers := newAnswers(timed, g.a.stdin)
	go func() {
		defer cancel()
		tick := time.NewTicker(200 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case now := <-tick.C:
				g.session.Tick(now.UnixNano())
			case line, ok := <-answers.lines:
				if ok {
					g.session.Answer(line)
				} else {
					answers.lines = nil // nobody answers any more
				}
			case <-g.session.Finished():
				return
			case <-timed.Done():
				return
			}
		}
	}()
	done, err := socketcan.Record(timed, socketcan.Recording{
		Interfaces: record.on, Buses: buses, Bench: record.bench != "",
		Note: func(text string) { g.a.remark("%s", text) },
	}, g)
	switch {
	case err != nil:
		return err
	case done.Lost > 0:
		return &socketcan.Error{Op: "record everything", Err: fmt.Errorf("%d frames were lost, this machine did not read them in time", done.Lost)}
	}
	return context.Cause(ctx)
}

// fromFile takes the frames of a capture, as fast as they can be read. Nobody
// answers.
func (g *guided) fromFile(ctx context.Context, r *capture.Reader) error {
	frames := make([]can.Frame, 256)
	last := int64(0)
	for {
		n, err := r.Read(ctx, frames)
		if n > 0 {
			last = frames[n-1].Time
			if err := g.Write(frames[:n]); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
	}
	if last == 0 {
		return fmt.Errorf("%s holds no frame", g.o.from)
	}
	const quiet = 10 // seconds in which nothing comes after the end
	for s := range int64(quiet) {
		g.session.Tick(last + (s+1)*int64(time.Second))
	}
	g.session.Answer(guide.Finish)
	return nil
}

// judgeRecorded judges a capture by a setting, and says what must be done again.
// Without a setting, or without the ECU, it is not judged.
func (a *app) judgeRecorded(ctx context.Context, o *recordingOptions, e job.Entry, path string) (job.Entry, bool, error) {
	if o.profile == "" || e.Moment == job.Unplugged {
		return e, false, nil
	}
	r := *o
	r.scope = string(e.Moment.Scope())
	in, opened, err := r.input(ctx, a, []string{path}, false)
	for _, c := range opened {
		defer c.Close()
	}
	if err != nil {
		return e, false, err
	}
	out, err := a.check(ctx, in)
	if err != nil {
		return e, false, err
	}
	e.Buses = busesOf(out.Interfaces)
	return job.Judged(e, in.Setting.Name, out.Result), true, nil
}

// sayVerdict ends a guided recording in one of two sentences.
func (a *app) sayVerdict(o *scriptOptions, e job.Entry, judged bool) {
	w := a.stdout
	fmt.Fprintln(w)
	for _, f := range e.Findings {
		writeLine(w, "  "+f, 4)
	}
	good := "The recording is good enough: everything in it could be judged."
	if o.job == "" || job.Moment(o.moment) == job.Baseline {
		good = "The baseline is good enough: you may unplug the factory ECU."
	}
	switch {
	case !judged:
		fmt.Fprintln(w, "Whether it is good enough was not judged: that needs the setting of the car.")
	case len(e.Repeat) == 0:
		fmt.Fprintln(w, good)
	default:
		writeLine(w, "Repeat these steps, because what hangs on them could not be judged: "+strings.Join(e.Repeat, "; ")+".", 0)
	}
}
