package main

import (
	"github.com/spf13/cobra"

	"plugproof/decode/capture"
	"plugproof/profiles/columns"
)

// addColumns adds --columns to a command that reads captures. What it names is
// read by reading.
func (a *app) addColumns(cmd *cobra.Command) {
	cmd.Flags().StringVar(&a.columnsFile, "columns", "", "captures that are delimited text have the columns that `FILE` says (plugproof columns proposes it)")
}

// reading returns how captures are read, by the flags that say so.
func (a *app) reading(hash bool) (capture.Options, error) {
	opts := capture.Options{Stdin: a.stdin, Hash: hash}
	var err error
	if a.columnsFile != "" {
		opts.Columns, err = columns.Open(a.columnsFile)
	}
	return opts, err
}
