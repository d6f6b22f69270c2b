package dbc

import (
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// TestLint has one slip a row, in a file that is fine otherwise.
func TestLint(t *testing.T) {
	const head = "BS_:\nBU_: A B\nBO_ 1 M: 2 A\n" // the signals start on line 4
	sg := func(name, layout, rest string) string {
		return " SG_ " + name + " : " + layout + " " + rest + " B\n"
	}
	const plain = `(1,0) [0|0] ""`
	rows := []struct {
		name string
		text string
		want []string
	}{
		{"nothing at all", "", []string{"1:1 warning file/no-message"}},
		{"clean", head + sg("S", "0|8@1+", `(0.5,-40) [-40|87.5] "km/h"`) + sg("T", "15|8@0-", `(1,0) [-128|127] "deg"`), nil},
		{"parser's finding too", head + sg("S", "0|0@1+", plain), []string{"4:6 error signal/zero-length"}},

		{"overlap", head + sg("S", "0|8@1+", plain) + sg("T", "7|1@0+", plain), []string{"5:2 warning signal/overlap"}},
		{"overlap of two orders", head + sg("S", "4|8@1+", plain) + sg("T", "8|1@0+", plain), []string{"5:2 warning signal/overlap"}},
		{"no overlap of two orders", head + sg("S", "4|8@1+", plain) + sg("T", "12|1@0+", plain) + sg("U", "3|4@0+", plain), nil},
		{"pages apart", head + sg("P M", "0|2@1+", plain) + sg("S m0", "8|8@1+", plain) + sg("T m1", "8|8@1+", plain), nil},
		{"pages that meet", head + sg("P M", "0|2@1+", plain) + sg("S m0", "8|8@1+", plain) + sg("T m1", "8|8@1+", plain) +
			"SG_MUL_VAL_ 1 T P 0-1;\n", []string{"6:2 warning signal/overlap"}},
		{"page against multiplexer", head + sg("P M", "0|2@1+", plain) + sg("S m0", "1|8@1+", plain), []string{"5:2 warning signal/overlap"}},
		{"cascade apart", head + sg("P M", "0|2@1+", plain) + sg("Q m1M", "2|2@1+", plain) + sg("S m0", "8|8@1+", plain) + sg("T m2", "8|8@1+", plain) +
			"SG_MUL_VAL_ 1 Q P 1-1;\nSG_MUL_VAL_ 1 S P 0-0;\nSG_MUL_VAL_ 1 T Q 2-2;\n", nil},

		{"outside, Intel", head + sg("S", "9|8@1+", plain), []string{"4:2 error signal/outside-frame"}},
		{"inside, Intel", head + sg("S", "8|8@1+", plain), nil},
		{"outside, Motorola", head + sg("S", "14|8@0+", plain), []string{"4:2 error signal/outside-frame"}},
		{"inside, Motorola", head + sg("S", "15|8@0+", plain), nil},
		{"start outside", head + sg("S", "16|1@1+", plain), []string{"4:2 error signal/outside-frame"}},

		{"factor 0", head + sg("S", "0|8@1+", `(0,1) [0|0] ""`), []string{"4:2 warning signal/factor-zero"}},
		{"range inverted", head + sg("S", "0|8@1+", `(1,0) [5|1] ""`), []string{"4:2 warning signal/range-inverted"}},
		{"range over", head + sg("S", "0|8@1+", `(1,0) [0|257] ""`), []string{"4:2 note signal/range"}},
		{"range over by rounding", head + sg("S", "0|8@1+", `(0.4,0) [0|102.4] ""`), nil},
		{"range under", head + sg("S", "0|8@1+", `(1,-10) [-12|0] ""`), []string{"4:2 note signal/range"}},
		{"range, negative factor", head + sg("S", "0|8@1+", `(-1,0) [-255|0] ""`), nil},
		{"range of a float", strings.Replace(head, "2 A", "4 A", 1) + sg("S", "0|32@1-", `(1,0) [-1e30|1e30] ""`) + "SIG_VALTYPE_ 1 S : 1;\n", nil},

		{"unit of another encoding", head + sg("S", "0|8@1+", "(1,0) [0|0] \"\u00C2\u00B0C\""), []string{"4:2 warning signal/unit-encoding"}},
		{"unit with blanks", head + sg("S", "0|8@1+", `(1,0) [0|0] " V"`), []string{"4:2 note signal/unit-blank"}},
		{"unit that has a symbol", head + sg("S", "0|8@1+", `(1,0) [0|0] "kph"`), []string{"4:2 note signal/unit"}},

		{"names", "BU_: 1A\nBS_:\nBO_ 1 M-1: 8 1A\n SG_ 2S : 0|8@1+ (1,0) [0|0] \"\" 1A\n", []string{"1:6 note name/not-identifier"}},
		{"message name twice", head + "BO_ 2 M: 2 A\n", []string{"4:1 warning message/duplicate-name"}},
		{
			"node not listed", head + sg("S", "0|8@1+", `(1,0) [0|0] "" C,D,C,`) + "BO_ 2 N: 8 E\nBO_TX_BU_ 2 : A,F;\n",
			[]string{"4:2 warning node/undeclared", "4:2 warning node/undeclared", "5:1 warning node/undeclared", "5:1 warning node/undeclared"},
		},
		{"no nodes listed", "BS_:\nBU_:\nBO_ 1 M: 8 A\n", nil},
		{"no BS_ line", "BU_:\nBO_ 1 M: 8 Vector__XXX\n", []string{"1:1 note file/missing-statement"}},
		{"BU_ twice", head + "BU_: C\n", []string{"4:1 warning file/twice"}},

		{"values outside", head + sg("S", "0|2@1+", plain) + "VAL_ 1 S 4 \"x\" 5 \"y\" 3 \"z\";\n", []string{"4:2 warning values/outside"}},
		{"values outside, signed", head + sg("S", "0|2@1-", plain) + "VAL_ 1 S 2 \"x\";\n", []string{"4:2 warning values/outside"}},
		{"negative value, unsigned", head + sg("S", "0|2@1+", plain) + "VAL_ 1 S -1 \"x\";\n", []string{"4:2 warning values/outside"}},
		{"values inside", head + sg("S", "0|2@1-", plain) + sg("T", "2|2@1+", plain) + "VAL_ 1 S -2 \"x\" 1 \"y\";\nVAL_ 1 T 0 \"x\" 3 \"y\";\n", nil},
		{"64 bits", strings.Replace(head, "2 A", "8 A", 1) + sg("S", "0|64@1+", plain) + "VAL_ 1 S 18446744073709551615 \"x\";\n", nil},
		{"page outside", head + sg("P M", "0|2@1+", plain) + sg("S m4", "8|8@1+", plain), []string{"5:2 warning signal/multiplexer"}},
		{
			"start value outside", head + sg("S", "0|8@1+", plain) + "BA_DEF_ SG_ \"GenSigStartValue\" FLOAT 0 0;\nBA_ \"GenSigStartValue\" SG_ 1 S 256;\n",
			[]string{"4:2 warning signal/start-value"},
		},
		{"wide", strings.Replace(head, "2 A", "16 A", 1) + sg("S", "0|65@1+", plain), []string{"4:2 note signal/wide"}},
		{
			"wide multiplexer", strings.Replace(head, "2 A", "16 A", 1) + sg("P M", "0|65@1+", plain) + sg("S m1", "65|8@1+", plain),
			[]string{"4:2 note signal/wide", "5:2 error signal/multiplexer"},
		},

		{"length that no frame has", head + "BO_ 2 N: 9 A\nBO_ 3 O: 64 A\nBO_ 4 P: 65 A\n", []string{"4:1 warning message/length", "6:1 warning message/length"}},
		{"format against identifier", head + "BO_ 2147483650 N: 8 A\nBA_DEF_ BO_ \"VFrameFormat\" ENUM \"StandardCAN\",\"ExtendedCAN\";\nBA_ \"VFrameFormat\" BO_ 1 1;\n" +
			"BA_ \"VFrameFormat\" BO_ 2147483650 0;\n", []string{"3:1 warning message/format", "4:1 warning message/format"}},
		{
			"cyclic without cycle", head + "BA_DEF_ BO_ \"GenMsgSendType\" ENUM \"Cyclic\",\"None\";\nBA_DEF_DEF_ \"GenMsgSendType\" \"None\";\nBA_ \"GenMsgSendType\" BO_ 1 0;\n",
			[]string{"3:1 warning message/cycle"},
		},
		{"cycle too short", head + "BA_DEF_ BO_ \"GenMsgCycleTime\" FLOAT 0 0;\nBA_ \"GenMsgCycleTime\" BO_ 1 0.5;\n", []string{"3:1 warning message/cycle"}},
		{"cycle in other units", head + "BA_DEF_ BO_ \"GenMsgCycleTime\" INT 0 0;\nBA_ \"GenMsgCycleTime\" BO_ 1 100000;\n", []string{"3:1 warning message/cycle"}},
		{"attribute range inverted", "BS_:\nBU_:\nBA_DEF_ \"X\" INT 5 1;\n", []string{"1:1 warning file/no-message", "3:1 warning attribute/range"}},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			db := parse(t, row.text)
			found := Lint(db)
			if diff := cmp.Diff(row.want, places(found)); diff != "" {
				t.Errorf("diagnostics (-want +got):\n%s\n%v", diff, found)
			}
			if diff := cmp.Diff(found, Lint(db)); diff != "" {
				t.Errorf("a second run differs (-first +second):\n%s", diff)
			}
		})
	}
}

