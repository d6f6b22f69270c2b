package dbc

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestFaults reads one fault at a time. Each row says where the fault is
// reported, which lines it costs, and which signals of the text are left.
func TestFaults(t *testing.T) {
	const head = "BU_: A B\n"                                         // line 1
	const message = head + "BO_ 1 M: 8 A\n"                           // line 2
	const signal = message + " SG_ S : 0|8@1+ (1,0) [0|255] \"\" B\n" // line 3
	rows := []struct {
		name  string
		text  string
		want  []string // line:col severity rule
		aside []int
		left  string // signals of all messages
	}{
		{"nothing", "", nil, nil, ""},
		{"blank lines", "\n \t\n// a comment\n", nil, nil, ""},
		{"no fault", signal, nil, nil, "M.S"},
		{"unknown keyword", head + "XX_ 1 2;\nfoo\n" + "BO_ 1 M: 8 A\n", []string{"2:1 error line/foreign"}, []int{2, 3}, ""},
		{"lines between blanks", "foo\n\nbar\n", []string{"1:1 error line/foreign", "3:1 error line/foreign"}, []int{1, 3}, ""},
		{"keyword without content", "BO_\n", []string{"1:4 error message/syntax"}, []int{1}, ""},
		{"longer word", "BO_X 1 M: 8 A\n", []string{"1:1 error line/foreign"}, []int{1}, ""},

		{"id is no number", head + "BO_ x M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" B\n", []string{"2:5 error message/syntax"}, []int{2, 3}, ""},
		{"id over 32 bits", head + "BO_ 4294967296 M: 8 A\n", []string{"2:5 error message/identifier"}, []int{2}, ""},
		{
			"id over 29 bits", head + "BO_ 2684354560 M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" B\n\n SG_ T : 0|8@1+ (1,0) [0|0] \"\" B\n",
			[]string{"2:5 error message/identifier"},
			[]int{2, 3, 5},
			"",
		},
		{"id without bit 31", head + "BO_ 2048 M: 8 A\n", []string{"2:5 warning message/no-extended-bit"}, nil, ""},
		{
			"signals of no frame", head + "BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 A\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" B\nCM_ SG_ 3221225472 S \"x\";\n",
			[]string{"2:1 note message/independent-signals"},
			nil, "",
		},
		{"id twice", signal + "BO_ 1 N: 8 A\n SG_ T : 0|8@1+ (1,0) [0|0] \"\" B\n", []string{"4:1 error message/duplicate-identifier"}, []int{4, 5}, "M.S"},
		{"id twice, two formats", message + "BO_ 2147483649 N: 8 A\n", nil, nil, ""},
		{"id twice, one without bit 31", head + "BO_ 2147485696 M: 8 A\nBO_ 2048 N: 8 A\n", []string{"3:1 error message/duplicate-identifier"}, []int{3}, ""},
		{"no colon", head + "BO_ 1 M 8 A\n", []string{"2:9 error message/syntax"}, []int{2}, ""},
		{"length too large", head + "BO_ 1 M: 65536 A\n", []string{"2:10 error message/syntax"}, []int{2}, ""},
		{"negative length", head + "BO_ 1 M: -1 A\n", []string{"2:10 error message/syntax"}, []int{2}, ""},
		{"no sender", "BO_ 1 M: 8\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" B\n", nil, nil, "M.S"},

		{"signal before messages", " SG_ S : 0|8@1+ (1,0) [0|0] \"\" B\n SG_ T : 0|8@1+ (1,0) [0|0] \"\" B\n", []string{"1:2 error signal/stray"}, []int{1, 2}, ""},
		{
			"one bad signal among good ones", signal + " SG_ T : 8|8@2+ (1,0) [0|0] \"\" B\n SG_ U : 16|8@1+ (1,0) [0|0] \"\" B\n",
			[]string{"4:14 error signal/syntax"},
			[]int{4},
			"M.S M.U",
		},
		{"no sign", message + " SG_ S : 0|8@1 (1,0) [0|0] \"\" B\n", []string{"3:16 error signal/syntax"}, []int{3}, ""},
		{"no factor", message + " SG_ S : 0|8@1+ [0|0] \"\" B\n", []string{"3:17 error signal/syntax"}, []int{3}, ""},
		{"decimal comma", message + " SG_ S : 0|8@1+ (0,1,0) [0|0] \"\" B\n", []string{"3:21 error signal/syntax"}, []int{3}, ""},
		{"factor NaN", message + " SG_ S : 0|8@1+ (NaN,0) [0|0] \"\" B\n", []string{"3:18 error signal/syntax"}, []int{3}, ""},
		{"factor Inf", message + " SG_ S : 0|8@1+ (inf,0) [0|0] \"\" B\n", []string{"3:18 error signal/syntax"}, []int{3}, ""},
		{"factor gigantic", message + " SG_ S : 0|8@1+ (1e999,0) [0|0] \"\" B\n", []string{"3:6 error signal/scale"}, []int{3}, ""},
		{"range NaN", message + " SG_ S : 0|8@1+ (1,0) [nan|1.#INF] \"\" B\n", []string{"3:24 warning signal/range-unreadable"}, nil, "M.S"},
		{"start gigantic", message + " SG_ S : 99999999999999999999|8@1+ (1,0) [0|0] \"\" B\n", []string{"3:10 error signal/syntax"}, []int{3}, ""},
		{"start negative", message + " SG_ S : -1|8@1+ (1,0) [0|0] \"\" B\n", []string{"3:10 error signal/syntax"}, []int{3}, ""},
		{"length gigantic", message + " SG_ S : 0|524281@1+ (1,0) [0|0] \"\" B\n", []string{"3:12 error signal/syntax"}, []int{3}, ""},
		{"length zero", message + " SG_ S : 0|0@1+ (1,0) [0|0] \"\" B\n", []string{"3:6 error signal/zero-length"}, []int{3}, ""},
		{"unit not closed", message + " SG_ S : 0|8@1+ (1,0) [0|0] \"km B\n SG_ T : 8|8@1+ (1,0) [0|0] \"\" B\n", []string{"3:29 error signal/syntax"}, []int{3}, "M.T"},
		{"mark unknown", message + " SG_ S x3 : 0|8@1+ (1,0) [0|0] \"\" B\n", []string{"3:8 error signal/syntax"}, []int{3}, ""},
		{"mark gigantic", message + " SG_ S m99999999999999999999 : 0|8@1+ (1,0) [0|0] \"\" B\n", []string{"3:8 error signal/syntax"}, []int{3}, ""},
		{"same signal twice", signal + " SG_ S : 0|8@1+ (2,0) [0|0] \"\" B\n", []string{"4:2 error signal/duplicate"}, []int{4}, "M.S"},
		{
			"name twice, elsewhere", signal + " SG_ S : 8|8@1+ (1,0) [0|0] \"\" B\n SG_ S : 16|8@1+ (1,0) [0|0] \"\" B\n",
			[]string{"4:2 warning signal/duplicate", "5:2 warning signal/duplicate"},
			nil, "M.S M.S_2 M.S_3",
		},
		{"text behind", message + " SG_ S : 0|8@1+ (1,0) [0|0] \"\" B [\n", []string{"3:34 error signal/syntax"}, []int{3}, ""},

		{"page without multiplexer", message + " SG_ S m3 : 0|8@1+ (1,0) [0|0] \"\" B\n", []string{"3:2 error signal/multiplexer"}, []int{3}, ""},
		{"bare m", message + " SG_ S m : 0|8@1+ (1,0) [0|0] \"\" B\n", []string{"3:8 warning signal/page"}, nil, "M.S"},
		{
			"two multiplexers unexplained", message + " SG_ P M : 0|8@1+ (1,0) [0|0] \"\" B\n SG_ Q M : 8|8@1+ (1,0) [0|0] \"\" B\n SG_ S m1 : 16|8@1+ (1,0) [0|0] \"\" B\n",
			[]string{"4:8 warning signal/multiplexer"},
			nil, "M.P M.Q M.S",
		},
		{"multiplexers in a loop", message + " SG_ P m1M : 0|8@1+ (1,0) [0|0] \"\" B\n SG_ Q m1M : 8|8@1+ (1,0) [0|0] \"\" B\n SG_ S : 16|8@1+ (1,0) [0|0] \"\" B\n" +
			"SG_MUL_VAL_ 1 P Q 1-1;\nSG_MUL_VAL_ 1 Q P 1-1;\n", []string{"3:2 error signal/multiplexer", "4:2 error signal/multiplexer"}, []int{3, 4}, "M.S"},
		{
			"on a lost multiplexer", message + " SG_ P m1M : 0|8@1+ (1,0) [0|0] \"\" B\n SG_ Q m2 : 8|8@1+ (1,0) [0|0] \"\" B\nSG_MUL_VAL_ 1 Q P 2-2;\n",
			[]string{"3:2 error signal/multiplexer", "4:2 error signal/multiplexer"},
			[]int{3, 4},
			"",
		},
		{"pages backwards", signal + "SG_MUL_VAL_ 1 S S 3-1;\n", []string{"4:19 error multiplexing/syntax"}, []int{4}, "M.S"},
		{"no pages", signal + "SG_MUL_VAL_ 1 S S ;\n", []string{"4:19 error multiplexing/syntax"}, []int{4}, "M.S"},
		{"two multiplexers", message + " SG_ P M : 0|8@1+ (1,0) [0|0] \"\" B\n SG_ Q M : 8|8@1+ (1,0) [0|0] \"\" B\n SG_ S m1 : 16|8@1+ (1,0) [0|0] \"\" B\n" +
			"SG_MUL_VAL_ 1 S P 1-1;\nSG_MUL_VAL_ 1 S Q 1-1;\nSG_MUL_VAL_ 1 S P 3-3;\n", []string{"7:17 error multiplexing/two-multiplexers"}, []int{7}, "M.P M.Q M.S"},
		{"multiplexer unknown", signal + "SG_MUL_VAL_ 1 S X 1-1;\n", []string{"4:17 error multiplexing/no-signal"}, []int{4}, "M.S"},

		{"comment on unknown message", signal + "CM_ BO_ 2 \"x\";\n", []string{"4:9 error comment/no-message"}, []int{4}, "M.S"},
		{"comment on unknown signal", signal + "CM_ SG_ 1 X \"x\";\n", []string{"4:11 error comment/no-signal"}, []int{4}, "M.S"},
		{"comment on unknown node", signal + "CM_ BU_ X \"x\";\n", []string{"4:9 error comment/no-node"}, []int{4}, "M.S"},
		{"comment on unknown variable", signal + "CM_ EV_ X \"x\";\n", []string{"4:9 error comment/no-variable"}, []int{4}, "M.S"},
		{"comment on unknown kind", signal + "CM_ XX_ X \"x\";\n", []string{"4:5 error comment/syntax"}, []int{4}, "M.S"},
		{"comment without semicolon", signal + "CM_ \"x\"\nCM_ SG_ 1 S \"y\";\n", []string{"4:1 warning comment/no-semicolon"}, nil, "M.S"},
		{"comment never closed", signal + "CM_ SG_ 1 S \"x\n more\nBA_DEF_ \"A\" INT 0 1;\n", []string{"4:13 error comment/syntax"}, []int{4, 5}, "M.S"},
		{"comment closed by the next one", signal + "CM_ BO_ 1 \"x;\nCM_ SG_ 1 S \"y\";\n", []string{"5:1 warning comment/statement"}, nil, "M.S"},
		{"two statements on a line", signal + "CM_ BO_ 1 \"x\"; CM_ SG_ 1 S \"y\";\n", []string{"4:16 error comment/trailing"}, []int{4}, "M.S"},
		{"import", "CM_ \"IMPORT other.dbc\";\n", []string{"1:1 note file/import"}, nil, ""},

		{"values of unknown message", signal + "VAL_ 2 S 0 \"x\";\n", []string{"4:6 error values/no-message"}, []int{4}, "M.S"},
		{"values of unknown signal", signal + "VAL_ 1 X 0 \"x\";\n", []string{"4:8 error values/no-signal"}, []int{4}, "M.S"},
		{"values of unknown table", signal + "VAL_ 1 S T ;\n", []string{"4:10 error values/no-table"}, []int{4}, "M.S"},
		{"values of unknown variable", signal + "VAL_ X 0 \"x\";\n", []string{"4:6 error values/no-variable"}, []int{4}, "M.S"},
		{"one bad value on its own line", signal + "VAL_ 1 S 0 \"x\"\n1.5 \"y\"\n2 \"z\";\n", []string{"5:1 error values/value"}, []int{5}, "M.S"},
		{"value without text", signal + "VAL_ 1 S 0 \"x\" 1 ;\n", []string{"4:18 error values/syntax"}, []int{4}, "M.S"},
		{"text never closed", signal + "VAL_ 1 S 0 \"x ;\nCM_ BO_ 1 \"y\";\n", []string{"4:12 error values/syntax"}, []int{4}, "M.S"},
		{"one value, two texts", signal + "VAL_ 1 S 0 \"x\" 0 \"y\" 0 \"x\";\n", []string{"4:1 warning values/two-texts"}, nil, "M.S"},
		{"values twice", signal + "VAL_ 1 S 0 \"x\";\nVAL_ 1 S 1 \"y\";\n", []string{"5:1 error values/duplicate"}, []int{5}, "M.S"},
		{"values without semicolon", signal + "VAL_ 1 S 0 \"x\"\nCM_ BO_ 1 \"y\";\n", []string{"4:1 warning values/no-semicolon"}, nil, "M.S"},
		{"text behind the semicolon", signal + "VAL_ 1 S 0 \"x\"; VAL_ 1 S 1 \"y\";\n", []string{"4:17 error values/trailing"}, []int{4}, "M.S"},
		{"comment behind the semicolon", signal + "VAL_ 1 S 0 \"x\";; // done\n", nil, nil, "M.S"},
		{"table twice", "VAL_TABLE_ T 0 \"x\";\nVAL_TABLE_ T 0 \"y\";\n", []string{"2:12 error value-table/duplicate"}, []int{2}, ""},

		{"float of 16 bits", message + " SG_ S : 0|16@1- (1,0) [0|0] \"\" B\nSIG_VALTYPE_ 1 S : 1;\n", []string{"4:1 error float/length"}, []int{4}, "M.S"},
		{"float type unknown", signal + "SIG_VALTYPE_ 1 S : 4;\n", []string{"4:20 error float/syntax"}, []int{4}, "M.S"},

		{"attribute type unknown", "BA_DEF_ BO_ \"X\" ENU;\n", []string{"1:17 error attribute/syntax"}, []int{1}, ""},
		{"attribute object unknown", "BA_DEF_ XX_ \"X\" STRING;\n", []string{"1:9 error attribute/syntax"}, []int{1}, ""},
		{"attribute defined twice", "BA_DEF_ \"X\" STRING;\nBA_DEF_ \"X\" STRING;\nBA_DEF_ BO_ \"X\" STRING;\n", []string{"2:9 error attribute/duplicate"}, []int{2}, ""},
		{"default of nothing", "BA_DEF_DEF_ \"X\" \"\";\n", []string{"1:13 error attribute/not-defined"}, []int{1}, ""},
		{"value of nothing", signal + "BA_ \"X\" BO_ 1 3;\nBA_ \"X\" BO_ 1 4;\n", []string{"4:5 warning attribute/not-defined", "5:1 warning attribute/twice"}, nil, "M.S"},
		{"attribute of unknown message", signal + "BA_DEF_ BO_ \"X\" INT 0 9;\nBA_ \"X\" BO_ 2 3;\n", []string{"5:13 error attribute/no-message"}, []int{5}, "M.S"},
		{"attribute is no number", signal + "BA_DEF_ BO_ \"X\" INT 0 9;\nBA_ \"X\" BO_ 1 \"abc\";\n", []string{"5:15 error attribute/value"}, []int{5}, "M.S"},
		{"attribute gigantic", signal + "BA_DEF_ BO_ \"X\" INT 0 9;\nBA_ \"X\" BO_ 1 1e999;\n", []string{"5:15 error attribute/value"}, []int{5}, "M.S"},
		{"attribute out of range", signal + "BA_DEF_ BO_ \"X\" INT 0 9;\nBA_ \"X\" BO_ 1 10;\n", []string{"5:15 warning attribute/range"}, nil, "M.S"},
		{
			"entry unknown", signal + "BA_DEF_ BO_ \"X\" ENUM \"a\",\"b\";\nBA_ \"X\" BO_ 1 \"c\";\nBA_ \"X\" BO_ 1 2;\n",
			[]string{"5:15 error attribute/value", "6:15 error attribute/value"},
			[]int{5, 6},
			"M.S",
		},
		{"relation of unknown node", signal + "BA_DEF_REL_ BU_SG_REL_ \"X\" INT 0 9;\nBA_REL_ \"X\" BU_SG_REL_ C SG_ 1 S 3;\n", []string{"5:24 error attribute/no-node"}, []int{5}, "M.S"},
		{"relation of unknown message", signal + "BA_DEF_REL_ BU_BO_REL_ \"X\" INT 0 9;\nBA_REL_ \"X\" BU_BO_REL_ A 2 3;\n", []string{"5:26 error attribute/no-message"}, []int{5}, "M.S"},
		{"relation of unknown signal", signal + "BA_DEF_REL_ BU_SG_REL_ \"X\" INT 0 9;\nBA_REL_ \"X\" BU_SG_REL_ A SG_ 1 T 3;\n", []string{"5:32 error attribute/no-signal"}, []int{5}, "M.S"},
		{"relation without SG_", signal + "BA_DEF_REL_ BU_SG_REL_ \"X\" INT 0 9;\nBA_REL_ \"X\" BU_SG_REL_ A 1 S 3;\n", []string{"5:26 error attribute/syntax"}, []int{5}, "M.S"},
		{"relation to unknown variable", signal + "BA_REL_ \"X\" BU_EV_REL_ A E 3;\n", []string{"4:26 error attribute/no-variable"}, []int{4}, "M.S"},
		{"relation to a variable", head + "EV_ E: 0 [0|1] \"\" 0 1 X A;\nBA_DEF_REL_ BU_EV_REL_ \"X\" INT 0 9;\nBA_REL_ \"X\" BU_EV_REL_ A E 3;\n", []string{"2:1 note environment/unused"}, nil, ""},
		{"relation unknown", signal + "BA_REL_ \"X\" BU_ A 3;\n", []string{"4:13 error attribute/syntax"}, []int{4}, "M.S"},
		{"cycle time negative", signal + "BA_DEF_ BO_ \"GenMsgCycleTime\" INT -9 9;\nBA_ \"GenMsgCycleTime\" BO_ 1 -5;\n", []string{"2:1 warning attribute/time"}, nil, "M.S"},

		{"group of unknown signals", signal + "SIG_GROUP_ 1 G 1 : S X;\n", []string{"4:22 error group/no-signal"}, []int{4}, "M.S"},
		{"senders of unknown message", signal + "BO_TX_BU_ 2 : A,B;\n", []string{"4:11 error senders/no-message"}, []int{4}, "M.S"},
		{"node twice", "BU_: A A\n", []string{"1:8 warning node/duplicate"}, nil, ""},
		{"obsolete statement", "SIGTYPE_VALTYPE_ 1;\n", []string{"1:1 error statement/unused"}, []int{1}, ""},
		{"bit rate in kbit/s", "BS_: 500\n", []string{"1:1 warning bit-timing/kilobit"}, nil, ""},
		{"bit rate too high", "BS_: 200000000\n", []string{"1:1 warning bit-timing/bit-rate"}, nil, ""},
		{"bit rate with registers", "BS_: 500000 : 1,2\n", nil, nil, ""},
		{"bit rate with half the registers", "BS_: 500000 : 1\n", []string{"1:16 error bit-timing/syntax"}, []int{1}, ""},
		{"nobody among the nodes", "BU_: Vector__XXX A\n", nil, nil, ""},
		{"colon among the nodes", "BU_: A : B\n", []string{"1:8 error node/syntax"}, []int{1}, ""},
		{
			"environment variables", "EV_ E: 0 [0|1] \"\" 0 1 DUMMY_NODE_VECTOR0 Vector__XXX;\nEV_ F: 0 [0|1] \"\" 0 2 DUMMY_NODE_VECTOR0 Vector__XXX;\nVAL_ E 1 \"on\";\nCM_ EV_ F \"x\";\n",
			[]string{"1:1 note environment/unused"},
			nil, "",
		},
		{"not UTF-8", head + "CM_ \"\xB0C\";\n", []string{"2:6 note file/encoding"}, nil, ""},
		{"not UTF-8, other runes before", "CM_ \"°\";\nCM_ \"\xB0\";\n", []string{"2:6 note file/encoding"}, nil, ""},
	}
	for _, row := range rows {
		t.Run(row.name, func(t *testing.T) {
			for _, text := range []string{row.text, strings.ReplaceAll(row.text, "\n", "\r\n")} {
				db := parse(t, text)
				if diff := cmp.Diff(row.want, places(db.Diagnostics)); diff != "" {
					t.Errorf("diagnostics (-want +got):\n%s\n%v", diff, db.Diagnostics)
				}
				if diff := cmp.Diff(row.aside, setAsideLines(db)); diff != "" {
					t.Errorf("lines set aside (-want +got):\n%s", diff)
				}
				var left []string
				for _, m := range db.Messages {
					for _, s := range m.Signals {
						left = append(left, m.Name+"."+s.Name)
					}
				}
				if got := strings.Join(left, " "); got != row.left {
					t.Errorf("left: got %q, want %q", got, row.left)
				}
			}
		})
	}
}
