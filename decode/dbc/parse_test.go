package dbc

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// TestParseBasics reads one small file with every common statement.
func TestParseBasics(t *testing.T) {
	db := parse(t, `VERSION "1.0" // comment
NS_ :
	CM_
	BA_DEF_

BS_:
BU_: ENGINE
 CLUSTER, BODY
BO_ 513 Engine: 8 ENGINE
 SG_ Speed : 7|16@0+ (0.25,0) [0|16383.75] "rpm" CLUSTER,Vector__XXX
 SG_ Page M : 16|2@1+ (1,0) [0|3] "" CLUSTER BODY
 SG_ Coolant m1 : 24|8@1- ( 1 , -40 ) [ -168 | +87 ] "°C" XXX
 SG_ Silent:32|08@1+(1e-1,0)[0|0]""
CM_ "network";
CM_ BU_ ENGINE "the engine's";
CM_ BO_ 513 "many \"things\"
on two lines;
";
CM_ SG_ 513 Speed "crankshaft";
CM_ SG_ 513 Speed "again";
VAL_TABLE_ Pages 1 "temperatures" 0 "none" ;
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_ SG_ "Kind" ENUM "a","b";
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "Kind" "b";
BA_ "GenMsgCycleTime" BO_ 513 20;
BA_ "Kind" SG_ 513 Speed 0;
BO_TX_BU_ 513 : ENGINE,BODY;
SIG_GROUP_ 513 Group 2 : Speed Page;
VAL_ 513 Page Pages ;
VAL_ 513 Coolant 0x "x" 18446744073709551615 "not available" -1 "also" -40 "cold" 2.0 "two";
`)
	if diff := cmp.Diff([]string{"31:18 error values/value", "31:1 warning values/two-texts"}, places(sortedByRule(db.Diagnostics))); diff != "" {
		t.Errorf("diagnostics (-want +got):\n%s", diff)
	}
	if len(db.Messages) != 1 || len(db.Messages[0].Signals) != 4 || len(db.Nodes) != 3 {
		t.Fatalf("got %d messages, %d nodes", len(db.Messages), len(db.Nodes))
	}
	m := db.Messages[0]
	speed, page, coolant, silent := m.Signals[0], m.Signals[1], m.Signals[2], m.Signals[3]
	rows := []struct {
		name      string
		got, want any
	}{
		{"version", db.Version, "1.0"},
		{"network comment", db.Comment, "network"},
		{"node comment", db.Nodes[0].Comment, "the engine's"},
		{"node place", db.Nodes[1].Pos.String(), "test.dbc:8:2"},
		{"message comment", m.Comment, "many \"things\"\non two lines;\n"},
		{"two comments", speed.Comment, "crankshaft\nagain"},
		{"cycle", m.CycleTime, 20 * time.Millisecond},
		{"senders", m.Senders, []string{"ENGINE", "BODY"}},
		{"groups", m.Groups, []SignalGroup{{"Group", 2, []string{"Speed", "Page"}}}},
		{"nobody left out", speed.Receivers, []string{"CLUSTER"}},
		{"receivers without comma", page.Receivers, []string{"CLUSTER", "BODY"}},
		{"XXX kept", coolant.Receivers, []string{"XXX"}},
		{"no receivers", silent.Receivers, []string(nil)},
		{"places", speed.Pos.String() + " " + m.Pos.String(), "test.dbc:10:2 test.dbc:9:1"},
		{"layout", []int{speed.Start, speed.Length, int(speed.Order), silent.Length}, []int{7, 16, int(Motorola), 8}},
		{"scale", []float64{coolant.Factor, coolant.Offset, coolant.Min, coolant.Max, silent.Factor}, []float64{1, -40, -168, 87, 0.1}},
		{"types", []ValueType{speed.Type, coolant.Type}, []ValueType{Unsigned, Signed}},
		{"unit", coolant.Unit, "°C"},
		{"multiplexing", page.Multiplexer && !coolant.Multiplexer && coolant.Switch == page && speed.Switch == nil, true},
		{"pages", coolant.Pages, []MuxRange{{1, 1}}},
		{"table by name", page.Values, []ValueText{{0, "none"}, {1, "temperatures"}}},
		{"values", coolant.Values, []ValueText{{-40, "cold"}, {-1, "not available"}, {2, "two"}}},
		{"entry by index", speed.Attributes, Attributes{"Kind": {"a", 0}}},
		{"default", *db.Definitions[1].Default, Attribute{"b", 1}},
		{"account", db.Account(), Account{Blank: 1, Understood: 29, SetAside: 1}},
	}
	for _, row := range rows {
		if diff := cmp.Diff(row.want, row.got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", row.name, diff)
		}
	}
}

