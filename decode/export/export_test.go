package export

import (
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

var update = flag.Bool("update", false, "write the golden files anew")

// demoDBC has a signal of each kind that is written in its own way.
const demoDBC = `VERSION ""
BU_: ENGINE
BO_ 513 Name: 8 ENGINE
 SG_ Sig : 0|16@1+ (0.25,0) [0|0] "rpm" ENGINE
 SG_ State : 16|8@1+ (1,0) [0|0] "" ENGINE
 SG_ Torque : 24|8@1- (0.1,0) [0|0] "%" ENGINE
BO_ 2566844926 Speeds: 8 ENGINE
 SG_ Wheel : 8|16@1+ (0.00390625,0) [0|0] "km/h" ENGINE
 SG_ Level : 31|16@0+ (1,-40) [0|0] "°C" ENGINE
BO_ 514 Large: 64 ENGINE
 SG_ Counter : 0|64@1+ (1,0) [0|0] "" ENGINE
 SG_ Balance : 64|64@1- (1,0) [0|0] "" ENGINE
 SG_ Ratio : 128|32@1- (1,0) [0|0] "" ENGINE
 SG_ Precise : 160|64@1- (1,0) [0|0] "" ENGINE
 SG_ Serial : 224|100@1+ (1,0) [0|0] "" ENGINE
 SG_ Third : 324|8@1+ (0.3333333333333333,0) [0|0] "" ENGINE
BO_ 516 Bare: 2 ENGINE
BO_ 515 Odd: 2 ENGINE
 SG_ Quoted : 0|8@1+ (1,0) [0|0] "a,b" ENGINE
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_ "VFrameFormat" BO_ 2566844926 3;
VAL_ 513 State 0 "off" 2 "text of its value table" ;
VAL_ 515 Quoted 1 "say, what?" 2 "two
lines" ;
SIG_VALTYPE_ 514 Ratio : 1;
SIG_VALTYPE_ 514 Precise : 2;
`

// decoder compiles the demo DBC.
func decoder(t testing.TB) *decode.Decoder {
	t.Helper()
	db := dbc.Parse("demo.dbc", []byte(demoDBC))
	for _, d := range db.Diagnostics {
		if d.Severity == dbc.Error {
			t.Fatalf("unexpected: %s", d)
		}
	}
	dec, diags := decode.NewDecoder([]decode.Mapping{{Database: db}})
	if len(diags) > 0 {
		t.Fatalf("unexpected: %v", diags)
	}
	return dec
}

// frame makes a frame at a time in ns.
func frame(ns int64, id uint32, flags can.Flags, payload ...byte) *can.Frame {
	f := &can.Frame{Time: ns, ID: id, Flags: flags}
	f.SetPayload(payload)
	return f
}

// record decodes a frame.
func record(dec *decode.Decoder, bus string, f *can.Frame) *Record {
	r := &Record{Frame: f, Bus: bus, Message: dec.Bus(bus).Lookup(f)}
	if r.Message != nil {
		r.Values, _ = r.Message.Decode(f, nil)
		r.Missing = r.Message.Missing(f, nil)
	}
	return r
}

// sample is a stretch of frames of every kind.
func sample() []*can.Frame {
	large := make([]byte, 64)
	for i := range large {
		large[i] = 0xFF
	}
	copy(large[8:], []byte{0, 0, 0, 0, 0, 0, 0, 0x80})
	notFinite := make([]byte, 64)
	copy(notFinite[16:], []byte{0, 0, 0x80, 0xFF, 0, 0, 0, 0, 0, 0, 0xF0, 0x7F})
	copy(notFinite[28:], []byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 0xFD})
	remote := &can.Frame{Time: 5_000_000_001, ID: 0x123, Flags: can.Remote, Len: 8, DLC: 8}
	return []*can.Frame{
		frame(1_250_000_000, 513, 0, 50, 0, 2, 0xFD, 0, 0, 0, 0),
		frame(1_250_000_100, 513, 0, 51, 0, 1),
		frame(1_260_000_000, 0x18FEF100, can.Extended, 0xFF, 0, 0x7D, 0, 90, 0xFF, 0xFF, 0xFF),
		frame(-1, 514, can.FD|can.BRS, large...),
		frame(0, 514, can.FD, notFinite...),
		frame(1_672_772_547_772_609_000, 515, 0, 1, 0),
		frame(1_672_772_548_000_000_000, 515, 0, 2, 0),
		frame(5_000_000_000, 0x7FF, 0, 0xDE, 0xAD),
		frame(5_000_000_000, 0x7FE, 0, 1),
		frame(5_000_000_000, 0x1FFFFFFF, can.Extended),
		remote,
		frame(6_000_000_000, 0x20, can.Error, 0, 0, 0, 0, 0, 0, 0, 0),
		frame(7_000_000_000, 513, 0),
		frame(8_000_000_000, 516, 0, 1, 2),
	}
}

