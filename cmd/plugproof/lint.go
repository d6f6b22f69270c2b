package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plugproof/decode/dbc"
	"plugproof/profiles"
)

// lintOptions are the flags of lint.
type lintOptions struct {
	resultOptions
}

func (o *lintOptions) addFlags(flags *pflag.FlagSet) {
	o.resultOptions.addFlags(flags)
}

func newLint(a *app) *cobra.Command {
	var o lintOptions
	cmd := &cobra.Command{
		Use:   "lint FILE...",
		Short: "Say what is wrong with DBC files and profiles",
		Long: `Read DBC files and profiles (FILE.yaml) and list what is wrong with them, each
finding with its place.

error    a part of the file has no effect: it was set aside
warning  understood, but probably not meant
note     unusual, and understood

A profile is checked with its parts and DBC files, which lie beside it or in the
tool; a part by itself, as what it names is known to the settings made of it.

Errors alone make the run fail. demo:NAME stands for a DBC file inside the tool.`,
		Example: `  plugproof lint drive.dbc body.dbc
  plugproof lint drive.dbc --format json --out lint.json
  plugproof lint mine.yaml parts/series.yaml`,
		Args: atLeastOne("DBC file or profile"),
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
	Profiles []inputFile   `json:"profiles,omitempty"`
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
	Excerpt  string `json:"excerpt,omitempty"` // of a profile: the lines around the place
}

func runLint(a *app, o *lintOptions, paths []string) error {
	if err := o.known(); err != nil {
		return err
	}
	doc := &lintDocument{Schema: "plugproof/lint/1", Version: toolVersion, Findings: []lintFinding{}}
	for _, path := range paths {
		add := doc.addDBC
		if filepath.Ext(path) == profiles.Extension {
			add = doc.addProfile
		}
		if err := add(path); err != nil {
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

// addDBC lints one DBC file.
func (l *lintDocument) addDBC(path string) error {
	src, err := readDBC(path)
	if err != nil {
		return err
	}
	l.Files = append(l.Files, newInputFile(path, src))
	for _, d := range dbc.Lint(dbc.Parse(path, src)) {
		l.find(d, "")
	}
	return nil
}

// addProfile lints one profile with its parts, or a part by itself.
func (l *lintDocument) addProfile(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("%s: %w", path, bareError(err))
	}
	defer f.Close()
	src, err := io.ReadAll(io.LimitReader(f, profiles.MaxFileSize+1))
	switch {
	case err != nil:
		return fmt.Errorf("%s: %w", path, bareError(err))
	case len(src) > profiles.MaxFileSize:
		return fmt.Errorf("%s: too large for a profile: over %d bytes", path, profiles.MaxFileSize)
	}
	l.Profiles = append(l.Profiles, newInputFile(path, src))
	part, err := profiles.CheckFile(path, src)
	if err == nil && !part {
		_, _, err = new(profileFolders).setting(path)
	}
	var problems profiles.Problems
	if !errors.As(err, &problems) {
		return err
	}
	for _, p := range problems {
		l.find(p.Diagnostic, p.Excerpt)
	}
	return nil
}

// find files a diagnostic.
func (l *lintDocument) find(d dbc.Diagnostic, excerpt string) {
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
		Severity: d.Severity.String(), Rule: d.Rule, Text: d.Text, Hint: d.Hint, Excerpt: excerpt,
	})
}

// lintText writes a line for each finding: "file:line:col: severity: text [rule]",
// and its hint on a line below.
func lintText(w io.Writer, doc *lintDocument) error {
	for _, f := range doc.Findings {
		var text strings.Builder
		text.WriteString(plain(fmt.Sprintf("%s:%d:%d: %s: %s [%s]", f.File, f.Line, f.Column, f.Severity, f.Text, f.Rule)))
		if f.Hint != "" {
			text.WriteString("\n    " + plain(f.Hint))
		}
		if f.Excerpt != "" {
			for line := range strings.SplitSeq(f.Excerpt, "\n") {
				text.WriteString("\n" + plain(line))
			}
		}
		if _, err := fmt.Fprintln(w, text.String()); err != nil {
			return err
		}
	}
	return nil
}
