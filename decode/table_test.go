package decode

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

func database(file string, messages ...*dbc.Message) *dbc.Database {
	db := &dbc.Database{File: file, Messages: messages}
	for i, m := range messages {
		m.Pos = dbc.Position{File: file, Line: i + 1, Col: 1}
	}
	return db
}

func standard(id uint32, name string) *dbc.Message {
	return &dbc.Message{ID: id, Name: name, Length: 8}
}

func extendedMessage(id uint32, name string) *dbc.Message {
	return &dbc.Message{ID: id, Extended: true, Name: name, Length: 8}
}

func j1939(id uint32, name string) *dbc.Message {
	return &dbc.Message{ID: id, Extended: true, J1939: true, Name: name, Length: 8}
}

// found returns the name of the message that a table has for the frame.
func found(t *Table, f can.Frame) string {
	if m := t.Lookup(&f); m != nil {
		return m.Def.Name
	}
	return ""
}

func TestLookup(t *testing.T) {
	d, diags := NewDecoder([]Mapping{
		{Bus: "drive", Database: database("drive.dbc", standard(0x100, "Drive100"), extendedMessage(0x100, "DriveLong100"))},
		{Bus: "body", Database: database("body.dbc", standard(0x100, "Body100"), standard(0, "Body0"), standard(0x7FF, "Body7FF"))},
		{Database: database("any.dbc", standard(0x100, "Any100"), extendedMessage(0x1FFFFFFF, "AnyHighest"))},
	})
	if len(diags) > 0 {
		t.Errorf("unexpected: %v", diags)
	}
	tests := []struct {
		bus   string
		frame can.Frame
		want  string
	}{
		{"drive", can.Frame{ID: 0x100}, "Drive100"},
		{"drive", can.Frame{ID: 0x100, Flags: can.Extended}, "DriveLong100"},
		{"drive", can.Frame{ID: 0x100, Flags: can.FD | can.BRS}, "Drive100"},
		{"drive", can.Frame{ID: 0x100, Flags: can.Remote}, ""},
		{"drive", can.Frame{ID: 0x100, Flags: can.Error}, ""},
		{"drive", can.Frame{ID: 0x101}, ""},
		{"drive", can.Frame{ID: 0x900}, ""}, // not a valid 11-bit identifier: no panic
		{"drive", can.Frame{ID: 0x1FFFFFFF, Flags: can.Extended}, ""},
		{"body", can.Frame{ID: 0x100}, "Body100"},
		{"body", can.Frame{ID: 0}, "Body0"},
		{"body", can.Frame{ID: 0, Flags: can.Extended}, ""},
		{"body", can.Frame{ID: 0x7FF}, "Body7FF"},
		{"vcan0", can.Frame{ID: 0x100}, "Any100"},
		{"vcan0", can.Frame{ID: 0x1FFFFFFF, Flags: can.Extended}, "AnyHighest"},
	}
	buses := new(can.Buses)
	for _, name := range []string{"body", "drive", "vcan0"} {
		buses.Intern([]byte(name))
	}
	finder := d.Finder(buses)
	for _, tt := range tests {
		if got := found(d.Bus(tt.bus), tt.frame); got != tt.want {
			t.Errorf("%s %#x %#x: got %q, want %q", tt.bus, tt.frame.ID, tt.frame.Flags, got, tt.want)
		}
		tt.frame.Bus, _ = buses.Intern([]byte(tt.bus))
		m := finder.Lookup(&tt.frame)
		if m == nil && tt.want != "" || m != nil && m.Def.Name != tt.want {
			t.Errorf("finder: %s %#x: got %v, want %q", tt.bus, tt.frame.ID, m, tt.want)
		}
	}
	if n := len(d.Tables()); n != 3 {
		t.Errorf("%d tables", n)
	}
	alone, _ := NewDecoder([]Mapping{{Bus: "drive", Database: database("a.dbc")}})
	if alone.Bus("body") != nil || found(alone.Bus("body"), can.Frame{}) != "" {
		t.Error("a bus without a database has a table, or its table knows a frame")
	}
}

