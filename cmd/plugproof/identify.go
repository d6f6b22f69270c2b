package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/identify"
	"plugproof/profiles/report"
)

// identifyOptions are the flags of identify.
type identifyOptions struct {
	jobOptions
	resultOptions
	profileFolders
	ecu      string
	buses    list
	bitrates list
	explain  bool
}

func (o *identifyOptions) addFlags(flags *pflag.FlagSet) {
	o.profileFolders.addFlags(flags)
	o.jobOptions.addFlags(flags, "unplugged, baseline or after")
	flags.StringVar(&o.ecu, "replaced-ecu", "", "what stood in the engine computer's place: out, factory or new")
	flags.Var(&o.buses, "bus", "the interface of a capture that is a bus of the settings, as `IF=BUS`; may be repeated")
	flags.VarP(&o.bitrates, "bitrate", "b", "the bit rate of a bus as `[BUS=]RATE`; may be repeated")
	flags.BoolVar(&o.explain, "explain", false, "list every discriminator: seen, contradicted, not testable")
	o.resultOptions.addFlags(flags, "json", html)
}

func newIdentify(a *app) *cobra.Command {
	var o identifyOptions
	cmd := &cobra.Command{
		Use:   "identify CAPTURE...",
		Short: "Say which network setting the car's other modules ask for",
		Long: `Score every setting on file by what the car's other modules send of their own,
module by module, and say which it is, with the odds and what they rest on.

The engine computer's own frames, and what a gateway relays of them, only echo
the setting that was picked: they are scored apart and set against what the car
says. Best is a capture with the engine computer unplugged, key on for 10 s.

  identified  odds of 100:1, three discriminators, two modules, none against
  likely      odds of 10:1
  tie         less, or several that are the same on the bus: read it off the car
  none fits   a conversion, or a car that is not on file: see the modules

` + pageHelp + `

The folders of --profiles and of the variable ` + profilesVariable + ` are
looked through besides the settings inside the tool. What profiles state is as
good as who wrote them; the odds are starting values from common practice.

` + jobHelp + `

Exit code 0 is identified or likely, 3 a tie or none that fits.`,
		Example: `  plugproof identify unplugged.log --replaced-ecu out
  plugproof identify after.log --replaced-ecu new --explain
  plugproof identify car.log --bus can0=drive --bus can1=body`,
		Args: o.captures,
		RunE: func(cmd *cobra.Command, args []string) error { return runIdentify(cmd.Context(), a, &o, args) },
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
	return cmd
}

// identifyDocument is the JSON form of an identification.
type identifyDocument struct {
	Schema  string         `json:"schema"`
	Version string         `json:"tool_version"`
	Inputs  identifyInputs `json:"inputs"`
	*identify.Result
}

type identifyInputs struct {
	Captures []capture.FileReport `json:"captures"`
	Files    []check.File         `json:"files"` // of the settings in the answer
	Settings []string             `json:"settings"`
}

func runIdentify(ctx context.Context, a *app, o *identifyOptions, paths []string) error {
	if err := a.format(o.format, o.out); err != nil {
		return err
	}
	paths, err := o.fromJob(paths)
	if err != nil {
		return err
	}
	in, err := o.input()
	if err != nil {
		return err
	}
	rates, err := parseBitrates(o.bitrates)
	if err != nil {
		return err
	}
	lib, err := o.library()
	if err != nil {
		return err
	}
	plan, err := identify.Load(lib)
	if err != nil {
		return err
	}
	opts, err := a.reading(o.format != "text" || o.entry != nil)
	if err != nil {
		return err
	}
	r, err := capture.Open(paths, opts)
	if err != nil {
		return err
	}
	defer r.Close()
	out, err := a.output(o.out, paths...)
	if err != nil {
		return err
	}
	defer out.Drop()
	stop := a.progress(r)
	c, err := capture.Fold(ctx, r, func() *identify.Collector { return plan.New(r.Buses()) })
	stop()
	if err != nil {
		return err
	}
	unusedBitrates(a, rates, busNames(r.Buses()))
	setNamed(r.Buses(), rates)
	setMissing(r.Buses(), rates)
	res, err := plan.Judge(c, in)
	if err != nil {
		return hint(err, "--bus IF=BUS")
	}
	doc, err := newIdentifyDocument(r, lib, plan, res)
	if err != nil {
		return err
	}
	switch o.format {
	case "json":
		err = writeJSON(out, doc)
	case html:
		err = writeIdentifyPage(out, doc, plan)
	default:
		err = writeIdentifyText(out, res, plan, o.explain, a.colours(out))
	}
	if err != nil {
		return err
	}
	a.summary(r.Reports())
	if err := out.Commit(); err != nil {
		return err
	}
	if err := o.fileIdentify(doc); err != nil {
		return err
	}
	o.next(a, o.format)
	if res.Verdict == identify.Tie || res.Verdict == identify.NoneFits {
		return errUntestable
	}
	return nil
}

// input turns the flags into what is known of the car.
func (o *identifyOptions) input() (in identify.Input, err error) {
	if o.ecu != "" {
		if err := oneOf("--replaced-ecu", o.ecu, string(identify.Out), string(identify.Factory), string(identify.New)); err != nil {
			return in, err
		}
	}
	in.ECU, in.Map = identify.ECU(o.ecu), map[string]string{}
	for _, text := range o.buses {
		name, bus, ok := strings.Cut(text, "=")
		if !ok || name == "" || bus == "" {
			return in, hint(fmt.Errorf("--bus %s: not an interface and a bus", text), "write IF=BUS, as in can0=drive")
		}
		if have := in.Map[name]; have != "" && have != bus {
			return in, hint(fmt.Errorf("--bus %s: %s is %s already", text, name, have), "leave one out")
		}
		in.Map[name] = bus
	}
	return in, nil
}

// newIdentifyDocument adds what a result was made from.
func newIdentifyDocument(r *capture.Reader, lib *profiles.Library, plan *identify.Plan, res *identify.Result) (*identifyDocument, error) {
	doc := &identifyDocument{Schema: "plugproof/identify/1", Version: toolVersion, Result: res}
	doc.Inputs.Captures, doc.Inputs.Files, doc.Inputs.Settings = r.Reports(), []check.File{}, plan.Names()
	for _, name := range res.Settings {
		s, err := lib.Load(name)
		if err != nil {
			return nil, err
		}
		files, err := check.SettingFiles(lib, s)
		if err != nil {
			return nil, err
		}
		for _, f := range files {
			if !slices.Contains(doc.Inputs.Files, f) {
				doc.Inputs.Files = append(doc.Inputs.Files, f)
			}
		}
	}
	return doc, nil
}

func writeIdentifyPage(out *output, doc *identifyDocument, plan *identify.Plan) error {
	return report.IdentifyHTML(out, &report.Identification{
		Result: doc.Result, Captures: doc.Inputs.Captures, Known: len(doc.Inputs.Settings), Title: plan.Title,
	}, report.HTMLOptions{Version: toolVersion, Files: doc.Inputs.Files})
}
