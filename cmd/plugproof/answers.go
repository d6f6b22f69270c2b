package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/spf13/pflag"

	"plugproof/decode/can"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/report"
	"plugproof/profiles/rules"
	"plugproof/replay"
	replies "plugproof/replay/answers"
	"plugproof/replay/socketcan"
)

// judgingHelp explains the flags of judgingOptions in a command's help.
const judgingHelp = `--judge-answers records what the units on the bench answer until the last frame
was sent, and judges it by the rules of check and by the expectations of --expect:
  format: 1
  expect:
    - {message: ClusterStatus, within: 500ms, every: 300ms}
    - {signal: ClusterStatus.IsEngineSpeedMissing, stays: 0, from: 2s}
    - {signal: GearboxStatus.IsGearboxLimp, becomes: 1, from: 5s, within: 3s}
    - signal: GearRelay.RelayLever
      follows: GearboxStatus.LeverPosition
      within: 300ms
Times count from the first frame. The exit code is that of the verdict then.`

// judgingOptions are the flags of a command that judges what is answered.
type judgingOptions struct {
	judgeAnswers bool
	expect       string
	answersFile  string
	expectations *replies.Expectations // nil: none
}

func (o *judgingOptions) addFlags(flags *pflag.FlagSet) {
	flags.BoolVar(&o.judgeAnswers, "judge-answers", false, "judge what the units on the bench answer")
	flags.StringVar(&o.expect, "expect", "", "judge by the expectations in `FILE` too")
	flags.StringVar(&o.answersFile, "answers", "", "keep what was on the bus meanwhile in the new `FILE`")
}

func (o *judgingOptions) check(profile string, dryRun bool) error {
	switch {
	case !o.judgeAnswers && o.expect != "":
		return hint(errors.New("--expect needs --judge-answers"), "add it")
	case !o.judgeAnswers && o.answersFile != "":
		return hint(errors.New("--answers needs --judge-answers"), "record writes a capture of what is on the bus")
	case o.judgeAnswers && profile == "":
		return hint(errors.New("--judge-answers needs a profile"), "--profile NAME")
	case o.judgeAnswers && dryRun:
		return hint(errors.New("--judge-answers and --dry-run contradict each other"), "leave one out")
	}
	return nil
}

// readExpectations reads the file of --expect.
func (o *judgingOptions) readExpectations(setting *profiles.Setting) error {
	if o.expect == "" {
		return nil
	}
	src, err := check.ReadSmall(o.expect)
	if err != nil {
		return err
	}
	o.expectations, err = replies.Parse(o.expect, src, setting)
	return err
}

// judging is a recording of what is answered while a job runs. nil: none.
type judging struct {
	path     string
	dir      string // that is removed in the end; "": the user keeps the file
	begin    atomic.Int64
	stop     context.CancelFunc
	recorded chan error
	ended    chan struct{} // closed when all is recorded
	virtual  bool
	played   []string // names of messages
}

// startJudging begins to record, and has the job say when its first and its last
// frame were sent.
func (p *prepared) startJudging(job *replay.Job) (*judging, error) {
	if !p.judgeAnswers {
		return nil, nil
	}
	j := &judging{path: p.answersFile, recorded: make(chan error, 1), ended: make(chan struct{}), virtual: true}
	facts, err := socketcan.Facts(job.Interfaces)
	if err != nil {
		return nil, err
	}
	plan, _, err := job.Plan()
	if err != nil {
		return nil, err
	}
	for i := range plan.Messages {
		j.played = append(j.played, plan.Messages[i].Name)
	}
	for i := range facts {
		j.virtual = j.virtual && facts[i].Physical() == ""
	}
	if j.path == "" {
		if j.dir, err = os.MkdirTemp("", "plugproof-answers-"); err != nil {
			return nil, err
		}
		j.path = filepath.Join(j.dir, "answers.pcapng")
	}
	if err := j.record(job); err != nil {
		j.drop()
		return nil, err
	}
	told := job.Sent
	job.Sent = func(item *replay.Item, late time.Duration) {
		if j.begin.Load() == 0 {
			j.begin.Store(time.Now().Add(-late - item.Offset).UnixNano()) //nolint:forbidigo // the kernel stamps by this clock
		}
		if told != nil {
			told(item, late)
		}
	}
	job.Played = func() { // neutral values are no part of it: they wait
		j.stop()
		<-j.ended
	}
	return j, nil
}

