package main

import (
	"fmt"
	"io"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/decode/dbc"
)

// lintOptions are the flags of lint.
type lintOptions struct {
	format string
	out    string
}

func (o *lintOptions) addFlags(flags *pflag.FlagSet) {
	flags.StringVarP(&o.format, "format", "f", "text", "`FORMAT` of the output: text or json")
	flags.StringVarP(&o.out, "out", "o", "", "write to `FILE` instead of standard output")
}

func newLint(a *app) *cobra.Command {
	var o lintOptions
	cmd := &cobra.Command{
		Use:   "lint FILE...",
		Short: "Say what is wrong with DBC files",
		Long: `Read DBC files and list what is wrong with them, each finding with its place.

error    a part of the file has no effect: it was set aside
warning  understood, but probably not meant
note     unusual, and understood

Errors alone make the run fail. demo:NAME stands for a DBC file inside the tool.`,
		Example: `  plugproof lint drive.dbc body.dbc
  plugproof lint drive.dbc --format json --out lint.json`,
		Args: atLeastOne("DBC file"),
		RunE: func(_ *cobra.Command, args []string) error { return runLint(a, &o, args) },
	}
	o.addFlags(cmd.Flags())
	return cmd
}

// lintDocument is the JSON form of the findings.
type lintDocument struct {
	Schema   string        `json:"schema"`
	Version  string        `json:"tool_version"`
	Files    []inputFile   `json:"dbc"`
	Errors   int           `json:"errors"`
	Warnings int           `json:"warnings"`
	Notes    int           `json:"notes"`
	Findings []lintFinding `json:"findings"`
}

type lintFinding struct {
	File     string `json:"file"`
	Line     int    `json:"line"`
	Column   int    `json:"column"`
	Severity string `json:"severity"`
	Rule     string `json:"rule"`
	Text     string `json:"text"`
	Hint     string `json:"hint,omitempty"`
}

func runLint(a *app, o *lintOptions, paths []string) error {
	if err := oneOf("--format", o.format, "text", "json"); err != nil {
		return err
	}
	doc := &lintDocument{Schema: "plugproof/lint/1", Version: toolVersion, Findings: []lintFinding{}}
	for _, path := range paths {
		if err := doc.add(path); err != nil {
			return err
		}
	}
	out, err := a.output(o.out, paths...)
	if err != nil {
		return err
	}
	defer out.Drop()
	if o.format == "json" {
		err = writeJSON(out, doc)
	} else {
		err = lintText(out, doc)
	}
	if err != nil {
		return err
	}
	if err := out.Commit(); err != nil {
		return err
	}
	a.remark("%s: %s, %s, %s", plural(len(paths), "file"),
		plural(doc.Errors, "error"), plural(doc.Warnings, "warning"), plural(doc.Notes, "note"))
	if doc.Errors > 0 {
		return errFailed
	}
	return nil
}

// add lints one file.
func (l *lintDocument) add(path string) error {
	src, err := readDBC(path)
	if err != nil {
		return err
	}
	l.Files = append(l.Files, newInputFile(path, src))
	for _, d := range dbc.Lint(dbc.Parse(path, src)) {
		switch d.Severity {
		case dbc.Error:
			l.Errors++
		case dbc.Warning:
			l.Warnings++
		case dbc.Note:
			l.Notes++
		}
		l.Findings = append(l.Findings, lintFinding{
			File: d.Pos.File, Line: d.Pos.Line, Column: d.Pos.Col,
			Severity: d.Severity.String(), Rule: d.Rule, Text: d.Text, Hint: d.Hint,
		})
	}
	return nil
}

// lintText writes a line for each finding: "file:line:col: severity: text [rule]",
// and its hint on a line below.
func lintText(w io.Writer, doc *lintDocument) error {
	for _, f := range doc.Findings {
		text := plain(fmt.Sprintf("%s:%d:%d: %s: %s [%s]", f.File, f.Line, f.Column, f.Severity, f.Text, f.Rule))
		if f.Hint != "" {
			text += "\n    " + plain(f.Hint)
		}
		if _, err := fmt.Fprintln(w, text); err != nil {
			return err
		}
	}
	return nil
}
