package main

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/profiles/check"
	"plugproof/profiles/compare"
	"plugproof/profiles/identify"
	"plugproof/profiles/job"
	"plugproof/profiles/report"
	"plugproof/profiles/rules"
)

// jobHelp explains the flags of jobOptions in a command's help.
const jobHelp = `--job DIR takes from a job what is not given: the capture of --moment, the network
setting, the baseline, what was seen and measured. The result is filed in it.`

// jobOptions are the flags of commands that work on a job.
type jobOptions struct {
	dir    string
	moment string
	job    *job.Job   // open; nil: none
	entry  *job.Entry // the capture that was taken from it; nil: captures were given
}

func (o *jobOptions) addFlags(flags *pflag.FlagSet, moments string) {
	flags.StringVar(&o.dir, "job", "", "work on the job in the folder `DIR`, and file the result there")
	flags.StringVar(&o.moment, "moment", "", "the capture of the job of this `MOMENT`: "+moments)
}

// captures asks for a capture, or for a job that has one.
func (o *jobOptions) captures(cmd *cobra.Command, args []string) error {
	if o.dir != "" && len(args) == 0 {
		return nil
	}
	return atLeastOne("capture")(cmd, args)
}

// open opens the job and finds the capture to work on, the first there is of the
// moments where none is named. It returns the captures to read.
func (o *jobOptions) open(paths []string, moments ...job.Moment) ([]string, error) {
	if o.dir == "" {
		if o.moment != "" {
			return nil, hint(errors.New("--moment is of a job"), "--job DIR")
		}
		return paths, nil
	}
	var err error
	if o.job, err = openJob(o.dir); err != nil {
		return nil, err
	}
	if o.moment != "" {
		if m := job.Moment(o.moment); !slices.Contains(moments, m) {
			return nil, hint(fmt.Errorf("--moment %q is none for this", o.moment), "one of %s", joinMoments(moments))
		}
		moments = []job.Moment{job.Moment(o.moment)}
	}
	if len(paths) > 0 {
		return paths, nil
	}
	for _, m := range moments {
		if e := o.job.CaptureOf(m); e != nil {
			if err := o.job.Intact(e); err != nil {
				return nil, hint(err, "put back what was filed; or file it as it is now: plugproof job add %s CAPTURE --moment %s", o.dir, m)
			}
			o.entry = e
			return []string{o.job.Path(e.File)}, nil
		}
	}
	return nil, hint(fmt.Errorf("%s holds no capture of %s", o.dir, joinMoments(moments)), "plugproof job add files one")
}

func joinMoments(moments []job.Moment) string {
	words := make([]string, len(moments))
	for i, m := range moments {
		words[i] = string(m)
	}
	return strings.Join(words, " or ")
}

// buses gives the buses of the capture as values of --bus.
func (o *jobOptions) buses() []string {
	var values []string
	if o.entry != nil {
		for _, name := range slices.Sorted(maps.Keys(o.entry.Buses)) {
			values = append(values, name+"="+o.entry.Buses[name])
		}
	}
	return values
}

// file puts a result into the job. Nothing is filed of captures that are not in it.
func (o *jobOptions) file(content []byte, e job.Entry) error {
	if o.entry == nil {
		return nil
	}
	e.Kind, e.Moment, e.Time = job.Result, o.entry.Moment, now()
	e.Of = append([]string{o.entry.File}, e.Of...)
	_, err := o.job.FileResult(content, ".json", e)
	return err
}

// next says what comes next in the job, below a result in text.
func (o *jobOptions) next(a *app, format string) {
	if o.entry != nil && format == "text" {
		fmt.Fprintln(a.stdout)
		writeNext(a.stdout, o.job.Status())
	}
}

// fromJob takes from the job what the flags leave open.
func (o *diagnoseOptions) fromJob(paths []string) ([]string, error) {
	paths, err := o.jobOptions.open(paths, job.After, job.Bench)
	if err != nil || o.job == nil {
		return paths, err
	}
	if o.profile == "" {
		o.profile = o.job.Card.Settings.Network
	}
	if o.entry != nil && len(o.recordingOptions.buses) == 0 {
		o.recordingOptions.buses = o.jobOptions.buses()
	}
	return paths, nil
}

// fromJob takes from the job what the flags leave open.
func (o *checkOptions) fromJob(paths []string) ([]string, error) {
	paths, err := o.jobOptions.open(paths, job.After, job.Bench, job.Baseline)
	if err != nil || o.job == nil {
		return paths, err
	}
	j := o.job
	if o.profile == "" {
		o.profile = j.Card.Settings.Network
	}
	if o.entry == nil {
		return paths, nil
	}
	if len(o.recordingOptions.buses) == 0 {
		o.recordingOptions.buses = o.jobOptions.buses()
	}
	o.scope = string(o.entry.Moment.Scope())
	if o.entry.Moment == job.Baseline {
		return paths, nil
	}
	if before := j.CaptureOf(job.Baseline); before != nil && len(o.baseline) == 0 {
		o.baseline = []string{j.Path(before.File)}
	}
	measured := func(m *measure, q job.Quantity) {
		if m.value == nil {
			m.value = j.Card.Measured(q)
		}
	}
	measured(&o.ohms, job.OhmsNew)
	measured(&o.factory, job.OhmsFactory)
	if o.entry.Moment != job.After {
		return paths, nil
	}
	o.lamps.note(j.Card.After.Lamps)
	o.lampsBefore.note(j.Card.Before.Lamps)
	o.dead = append(o.dead, j.Card.After.Dead...)
	if codes := j.CodesOf(job.After); codes != nil && o.codes == "" {
		o.codes = j.Path(codes.File)
	}
	if codes := j.CodesOf(job.Baseline); codes != nil && o.codesBefore == "" {
		o.codesBefore = j.Path(codes.File)
	}
	return paths, nil
}

