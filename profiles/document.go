package profiles

import (
	"fmt"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// Document is a YAML file of plugproof that is no profile: a value script,
// expectations.
type Document struct{ file file }

// Decode decodes a YAML file of plugproof that is no profile as strictly as
// profiles are: one document of format 1, known keys only, no aliases. place is
// shown in positions; group names the rules that problems are filed under. The
// error is Problems.
func Decode(place, group string, src []byte, into any) error {
	_, err := ReadDocument(place, group, src, into)
	return err
}

// ReadDocument is Decode for those who find more faults later.
func ReadDocument(place, group string, src []byte, into any) (*Document, error) {
	d := &Document{file{place: place, group: group, src: src}}
	if len(src) > MaxFileSize {
		return nil, d.file.problem(1, 1, "size", fmt.Sprintf("larger than %d kB: no such file is", MaxFileSize>>10), "")
	}
	if err := d.file.parse(); err != nil {
		return nil, err
	}
	return d, d.file.decode(into)
}

// Problem makes the error of one place in the document; rule is one word.
func (d *Document) Problem(at Place, rule, text, hint string) error {
	return d.file.problem(max(1, at.Line), max(1, at.Col), rule, text, hint)
}

// Place is where something stands in a Document, counted from 1.
type Place struct{ Line, Col int }

// PlaceOf returns where a node stands.
func PlaceOf(node ast.Node) Place {
	pos := node.GetToken().Position
	return Place{pos.Line, pos.Column}
}

// ProblemAt is Problem for a key, as "time.unit" or "measurements[0].what": where
// that stands, else what it would stand in.
func (d *Document) ProblemAt(key, rule, text, hint string) error {
	for key != "" {
		if at, ok := d.file.find("$." + key); ok {
			return d.Problem(at, rule, text, hint)
		}
		key = key[:max(0, strings.LastIndexByte(key, '.'))]
	}
	return d.Problem(Place{1, 1}, rule, text, hint)
}
