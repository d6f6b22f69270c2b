package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/decode/atomicfile"
	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/learn"
)

// learnOptions are the flags of profiles learn.
type learnOptions struct {
	out           string
	dbc           []string
	unplugged     []string
	bitrates      list
	withoutTiming bool
}

func (o *learnOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringVarP(&o.out, "out", "o", "", "write the profile to `FILE.yaml`")
	flags.StringArrayVarP(&o.dbc, "dbc", "d", nil, "the `[BUS=]FILE` that says what frames mean; may be repeated")
	flags.StringArrayVar(&o.unplugged, "unplugged", nil, "a `CAPTURE` of the same car without its engine computer; may be repeated")
	flags.VarP(&o.bitrates, "bitrate", "b", "the bit rate of a bus as `BUS=RATE`; may be repeated")
	flags.BoolVar(&o.withoutTiming, "without-timing", false, "learn what needs no clock, from a capture that jumps or lost frames")
}

func newProfilesLearn(a *app) *cobra.Command {
	var o learnOptions
	cmd := &cobra.Command{
		Use:   "learn CAPTURE... --out FILE.yaml",
		Short: "Write the profile of a car from a good capture of it",
		Long: `Write a profile from captures in which all is well: which messages there are,
how long and how often, with which counters and checksums, and which bits never
change. What each figure rests on stands beside it in the file.

With --unplugged, a capture of the same car with the key on and its engine
computer unplugged, it is worked out which messages are the computer's own.

A capture whose clock jumps, that lost frames, or that holds frames which the
recording computer sent is refused: cut it, or record it anew. With stamps in
bursts a cycle is learned only where its gaps agree.

DBC files are named in the profile by their bare name, and are copied beside it.
A file CAPTURE.stages.yaml beside the capture gives the signals their range by
stage. A learned profile lets nothing be sent.`,
		Example: `  plugproof profiles learn good.log --unplugged without.log --dbc drive.dbc --out car.yaml`,
		Args:    atLeastOne("capture"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runLearn(cmd.Context(), a, &o, args)
		},
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
	return cmd
}

func runLearn(ctx context.Context, a *app, o *learnOptions, paths []string) error {
	how, err := a.reading(false)
	if err != nil {
		return err
	}
	opts := learn.Options{Captures: paths, Unplugged: o.unplugged, WithoutTiming: o.withoutTiming, Columns: how.Columns}
	if opts.Name = strings.TrimSuffix(filepath.Base(o.out), profiles.Extension); filepath.Ext(o.out) != profiles.Extension || opts.Name == "" {
		return hint(fmt.Errorf("profiles learn needs --out FILE%s, not %q", profiles.Extension, o.out), "--out car%s", profiles.Extension)
	}
	if err := o.readInputs(a, &opts); err != nil {
		return err
	}
	out, err := a.output(o.out, append(append([]string{}, paths...), o.unplugged...)...)
	if err != nil {
		return err
	}
	defer out.Drop()
	stop := func() {}
	opts.Opened = func(r *capture.Reader) { stop(); stop = a.progress(r) }
	l, err := learn.Learn(ctx, opts)
	stop()
	if _, unfit := errors.AsType[*learn.Unfit](err); unfit {
		return hint(err, "cut it there (convert --from, --to), record it anew, or learn --without-timing")
	}
	if err != nil {
		return err
	}
	if err := copyBeside(filepath.Dir(o.out), opts.DBC); err != nil {
		return err
	}
	a.summary(l.Captures)
	for _, remark := range l.Remarks {
		a.remark("%s", remark)
	}
	if _, err := out.Write(l.YAML); err != nil {
		return err
	}
	return out.Commit()
}

// readInputs reads the DBC files and the marked stages, and parses bit rates.
func (o *learnOptions) readInputs(a *app, opts *learn.Options) error {
	rates, err := parseBitrates(o.bitrates)
	if err != nil {
		return err
	}
	for _, r := range rates {
		if r.bus == "" {
			return hint(errors.New("--bitrate names no bus"), "--bitrate can0=500k")
		}
		opts.Buses = append(opts.Buses, can.Bus{Name: r.bus, Bitrate: r.nominal, DataBitrate: r.data})
	}
	files, err := loadDBC(o.dbc)
	if err != nil {
		return err
	}
	files.decoder(a) // says what of the files has no effect
	if opts.DBC, err = files.toLearn(); err != nil {
		return err
	}
	marked, err := check.StagesBeside(opts.Captures)
	for _, m := range marked {
		opts.Stages = append(opts.Stages, m.Spans...)
	}
	return err
}

// toLearn gives DBC files as learning takes them.
func (d *dbcFiles) toLearn() (list []learn.DBC, err error) {
	for i, m := range d.mappings {
		path := d.inputs[i].File
		src, err := readDBC(path)
		if err != nil {
			return nil, err
		}
		list = append(list, learn.DBC{Bus: m.Bus, File: besideName(path), Source: src})
	}
	return list, nil
}

// besideName is the name of a DBC file beside a profile.
func besideName(path string) string {
	if name, ok := strings.CutPrefix(path, "demo:"); ok {
		return name + ".dbc"
	}
	return filepath.Base(path)
}

// copyBeside puts the DBC files into the profile's folder, unless they lie there.
func copyBeside(dir string, files []learn.DBC) error {
	for _, f := range files {
		path := filepath.Join(dir, f.File)
		have, err := os.ReadFile(path)
		switch {
		case err == nil && bytes.Equal(have, f.Source):
		case err == nil:
			return hint(fmt.Errorf("%s is another DBC file than the one given by that name", path), "write the profile into another folder")
		case !errors.Is(err, fs.ErrNotExist):
			return fmt.Errorf("%s: %w", path, bareError(err))
		default:
			if err := atomicfile.WriteFile(path, f.Source); err != nil {
				return err
			}
		}
	}
	return nil
}
