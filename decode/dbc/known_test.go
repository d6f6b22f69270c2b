package dbc

import (
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"plugproof/decode/witness"

	"github.com/google/go-cmp/cmp"
)

// presentAt lists the signals of a message that are present when its multiplexers have
// the given values, by the plain meaning of Switch and Pages.
func presentAt(m *Message, values map[string]uint64) []string {
	var present func(s *Signal) bool
	present = func(s *Signal) bool {
		if s.Switch == nil {
			return true
		}
		v, ok := values[s.Switch.Name]
		return ok && present(s.Switch) && meet(s.Pages, []MuxRange{{v, v}})
	}
	var names []string
	for _, s := range m.Signals {
		if !s.Multiplexer && present(s) {
			names = append(names, s.Name)
		}
	}
	return names
}

// TestMultiplexing holds the links against the answers of the cantools tests
// (test_database.py, tests/files/dbc), in texts of our own.
func TestMultiplexing(t *testing.T) {
	rows := []struct {
		name   string
		text   string
		values map[string]uint64
		want   []string
	}{}
	add := func(name, text string, values map[string]uint64, want ...string) {
		rows = append(rows, struct {
			name   string
			text   string
			values map[string]uint64
			want   []string
		}{name, text, values, want})
	}
	const simple = `BO_ 1 M: 8 A
 SG_ Page M : 0|4@1+ (1,0) [0|0] "" A
 SG_ Count m0 : 4|12@1+ (1,0) [0|0] "" A
 SG_ A0 m0 : 16|12@1+ (0.1,0) [0|0] "" A
 SG_ A1 m1 : 16|12@1+ (0.1,0) [0|0] "" A
`
	add("simple, page 0", simple, map[string]uint64{"Page": 0}, "Count", "A0")
	add("simple, page 1", simple, map[string]uint64{"Page": 1}, "A1")
	add("simple, page 2", simple, map[string]uint64{"Page": 2})

	const ranges = `BO_ 1 M: 8 A
 SG_ S0 M : 0|4@1+ (1,0) [0|0] "" A
 SG_ S1 m1 : 4|4@1+ (1,0) [0|0] "" A
 SG_ S2 m2 : 8|8@1+ (1,0) [0|0] "" A
SG_MUL_VAL_ 1 S1 S0 1-1, 3-3;
SG_MUL_VAL_ 1 S2 S0 2-5;
`
	for v, want := range [][]string{nil, {"S1"}, {"S2"}, {"S1", "S2"}, {"S2"}, {"S2"}, nil} {
		add("ranges", ranges, map[string]uint64{"S0": uint64(v)}, want...)
	}

	const several = `BO_ 1 M: 8 A
 SG_ MUX M : 0|8@1+ (1,0) [0|0] "" A
 SG_ S m0 : 8|8@1+ (1,0) [0|0] "" A
SG_MUL_VAL_ 1 S MUX 0-0, 3-5;
`
	for v, want := range [][]string{{"S"}, nil, nil, {"S"}, {"S"}, {"S"}, nil} {
		add("page 0 and 3 to 5", several, map[string]uint64{"MUX": uint64(v)}, want...)
	}

	const cascade = `BO_ 1 M: 8 A
 SG_ S0 M : 0|4@1+ (1,0) [0|0] "" A
 SG_ S1 m0M : 4|4@1+ (1,0) [0|0] "" A
 SG_ S2 m0 : 8|8@1+ (1,0) [0|0] "" A
 SG_ S3 m0 : 16|16@1+ (1,0) [0|0] "" A
 SG_ S4 m2 : 8|24@1+ (1,0) [0|0] "" A
 SG_ S5 m1 : 4|28@1+ (1,0) [0|0] "" A
 SG_ S6 M : 32|8@1+ (1,0) [0|0] "" A
 SG_ S7 m1 : 40|24@1+ (1,0) [0|0] "" A
 SG_ S8 m2 : 40|8@1+ (1,0) [0|0] "" A
SG_MUL_VAL_ 1 S1 S0 0-0;
SG_MUL_VAL_ 1 S2 S1 0-0;
SG_MUL_VAL_ 1 S3 S1 0-0;
SG_MUL_VAL_ 1 S4 S1 2-2;
SG_MUL_VAL_ 1 S5 S0 1-1;
SG_MUL_VAL_ 1 S7 S6 1-1;
SG_MUL_VAL_ 1 S8 S6 2-2;
`
	add("cascade, S4 and S7", cascade, map[string]uint64{"S0": 0, "S1": 2, "S6": 1}, "S4", "S7")
	add("cascade, S2, S3 and S8", cascade, map[string]uint64{"S0": 0, "S1": 0, "S6": 2}, "S2", "S3", "S8")
	add("cascade, S5; S1 is absent", cascade, map[string]uint64{"S0": 1, "S1": 0, "S6": 4}, "S5")
	for _, row := range rows {
		db := parse(t, row.text)
		if len(db.Diagnostics) != 0 {
			t.Errorf("%s: %v", row.name, db.Diagnostics)
		}
		if diff := cmp.Diff(row.want, presentAt(db.Messages[0], row.values)); diff != "" {
			t.Errorf("%s at %v (-want +got):\n%s", row.name, row.values, diff)
		}
	}
}

