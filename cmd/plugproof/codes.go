package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/job"
	"plugproof/profiles/rules"
	"plugproof/replay/gate"
	"plugproof/replay/service"
	"plugproof/replay/socketcan"
)

// codesOptions are the flags of codes.
type codesOptions struct {
	profileFolders
	profile    string
	list       string
	before     string
	on         string
	bus        string
	stationary bool
	engine     string
	extended   bool
	job        string
	moment     string
	format     string
	out        string
}

func (o *codesOptions) addFlags(flags *pflag.FlagSet) {
	o.profileFolders.addFlags(flags)
	flags.StringVarP(&o.profile, "profile", "p", "", "the setting of the car, by `NAME` or file")
	flags.StringVar(&o.list, "import", "", "take the list of a scan tool, as text, from `FILE`; - is standard input")
	flags.StringVar(&o.before, "before", "", "hold them against the list in `FILE`")
	flags.StringVar(&o.on, "on", "", "ask the modules on this `INTERFACE`")
	flags.StringVar(&o.bus, "bus", "", "the interface is this `BUS` of the setting")
	flags.BoolVar(&o.stationary, "stationary", false, "state that the car stands and stays")
	flags.StringVar(&o.engine, "engine", "", "state what the engine does: off or running")
	flags.BoolVar(&o.extended, "extended", false, "ask by 29-bit identifiers")
	flags.StringVar(&o.job, "job", "", "file the list in the job in this `DIR`")
	flags.StringVar(&o.moment, "moment", "", "`WHEN` in the job: baseline or after")
	flags.StringVarP(&o.format, "format", "f", "text", "`FORMAT` of the output: text or json")
	flags.StringVarP(&o.out, "out", "o", "", "write to `FILE` instead of standard output")
}

func newCodes(a *app) *cobra.Command {
	var o codesOptions
	cmd := &cobra.Command{
		Use:   "codes --import FILE | --on INTERFACE",
		Short: "Read trouble codes, from a scan tool's list or from the modules",
		Long: `Read the trouble codes of all modules, and say what those about the network mean
and which messages of the setting they point at.

--import takes a list as a scan tool writes it: a line holds a module, a code and
a text, or stands under a line with the module's name.

--on asks the modules themselves. It only reads: this tool has no request that
clears, writes, unlocks or moves anything. Not every module answers, and the
services 03, 07 and 0A are those of emission modules only; units of the profile
are asked by their own address besides.

` + codesCautions + `

--before holds the codes against an earlier list.`,
		Example: `  plugproof codes --import codes.txt --profile lowan-2-20t-a5
  plugproof codes --import after.txt --before before.txt
  plugproof codes --on can0 --stationary --engine off --profile lowan-2-20t-a5`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runCodes(cmd.Context(), a, &o) },
	}
	o.addFlags(cmd.Flags())
	return cmd
}

// codesCautions are shown before codes are read from a car.
const codesCautions = `Before --on: the car stands on flat ground, parking brake on, wheels chocked, no
other tester on the bus; --stationary and --engine state it. Reading puts frames
on the bus of a car: local rules and what a licensed person says come first.`

// codesDocument is the JSON form of trouble codes.
type codesDocument struct {
	Schema  string         `json:"schema"`
	Version string         `json:"tool_version"`
	Source  string         `json:"source"` // file or interface
	Setting string         `json:"setting,omitempty"`
	Codes   []codeEntry    `json:"codes"`
	Change  *codesChange   `json:"change,omitempty"`
	Modules []codesModule  `json:"modules,omitempty"`
	Silent  []codesAddress `json:"silent,omitempty"`
}

func runCodes(ctx context.Context, a *app, o *codesOptions) error {
	if err := o.check(); err != nil {
		return err
	}
	j, err := o.openJob()
	if err != nil {
		return err
	}
	var setting *profiles.Setting
	if o.profile != "" {
		if setting, _, err = o.setting(o.profile); err != nil {
			return err
		}
	}
	before, err := readCodes(o.before)
	if err != nil {
		return err
	}
	out, err := a.output(o.out, o.list, o.before)
	if err != nil {
		return err
	}
	defer out.Drop()
	doc := codesDocument{Schema: "plugproof/codes/1", Version: toolVersion, Source: o.list + o.on}
	var codes []rules.Code
	var failed error // of the bus: what was read until then is still worth having
	if o.on != "" {
		var report *service.Report
		if report, failed = a.readCar(ctx, o, setting); report == nil {
			return failed
		}
		codes = doc.take(report)
	} else if codes, err = a.codeList(o.list); err != nil {
		return err
	}
	doc.fill(codes, before, o.before != "", setting)
	if o.format == "json" {
		err = writeJSON(out, doc)
	} else {
		writeCodes(out, &doc)
	}
	if err == nil {
		err = out.Commit()
	}
	if err == nil && failed == nil && j != nil {
		err = o.file(a, j, codes)
	}
	if err != nil {
		return err
	}
	return failed
}