// TestGolden renders the sample in every format.
func TestGolden(t *testing.T) {
	dec := decoder(t)
	for name, format := range map[string]Format{"sample.jsonl": NewJSON(), "sample.csv": NewCSV(), "sample.txt": NewText()} {
		got := format.Head(nil)
		for i, f := range sample() {
			got = format.Append(got, record(dec, []string{"can0", "drive"}[i%2], f))
		}
		path := filepath.Join("testdata", name)
		if *update {
			if err := os.WriteFile(path, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), string(got)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// TestJSONShape holds the object that the project promises, to the byte.
func TestJSONShape(t *testing.T) {
	dbcText := `VERSION ""
BO_ 513 Name: 2 N
 SG_ Sig : 0|16@1+ (0.5,0) [0|0] "" N
VAL_ 513 Sig 25 "text of its value table" ;
`
	dec, _ := decode.NewDecoder([]decode.Mapping{{Database: dbc.Parse("x.dbc", []byte(dbcText))}})
	got := NewJSON().Append(nil, record(dec, "can0", frame(1_250_000_000, 0x201, 0, 25, 0)))
	const want = `{"t":1.25,"t_ns":"1250000000","bus":"can0","id":"0x201","extended":false,"message":"Name","signals":{"Sig":12.5},"labels":{"Sig":"text of its value table"}}` + "\n"
	if string(got) != want {
		t.Errorf("got  %swant %s", got, want)
	}
}

// TestJSONReads parses every line with the standard library and compares with
// the decoded values.
func TestJSONReads(t *testing.T) {
	dec := decoder(t)
	j := NewJSON()
	for _, f := range sample() {
		r := record(dec, "odd \"bus\"\x01\xff\n", f)
		line := j.Append(nil, r)
		var got struct {
			T       json.Number
			Ns      string `json:"t_ns"`
			Bus, ID string
			Message *string
			Signals map[string]any
			Missing []string
			Data    *string
		}
		if err := json.Unmarshal(line, &got); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		if strings.Count(string(line), "\n") != 1 || got.Ns != fmt.Sprint(f.Time) || got.Bus != "odd \"bus\"\x01\ufffd\n" {
			t.Errorf("%s: read as %+v", line, got)
		}
		if (r.Message == nil) != (got.Message == nil) || (r.Message == nil) != (got.Data != nil) {
			t.Errorf("%s: message %v, data %v", line, got.Message, got.Data)
		}
		if len(got.Signals) != len(r.Values) || len(got.Missing) != len(r.Missing) {
			t.Errorf("%s: %d signals and %d missing, want %d and %d", line, len(got.Signals), len(got.Missing), len(r.Values), len(r.Missing))
		}
		for _, v := range r.Values {
			if x, isNumber := got.Signals[v.Signal.Def.Name].(float64); isNumber && x != v.Phys {
				t.Errorf("%s: %s is %v, want %v", line, v.Signal.Def.Name, x, v.Phys)
			}
		}
	}
}

// TestCSVReads parses the sample with the standard library.
func TestCSVReads(t *testing.T) {
	dec := decoder(t)
	c := NewCSV()
	text := c.Head(nil)
	rows := 0
	for _, f := range sample() {
		r := record(dec, `bus "a", left`, f)
		text = c.Append(text, r)
		if n := len(r.Values) + len(r.Missing); n > 0 || r.Message == nil {
			rows += max(1, n)
		}
	}
	got, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != rows+1 {
		t.Fatalf("got %d rows, want %d", len(got)-1, rows)
	}
	for _, row := range got[1:] {
		if row[1] != `bus "a", left` {
			t.Errorf("%q: bus", row)
		}
		if row[4] == "Quoted" && (row[6] != "a,b" || row[7] != "say, what?" && row[7] != "two\nlines") {
			t.Errorf("%q: unit and label", row)
		}
	}
}

// TestTextStaysInItsLine: nothing that a file brings along may move the cursor.
func TestTextStaysInItsLine(t *testing.T) {
	dec := decoder(t)
	x := NewText()
	for _, f := range sample() {
		got := string(x.Append(nil, record(dec, "bus\x1b[2J\x9b\t", f)))
		for i, line := range strings.Split(strings.TrimSuffix(got, "\n"), "\n") {
			if strings.ContainsFunc(line, func(r rune) bool { return r < ' ' || r >= 0x7F && r < 0xA0 }) {
				t.Errorf("%q has control characters", line)
			}
			if i > 0 && !strings.HasPrefix(line, "      ") {
				t.Errorf("%q does not go on under the first signal", line)
			}
		}
	}
}

// TestNoAllocations: a frame costs none in any format, once its message is known.
func TestNoAllocations(t *testing.T) {
	dec := decoder(t)
	var records []*Record
	for _, f := range sample() {
		if !f.Is(can.Error) { // put into words, and rare
			records = append(records, record(dec, "can0", f))
		}
	}
	for name, format := range map[string]Format{"json": NewJSON(), "csv": NewCSV(), "text": NewText()} {
		buf := make([]byte, 0, 1<<16)
		allocs := testing.AllocsPerRun(100, func() {
			buf = buf[:0]
			for _, r := range records {
				buf = format.Append(buf, r)
			}
		})
		if allocs != 0 || len(buf) == 0 {
			t.Errorf("%s: %v allocations for %d bytes", name, allocs, len(buf))
		}
	}
}