// TestIdentifiers: identifiers are decimal, bit 31 means 29 bits (cantools tests).
func TestIdentifiers(t *testing.T) {
	rows := []struct {
		written  string
		id       uint32
		extended bool
		refused  bool
	}{
		{"2147558192", 0x12330, true, false},
		{"2503213569", 0x15340201, true, false},
		{"2047", 0x7FF, false, false},
		{"2147483648", 0, true, false}, // 29 bits, the number 0
		{"2684354559", 0x1FFFFFFF, true, false},
		{"2684354560", 0, false, true},
		// 0x10630000 without bit 31. The cantools tests want an error; here it is a
		// warning, since 11 bits cannot hold it and only one meaning is left.
		{"274923520", 0x10630000, true, false},
		{"4294967295", 0, false, true}, // 0x7FFFFFFF after stripping bit 31
		{"2147483647", 0, false, true}, // 0x7FFFFFFF
		{"0x123", 0, false, true},      // hexadecimal is no form of the file
	}
	for _, row := range rows {
		db := parse(t, "BO_ "+row.written+" M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] \"\" A\n")
		if refused := len(db.Messages) == 0; refused != row.refused {
			t.Errorf("%s: refused is %v: %v", row.written, refused, db.Diagnostics)
			continue
		}
		if !row.refused && (db.Messages[0].ID != row.id || db.Messages[0].Extended != row.extended) {
			t.Errorf("%s: got %#x, extended %v", row.written, db.Messages[0].ID, db.Messages[0].Extended)
		}
		if row.refused != (len(setAsideLines(db)) == 2) {
			t.Errorf("%s: lines %v are set aside", row.written, setAsideLines(db))
		}
	}
}