// TestLintWithoutSource: a Database that was not parsed can be linted.
func TestLintWithoutSource(t *testing.T) {
	db := &Database{Messages: []*Message{{Name: "M", Length: 1, Signals: []*Signal{{Name: "S", Length: 9, Factor: 1, Order: Intel}}}}}
	if got := Lint(db); len(got) != 1 || got[0].Rule != "signal/outside-frame" {
		t.Errorf("got %v", got)
	}
}

// slowBits walks a signal bit by bit, as the doc comment of Signal draws it.
func slowBits(s *Signal) []int {
	var bits []int
	at := s.Start
	for range s.Length {
		bits = append(bits, at)
		switch {
		case s.Order == Intel:
			at++
		case at%8 == 0:
			at += 15
		default:
			at--
		}
	}
	return bits
}

// TestLayout holds Bytes, span and bitsIn against a walk along the bits.
func TestLayout(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := &Signal{
			Start:  rapid.IntRange(0, 200).Draw(t, "start"),
			Length: rapid.IntRange(1, 200).Draw(t, "length"),
			Order:  ByteOrder(rapid.IntRange(0, 1).Draw(t, "order")),
		}
		bits := slowBits(s)
		masks := map[int]byte{}
		for _, bit := range bits {
			masks[bit/8] |= 1 << (bit % 8)
		}
		first, last := s.span()
		if want := slices.Max(bits)/8 + 1; s.Bytes() != want || last != want-1 || first != bits[0]/8 {
			t.Fatalf("%d bytes from %d to %d, want %d from %d", s.Bytes(), first, last, want, bits[0]/8)
		}
		for b := first; b <= last; b++ {
			if s.bitsIn(b) != masks[b] {
				t.Fatalf("byte %d: bits %08b, want %08b", b, s.bitsIn(b), masks[b])
			}
		}
	})
}

