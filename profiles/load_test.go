package profiles

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"
)

// lib makes a library of files given as name, text, name, text ...
func lib(files ...string) *Library {
	m := fstest.MapFS{}
	for i := 0; i < len(files); i += 2 {
		m[files[i]] = &fstest.MapFile{Data: []byte(files[i+1])}
	}
	return NewLibrary(Folder{FS: m})
}

const base = `format: 1
part: true
title: what all share
buses:
  drive: {bitrate: 500kbit/s}
  body: {bitrate: 125kbit/s}
nodes:
  Engine: {}
  Cluster: {buses: [drive]}
  Climate: {buses: [body]}
replaced: Engine
messages:
  Speed:
    bus: drive
    id: 0x201
    sender: Engine
    length: 8
    cycle: 10ms
    listeners:
      Cluster: {timeout: 500ms, substitute: needle to zero}
  Heat: {bus: drive, id: 0x420, sender: Engine, cycle: 100ms}
`

func TestCompose(t *testing.T) {
	l := lib("base.yaml", base, "car.yaml", `format: 1
name: car
title: the car
builds_on: [base]
messages:
  Speed:
    cycle: 20ms
    listeners:
      Cluster: {latched: true}
`)
	s, err := l.Load("car")
	if err != nil {
		t.Fatal(err)
	}
	if s.Part || s.Title != "the car" {
		t.Errorf("part %v, title %q: taken from the part", s.Part, s.Title)
	}
	m := s.Message("Speed")
	wantCycle := Stated[time.Duration]{20 * time.Millisecond, "car.yaml:7:5"}
	if m.Cycle != wantCycle {
		t.Errorf("cycle %+v, want %+v", m.Cycle, wantCycle)
	}
	if m.Length.Value != 8 || m.Length.From != "base.yaml:17:5" {
		t.Errorf("length %+v, want that of the part", m.Length)
	}
	want := []ListenerFacts{{
		Node: "Cluster", Grace: DefaultGrace,
		Timeout:  Stated[time.Duration]{500 * time.Millisecond, "base.yaml:20:17"},
		Listener: Listener{Timeout: Time(500 * time.Millisecond), Substitute: "needle to zero", Latched: true},
	}}
	if diff := cmp.Diff(want, m.Listeners); diff != "" {
		t.Errorf("listeners (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"base", "car"}, s.Parts); diff != "" {
		t.Error(diff)
	}
}

// TestProblems has one fault a row. The mark ^^ stands before the place that
// the problem must name and is taken out of the file.
func TestProblems(t *testing.T) {
	for _, row := range []struct {
		name, file, rule, text string
	}{
		{"unknown key", "format: 1\nmessages:\n  Speed: {^^cycel: 10ms}\n", "profile/unknown-key", `"cycel"`},
		{"key that is no text", "format: 1\n^^0: 0\n", "profile/syntax", "the key 0 is no text"},
		{"key that is no text, below", "format: 1\nidentity: {series: x, ^^1.5: y}\n", "profile/syntax", "the key 1.5 is no text"},
		{"unknown top key", "format: 1\n^^colour: red\n", "profile/unknown-key", `"colour"`},
		{"no unit", "format: 1\nmessages:\n  Speed:\n    cycle: ^^10\n", "profile/value", "is no time"},
		{"wrong unit", "format: 1\nbuses:\n  drive: {bitrate: ^^500k}\n", "profile/value", "no bit rate"},
		{"share", "format: 1\nmessages:\n  Speed: {tolerance: ^^10}\n", "profile/value", "percent"},
		{"id too large", "format: 1\nmessages:\n  Speed: {id: ^^0x20000000}\n", "profile/value", "no identifier"},
		{"id range", "format: 1\nnever_sent: [^^0x7EF-0x7E0]\n", "profile/value", "no range"},
		{"list for a value", "format: 1\nmessages:\n  Speed: {cycle: ^^[1ms]}\n", "profile/value", "single value"},
		{"wrong shape", "format: 1\nmessages: ^^12\n", "profile/value", ""},
		{"no format", "^^name: car\n", "profile/format", "does not say its format"},
		{"newer format", "^^format: 2\nname: car\n", "profile/format", "newer"},
		{"twice", "format: 1\n^^format: 1\n", "profile/value", "already defined"},
		{"anchor", "format: 1\ntitle: ^^&a x\n", "profile/syntax", "anchors"},
		{"alias bomb", "format: 1\na: ^^&a [x,x]\nb: &b [*a,*a]\nc: [*b,*b]\n", "profile/syntax", "anchors"},
		{"two documents", "^^format: 1\n---\nformat: 1\n", "profile/syntax", "one document"},
		{"a list", "^^- 1\n- 2\n", "profile/syntax", "keys and values"},
		{"empty", "^^", "profile/syntax", "one document"},
		{"deep", "^^" + strings.Repeat("[", 1000), "profile/syntax", "levels deep"},
		{"itself", "format: 1\n^^builds_on: [car]\n", "profile/cycle", "car -> car"},
		{"missing part", "format: 1\n^^builds_on: [bsae]\n", "profile/missing-part", "did you mean base"},
		{"part outside", "format: 1\n^^builds_on: [../base]\n", "profile/missing-part", "leaves the profile's folder"},
		{"absolute part", "format: 1\n^^builds_on: [/etc/base]\n", "profile/missing-part", "leaves the profile's folder"},
		{"dbc outside", "format: 1\nbuses:\n  drive: {^^dbc: ../x.dbc}\n", "profile/dbc", "leaves the profile's folder"},
		{"dbc missing", "format: 1\nbuses:\n  drive: {^^dbc: x.dbc}\n", "profile/dbc", "not exist"},
		{"replaced", "format: 1\nbuilds_on: [base]\n^^replaced: Engin\n", "profile/unknown-name", `no node "Engin"`},
		{"sender", "format: 1\nbuilds_on: [base]\nmessages:\n  Heat: {^^sender: Gearbox}\n", "profile/unknown-name", `no node "Gearbox"`},
		{"bus", "format: 1\nbuilds_on: [base]\nmessages:\n  Heat: {^^bus: drvie}\n", "profile/unknown-name", `no bus "drvie"`},
		{"message of no dbc", "format: 1\nbuilds_on: [base]\nmessages:\n  ^^Brake: {cycle: 10ms}\n", "profile/message", "no DBC file has a message Brake"},
		{"listener", "format: 1\nbuilds_on: [base]\nmessages:\n  Heat:\n    listeners:\n      ^^Custer: {}\n", "profile/unknown-name", `no node "Custer"`},
		{"listener elsewhere", "format: 1\nbuilds_on: [base]\nmessages:\n  Heat:\n    listeners:\n      ^^Climate: {}\n", "profile/listener", "not on bus drive"},
		{"two senders", "format: 1\nbuilds_on: [base]\nmessages:\n  ^^Other: {bus: drive, id: 0x201, sender: Cluster}\n", "profile/two-senders", "0x201"},
		{"kind", "format: 1\nbuilds_on: [base]\nmessages:\n  Heat: {^^kind: sometimes}\n", "profile/value", "sometimes"},
		{"role", "format: 1\nbuilds_on: [base]\nroles: {^^engine-sped: Speed.X}\n", "profile/role", "engine-sped"},
		{"role's message", "format: 1\nbuilds_on: [base]\nroles: {^^engine-speed: Sped.X}\n", "profile/unknown-name", `no message "Sped"`},
		{"role without signal", "format: 1\nbuilds_on: [base]\nroles: {^^engine-speed: Speed}\n", "profile/signal", "not a signal"},
		{"function's end", "format: 1\nbuilds_on: [base]\nfunctions:\n  tach: {chain: [Speed.X], ^^ends: Dash}\n", "profile/unknown-name", `no node "Dash"`},
		{"function's stage", "format: 1\nbuilds_on: [base]\nfunctions:\n  tach: {chain: [Speed.X], ends: Cluster, ^^stages: [idel]}\n", "profile/stage", "idel"},
		{"no chain", "format: 1\nbuilds_on: [base]\nfunctions:\n  ^^tach: {ends: Cluster}\n", "profile/function", "needs a chain"},
		{"stage", "format: 1\nbuilds_on: [base]\nstages:\n  ^^idel: {when: []}\n", "profile/stage", "idel"},
		{"circular stage", "format: 1\nbuilds_on: [base]\nstages:\n  idle:\n    when: [{^^signal: Speed.Rpm, above: 300}]\n", "profile/circular", "replaced Engine"},
		{"never sent", "format: 1\nbuilds_on: [base]\nnever_sent: [0x200-0x210]\n^^may_send: [Speed]\n", "profile/never-sent", "0x201"},
		{"counter nowhere", "format: 1\nbuilds_on: [base]\nmessages:\n  Heat:\n    ^^counter: {step: 1}\n", "profile/field", "where it lies"},
		{"counter impossible", "format: 1\nbuilds_on: [base]\nmessages:\n  Heat:\n    ^^counter: {start: 0, length: 65}\n", "profile/field", "length 65"},
		{"constant without value", "format: 1\nbuilds_on: [base]\nmessages:\n  Heat:\n    constants:\n      ^^Code:\n", "profile/constant", "no value"},
		{"hangs on", "format: 1\nbuilds_on: [base]\nnodes:\n  Cluster: {^^hangs_on: Relay}\n", "profile/unknown-name", `no node "Relay"`},
	} {
		t.Run(row.name, func(t *testing.T) { oneProblem(t, row.file, row.rule, row.text) })
	}
}

// oneProblem loads a profile with one fault, which ^^ marks, and holds its
// problem against rule and text.
func oneProblem(t *testing.T, file, rule, text string) {
	t.Helper()
	clean, line, col := marked(file)
	_, err := lib("base.yaml", base, "car.yaml", clean).Load("car")
	var problems Problems
	if !errors.As(err, &problems) {
		t.Fatalf("got %v, want Problems", err)
	}
	p := problems[0]
	if p.Pos.File != "car.yaml" || p.Pos.Line != line || p.Pos.Col != col {
		t.Errorf("at %v, want car.yaml:%d:%d", p.Pos, line, col)
	}
	if p.Rule != rule || !strings.Contains(p.Text+p.Hint, text) {
		t.Errorf("%s: %s (%s)\nwant %s with %q", p.Rule, p.Text, p.Hint, rule, text)
	}
	if len(problems) > 1 {
		t.Errorf("one fault, %d problems: %v", len(problems), err)
	}
}

// marked takes the mark out of a text and returns the line and column it stood before.
func marked(text string) (clean string, line, col int) {
	before, after, _ := strings.Cut(text, "^^")
	return before + after, strings.Count(before, "\n") + 1, len(before) - strings.LastIndex(before, "\n")
}

// TestDefinitionsCount: what the DBC states needs no repetition, and says where it stands.
func TestDefinitionsCount(t *testing.T) {
	s, err := lib("car.yaml", "format: 1\nbuses: {drive: {dbc: car.dbc}}\nnodes: {Engine: {}, Cluster: {}}\nmessages:\n  Speed: {cycle: 20ms}\n",
		"car.dbc", `BU_: Engine Cluster
BO_ 513 Speed: 8 Engine
 SG_ Rpm : 0|16@1+ (0.25,0) [0|8000] "rpm" Cluster
BO_ 514 Heat: 4 Engine
 SG_ Heat : 0|8@1+ (1,-40) [0|0] "" Cluster
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 60000;
BA_DEF_REL_ BU_SG_REL_ "GenSigTimeoutTime" INT 0 60000;
BA_ "GenMsgCycleTime" BO_ 513 10;
BA_ "GenMsgCycleTime" BO_ 514 100;
BA_REL_ "GenSigTimeoutTime" BU_SG_REL_ Cluster SG_ 513 Rpm 500;
`).Load("car")
	if err != nil {
		t.Fatal(err)
	}
	speed, heat := s.Message("Speed"), s.Message("Heat")
	if speed.Cycle.Value != 20*time.Millisecond || speed.Cycle.From != "car.yaml:5:11" {
		t.Errorf("cycle %v, want the profile's", speed.Cycle)
	}
	if heat.Cycle.Value != 100*time.Millisecond || heat.Cycle.From != "car.dbc:4:1" || heat.Kind != Cyclic {
		t.Errorf("cycle %v, kind %s, want the DBC's", heat.Cycle, heat.Kind)
	}
	if speed.Sender != "Engine" || speed.Length.Value != 8 || speed.ID != (ID{Value: 0x201}) {
		t.Errorf("%s %d bytes %v", speed.Sender, speed.Length.Value, speed.ID)
	}
	if len(speed.Listeners) != 1 || speed.Listeners[0].Timeout.Value != 500*time.Millisecond {
		t.Errorf("listeners %+v, want Cluster after 500 ms", speed.Listeners)
	}
}

// TestNobody: public DBC files write XXX where they do not know the unit.
func TestNobody(t *testing.T) {
	s, err := lib("car.yaml", "format: 1\nbuses: {drive: {dbc: car.dbc}}\nnodes: {Engine: {}}\nmessages:\n  Speed: {cycle: 20ms}\n",
		"car.dbc", "BU_: XXX\nBO_ 513 Speed: 8 XXX\n SG_ Rpm : 0|16@1+ (0.25,0) [0|8000] \"rpm\" XXX\n").Load("car")
	if err != nil {
		t.Fatal(err)
	}
	if m := s.Message("Speed"); m.Sender != "" || len(m.Listeners) != 0 {
		t.Errorf("sender %q, listeners %v: want none", m.Sender, m.Listeners)
	}
}

func TestNoSuchProfile(t *testing.T) {
	_, err := lib("base.yaml", base).Load("bose")
	if !errors.Is(err, ErrNoProfile) || !strings.Contains(err.Error(), "did you mean base?") {
		t.Errorf("got %v", err)
	}
}

func TestHugeFileIsRefused(t *testing.T) {
	_, err := lib("car.yaml", "format: 1\n#"+string(bytes.Repeat([]byte("x"), 100<<20))).Load("car")
	if err == nil || !strings.Contains(err.Error(), "larger than") {
		t.Errorf("got %v", err)
	}
}

func TestLaterFolderWins(t *testing.T) {
	l := NewLibrary(
		Folder{Name: "library", FS: fstest.MapFS{"car.yaml": {Data: []byte("format: 1\ntitle: theirs\n")}}},
		Folder{Name: "mine", FS: fstest.MapFS{"car.yaml": {Data: []byte("format: 1\ntitle: mine\n")}}})
	c, err := l.Compose("car")
	if err != nil || c.Title != "mine" {
		t.Errorf("title %q, %v: want the later folder's", c.Title, err)
	}
	if got := l.Files(); len(got) != 1 {
		t.Errorf("files %v, want one", got)
	}
}

func TestQuantitiesReadWhatTheyWrite(t *testing.T) {
	for _, s := range []string{"10ms", "1.5s", "500µs"} {
		if v, err := ParseTime(s); err != nil || v.String() != s {
			t.Errorf("time %s -> %v, %v", s, v, err)
		}
	}
	for _, s := range []string{"500kbit/s", "2Mbit/s", "33.3kbit/s", "83.333kbit/s", "100bit/s"} {
		if v, err := ParseRate(s); err != nil || v.String() != s {
			t.Errorf("rate %s -> %v, %v", s, v, err)
		}
	}
	for _, s := range []string{"0x201", "0x18FEEE00", "0x00000201x"} {
		if v, err := ParseID(s); err != nil || v.String() != s {
			t.Errorf("id %s -> %v, %v", s, v, err)
		}
	}
	for _, s := range []string{"0x7E0-0x7EF", "0x7DF", "0x18DA0000-0x18DAFFFF"} {
		if v, err := ParseIDRange(s); err != nil || v.String() != s {
			t.Errorf("id range %s -> %v, %v", s, v, err)
		}
	}
	for _, s := range []string{"-40..215", "0..0.5"} {
		if v, err := ParseRange(s); err != nil || v.String() != s {
			t.Errorf("range %s -> %v, %v", s, v, err)
		}
	}
	for _, s := range []string{"10%", "2.5%", "0%"} {
		if v, err := ParseRatio(s); err != nil || v.String() != s {
			t.Errorf("share %s -> %v, %v", s, v, err)
		}
	}
	for _, s := range []string{"data", "data 1..6", "id reversed", "bytes 86 0A", "listed 8|4 00 FF"} {
		if v, err := ParseCover(s); err != nil || v.String() != s {
			t.Errorf("cover %s -> %v, %v", s, v, err)
		}
	}
	for _, s := range []string{"0000~~~~ 00001111", "~~~~~~~~", "1000000~"} {
		if v, err := ParseBits(s); err != nil || v.String() != s {
			t.Errorf("bits %s -> %v, %v", s, v, err)
		}
	}
}

func TestQuantitiesRefuseTheRest(t *testing.T) {
	for _, s := range []string{"listed", "listed 8|4", "listed 8|4 0", "listed 8 00", "listed 8|4x 00", "bytes", "data 6..1"} {
		if v, err := ParseCover(s); err == nil {
			t.Errorf("cover %q is read as %v", s, v)
		}
	}
	for _, s := range []string{"000", "0000000x", "00000000 0", strings.Repeat("00000000 ", 9)} {
		if v, err := ParseBits(s); err == nil {
			t.Errorf("bits %q are read as %v", s, v)
		}
	}
}

// The highest bit of the first byte stands first.
func TestBits(t *testing.T) {
	got, err := ParseBits("1~~~~~~~ 0000000~")
	if want := (Bits{Bytes: 2, Stood: 0xFE80, Ones: 0x80}); err != nil || got != want {
		t.Errorf("%+v, %v; want %+v", got, err, want)
	}
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte(base))
	f.Add([]byte("format: 1\nmessages: {M: {id: 0x1, bus: b, counter: {start: 1, length: 4}}}\nbuses: {b: {}}\n"))
	f.Add([]byte("format: 1\nstages: {idle: {when: [{signal: A.B, is: [1]}]}}\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		l := NewLibrary(Folder{FS: fstest.MapFS{"car.yaml": {Data: src}, "base.yaml": {Data: []byte(base)}}})
		s, err := l.Load("car")
		if (s == nil) == (err == nil) {
			t.Fatalf("setting %v with error %v", s, err)
		}
	})
}
