package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/export"
)

// decodeOptions are the flags of decode.
type decodeOptions struct {
	dbc     []string
	format  string
	out     string
	only    list
	span    span
	changes bool
	unknown bool
}

func (o *decodeOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringArrayVarP(&o.dbc, "dbc", "d", nil, "the `[BUS=]FILE` that says what frames mean; may be repeated")
	flags.StringVarP(&o.format, "format", "f", "text", "`FORMAT` of the output: text, jsonl or csv")
	flags.StringVarP(&o.out, "out", "o", "", "write to `FILE` instead of standard output")
	flags.Var(&o.only, "only", "show only what has this `NAME` or identifier; may be repeated")
	o.span.addFlags(flags)
	flags.BoolVar(&o.changes, "changes", false, "show a value only when it is another than before")
	flags.BoolVar(&o.unknown, "unknown", false, "show the bytes of frames that no DBC file knows, too")
}

func newDecode(a *app) *cobra.Command {
	var o decodeOptions
	cmd := &cobra.Command{
		Use:   "decode CAPTURE... --dbc FILE",
		Short: "Print the named values that the frames of captures carry",
		Long: `Print what the frames of captures carry, frame by frame: as lines to read, as
JSON lines (an object for each frame), or as CSV (a row for each value).

` + dbcHelp + `

` + onlyHelp + `

` + idHelp + `

` + spanHelp,
		Example: `  plugproof decode drive.log --dbc drive.dbc
  plugproof decode drive.log -d drive.dbc --only EngineSpeed,0x2C4 --changes
  plugproof decode both.log -d drive=a.dbc -d body=b.dbc -f csv -o both.csv`,
		Args: atLeastOne("capture"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runDecode(cmd.Context(), a, &o, args)
		},
	}
	o.addFlags(cmd.Flags())
	return cmd
}

func runDecode(ctx context.Context, a *app, o *decodeOptions, paths []string) error {
	if err := o.check(); err != nil {
		return err
	}
	dbcs, err := loadDBC(o.dbc)
	if err != nil {
		return err
	}
	decoder := dbcs.decoder(a)
	selected, err := newSelection(o.only, decoder.Tables())
	if err != nil {
		return err
	}
	r, err := capture.Open(paths, capture.Options{Stdin: a.stdin})
	if err != nil {
		return err
	}
	defer r.Close()
	out, err := a.output(o.out, append(dbcs.paths(), paths...)...)
	if err != nil {
		return err
	}
	defer out.Drop()
	s := newDecodeStream(o, selected, decoder, r.Buses())
	if err := s.run(ctx, a, r, out); err != nil {
		return err
	}
	a.summary(r.Reports())
	dbcs.unusedBuses(a, busNames(r.Buses()))
	if s.shown == 0 {
		a.remark("nothing to show of %s", describe(r))
	}
	return out.Commit()
}

func (o *decodeOptions) check() error {
	if len(o.dbc) == 0 {
		return hint(errors.New("decode needs --dbc"), "survey works without a DBC file; convert --as log shows the bytes")
	}
	if err := oneOf("--format", o.format, "text", "jsonl", "csv"); err != nil {
		return err
	}
	return o.span.check()
}

// decodeStream turns frames into the lines to print.
type decodeStream struct {
	find     *decode.Finder
	buses    *can.Buses
	span     span
	selected *selection
	changes  *decode.Changes // nil: everything is shown, changed or not
	unknown  bool
	format   export.Format
	record   export.Record // of the present frame; its slices are used again
	buf      []byte
	shown    int // frames
}

func newDecodeStream(o *decodeOptions, selected *selection, d *decode.Decoder, buses *can.Buses) *decodeStream {
	s := &decodeStream{
		find: d.Finder(buses), buses: buses,
		span: o.span, selected: selected, unknown: o.unknown,
	}
	if o.changes {
		s.changes = new(decode.Changes)
	}
	switch o.format {
	case "jsonl":
		s.format = export.NewJSON()
	case "csv":
		s.format = export.NewCSV()
	default:
		s.format = export.NewText()
	}
	return s
}

// run prints the captures to their end, batch by batch, so that what comes in
// from a live pipe goes out at once.
func (s *decodeStream) run(ctx context.Context, a *app, r *capture.Reader, out *output) error {
	if _, err := out.Write(s.format.Head(nil)); err != nil {
		return err
	}
	return a.eachBatch(ctx, r, out, func(batch []can.Frame) error {
		s.buf = s.buf[:0]
		for i := range batch {
			s.add(&batch[i])
		}
		if _, err := out.Write(s.buf); err != nil {
			return err
		}
		return out.Flush()
	})
}

// add appends the lines of a frame to the buffer, if it is one to show.
func (s *decodeStream) add(f *can.Frame) {
	m := s.find.Lookup(f)
	if !s.span.holds(f) || m == nil && !s.unknown || !s.selected.holds(f, m) {
		return
	}
	rec := &s.record
	rec.Frame, rec.Bus, rec.Message = f, s.buses.Name(f.Bus), m
	rec.Values, rec.Missing = rec.Values[:0], rec.Missing[:0]
	if m == nil {
		if s.changes != nil && !s.changes.Payload(f) {
			return
		}
	} else if !s.decode(f, m) {
		return
	}
	s.buf = s.format.Append(s.buf, rec)
	s.shown++
}

// decode fills the record with the values to show; false when there is none.
func (s *decodeStream) decode(f *can.Frame, m *decode.Message) bool {
	rec := &s.record
	values, complete := m.Decode(f, rec.Values)
	values = s.selected.values(f, m, values)
	if s.changes != nil {
		values = s.changes.Keep(f, m, values)
	}
	if !complete && s.changes == nil {
		rec.Missing = s.selected.signals(f, m, m.Missing(f, rec.Missing))
	}
	rec.Values = values
	// A message without signals is shown as one; one whose signals were all
	// left out is not.
	return len(values) > 0 || len(rec.Missing) > 0 || len(m.Signals) == 0 && s.changes == nil
}