// TestFrameFormats: VFrameFormat goes by the name of the entry, because lists differ
// (cantools tests for the usual list; a public note, gist 39ece85e, for StandardFD
// at 2 and J1939PG at 4), or by the usual index where it is a plain number.
func TestFrameFormats(t *testing.T) {
	const usual = `ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG","r","r","r","r","r","r","r","r","r","r","StandardCAN_FD","ExtendedCAN_FD"`
	const other = `ENUM "StandardCAN","ExtendedCAN","StandardCAN_FD","ExtendedCAN_FD","J1939PG"`
	const std, ext = "1", "2566844672" // 2566844672 is 0x18FEF100 with bit 31
	rows := []struct {
		kind, id, value string
		length          int
		fd, j1939       bool
	}{
		{usual, std, "0", 8, false, false},
		{usual, ext, "1", 8, false, false},
		{usual, ext, "3", 8, false, true},
		{usual, std, "14", 8, true, false},
		{usual, ext, "15", 8, true, false},
		{usual, ext, `"ExtendedCAN_FD"`, 8, true, false},
		{usual, std, "3", 8, false, false}, // J1939 has 29 bits
		{usual, ext, "3", 20, false, true}, // long, but by a transport protocol
		{usual, std, "0", 64, false, false},
		{other, std, "2", 8, true, false},
		{other, ext, "3", 8, true, false},
		{other, ext, "4", 8, false, true},
		{"INT 0 3", std, "0", 8, false, false},
		{"INT 0 3", ext, "3", 8, false, true},
		{"INT 0 15", std, "14", 8, true, false},
		{"INT 0 15", ext, "15", 8, true, false},
		{"INT 0 15", ext, "1", 20, false, false},
		{"INT 0 15", ext, "2", 8, false, false},
	}
	for _, row := range rows {
		text := "BO_ " + row.id + " M: " + strconv.Itoa(row.length) + " A\nBA_DEF_ BO_ \"VFrameFormat\" " + row.kind + ";\n" +
			"BA_DEF_DEF_ \"VFrameFormat\" "
		for _, text := range []string{text + row.value + ";\n", // by default, and stated
			text + "0;\nBA_ \"VFrameFormat\" BO_ " + row.id + " " + row.value + ";\n"} {
			db := parse(t, text)
			if m := db.Messages[0]; m.FD != row.fd || m.J1939 != row.j1939 || len(db.Diagnostics) != 0 {
				t.Errorf("%s of %s, identifier %s: got FD %v, J1939 %v, %v", row.value, row.kind, row.id, m.FD, m.J1939, db.Diagnostics)
			}
		}
	}
	for protocol, want := range map[string]bool{"J1939": true, "j1939": true, "GMLAN": false} {
		db := parse(t, "BO_ 2566844672 M: 20 A\nBO_ 1 N: 20 A\nBA_DEF_ \"ProtocolType\" STRING ;\nBA_DEF_DEF_ \"ProtocolType\" \"\";\nBA_ \"ProtocolType\" \""+protocol+"\";\n")
		if m, n := db.Messages[0], db.Messages[1]; m.J1939 != want || n.J1939 || m.FD == want || !n.FD {
			t.Errorf("protocol %s: got J1939 %v and %v, FD %v and %v", protocol, m.J1939, n.J1939, m.FD, n.FD)
		}
	}
}

// TestAttributeMeaning: start values are raw (32767 stands for 32.767 at 0.001), a cycle time
// of 0 is none, timeouts lie between a receiver and a signal (cantools tests).
func TestAttributeMeaning(t *testing.T) {
	db := parse(t, `BU_: FOO ECU2
BS_:
BO_ 1 M: 8 FOO
 SG_ S : 0|16@1- (0.001,0) [0|0] "" FOO
 SG_ T : 16|16@1- (0.001,0) [0|0] "" ECU2
 SG_ U : 32|16@1- (0.001,0) [0|0] "" ECU2
BO_ 2 N: 8 FOO
BA_DEF_ "Baudrate" INT 0 1000000;
BA_DEF_ "BaudrateCANFD" INT 0 8000000;
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 0;
BA_DEF_ BO_ "GenMsgSendType" ENUM "Cyclic","not_used","not_used","not_used","not_used","Cyclic","not_used","IfActive","NoMsgSendType";
BA_DEF_ SG_ "GenSigStartValue" FLOAT -32768 32767;
BA_DEF_ SG_ "GenSigSendType" ENUM "Cyclic","OnWrite";
BA_DEF_REL_ BU_SG_REL_ "GenSigTimeoutTime" INT 0 65535;
BA_DEF_REL_ BU_SG_REL_ "SigFirstTimeoutTime" INT 0 65535;
BA_DEF_REL_ BU_BO_REL_ "MsgProject" ENUM "A","B","C";
BA_DEF_DEF_ "Baudrate" 125000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "GenMsgSendType" "NoMsgSendType";
BA_DEF_DEF_REL_ "GenSigTimeoutTime" 0;
BA_ "Baudrate" 500000;
BA_ "BaudrateCANFD" 2000000;
BA_ "GenMsgCycleTime" BO_ 2 100;
BA_ "GenMsgSendType" BO_ 2 5;
BA_ "GenSigStartValue" SG_ 1 S 32767;
BA_ "GenSigStartValue" SG_ 1 T -30000;
BA_ "GenSigSendType" SG_ 1 S 1;
BA_REL_ "GenSigTimeoutTime" BU_SG_REL_ FOO SG_ 1 S 200;
BA_REL_ "SigFirstTimeoutTime" BU_SG_REL_ ECU2 SG_ 1 T 24000;
BA_REL_ "MsgProject" BU_BO_REL_ ECU2 1 2;
`)
	m, n, s, u := db.Messages[0], db.Messages[1], find(t, db, "M.S"), find(t, db, "M.U")
	rows := []struct {
		name      string
		got, want any
	}{
		{"diagnostics", places(db.Diagnostics), []string(nil)},
		{"bit rates", []int64{db.Bitrate, db.DataBitrate}, []int64{500000, 2000000}},
		{"cycle by default", m.CycleTime, time.Duration(0)},
		{"cycle", n.CycleTime, 100 * time.Millisecond},
		{"send type by default", m.SendType, "NoMsgSendType"},
		{"send type", n.SendType, "Cyclic"},
		{"signal's send type", s.SendType, "OnWrite"},
		{"start values", []float64{*s.Start0, *find(t, db, "M.T").Start0}, []float64{32767, -30000}},
		{"start in physical terms", *s.Start0 * s.Factor, 32.767},
		{"no start value", u.Start0 == nil, true},
		{"timeout", s.Timeouts, map[string]time.Duration{"FOO": 200 * time.Millisecond}},
		{"no timeout by default", u.Timeouts, map[string]time.Duration(nil)},
		{"first timeout", find(t, db, "M.T").Relations["ECU2"]["SigFirstTimeoutTime"].Number, 24000.0},
		{"message relation", m.Relations["ECU2"]["MsgProject"].Text, "C"},
	}
	for _, row := range rows {
		if diff := cmp.Diff(row.want, row.got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", row.name, diff)
		}
	}
}

