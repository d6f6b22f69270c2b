package dbc

import (
	"strconv"
	"strings"
	"testing"
)

// TestHostile reads texts that make a careless reader take time or memory that
// grows with the square of their length. Nothing is timed: such a reader would
// run into the test's own time limit.
func TestHostile(t *testing.T) {
	const n = 20000
	const message = "BO_ 1 M: 8 A\n SG_ S M : 0|8@1+ (1,0) [0|0] \"\" A\n"
	repeat := func(line string) string { return strings.Repeat(line, n) }
	numbered := func(before, after string) string {
		var b strings.Builder
		for i := range n {
			b.WriteString(before + strconv.Itoa(i) + after)
		}
		return b.String()
	}
	rows := []struct{ name, text string }{
		{"comments never closed", repeat("CM_ \"x\n")},
		{"comments closed by the last", repeat("CM_ \"x\n") + "\";\n"},
		{"quotes and blanks in a comment", "CM_ \"" + repeat("\"        ") + "x\";\n"},
		{"quotes and line breaks in a comment", "CM_ \"" + repeat("\"\n") + "x\";\n"},
		{"strings never closed", repeat("BA_ \"x\n")},
		{"escaped quotes", "VAL_ 1 S " + repeat("\\\"") + ";\n"},
		{"blank lines", repeat("NS_ :\n\n\n") + repeat("\n")},
		{"statements without end", repeat("VAL_ 1 S 0\n")},
		{"foreign lines", repeat("x\n\n")},
		{"comments on one object", message + repeat("CM_ SG_ 1 S \"x\";\n")},
		{"values of one signal", message + repeat("VAL_ 1 S 0 \"x\";\n")},
		{"a table for one signal", message + "VAL_TABLE_ T " + numbered("", " \"x\" ") + ";\n" + repeat("VAL_ 1 S T ;\n")},
		{"bad values on many lines", message + "VAL_ 1 S\n" + repeat("1.5 \"x\"\n") + ";\n"},
		{"pages of one signal", message + numbered("SG_MUL_VAL_ 1 S S ", "-99999;\n")},
		{"signals of one name", "BO_ 1 M: 8 A\n" + numbered(" SG_ S : ", "|1@1+ (1,0) [0|0] \"\" A\n")},
		{"signals of a refused message", "BO_ 1 M:\n" + repeat(" SG_ S : 0|1@1+ (1,0) [0|0] \"\" A\n")},
		{"a chain of multiplexers", "BO_ 1 M: 8 A\n" + numbered(" SG_ S", " m0M : 0|1@1+ (1,0) [0|0] \"\" A\n") +
			numbered("SG_MUL_VAL_ 1 S", " S19999 0-0;\n")},
		{"many multiplexers", "BO_ 1 M: 8 A\n" + numbered(" SG_ S", " M : 0|1@1+ (1,0) [0|0] \"\" A\n") + " SG_ T m1 : 0|1@1+ (1,0) [0|0] \"\" A\n"},
		{"long messages", numbered("BO_ ", " M: 65535 A\n SG_ S : 524279|1@1+ (1,0) [0|0] \"\" A\n")},
		{"nodes on one line", "BU_:" + numbered(" N", "") + "\n" + message + "BO_TX_BU_ 1 :" + numbered(" N", ",") + ";\n"},
		{"receivers with a default timeout", "BA_DEF_REL_ BU_SG_REL_ \"GenSigTimeoutTime\" INT 0 9;\nBA_DEF_DEF_REL_ \"GenSigTimeoutTime\" 5;\n" +
			"BO_ 1 M: 8 A\n SG_ S : 0|1@1+ (1,0) [0|0] \"\"" + numbered(" N", "") + "\n"},
		{"attributes of one name", message + repeat("BA_DEF_ BO_ \"X\" INT 0 1;\n") + repeat("BA_ \"X\" BO_ 1 1;\n")},
		{"entries", "BA_DEF_ \"X\" ENUM " + numbered("\"", "\",") + "\"\";\n" + numbered("BA_ \"X\" \"", "\";\n")},
		{"a long name", "BO_ 1 " + strings.Repeat("x", n) + ": 8 A\n" + repeat("VAL_ 1 S 0 \"x\";\n")},
		{"one long line", strings.Repeat("x", 50*n)},
		{"nothing but quotes", strings.Repeat("\"", 50*n)},
		{"nothing but zeros", strings.Repeat("\x00", 50*n)},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) { check(t, []byte(row.text)) })
	}
}