// sortedByRule puts errors first, as a fixed order for two diagnostics of one line.
func sortedByRule(d []Diagnostic) []Diagnostic {
	out := append([]Diagnostic(nil), d...)
	if len(out) == 2 && out[0].Severity < out[1].Severity {
		out[0], out[1] = out[1], out[0]
	}
	return out
}

// TestOutOfOrder has every description before what it describes.
func TestOutOfOrder(t *testing.T) {
	db := parse(t, `VAL_ 1 S 0 "off";
BA_ "GenMsgCycleTime" BO_ 1 50;
SG_MUL_VAL_ 1 S P 4-5, 1-2, 3-3;
CM_ SG_ 1 S "text";
BA_DEF_DEF_ "GenMsgCycleTime" 7;
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 100;
BO_TX_BU_ 1 : A;
SIG_VALTYPE_ 1 S 1;
BO_ 1 M: 8 Vector__XXX
 SG_ P M : 0|8@1+ (1,0) [0|0] "" A
 SG_ S m1 : 8|32@1- (1,0) [0|0] "" A
BO_ 2 N: 8 A
BU_: A
`)
	if len(db.Diagnostics) != 0 {
		t.Errorf("unexpected: %v", db.Diagnostics)
	}
	s := find(t, db, "M.S")
	if s.Comment != "text" || s.Type != Float32 || len(s.Values) != 1 {
		t.Errorf("got comment %q, type %d, %d values", s.Comment, s.Type, len(s.Values))
	}
	if diff := cmp.Diff([]MuxRange{{1, 5}}, s.Pages); diff != "" || s.Switch != find(t, db, "M.P") {
		t.Errorf("pages (-want +got):\n%s", diff)
	}
	if a, b := db.Messages[0], db.Messages[1]; a.CycleTime != 50*time.Millisecond || b.CycleTime != 7*time.Millisecond {
		t.Errorf("got cycles %v and %v", a.CycleTime, b.CycleTime)
	}
	if diff := cmp.Diff([]string{"A"}, db.Messages[0].Senders); diff != "" {
		t.Errorf("senders (-want +got):\n%s", diff)
	}
}

// TestEncodings reads one text in every encoding that files come in.
func TestEncodings(t *testing.T) {
	const text = "BU_: A\r\nCM_ BU_ A \"\u00B0C \u20AC\";\r\n"
	utf16 := func(order func(uint16) []byte) string {
		var b strings.Builder
		for _, r := range "\uFEFF" + text {
			b.Write(order(uint16(r)))
		}
		return b.String()
	}
	rows := []struct{ name, src string }{
		{"UTF-8", text},
		{"UTF-8 with mark", "\uFEFF" + text},
		{"cp1252", strings.NewReplacer("\u00B0", "\xB0", "\u20AC", "\x80").Replace(text)},
		{"UTF-16 little endian", utf16(func(u uint16) []byte { return []byte{byte(u), byte(u >> 8)} })},
		{"UTF-16 big endian", utf16(func(u uint16) []byte { return []byte{byte(u >> 8), byte(u)} })},
		{"line feeds", strings.ReplaceAll(text, "\r", "")},
		{"carriage returns", strings.ReplaceAll(text, "\n", "")},
	}
	for _, row := range rows {
		db := parse(t, row.src)
		if len(db.Nodes) != 1 || db.Nodes[0].Comment != "\u00B0C \u20AC" {
			t.Errorf("%s: got %d nodes, diagnostics %v", row.name, len(db.Nodes), db.Diagnostics)
		}
	}
	// every byte, the five that cp1252 leaves open as well, gives some rune and never fails
	for b := 0x80; b < 0x100; b++ {
		if db := parse(t, "CM_ \""+string([]byte{byte(b)})+"\";\n"); len([]rune(db.Comment)) != 1 {
			t.Errorf("byte %#x: got comment %q", b, db.Comment)
		}
	}
}

