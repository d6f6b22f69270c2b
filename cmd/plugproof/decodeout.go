package main

import (
	"errors"
	"io"

	"plugproof/decode"
	"plugproof/decode/atomicfile"
	"plugproof/decode/export"
)

// decodeOutput takes the records that decode shows.
type decodeOutput interface {
	Add(r *export.Record) error
	// EndBatch follows the last record of what was read at a time.
	EndBatch() error
	// Commit ends the output; Drop, deferred, removes what was not committed.
	Commit() error
	Drop()
}

// open opens the output that the flags ask for; inputs must not be replaced.
func (o *decodeOptions) open(a *app, d *decode.Decoder, inputs []string) (decodeOutput, error) {
	if o.dense {
		folder, err := atomicfile.CreateFolder(o.out)
		if err != nil {
			return nil, err
		}
		create := func(name string) (io.Writer, error) { return folder.Create(name) }
		return &denseOutput{export.NewDense(d, create), folder}, nil
	}
	out, err := a.output(o.out, inputs...)
	if err != nil {
		return nil, err
	}
	if o.format == "parquet" {
		return &longOutput{export.NewLong(out), out}, nil
	}
	lines := &lineOutput{format: o.lines(), output: out}
	lines.buf = lines.format.Head(nil)
	return lines, lines.EndBatch()
}

// lines returns the format of an output in lines.
func (o *decodeOptions) lines() export.Format {
	switch o.format {
	case "jsonl":
		return export.NewJSON()
	case "csv":
		return export.NewCSV()
	}
	return export.NewText()
}

// checkParquet refuses what Parquet output cannot do.
func (o *decodeOptions) checkParquet() error {
	switch {
	case o.dense && o.format != "parquet":
		return errors.New("--dense goes with --format parquet only")
	case o.format != "parquet":
		return nil
	case o.dense && (o.out == "" || o.out == "-"):
		return hint(errors.New("--dense needs --out"), "--out FOLDER, one that is new or empty")
	case o.out == "":
		return hint(errors.New("--format parquet needs --out"), "--out FILE, or --out - for standard output")
	case o.dense && o.unknown:
		return hint(errors.New("--dense has a file for each message, and --unknown frames have none"), "leave one of them out")
	}
	return nil
}

// lineOutput is text; what comes in from a live pipe goes out at once.
type lineOutput struct {
	*output
	format export.Format
	buf    []byte
}

func (l *lineOutput) Add(r *export.Record) error {
	l.buf = l.format.Append(l.buf, r)
	return nil
}

func (l *lineOutput) EndBatch() error {
	if _, err := l.Write(l.buf); err != nil {
		return err
	}
	l.buf = l.buf[:0]
	return l.Flush()
}

// longOutput is one Parquet file.
type longOutput struct {
	*export.Long
	out *output
}

func (l *longOutput) Add(r *export.Record) error { return outputError(l.Long.Add(r)) }
func (l *longOutput) EndBatch() error            { return nil }
func (l *longOutput) Drop()                      { l.out.Drop() }

func (l *longOutput) Commit() error {
	if err := l.Close(); err != nil {
		return outputError(err)
	}
	return l.out.Commit()
}

// denseOutput is a folder of Parquet files.
type denseOutput struct {
	*export.Dense
	folder *atomicfile.Folder
}

func (d *denseOutput) Add(r *export.Record) error { return outputError(d.Dense.Add(r)) }
func (d *denseOutput) EndBatch() error            { return nil }
func (d *denseOutput) Drop()                      { d.folder.Drop() }

func (d *denseOutput) Commit() error {
	if err := d.Close(); err != nil {
		return outputError(err)
	}
	return d.folder.Commit()
}

// outputError takes off what the Parquet library says about its pages: the user
// wants to know which file could not be written, and why.
func outputError(err error) error {
	if e, ok := errors.AsType[*atomicfile.Error](err); ok {
		return e
	}
	return err
}
