package export

import (
	"encoding/csv"
	"encoding/json"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// drawText draws any bytes: names of buses come from captures, texts from DBC files.
func drawText(t *rapid.T) string {
	if rapid.Bool().Draw(t, "utf8") {
		return rapid.String().Draw(t, "text")
	}
	return string(rapid.SliceOf(rapid.Byte()).Draw(t, "bytes"))
}

func TestQuotedJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := drawText(t)
		var got string
		if err := json.Unmarshal(appendQuoted(nil, text), &got); err != nil {
			t.Fatalf("%q: %s: %v", text, appendQuoted(nil, text), err)
		}
		if want := string([]rune(text)); got != want { // the conversion replaces byte by byte
			t.Fatalf("%q became %q", text, got)
		}
	})
}

func TestQuotedCSV(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawText(t), drawText(t)
		line := append(appendField(append(appendField(nil, a), ','), b), '\n')
		got, err := csv.NewReader(strings.NewReader(string(line))).Read()
		if a == "" && b == "" {
			return // two empty fields: nothing to compare
		}
		want := []string{strings.ReplaceAll(a, "\r\n", "\n"), strings.ReplaceAll(b, "\r\n", "\n")} // the reader does that
		if err != nil || len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
			t.Fatalf("%q: %q, %v", line, got, err)
		}
	})
}
