package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"plugproof/profiles/report"
)

// inputFile identifies an input in a JSON document.
type inputFile struct {
	File   string `json:"file"`
	Size   int64  `json:"size_bytes"`
	SHA256 string `json:"sha256"`
}

func newInputFile(path string, content []byte) inputFile {
	sum := sha256.Sum256(content)
	return inputFile{File: path, Size: int64(len(content)), SHA256: hex.EncodeToString(sum[:])}
}

// writeJSON writes one document, indented, with the characters of texts as they are.
func writeJSON(w io.Writer, doc any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(doc)
}

// oneOf refuses the value of a flag that is none of those allowed.
func oneOf(flag, value string, allowed ...string) error {
	if slices.Contains(allowed, value) {
		return nil
	}
	return hint(fmt.Errorf("%s %q is not known", flag, value), "one of %s", strings.Join(allowed, ", "))
}

// alternatives gives "a", "a or b", "a, b or c".
func alternatives(list []string) string {
	last := len(list) - 1
	if last <= 0 {
		return strings.Join(list, "")
	}
	return strings.Join(list[:last], ", ") + " or " + list[last]
}

// plural gives "1 fault" and "2 faults".
func plural(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// grouped writes n with a comma between groups of three digits.
func grouped(n uint64) string { return report.Grouped(n) }
