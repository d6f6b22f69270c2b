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
	resultOptions
	dbc     []string
	only    list
	span    span
	changes bool
	unknown bool
	dense   bool
}

func (o *decodeOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringArrayVarP(&o.dbc, "dbc", "d", nil, "the `[BUS=]FILE` that says what frames mean; may be repeated")
	o.resultOptions.addFlags(flags, "jsonl", "csv", "parquet")
	flags.BoolVar(&o.dense, "dense", false, "with -f parquet: a file for each message, a column for each signal, into the folder --out")
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
JSON lines (an object for each frame), as CSV (a row for each value), or as a
Parquet table for notebooks and databases: long, with the rows of CSV and the
raw bits beside them, or with --dense as a folder of one table per message.

` + dbcHelp + `

` + onlyHelp + `

` + idHelp + `

` + spanHelp,
		Example: `  plugproof decode drive.log --dbc drive.dbc
  plugproof decode drive.log -d drive.dbc --only EngineSpeed,0x2C4 --changes
  plugproof decode both.log -d drive=a.dbc -d body=b.dbc -f csv -o both.csv
  plugproof decode drive.log -d drive.dbc -f parquet --dense -o tables`,
		Args: atLeastOne("capture"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runDecode(cmd.Context(), a, &o, args)
		},
	}
	o.addFlags(cmd.Flags())
	a.addColumns(cmd)
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
	opts, err := a.reading(false)
	if err != nil {
		return err
	}
	r, err := capture.Open(paths, opts)
	if err != nil {
		return err
	}
	defer r.Close()
	out, err := o.open(a, decoder, append(dbcs.paths(), paths...))
	if err != nil {
		return err
	}
	defer out.Drop()
	s := newDecodeStream(o, selected, decoder.Finder(r.Buses()))
	s.out, s.buses = out, r.Buses()
	if err := s.run(ctx, a, r); err != nil {
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
	if err := o.known(); err != nil {
		return err
	}
	if err := o.checkParquet(); err != nil {
		return err
	}
	return o.span.check()
}

// decodeStream turns frames into the records to show.
type decodeStream struct {
	find     *decode.Finder
	buses    *can.Buses
	span     span
	selected *selection
	changes  *decode.Changes // nil: everything is shown, changed or not
	unknown  bool
	out      decodeOutput
	path     string        // of --out
	record   export.Record // of the present frame; its slices are used again
	shown    int           // frames
}

func newDecodeStream(o *decodeOptions, selected *selection, find *decode.Finder) *decodeStream {
	s := &decodeStream{
		find: find, path: o.out,
		span: o.span, selected: selected, unknown: o.unknown,
	}
	if o.changes {
		s.changes = new(decode.Changes)
	}
	return s
}

// run takes the captures to their end, batch by batch.
func (s *decodeStream) run(ctx context.Context, a *app, r *capture.Reader) error {
	return a.eachBatch(ctx, r, s.path, func(batch []can.Frame) error {
		for i := range batch {
			if err := s.add(&batch[i]); err != nil {
				return err
			}
		}
		return s.out.EndBatch()
	})
}

// add hands on a frame, if it is one to show.
func (s *decodeStream) add(f *can.Frame) error {
	m := s.find.Lookup(f)
	if !s.span.holds(f) || m == nil && !s.unknown || !s.selected.holds(f, m) {
		return nil
	}
	rec := &s.record
	rec.Frame, rec.Bus, rec.Message = f, s.buses.Name(f.Bus), m
	rec.Values, rec.Missing = rec.Values[:0], rec.Missing[:0]
	if m == nil {
		if s.changes != nil && !s.changes.Payload(f) {
			return nil
		}
	} else if !s.decode(f, m) {
		return nil
	}
	s.shown++
	return s.out.Add(rec)
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