// TestLintIsBounded: files made to compare everything with everything take a moment.
func TestLintIsBounded(t *testing.T) {
	const n = 20000
	var overlapping, valued strings.Builder
	overlapping.WriteString("BS_:\nBU_:\nBO_ 1 M: 65535 A\n SG_ P M : 0|1@1+ (1,0) [0|0] \"\" A\n")
	valued.WriteString("BS_:\nBU_:\nBO_ 1 M: 8 A\n")
	for i := range n {
		id := strconv.Itoa(i)
		overlapping.WriteString(" SG_ S" + id + " m0 : 0|524280@1+ (1,0) [0|0] \"\" A\n")
		valued.WriteString("BA_ \"X" + id + "\" BO_ 1 1;\n")
	}
	rules := func(text string) []string {
		var rules []string
		for _, d := range Lint(parse(t, text)) {
			rules = append(rules, d.Rule)
		}
		return rules
	}
	if got := rules(overlapping.String()); !slices.Contains(got, "file/overlaps") {
		t.Errorf("nothing says that signals were left uncompared")
	}
	if got := rules(valued.String()); len(got) != n {
		t.Errorf("%d findings, want one for each of %d undefined attributes", len(got), n)
	}
}

// TestSecondOpinionAgrees: what the passes of the second reader say of layouts and names
// in public files, this package says of the same lines.
func TestSecondOpinionAgrees(t *testing.T) {
	agreed := 0
	for _, path := range publicFiles(t) {
		db := Parse(path, publicSource(t, path))
		ours := Lint(db)
		for _, d := range secondOpinion(db) {
			switch d.Rule {
			case "signal/outside-frame", "message/duplicate-identifier", "node/duplicate", "signal/duplicate":
				agreed++
				if !slices.ContainsFunc(ours, func(o Diagnostic) bool {
					return o.Rule == d.Rule && o.Pos.Line == d.Pos.Line && o.Text != d.Text
				}) {
					t.Errorf("only the second reader says: %s", d)
				}
			}
		}
	}
	if agreed < 5 {
		t.Errorf("the second reader had %d findings: too few to mean anything", agreed)
	}
}
