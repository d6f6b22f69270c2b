package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"plugproof/replay"
	"plugproof/replay/gate"
)

// sendingHelp explains the flags of every command that sends.
const sendingHelp = `On a virtual interface (vcan, or vxcan with both ends here, and nothing in the
kernel that carries its frames on) anything may be sent. On any other one the
gate asks for a profile whose author lists what may be sent, for the one unit
that lies on the bench (--on-bench cluster) and for a key held on this keyboard
(--dead-man, let go of for half a second: stop). It listens first, for 10 seconds
at least, and refuses when anything but that unit is heard. For that it sets the
interface down and up in listen-only mode, and back before anything is sent,
where the adapter has that mode and you have the rights (root). It sends the
first identifier alone for 2 seconds, listens again, and goes on with one frame
under way at a time. Identifiers of diagnosis, restraint systems, brakes,
steering, immobiliser, odometer and flashing are never sent there; no flag opens
them.

Who sent what, where, when and under which statement is added to the file --log.`

// cautions come before anything is sent.
const cautions = `Sending frames can start fans, move a throttle plate, release a gearbox or light
warning lamps. Send only to a unit that lies on a bench, never into a car; keep
hands and loose parts away from what may move; have the power supply's switch
within reach. Local rules come first, and work on brakes, restraint systems or
high voltage belongs to licensed persons. What is shown here proves nothing about
use on the road or emissions.`

// sendingOptions are the flags of every command that sends.
type sendingOptions struct {
	on      list
	onBench string
	deadMan bool
	maxLoad float64
	log     string
	dryRun  bool
	typed   *typedKeys // takes what is typed beside the dead-man key; nil: nobody does
}

func (o *sendingOptions) addFlags(flags *pflag.FlagSet) {
	flags.Var(&o.on, "on", "send on this `INTERFACE`, or as BUS=INTERFACE what is of one bus; may be repeated")
	flags.StringVar(&o.onBench, "on-bench", "", "state which `UNIT` of the profile is on the bench: that one alone, no car")
	flags.BoolVar(&o.deadMan, "dead-man", false, "send only while a key of this keyboard is held")
	flags.Float64Var(&o.maxLoad, "max-load", 100*gate.DefaultMaxLoad, "refuse more than so many `PERCENT` of a bus")
	flags.StringVar(&o.log, "log", "", "add what was sent to `FILE` (usual: sent.jsonl in the user's state folder)")
	flags.BoolVar(&o.dryRun, "dry-run", false, "show what would be sent and refused, and send nothing")
}

func (o *sendingOptions) check() error {
	switch {
	case len(o.on) == 0:
		return hint(errors.New("no interface is named"), "--on INTERFACE; plugproof interfaces lists what there is")
	case !(o.maxLoad > 0 && o.maxLoad <= 100):
		return hint(fmt.Errorf("--max-load %g is out of range", o.maxLoad), "more than 0, and at most 100")
	}
	return nil
}

// apply sets what the flags say in a job; unit is the profile's spelling of --on-bench.
func (o *sendingOptions) apply(job *replay.Job) {
	job.OnBench, job.DeadMan, job.MaxLoad = o.onBench, o.deadMan, o.maxLoad/100
	if job.Car.Setting == nil {
		return
	}
	for name := range job.Car.Setting.Nodes { // cluster means Cluster
		if strings.EqualFold(name, o.onBench) {
			job.OnBench = name
		}
	}
}

// send shows the cautions, opens the log and the key, and runs the job. what goes
// into the log: the command line, and the files that are sent.
func (a *app) send(ctx context.Context, o *sendingOptions, job replay.Job, what replay.Entry) (replay.Result, error) {
	fmt.Fprintln(a.stderr, cautions)
	return a.sendWarned(ctx, o, job, what)
}