// record records the interfaces of the job. They take part in the bus already:
// the gate asks for that.
func (j *judging) record(job *replay.Job) error {
	var buses can.Buses
	file, err := socketcan.Create(j.path, &buses)
	if err != nil {
		return err
	}
	ctx, stop := context.WithCancel(context.Background())
	j.stop = stop
	go func() {
		defer close(j.ended)
		done, err := socketcan.Record(ctx, socketcan.Recording{
			Interfaces: slices.Sorted(slices.Values(job.Interfaces)), Buses: &buses, Bench: true,
		}, file)
		if err == nil && done.Lost > 0 {
			err = &socketcan.Error{Op: "record all answers", Err: fmt.Errorf("%d frames were lost, this machine did not read them in time", done.Lost)}
		}
		j.recorded <- errors.Join(err, file.Close())
	}()
	return nil
}

// drop removes a recording that nobody wants to keep.
func (j *judging) drop() {
	if j == nil {
		return
	}
	if j.stop != nil {
		j.stop()
	}
	if j.dir != "" {
		os.RemoveAll(j.dir)
	}
}

// judge judges what was recorded; nil where nothing was sent or asked for.
func (j *judging) judge(ctx context.Context, p *prepared) (*replies.Outcome, error) {
	if j == nil {
		return nil, nil
	}
	j.stop()
	if err := <-j.recorded; err != nil || p.result.Frames == 0 || ctx.Err() != nil {
		return nil, err
	}
	in := &replies.Input{
		Setting: p.job.Car.Setting, Library: p.library, Capture: j.path, Buses: map[string]string{},
		Expect: p.expectations, Begin: j.begin.Load(), Virtual: j.virtual, Played: j.played,
	}
	for i, name := range p.job.Interfaces {
		if bus := p.busName(i); bus != "" {
			in.Buses[name] = bus
		}
	}
	return replies.Run(ctx, in)
}

// answersError gives the exit code of what was answered as an error.
func answersError(o *replies.Outcome) error {
	switch {
	case o.Verdict == rules.Fail:
		return errFailed
	case o.Unjudged():
		return errUntestable
	}
	return nil
}

// writeAnswers prints the verdict on what was answered, and the expectations.
func writeAnswers(w io.Writer, o *replies.Outcome, colour bool) error {
	fmt.Fprintf(w, "\nWhat the units on the bench answered: %s\n", strings.ToUpper(o.Verdict.String()))
	for i := range o.Expected {
		fmt.Fprintf(w, "  %-13s %s\n", o.Expected[i].Verdict, plain(o.Expected[i].Text))
	}
	fmt.Fprintln(w)
	return report.Text(w, o.Report(), report.Options{Colour: colour})
}

// answersJSON is what was answered, in the JSON output of a replay.
type answersJSON struct {
	Verdict  rules.Verdict   `json:"verdict"`
	Expected []expectedJSON  `json:"expected"`
	Check    json.RawMessage `json:"check"` // a document of plugproof check
}

type expectedJSON struct {
	Verdict  rules.Verdict   `json:"verdict"`
	Rule     string          `json:"rule"`
	Text     string          `json:"text"`
	From     string          `json:"from"` // file:line:col of the expectation
	Measured *rules.Quantity `json:"measured,omitempty"`
	Limit    *rules.Quantity `json:"limit,omitempty"`
	Example  *rules.Example  `json:"example,omitempty"`
}

func (p *prepared) answersDocument() (*answersJSON, error) {
	files, err := check.SettingFiles(p.library, p.job.Car.Setting)
	if err != nil {
		return nil, err
	}
	var doc bytes.Buffer
	if err := report.JSON(&doc, p.answers.Report(), toolVersion, files); err != nil {
		return nil, err
	}
	d := &answersJSON{Verdict: p.answers.Verdict, Expected: []expectedJSON{}, Check: doc.Bytes()}
	for i := range p.answers.Expected {
		f := &p.answers.Expected[i]
		d.Expected = append(d.Expected, expectedJSON{f.Verdict, f.Rule, f.Text, f.LimitFrom, f.Measured, f.Limit, f.Example})
	}
	return d, nil
}