// check refuses flags that do not go together.
func (o *codesOptions) check() error {
	switch {
	case (o.list == "") == (o.on == ""):
		return hint(errors.New("codes needs --import or --on, one of them"), "plugproof codes --help shows an example")
	case o.engine != "" && o.engine != gate.EngineOff && o.engine != gate.EngineRunning:
		return hint(fmt.Errorf("--engine %q is not known", o.engine), "off or running")
	case o.job != "" && o.moment != string(job.Baseline) && o.moment != string(job.After):
		return hint(fmt.Errorf("--moment %q is none at which codes are filed", o.moment), "baseline (before) or after")
	case o.job == "" && o.moment != "":
		return hint(errors.New("--moment is of a job"), "--job DIR")
	}
	return oneOf("--format", o.format, "text", "json")
}

// openJob opens the job of --job and takes from it what was not given.
func (o *codesOptions) openJob() (*job.Job, error) {
	if o.job == "" {
		return nil, nil
	}
	j, err := openJob(o.job)
	if err != nil {
		return nil, err
	}
	if o.profile == "" {
		o.profile = j.Card.Settings.Network
	}
	if before := j.CodesOf(job.Baseline); o.before == "" && before != nil && o.moment == string(job.After) {
		o.before = j.Path(before.File)
	}
	return j, nil
}

// file puts the codes into the job as text that --import reads again, and says
// what comes next.
func (o *codesOptions) file(a *app, j *job.Job, codes []rules.Code) error {
	n := len(codes)
	e, err := j.FileResult([]byte(rules.FormatCodes(codes)), ".txt",
		job.Entry{Kind: job.CodeList, Command: "codes", Moment: job.Moment(o.moment), Codes: &n, Time: now()})
	if err == nil && o.format == "text" {
		fmt.Fprintf(a.stdout, "\nfiled as %s\n", j.Path(e.File))
		err = a.printNext(j)
	}
	return err
}

// codeList reads a list of trouble codes; - is standard input.
func (a *app) codeList(path string) ([]rules.Code, error) {
	if path != "-" {
		return readCodes(path)
	}
	src, err := io.ReadAll(io.LimitReader(a.stdin, check.MaxSmall))
	if err != nil {
		return nil, err
	}
	codes, err := rules.ParseCodes("standard input", src)
	return codes, hint(err, codesHint)
}

// readCar asks the modules on an interface. The report may be there with an error.
func (a *app) readCar(ctx context.Context, o *codesOptions, setting *profiles.Setting) (report *service.Report, err error) {
	a.remark("%s", codesCautions)
	plan := service.Plan{Extended: o.extended}
	if setting != nil {
		plan.Targets = service.Targets(setting, o.bus)
	}
	start := time.Now()                                        //nolint:forbidigo // a steady clock for what happens on a bus
	clock := func() time.Duration { return time.Since(start) } //nolint:forbidigo // the same
	live, refusals, err := service.OpenLive(o.on, &plan,
		service.Statement{Stationary: o.stationary, Engine: o.engine, Setting: setting, Bus: o.bus}, clock)
	if err != nil {
		return nil, err
	}
	if len(refusals) > 0 {
		for _, r := range refusals[1:] {
			a.say(&r, r.Try)
		}
		return nil, hint(&socketcan.Error{Op: "read codes on", Interface: o.on, Err: &refusals[0]}, "%s", refusals[0].Try)
	}
	defer func() { err = errors.Join(err, live.Close()) }()
	a.remark("listening first, for other testers")
	for _, note := range live.Notes() {
		a.remark("%s", note)
	}
	if err := live.Listen(ctx); err != nil {
		return nil, err
	}
	client := &service.Client{Bus: live, Now: clock}
	return service.Read(ctx, client, plan, func(step string) { a.remark("%s", step) })
}
