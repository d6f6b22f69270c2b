package dbc

import (
	"strings"

	"go.einride.tech/can/pkg/dbc"
	"go.einride.tech/can/pkg/dbc/analysis"
	"go.einride.tech/can/pkg/dbc/analysis/passes/intervals"
	"go.einride.tech/can/pkg/dbc/analysis/passes/multiplexedsignals"
	"go.einride.tech/can/pkg/dbc/analysis/passes/requireddefinitions"
	"go.einride.tech/can/pkg/dbc/analysis/passes/signalbounds"
	"go.einride.tech/can/pkg/dbc/analysis/passes/singletondefinitions"
	"go.einride.tech/can/pkg/dbc/analysis/passes/siunits"
	"go.einride.tech/can/pkg/dbc/analysis/passes/uniquemessageids"
	"go.einride.tech/can/pkg/dbc/analysis/passes/uniquenodenames"
	"go.einride.tech/can/pkg/dbc/analysis/passes/uniquesignalnames"
)

// secondPass is one analysis of the second reader, with the rule that its findings go under.
type secondPass struct {
	analyzer *analysis.Analyzer
	severity Severity
	rule     string
}

// secondPasses are the analyses that fit vehicle databases in general. Left out:
//
//   - boolprefix, messagenames, signalnames, valuedescriptions, unitsuffixes,
//     noreservedsignals, version, newsymbols, lineendings: how that library's
//     makers write their own files (camel case, prefixes, no CRLF, empty VERSION);
//   - definitiontypeorder: one order of statements, which files do not keep and
//     no reader here needs;
//   - nodereferences: says for every signal what Lint says once for each node.
func secondPasses(text string) []secondPass {
	passes := []secondPass{
		{intervals.Analyzer(), Warning, "attribute/range"},
		{requireddefinitions.Analyzer(), Note, "file/missing-statement"},
		{signalbounds.Analyzer(), Error, "signal/outside-frame"},
		{singletondefinitions.Analyzer(), Warning, "file/twice"},
		{siunits.Analyzer(), Note, "signal/unit"},
		{uniquemessageids.Analyzer(), Error, "message/duplicate-identifier"},
		{uniquenodenames.Analyzer(), Warning, "node/duplicate"},
		{uniquesignalnames.Analyzer(), Warning, "signal/duplicate"},
	}
	if !strings.Contains(text, "SG_MUL_VAL_ ") { // it knows one multiplexer to a message
		passes = append(passes, secondPass{multiplexedsignals.Analyzer(), Warning, "signal/multiplexer"})
	}
	return passes
}

// secondBudget bounds the second reader: for every attribute value its parser
// walks over all statements before it. A public file of 508 kB needs a tenth of it.
const secondBudget = 50_000_000

// secondOpinion returns what a second, strict reader finds in the file; nothing where
// it cannot read the file, of which Parse has then said more.
func secondOpinion(db *Database) []Diagnostic {
	if db.source == nil {
		return nil
	}
	text := db.source.text
	if strings.Count(text, "BA_")*strings.Count(text, "\n") > secondBudget {
		return nil
	}
	parser := dbc.NewParser(db.File, []byte(text))
	if err := parser.Parse(); err != nil || len(parser.Defs()) == 0 {
		return nil
	}
	var found []Diagnostic
	for _, p := range secondPasses(text) {
		pass := &analysis.Pass{Analyzer: p.analyzer, File: parser.File()}
		if err := p.analyzer.Run(pass); err != nil {
			continue
		}
		for _, d := range pass.Diagnostics {
			if said(text[d.Pos.Offset:], p.rule, d.Message) {
				continue
			}
			r := remark{rule: p.rule, text: d.Message}
			found = append(found, r.at(db.source.position(d.Pos.Offset), p.severity))
		}
	}
	return found
}

// said says whether a finding need not be repeated: a signal's range, which the second reader
// puts at the message and Lint at the signal; and the advice to write ° for deg,
// since a file of plain ASCII is safe from wrong encodings.
func said(at, rule, message string) bool {
	return rule == "attribute/range" && strings.HasPrefix(at, "BO_") ||
		rule == "signal/unit" && strings.HasSuffix(message, "°")
}