// TestQuotes reads texts with quotes and backslashes in them.
func TestQuotes(t *testing.T) {
	db := parse(t, `BO_ 1 M: 8 A
 SG_ S : 0|8@1+ (1,0) [0|0] "\"" A
CM_ BO_ 1 "a "word"; no end yet" ;
VAL_ 1 S 1 "say \"on\"" 2 "C:\dir\" ;
BA_DEF_ "Path" STRING ;
BA_DEF_ "Words" STRING ;
BA_ "Path" "C:\dir\";
BA_ "Words" "a \"b\" c";
CM_ "ends
 twice"
;
`)
	// a comment ends at a quote before a semicolon, and not later
	if diff := cmp.Diff([]string{"3:22 error comment/trailing"}, places(db.Diagnostics)); diff != "" {
		t.Errorf("diagnostics (-want +got):\n%s", diff)
	}
	s := find(t, db, "M.S")
	rows := []struct {
		name      string
		got, want any
	}{
		{"unit", s.Unit, `"`},
		{"comment", db.Messages[0].Comment, `a "word`},
		{"values", s.Values, []ValueText{{1, `say "on"`}, {2, `C:\dir\`}}},
		{"path", db.Attributes["Path"].Text, `C:\dir\`},
		{"words", db.Attributes["Words"].Text, `a "b" c`},
	}
	for _, row := range rows {
		if diff := cmp.Diff(row.want, row.got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", row.name, diff)
		}
	}
}

// TestWide reads messages over 64 bytes and signals over 64 bits.
func TestWide(t *testing.T) {
	db := parse(t, `BO_ 2364540158 Long: 1785 A
 SG_ Text : 24|1600@1+ (1,0) [0|4.446241647709404E+481] "" A
 SG_ Last : 14279|1@1+ (1,0) [0|1] "" A
BO_ 5 Wide: 65535 A
`)
	if len(db.Diagnostics) != 0 {
		t.Errorf("unexpected: %v", db.Diagnostics)
	}
	text, last := find(t, db, "Long.Text"), find(t, db, "Long.Last")
	if text.Length != 1600 || !math.IsInf(text.Max, 1) || text.Bytes() != 203 || last.Bytes() != 1785 || db.Messages[1].Length != 65535 {
		t.Errorf("got %d bits to %g in %d bytes, %d, %d", text.Length, text.Max, text.Bytes(), last.Bytes(), db.Messages[1].Length)
	}
}

// TestLongNames puts long names in the place of short ones everywhere.
func TestLongNames(t *testing.T) {
	db := parse(t, `BU_: N1 N2 N3
BO_ 1 M1: 8 N1
 SG_ S1 : 0|8@1+ (1,0) [0|0] "" N2
 SG_ S2 : 8|8@1+ (1,0) [0|0] "" N3
BO_ 2 M2: 8 N2
BO_TX_BU_ 1 : N1,N2;
BA_DEF_ BU_ "SystemNodeLongSymbol" STRING ;
BA_DEF_ BO_ "SystemMessageLongSymbol" STRING ;
BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;
BA_DEF_REL_ BU_SG_REL_ "GenSigTimeoutTime" INT 0 9999;
BA_DEF_DEF_ "SystemSignalLongSymbol" "";
BA_ "SystemNodeLongSymbol" BU_ N2 "Node_two_whose_name_is_over_32_characters";
BA_ "SystemMessageLongSymbol" BO_ 1 "Message_one";
BA_ "SystemMessageLongSymbol" BO_ 2 "Message_one";
BA_ "SystemSignalLongSymbol" SG_ 1 S1 "Signal_one";
BA_REL_ "GenSigTimeoutTime" BU_SG_REL_ N2 SG_ 1 S1 200;
SIG_GROUP_ 1 G 1 : S1 S2;
`)
	m, s := db.Messages[0], find(t, db, "Message_one.Signal_one")
	const two = "Node_two_whose_name_is_over_32_characters"
	rows := []struct {
		name      string
		got, want any
	}{
		{"nodes", []string{db.Nodes[0].Name, db.Nodes[1].Name}, []string{"N1", two}},
		{"senders", m.Senders, []string{"N1", two}},
		{"receivers", s.Receivers, []string{two}},
		{"timeouts", s.Timeouts, map[string]time.Duration{two: 200 * time.Millisecond}},
		{"relations", s.Relations[two]["GenSigTimeoutTime"].Number, 200.0},
		{"group", m.Groups[0].Signals, []string{"Signal_one", "S2"}},
		{"taken", db.Messages[1].Name, "M2"},
		{"diagnostics", places(db.Diagnostics), []string{"5:1 warning name/long-name-taken"}},
	}
	for _, row := range rows {
		if diff := cmp.Diff(row.want, row.got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", row.name, diff)
		}
	}
}

// TestNesting allows 32 multiplexers in a chain and no more.
func TestNesting(t *testing.T) {
	var text strings.Builder
	text.WriteString("BO_ 1 M: 64 A\n SG_ S0 M : 0|8@1+ (1,0) [0|0] \"\" A\n")
	const deep = 40
	for i := 1; i < deep; i++ {
		n := strconv.Itoa(i)
		text.WriteString(" SG_ S" + n + " m1M : " + strconv.Itoa(8*i) + "|8@1+ (1,0) [0|0] \"\" A\n")
	}
	for i := 1; i < deep; i++ {
		text.WriteString("SG_MUL_VAL_ 1 S" + strconv.Itoa(i) + " S" + strconv.Itoa(i-1) + " 1-1;\n")
	}
	db := parse(t, text.String())
	if got := len(db.Messages[0].Signals); got != maxNesting {
		t.Errorf("%d signals left of a chain of %d, want %d", got, deep, maxNesting)
	}
}
