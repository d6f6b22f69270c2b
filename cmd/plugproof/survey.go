package main

import (
	"context"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/decode/capture"
	"plugproof/decode/survey"
)

// surveyOptions are the flags of survey.
type surveyOptions struct {
	resultOptions
	dbc      []string
	bitrates list
}

func (o *surveyOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringArrayVarP(&o.dbc, "dbc", "d", nil, "the `[BUS=]FILE` that says what frames mean; may be repeated")
	flags.VarP(&o.bitrates, "bitrate", "b", "the bit rate of a bus as `[BUS=]RATE`; may be repeated")
	o.resultOptions.addFlags(flags)
}

func newSurvey(a *app) *cobra.Command {
	var o surveyOptions
	cmd := &cobra.Command{
		Use:   "survey CAPTURE...",
		Short: "Tell who sends what on the buses, how often, and what moves",
		Long: `Read captures once and tell, for each bus, its load, its error frames and every
identifier on it: how often it comes and how regularly, which of its bits move
or count, and with a DBC file its name, its sender and the range of its signals,
and which messages never came.

` + dbcHelp + `

` + bitrateHelp + `

In the map of bits each byte is a group of eight, its highest bit first:
  0 1   the bit was 0, or 1, in every frame
  ~     the bit changed
  +     the bit belongs to a field that counts`,
		Example: `  plugproof survey drive.log
  plugproof survey drive.log --dbc drive.dbc --bitrate drive=500k
  plugproof survey *.log --dbc drive.dbc --format json --out survey.json`,
		Args: atLeastOne("capture"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runSurvey(cmd.Context(), a, &o, args)
		},
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
	return cmd
}

// surveyDocument is the JSON form of a survey.
type surveyDocument struct {
	Schema   string               `json:"schema"`
	Version  string               `json:"tool_version"`
	Captures []capture.FileReport `json:"captures"`
	DBC      []inputFile          `json:"dbc"`
	*survey.Report
}

func runSurvey(ctx context.Context, a *app, o *surveyOptions, paths []string) error {
	if err := o.known(); err != nil {
		return err
	}
	rates, err := parseBitrates(o.bitrates)
	if err != nil {
		return err
	}
	dbcs, err := loadDBC(o.dbc)
	if err != nil {
		return err
	}
	opts, err := a.reading(o.format == "json")
	if err != nil {
		return err
	}
	r, err := capture.Open(paths, opts)
	if err != nil {
		return err
	}
	defer r.Close()
	out, err := a.output(o.out, append(dbcs.paths(), paths...)...)
	if err != nil {
		return err
	}
	defer out.Drop()
	report, err := takeSurvey(ctx, a, r, dbcs, rates)
	if err != nil {
		return err
	}
	if o.format == "json" {
		err = writeJSON(out, &surveyDocument{
			Schema: "plugproof/survey/1", Version: toolVersion,
			Captures: r.Reports(), DBC: dbcs.inputs, Report: report,
		})
	} else {
		err = writeSurvey(out, report, a.colours(out))
	}
	if err != nil {
		return err
	}
	a.summary(r.Reports())
	dbcs.unusedBuses(a, surveyed(report))
	unusedBitrates(a, rates, surveyed(report))
	return out.Commit()
}

// takeSurvey reads the captures to their end.
func takeSurvey(ctx context.Context, a *app, r *capture.Reader, dbcs *dbcFiles, rates []bitrate) (*survey.Report, error) {
	opts := survey.Options{Buses: r.Buses()}
	if len(dbcs.mappings) > 0 {
		opts.Decoder = dbcs.decoder(a)
	}
	setNamed(r.Buses(), rates) // FD bits are weighed by their rates from the first frame on
	stop := a.progress(r)
	c, err := capture.Fold(ctx, r, func() *survey.Collector { return survey.New(opts) })
	stop()
	if err != nil {
		return nil, err
	}
	setNamed(r.Buses(), rates) // again, over what the captures state
	setMissing(r.Buses(), append(rates, dbcs.stated()...))
	return c.Report(), nil
}

// surveyed returns the names of the buses that carried frames.
func surveyed(report *survey.Report) []string {
	var names []string
	for i := range report.Buses {
		names = append(names, report.Buses[i].Name)
	}
	return names
}