// TestLookupJ1939: matching by PGN as SAE J1939-21 defines it (from memory);
// the identifiers of the first rows are those of the public truck capture.
func TestLookupJ1939(t *testing.T) {
	d, _ := NewDecoder([]Mapping{{Database: database("truck.dbc",
		j1939(0x0CF004FE, "EngineSpeed"),          // PDU2, any source
		j1939(0x0CF00403, "EngineSpeedOfGearbox"), // PDU2, one source
		j1939(0x0C00FFFE, "Torque"),               // PDU1 to everybody, any source
		j1939(0x0C0003FE, "TorqueToGearbox"),      // PDU1, one destination, any source
		j1939(0x18EAFEF9, "RequestByTool"),        // PDU1, any destination, one source
		extendedMessage(0x18FEF1FE, "Plain"),      // not J1939
	)}})
	tests := []struct {
		id   uint32
		want string
	}{
		{0x0CF00400, "EngineSpeed"},
		{0x0CF004FE, "EngineSpeed"},
		{0x18F00400, "EngineSpeed"}, // another priority
		{0x0CF00403, "EngineSpeedOfGearbox"},
		{0x18F00403, "EngineSpeedOfGearbox"},
		{0x0DF00400, ""}, // another data page
		{0x0EF00400, ""}, // extended data page
		{0x0CF00500, ""},
		{0x0C00FF27, "Torque"},
		{0x0C000027, "Torque"},
		{0x0C000327, "TorqueToGearbox"},
		{0x18EA00F9, "RequestByTool"},
		{0x18EAFFF9, "RequestByTool"},
		{0x18EA00FA, ""},
		{0x18FEF1FE, "Plain"},
		{0x18FEF100, ""},
		{0x0CFEF1FE, ""},
	}
	for _, tt := range tests {
		if got := found(d.Bus("can0"), can.Frame{ID: tt.id, Flags: can.Extended}); got != tt.want {
			t.Errorf("%#08x: got %q, want %q", tt.id, got, tt.want)
		}
	}
}

func TestMergedDatabases(t *testing.T) {
	first := database("first.dbc", standard(0x100, "A"), extendedMessage(0x100, "LongA"))
	second := database("second.dbc", standard(0x100, "B"), standard(0x101, "C"), standard(0x800, "TooHigh"),
		extendedMessage(0x20000000, "TooHighToo"), extendedMessage(0x100, "LongB"))
	d, diags := NewDecoder([]Mapping{{"can0", first}, {"can0", second}})
	var rules []string
	for _, x := range diags {
		rules = append(rules, fmt.Sprintf("%s:%d %s", x.Pos.File, x.Pos.Line, x.Rule))
	}
	want := "second.dbc:3 message/not-decodable, second.dbc:4 message/not-decodable, " +
		"second.dbc:1 message/defined-twice, second.dbc:5 message/defined-twice"
	if got := strings.Join(rules, ", "); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	table := d.Bus("can0")
	for id, name := range map[uint32]string{0x100: "A", 0x101: "C"} {
		if got := found(table, can.Frame{ID: id}); got != name {
			t.Errorf("%#x: got %q, want %q", id, got, name)
		}
	}
	if len(table.Messages()) != 3 || table.Message("C") == nil || table.Message("B") != nil {
		t.Errorf("the table holds %d messages", len(table.Messages()))
	}
}

// TestIDMap holds the hash against the built-in map, with neighbouring and
// random identifiers.
func TestIDMap(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var h idMap
	want := make(map[uint32]*Message)
	for i := range uint32(5000) {
		id := rng.Uint32() & can.MaxExtendedID
		if i%2 == 0 {
			id = 0x18FEF000 + i
		}
		m := new(Message)
		if first := h.put(id, m); first != want[id] {
			t.Fatalf("put %#x: first is %p, want %p", id, first, want[id])
		}
		if want[id] == nil {
			want[id] = m
		}
	}
	for id, m := range want {
		if h.get(id) != m {
			t.Fatalf("get %#x: wrong message", id)
		}
		if other := id ^ 1<<28; h.get(other) != want[other] {
			t.Fatalf("get %#x: wrong message", other)
		}
	}
}

// TestCompile: a message compiled alone decodes as one out of a table.
func TestCompile(t *testing.T) {
	def := &dbc.Message{Name: "M", ID: 0x123, Length: 2, Signals: []*dbc.Signal{
		{Name: "A", Start: 0, Length: 12, Order: dbc.Intel, Factor: 0.5, Offset: -3},
	}}
	dec, _ := NewDecoder([]Mapping{{Database: &dbc.Database{Messages: []*dbc.Message{def}}}})
	f := can.Frame{ID: 0x123}
	f.SetPayload([]byte{0x34, 0x12})
	want, _ := dec.Bus("").Lookup(&f).Decode(&f, nil)
	got, complete := Compile(def).Decode(&f, nil)
	if len(got) != 1 || !complete || got[0].Raw != want[0].Raw || got[0].Phys != want[0].Phys || got[0].Raw != 0x234 {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if m := Compile(&dbc.Message{ID: 0x800}); m != nil {
		t.Error("a message is compiled that no frame can be")
	}
}