// fileCheck files a verdict in the job.
func (o *checkOptions) fileCheck(in *check.Input, result *check.Output) error {
	if o.entry == nil {
		return nil
	}
	files, err := o.files(in)
	if err != nil {
		return err
	}
	var doc bytes.Buffer
	if err := report.JSON(&doc, result, toolVersion, files); err != nil {
		return err
	}
	return o.jobOptions.file(doc.Bytes(), job.Judged(job.Entry{Command: "check"}, in.Setting.Name, result.Result))
}

// fromJob takes from the job what the flags leave open: best is the car without
// its engine computer.
func (o *identifyOptions) fromJob(paths []string) ([]string, error) {
	paths, err := o.jobOptions.open(paths, job.Unplugged, job.Baseline, job.After)
	if err != nil || o.entry == nil {
		return paths, err
	}
	if len(o.buses) == 0 {
		o.buses = o.jobOptions.buses()
	}
	if o.ecu == "" {
		o.ecu = map[job.Moment]string{
			job.Unplugged: string(identify.Out), job.Baseline: string(identify.Factory), job.After: string(identify.New),
		}[o.entry.Moment]
	}
	return paths, nil
}

// fileIdentify files an identification in the job.
func (o *identifyOptions) fileIdentify(doc *identifyDocument) error {
	if o.entry == nil {
		return nil
	}
	var b bytes.Buffer
	if err := writeJSON(&b, doc); err != nil {
		return err
	}
	e := job.Entry{Command: "identify", Verdict: string(doc.Verdict), Setting: strings.Join(doc.Settings, " ")}
	if doc.Conversion {
		e = conversionEntry(doc.Result)
	}
	return o.jobOptions.file(b.Bytes(), e)
}

// conversionEntry notes of a car whose modules come from several what each asks
// for, and the network that serves most.
func conversionEntry(r *identify.Result) job.Entry {
	e := job.Entry{Command: "identify", Verdict: "conversion", Setting: strings.Join(r.Network, " ")}
	for _, m := range r.Modules {
		if m.State != identify.Present {
			continue
		}
		text := fmt.Sprintf("%s asks for %s", m.Name, strings.Join(m.Settings, " or "))
		if slices.Contains(r.Unserved, m.Name) {
			text += ", and is not satisfied by that network"
		}
		e.Findings = append(e.Findings, text)
	}
	return e
}

// fromJob takes the captures before and after from the job, where none are given.
func (o *compareOptions) fromJob(paths []string) ([]string, error) {
	paths, err := o.jobOptions.open(paths, job.After)
	if err != nil || o.job == nil {
		return paths, err
	}
	if o.profile == "" && len(o.dbc) == 0 {
		o.profile = o.job.Card.Settings.Network
	}
	if o.entry == nil {
		return paths, nil
	}
	before := o.job.CaptureOf(job.Baseline)
	if before == nil {
		return nil, hint(fmt.Errorf("%s holds no capture of baseline", o.dir), "plugproof job add files one")
	}
	o.filed = [2]map[string]string{before.Buses, o.entry.Buses}
	for i, m := range []job.Moment{job.Baseline, job.After} {
		if codes := o.job.CodesOf(m); codes != nil && o.codes[i] == "" {
			o.codes[i] = o.job.Path(codes.File)
		}
	}
	o.lamps[0].note(o.job.Card.Before.Lamps)
	o.lamps[1].note(o.job.Card.After.Lamps)
	return []string{o.job.Path(before.File), paths[0]}, nil
}

// fileComparison files a comparison in the job.
func (o *compareOptions) fileComparison(res *compare.Result, files []check.File) error {
	if o.entry == nil {
		return nil
	}
	var doc bytes.Buffer
	if err := report.ComparisonJSON(&doc, res, toolVersion, files); err != nil {
		return err
	}
	e := job.Entry{
		Command: "compare", Verdict: res.Verdict.String(), Setting: res.Setting,
		Of: []string{o.job.CaptureOf(job.Baseline).File},
	}
	for _, row := range res.Complaints {
		if row.Verdict != rules.Pass {
			e.Findings = append(e.Findings, fmt.Sprintf("%s: %s", row.Verdict, row.Text))
		}
	}
	for _, f := range res.Functions {
		if f.Verdict == rules.Fail || f.Verdict == rules.Review {
			e.Findings = append(e.Findings, fmt.Sprintf("%s: %s", f.Verdict, f.Title))
		}
	}
	return o.jobOptions.file(doc.Bytes(), e)
}
