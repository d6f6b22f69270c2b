package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/profiles/columns"
)

func newColumns(a *app) *cobra.Command {
	var out string
	cmd := &cobra.Command{
		Use:   "columns CAPTURE",
		Short: "Propose what the columns of a capture are that is delimited text",
		Long: `Look at the first lines of a capture that is delimited text, and propose a file
that says which column is what, for --columns. Read it and correct it: a column
may look like another one. What could not be told stands in it as a comment, and
on standard error.

README.md, "Captures as delimited text", says what may stand in that file.`,
		Example: `  plugproof columns drive.csv --out drive.yaml
  plugproof survey drive.csv --columns drive.yaml`,
		Args: exactly(1, "one capture"),
		RunE: func(cmd *cobra.Command, args []string) error { return runColumns(cmd.Context(), a, out, args[0]) },
	}
	cmd.Flags().StringVarP(&out, "out", "o", "", "write to `FILE` instead of standard output")
	return cmd
}

func runColumns(ctx context.Context, a *app, to, path string) error {
	head, err := capture.Head(path, capture.Options{Stdin: a.stdin})
	if err != nil {
		return err
	}
	p, err := columns.Propose(head)
	if err != nil {
		return hint(fmt.Errorf("%s: %w", path, err), "delimited text has a line for each frame; plugproof survey reads captures that have a format of their own")
	}
	out, err := a.output(to, path)
	if err != nil {
		return err
	}
	defer out.Drop()
	file := p.Format()
	if _, err := out.Write(file); err != nil {
		return err
	}
	for _, doubt := range p.Unsure() {
		a.remark("not sure of %s", doubt)
	}
	c, err := columns.Read(path, file)
	if err != nil { // what is missing was said
		return errors.Join(out.Commit(), errUntestable)
	}
	rep, err := readHead(ctx, head, c)
	if err != nil {
		a.remark("read so, it is no capture: %v", err)
		return errors.Join(out.Commit(), errUntestable)
	}
	a.remark("read so, %s of its first %s lines are frames", grouped(rep.Frames), grouped(rep.Records))
	return out.Commit()
}

// readHead reads the first lines of a capture by its columns.
func readHead(ctx context.Context, head []byte, c *capture.Columns) (*capture.FileReport, error) {
	head = head[:bytes.LastIndexByte(head, '\n')+1]
	r, err := capture.Open([]string{"-"}, capture.Options{Stdin: bytes.NewReader(head), Columns: c})
	if e, ok := errors.AsType[*capture.Error](err); ok {
		return nil, e.Err
	}
	if err != nil {
		return nil, err
	}
	defer r.Close()
	for batch := make([]can.Frame, batchSize); ; {
		if _, err := r.Read(ctx, batch); errors.Is(err, io.EOF) {
			return &r.Reports()[0], nil
		} else if err != nil {
			return nil, err
		}
	}
}
