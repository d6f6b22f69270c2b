package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/profiles/demo"
)

// usualSetting is the demo car that is meant when no setting is named.
const usualSetting = "lowan-2-20t-a5"

// demoOptions are the flags of demo.
type demoOptions struct {
	out      string
	settings list
	scale    float64
	seed     uint64
	as       string
}

func (o *demoOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringVarP(&o.out, "out", "o", "", "write into the folder `DIR`, which is made if need be")
	flags.Var(&o.settings, "setting", "the car with this `NAME`, usually "+usualSetting+"; all for every one; may be repeated")
	flags.Float64Var(&o.scale, "scale", 0, "length of the stages: 1 as on a real car, 0 as short as they can be")
	flags.Uint64Var(&o.seed, "seed", 1, "start of the random numbers; the same seed gives the same files")
	flags.StringVar(&o.as, "as", "log", "`FORMAT` of the captures: log, pcapng or pcap, then .gz or .zst")
}

func newDemo(a *app) *cobra.Command {
	var o demoOptions
	cmd := &cobra.Command{
		Use:   "demo --out DIR",
		Short: "Write captures and DBC files of the demo car, to try things on",
		Long: `Write captures of the Lowan, the demo car, which does not exist: as it left the
works, with the engine computer unplugged, the new one on the bench, after a
swap that left the tachometer dead, and after that was mended. Beside them lie
the DBC files to read them by and, for each capture, the times of its stages.
Every figure in them is invented.

Settings (series, engine, gearbox):
` + settingTable(),
		Example: `  plugproof demo --out lowan
  plugproof demo --out lowan --setting lowan-3-20-a8 --scale 1 --as pcapng.zst`,
		Args: noArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return runDemo(cmd.Context(), a, &o) },
	}
	o.addFlags(cmd.Flags())
	return cmd
}

func runDemo(ctx context.Context, a *app, o *demoOptions) error {
	opts, err := o.writeOptions()
	if err != nil {
		return err
	}
	written, err := demo.Write(ctx, o.out, opts)
	if err != nil {
		return err
	}
	out, err := a.output("")
	if err != nil {
		return err
	}
	rows := []table.Row{{"file", ">frames", ">seconds", "what it is"}}
	for _, w := range written {
		row := table.Row{w.Path, "", "", w.What}
		if w.Frames > 0 {
			row[1], row[2] = grouped(w.Frames), decimal(w.Length.Seconds(), 0)
		}
		rows = append(rows, row)
	}
	fmt.Fprintln(out, renderTable(rows)) // Commit reports a failed write
	fmt.Fprint(out, "\nTo go through a whole job with them: plugproof job new DIR\n"+
		"Its network setting is the name that the captures begin with. Where it asks for a\n"+
		"CAPTURE, give the one that fits; there is no car to record from.\n")
	return out.Commit()
}

func (o *demoOptions) writeOptions() (demo.WriteOptions, error) {
	opts := demo.WriteOptions{Scale: o.scale, Options: demo.Options{Seed: o.seed}}
	if o.out == "" {
		return opts, hint(errors.New("demo needs --out"), "--out DIR, a folder that need not be there yet")
	}
	if !(o.scale >= 0 && o.scale <= 10) {
		return opts, hint(fmt.Errorf("--scale %g is out of range", o.scale), "0 to 10; 1 gives captures of about 20 minutes")
	}
	for _, name := range o.settings {
		if name == "all" {
			opts.Settings = demo.Settings()
			break
		}
		setting, err := demo.ParseSetting(name)
		if err != nil {
			return opts, err
		}
		opts.Settings = append(opts.Settings, setting)
	}
	var err error
	opts.Format, err = captureFormat("." + o.as)
	return opts, err
}

// settingTable lists the settings four to a line, for a help text.
func settingTable() string {
	var lines []string
	for four := range slices.Chunk(settingList(), 4) {
		lines = append(lines, "  "+strings.Join(four, "  "))
	}
	return strings.Join(lines, "\n")
}

// settingList returns the names of all settings of the demo car.
func settingList() []string {
	var names []string
	for _, s := range demo.Settings() {
		names = append(names, s.String())
	}
	return names
}