// TestTimeouts: a relation's default holds for every receiver, a timeout of 0 is
// none, and one stated for the signal holds for all.
func TestTimeouts(t *testing.T) {
	db := parse(t, `BU_: A B C
BO_ 1 M: 8 A
 SG_ S : 0|8@1+ (1,0) [0|0] "" A,B,C
 SG_ T : 8|8@1+ (1,0) [0|0] "" Vector__XXX
BA_DEF_ SG_ "GenSigTimeoutTime" INT 0 9999;
BA_DEF_REL_ BU_SG_REL_ "GenSigTimeoutTime" INT 0 9999;
BA_DEF_DEF_REL_ "GenSigTimeoutTime" 500;
BA_ "GenSigTimeoutTime" SG_ 1 T 80;
BA_REL_ "GenSigTimeoutTime" BU_SG_REL_ B SG_ 1 S 200;
BA_REL_ "GenSigTimeoutTime" BU_SG_REL_ C SG_ 1 S 0;
`)
	const ms = time.Millisecond
	if diff := cmp.Diff(map[string]time.Duration{"A": 500 * ms, "B": 200 * ms}, find(t, db, "M.S").Timeouts); diff != "" {
		t.Errorf("of a receiver (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(map[string]time.Duration{"": 80 * ms}, find(t, db, "M.T").Timeouts); diff != "" {
		t.Errorf("for all (-want +got):\n%s", diff)
	}
	if len(db.Diagnostics) != 0 {
		t.Errorf("unexpected: %v", db.Diagnostics)
	}
}

// publicFile parses one of the public files.
func publicFile(t testing.TB, name string) *Database {
	t.Helper()
	src, err := os.ReadFile(filepath.Join(witness.PublicData(t), "dbc", name))
	if err != nil {
		t.Fatal(err)
	}
	return Parse(filepath.Base(name), src)
}

// TestPublicAnswers holds public files against what the tests of cantools
// (test_database.py) publish about them.
func TestPublicAnswers(t *testing.T) {
	cp1252 := ""
	for b := 0x20; b < 0x100; b++ {
		switch b {
		case '"', 0x81, 0x8D, 0x8F, 0x90, 0x9D:
		default:
			cp1252 += string(fromWindows([]byte{byte(b)}))
		}
	}
	foobar, relations := publicFile(t, "cantools/foobar.dbc"), publicFile(t, "cantools/issue_784.dbc")
	const receiver = "ECU2_12345678901234567890123456789012" // by its long name
	starved := find(t, relations, "Message_1_12345678901234567890123456789012.signal_1_12345678901234567890123456789013")
	floats, timing := publicFile(t, "cantools/floating_point.dbc"), publicFile(t, "cantools/timing.dbc")
	long, several := publicFile(t, "cantools/long_names.dbc"), publicFile(t, "cantools/multiple_senders.dbc")
	attributes, plus := publicFile(t, "cantools/attributes.dbc"), publicFile(t, "cantools/issue_207_sig_plus.dbc")
	rows := []struct {
		name      string
		got, want any
	}{
		{"cp1252 comment", publicFile(t, "cantools/cp1252.dbc").Nodes[0].Comment, cp1252},
		{"foobar identifiers", ids(foobar), []uint32{0x12330, 0x12331, 0x12332, 0x12333, 0x30C}},
		{"foobar FD by default and by index", fd(foobar), []bool{false, false, false, true, false}},
		{"foobar timeout", find(t, foobar, "Foo.Bar").Timeouts["FOO"], 200 * time.Millisecond},
		{"foobar float", find(t, foobar, "Foo.Bar").Type, Float32},
		{"foobar senders", foobar.Message("Bar").Senders, []string{"FOO", "BAR"}},
		{"foobar escaped comment", foobar.Nodes[1].Comment, `fam "1"`},
		{"FD by list", fd(publicFile(t, "cantools/fd_test.dbc")), fd(publicFile(t, "cantools/fd_test_int.dbc"))},
		{"J1939 by number", publicFile(t, "cantools/vframeformat_int.dbc").Message("TestMsg_J1939").J1939, true},
		{"not J1939 by number", publicFile(t, "cantools/vframeformat_int.dbc").Message("TestMsg_Std").J1939, false},
		{"doubles and floats", []ValueType{floats.Messages[0].Signals[0].Type, floats.Messages[1].Signals[0].Type}, []ValueType{Float64, Float32}},
		{"several senders", several.Messages[0].Senders, []string{"FOO", "BAR", "FIE"}},
		{"plus sign", plus.Messages[0].Signal("myExtraSigWithPlus").Max, 127.0},
		{"timing", []time.Duration{timing.Messages[0].CycleTime, timing.Messages[1].CycleTime}, []time.Duration{200 * time.Millisecond, 0}},
		{"first timeout", starved.Relations[receiver]["SigFirstTimeoutTime"].Number, 24000.0},
		{"timeout", starved.Timeouts, map[string]time.Duration{receiver: 6 * time.Second}},
		{"float attribute", attributes.Messages[0].Attributes["TheFloatAttribute"].Number, 58.7},
		{"hex attribute", attributes.Messages[0].Attributes["TheHexAttribute"].Number, 5.0},
		{"string attribute", attributes.Messages[0].Signals[0].Attributes["TheSignalStringAttribute"].Text, "TestString"},
		{"node attribute", attributes.Nodes[0].Attributes["TheNodeAttribute"].Number, 99.0},
		{"network attribute", attributes.Attributes["TheNetworkAttribute"].Number, 51.0},
		{"send type by name", attributes.Messages[0].SendType, "Cyclic"},
		{"signal's send type by name", attributes.Messages[0].Signals[0].SendType, "OnWrite"},
		{"cycle", attributes.Messages[0].CycleTime, time.Second},
		{"long message name", long.Messages[0].Name, "SS12345678901234567890123458789012345"},
		{"long sender", long.Message("M12345678901234567890123456789012").Senders, []string{"N12345678901234567890123456789012"}},
		{
			"long receiver", long.Message("M1234567890123456789012345678901").Signal("SS12345678901234567890123456789012").Receivers,
			[]string{"N123456789012345678901234567890123"},
		},
		{
			"groups by long names", long.Message("MM12345678901234567890123456789012").Groups,
			[]SignalGroup{{"SS1234_sg", 1, []string{"SS1234567890123456789012345678901233", "SSS12345678901234567890123456789012"}}},
		},
	}
	for _, row := range rows {
		if diff := cmp.Diff(row.want, row.got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", row.name, diff)
		}
	}
}

func ids(db *Database) (out []uint32) {
	for _, m := range db.Messages {
		out = append(out, m.ID)
	}
	return out
}

func fd(db *Database) (out []bool) {
	for _, m := range db.Messages {
		out = append(out, m.FD)
	}
	return out
}