// sendWarned is send for those who have shown the cautions.
func (a *app) sendWarned(ctx context.Context, o *sendingOptions, job replay.Job, what replay.Entry) (replay.Result, error) {
	log, err := o.openLog(what)
	if err != nil {
		return replay.Result{}, err
	}
	defer log.Close()
	job.Log = log
	if o.deadMan {
		keys, ctxKey, stop, err := deadManKey(ctx, o.typed)
		if err != nil {
			return replay.Result{}, err
		}
		defer stop()
		job.Keys, ctx = keys, ctxKey
		a.remark("hold the space bar down now and until the end")
	}
	show, done := a.sendingProgress()
	defer done()
	if told := job.Note; told == nil {
		job.Note = show
	} else {
		job.Note = func(p replay.Progress) {
			told(p)
			if show != nil {
				show(p)
			}
		}
	}
	return replay.Run(ctx, job)
}

// openLog opens the log of what was sent.
func (o *sendingOptions) openLog(who replay.Entry) (*replay.Log, error) {
	path := o.log
	if path == "" {
		dir := os.Getenv("XDG_STATE_HOME")
		if dir == "" {
			home, err := os.UserHomeDir()
			if err != nil {
				return nil, hint(errors.New("nobody says where to log what is sent"), "--log FILE")
			}
			dir = filepath.Join(home, ".local", "state")
		}
		path = filepath.Join(dir, "plugproof", "sent.jsonl")
	}
	who.User = strconv.Itoa(os.Getuid())
	if u, err := user.Current(); err == nil {
		who.User = u.Username
	}
	who.Host, _ = os.Hostname()                     // "": not known
	log, err := replay.OpenLog(path, time.Now, who) //nolint:forbidigo // the log says when things were sent
	return log, hint(err, "--log FILE, where you may write: nothing is sent that is not logged")
}

// sendingProgress shows on a terminal how far a job is: one line, once a second.
func (a *app) sendingProgress() (show func(replay.Progress), done func()) {
	if a.quiet {
		return nil, func() {}
	}
	phase, live, shown := gate.Phase(-1), isTerminal(a.stderr), -time.Second
	show = func(p replay.Progress) {
		if p.Phase != phase {
			phase, shown = p.Phase, -time.Second
			if text := phaseText(p); text != "" {
				fmt.Fprintf(a.stderr, "%splugproof: %s\n", clearLine(live), text)
			}
		}
		if !live || p.Since-shown < time.Second {
			return
		}
		shown = p.Since
		fmt.Fprintf(a.stderr, "%s%s frames, %.0f s", clearLine(live), grouped(p.Frames), p.Since.Seconds())
		if p.Lasts > 0 {
			fmt.Fprintf(a.stderr, " of %.0f s", p.Lasts.Seconds())
		}
	}
	return show, func() { fmt.Fprint(a.stderr, clearLine(live)) }
}

// clearLine goes back to the start of a terminal's line and empties it.
func clearLine(live bool) string {
	if live {
		return "\r\x1b[K"
	}
	return ""
}

func phaseText(p replay.Progress) string {
	switch p.Phase {
	case gate.Quiet:
		return fmt.Sprintf("listening in listen-only mode for %.0f s, nothing is sent yet", p.Lasts.Seconds())
	case gate.Listening:
		return fmt.Sprintf("listening for %.0f s, nothing is sent yet", p.Lasts.Seconds())
	case gate.First:
		return "sending the first identifier alone"
	case gate.Again:
		return "listening again"
	case gate.Open:
		return "sending"
	}
	return ""
}

// sayRefusals lists why nothing was sent; a single reason is the error itself.
func (a *app) sayRefusals(refusals []gate.Refusal) {
	if len(refusals) < 2 {
		return
	}
	for i := range refusals {
		r := &refusals[i]
		fmt.Fprintf(a.stderr, "plugproof: %s\n", plain(r.Reason))
		if r.Try != "" {
			fmt.Fprintf(a.stderr, "  hint: %s\n", plain(r.Try))
		}
	}
}
