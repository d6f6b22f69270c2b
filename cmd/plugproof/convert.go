package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/decode/can"
	"plugproof/decode/capture"
)

// convertOptions are the flags of convert.
type convertOptions struct {
	out      string
	as       string
	linkType int
	span     span
	buses    list
	ids      list
	merge    bool
}

func (o *convertOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringVarP(&o.out, "out", "o", "", "write to `FILE`; - is standard output and needs --as")
	flags.StringVar(&o.as, "as", "", "write `FORMAT` whatever the name of the file says")
	flags.IntVar(&o.linkType, "link-type", 0, "of pcap and pcapng: 227 (default), 113 or 276")
	o.span.addFlags(flags)
	flags.Var(&o.buses, "bus", "keep only the frames of this `BUS`; may be repeated")
	flags.BoolVar(&o.merge, "merge", false, "read the captures side by side, in the order of their stamps")
	flags.Var(&o.ids, "id", "keep only frames with this `ID` or range of ids; may be repeated")
}

func newConvert(a *app) *cobra.Command {
	var o convertOptions
	cmd := &cobra.Command{
		Use:   "convert CAPTURE... --out FILE",
		Short: "Write captures in another format, whole or a part of them",
		Long: `Write captures, one after the other, into one file: log (candump log), pcap or
pcapng, followed by .gz or .zst to compress. The end of the file's name says
which, or --as.

--merge reads them side by side instead: captures of one drive, each of one bus,
in the order of their stamps. Where two use one name for a bus, the later ones
get the name of their file before it. Frames that two captures both saw show
whether their clocks agree.

` + spanHelp + `

` + idHelp + `
Error frames have no identifier: --id leaves them out.`,
		Example: `  plugproof convert drive.log --out drive.pcapng
  plugproof convert drive.pcapng --out idle.log.gz --from 60 --to 120 --bus can0
  plugproof convert --merge drive.log body.log --out car.log
  plugproof convert drive.log --out - --as log --id 0x201,0x400-0x4FF`,
		Args: atLeastOne("capture"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runConvert(cmd.Context(), a, &o, args)
		},
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
	return cmd
}

func runConvert(ctx context.Context, a *app, o *convertOptions, paths []string) error {
	keep, err := o.filter()
	if err != nil {
		return err
	}
	wopts, err := o.writer()
	if err != nil {
		return err
	}
	opts, err := a.reading(false)
	if err != nil {
		return err
	}
	r, err := o.open(paths, opts)
	if err != nil {
		return err
	}
	defer r.Close()
	out, err := a.output(o.out, paths...)
	if err != nil {
		return err
	}
	defer out.Drop()
	if err := copyFrames(ctx, a, r, keep, out, wopts); err != nil {
		return err
	}
	a.summary(r.Reports())
	if m, ok := r.(*capture.Merger); ok {
		for _, offset := range m.Offsets() {
			if words := offset.Words(); words != "" {
				a.remark("%s", words)
			}
		}
	}
	switch {
	case keep.kept == 0:
		a.remark("no frame was kept of %s", describe(r))
	case keep.several && wopts.Format == capture.Pcap:
		a.remark("a pcap does not tell buses apart: pcapng does, or --bus keeps one")
	}
	return out.Commit()
}

// open opens captures, to be read one after the other or side by side.
func (o *convertOptions) open(paths []string, opts capture.Options) (captures, error) {
	if !o.merge {
		return capture.Open(paths, opts)
	}
	if len(paths) < 2 || slices.Contains(paths, "-") {
		return nil, hint(errors.New("--merge needs two captures or more, and all of them files"), "plugproof convert --merge drive.log body.log --out car.log")
	}
	return capture.OpenMerge(paths, opts)
}

// copyFrames writes the frames that keep lets through.
func copyFrames(ctx context.Context, a *app, r captures, keep *frameFilter, out *output,
	opts capture.WriterOptions,
) error {
	w, err := capture.NewWriter(out, r.Buses(), opts)
	if err != nil {
		return err
	}
	err = a.eachBatch(ctx, r, out.path, func(batch []can.Frame) error {
		return w.Write(batch[:keep.compact(batch, r.Buses())])
	})
	if err != nil {
		return err
	}
	return w.Close()
}

// filter checks the flags that cut, and returns what they keep.
func (o *convertOptions) filter() (*frameFilter, error) {
	ids, err := parseIDs(o.ids)
	if err != nil {
		return nil, err
	}
	return &frameFilter{span: o.span, ids: ids, buses: o.buses}, o.span.check()
}

// writer works out the format from --as or the end of the file's name.
func (o *convertOptions) writer() (capture.WriterOptions, error) {
	var opts capture.WriterOptions
	if o.out == "" {
		return opts, hint(errors.New("convert needs --out"), "--out FILE, or --out - for standard output")
	}
	name := o.out
	if o.as != "" {
		name = "." + o.as
	}
	opts, err := captureFormat(name)
	if err != nil {
		return opts, err
	}
	opts.LinkType = o.linkType
	return opts, o.checkLinkType(opts.Format)
}

// captureFormat works out a format from the end of a name, or from --as with a
// point before it.
func captureFormat(name string) (capture.WriterOptions, error) {
	opts, err := capture.FormatFor(name)
	if err != nil {
		return opts, hint(fmt.Errorf("cannot tell from %q which format to write", strings.TrimPrefix(name, ".")),
			"log, pcap or pcapng, followed by .gz or .zst to compress: as the end of the file's name, or with --as")
	}
	return opts, nil
}

func (o *convertOptions) checkLinkType(format capture.WriteFormat) error {
	switch o.linkType {
	case 0:
		return nil
	case 227, 113, 276:
		if format == capture.CandumpLog {
			return hint(errors.New("a log has no link type"), "leave --link-type out")
		}
		return nil
	}
	return hint(fmt.Errorf("link type %d carries no CAN that plugproof can write", o.linkType), "227, 113 or 276")
}

// frameFilter keeps the frames of a stretch, of some buses, with some identifiers.
type frameFilter struct {
	span  span
	ids   []idRange // empty: all
	buses []string  // empty: all

	kept    int    // frames kept so far
	first   uint16 // bus of the first of them
	several bool   // another bus was among them
}

// compact moves the frames to keep to the front and returns their number.
func (k *frameFilter) compact(batch []can.Frame, buses *can.Buses) int {
	n := 0
	for i := range batch {
		if !k.keeps(&batch[i], buses) {
			continue
		}
		if n != i {
			batch[n] = batch[i]
		}
		if k.kept == 0 {
			k.first = batch[n].Bus
		}
		k.several = k.several || batch[n].Bus != k.first
		k.kept++
		n++
	}
	return n
}

func (k *frameFilter) keeps(f *can.Frame, buses *can.Buses) bool {
	holds := func(r idRange) bool { return r.holds(f) }
	return k.span.holds(f) &&
		(len(k.buses) == 0 || slices.Contains(k.buses, buses.Name(f.Bus))) &&
		(len(k.ids) == 0 || slices.ContainsFunc(k.ids, holds))
}
