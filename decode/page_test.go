package decode

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// on makes s depend on the multiplexer; a page is one value or two for a range.
func on(s, multiplexer *dbc.Signal, pages ...[2]uint64) *dbc.Signal {
	multiplexer.Multiplexer = true
	s.Switch = multiplexer
	for _, p := range pages {
		s.Pages = append(s.Pages, dbc.MuxRange{From: p[0], To: p[1]})
	}
	return s
}

func only(v uint64) [2]uint64 { return [2]uint64{v, v} }

// shown gives values as "name=physical", in their order.
func shown(values []Value) string {
	var b strings.Builder
	for _, v := range values {
		fmt.Fprintf(&b, " %s=%v", v.Signal.Def.Name, v.Phys)
	}
	return strings.TrimSpace(b.String())
}

// TestPagesSimple: values from cantools, tests/test_database.py (socialledge.dbc).
func TestPagesSimple(t *testing.T) {
	mux := sig(t, "mux", "0|4@1+")
	signals := []*dbc.Signal{mux, sig(t, "count", "4|12@1+")}
	for i, place := range []string{"16|12@1+", "28|12@1+", "40|12@1+", "52|12@1+"} {
		for page := range uint64(2) {
			s := on(sig(t, fmt.Sprintf("s%d.%d", page, i), place), mux, only(page))
			s.Factor = 0.1
			signals = append(signals, s)
		}
	}
	m := message(t, 8, signals...)
	for data, want := range map[string]string{
		"10 00 14 E0 01 28 20 03": "mux=0 count=1 s0.0=2 s0.1=3 s0.2=4 s0.3=5",
		"21 00 1E 80 02 32 C0 03": "mux=1 count=2 s1.0=3 s1.1=4 s1.2=5 s1.3=6",
		"02 00 00 00 00 00 00 00": "mux=2 count=0", // computed: a page without signals of its own
	} {
		f := frameHex(t, data)
		values := decodeTwice(t, m, f)
		if got := shown(values); got != want {
			t.Errorf("%s: got %s, want %s", data, got, want)
		}
		checkFill(t, m, f, values)
	}
}

// TestPagesRanges: SG_MUL_VAL_ "S1 S0 1-1, 3-3" and "S2 S0 2-5", and "MUX 0-0,
// 3-5", from cantools, tests/test_database.py (issue_184_extended_mux_*.dbc).
func TestPagesRanges(t *testing.T) {
	s0 := sig(t, "S0", "0|4@1+")
	m := message(t, 8, s0,
		on(sig(t, "S1", "4|4@1+"), s0, only(1), only(3)),
		on(sig(t, "S2", "8|8@1+"), s0, [2]uint64{2, 5}),
		on(sig(t, "S3", "16|8@1+"), s0, only(0), [2]uint64{3, 5}))
	want := []string{
		0: "S0=0 S3=0", 1: "S0=1 S1=0", 2: "S0=2 S2=0", 3: "S0=3 S1=0 S2=0 S3=0",
		4: "S0=4 S2=0 S3=0", 5: "S0=5 S2=0 S3=0", 6: "S0=6", 15: "S0=15",
	}
	for v, w := range want {
		if got := shown(decodeTwice(t, m, payload(byte(v), 0, 0, 0, 0, 0, 0, 0))); w != "" && got != w {
			t.Errorf("S0 = %d: got %s, want %s", v, got, w)
		}
	}
}

// cascade is the message of cantools' issue_184_extended_mux_cascaded.dbc.
func cascade(t testing.TB) *Message {
	s0, s6 := sig(t, "S0", "0|4@1+"), sig(t, "S6", "32|8@1+")
	s1 := on(sig(t, "S1", "4|4@1+"), s0, only(0))
	return message(t, 8, s0, s1,
		on(sig(t, "S2", "8|8@1+"), s1, only(0)),
		on(sig(t, "S3", "16|16@1+"), s1, only(0)),
		on(sig(t, "S4", "8|24@1+"), s1, only(2)),
		on(sig(t, "S5", "4|28@1+"), s0, only(1)),
		s6,
		on(sig(t, "S7", "40|24@1+"), s6, only(1)),
		on(sig(t, "S8", "40|8@1+"), s6, only(2)))
}

// TestPagesCascade: values from cantools, tests/test_database.py.
func TestPagesCascade(t *testing.T) {
	m := cascade(t)
	for data, want := range map[string]string{
		"20 10 27 00 01 21 00 00": "S0=0 S1=2 S4=10000 S6=1 S7=33",
		"00 64 88 13 02 16 00 00": "S0=0 S1=0 S2=100 S3=5000 S6=2 S8=22",
		"31 00 00 00 01 04 03 00": "S0=1 S5=3 S6=1 S7=772",
	} {
		f := frameHex(t, data)
		values := decodeTwice(t, m, f)
		if got := shown(values); got != want {
			t.Errorf("%s: got %s, want %s", data, got, want)
		}
		checkFill(t, m, f, values)
		for i := range m.Signals {
			s := &m.Signals[i]
			_, read := s.Read(f)
			if listed := strings.Contains(want, s.Def.Name+"="); read != listed {
				t.Errorf("%s: %s read %v, listed %v", data, s.Def.Name, read, listed)
			}
		}
	}
}

// slowPresent decides by walking the definitions alone.
func slowPresent(s *dbc.Signal, p []byte) bool {
	if s.Switch == nil {
		return true
	}
	v := slowRaw(s.Switch, p)
	if s.Switch.Length < 64 {
		v &= 1<<s.Switch.Length - 1
	}
	for _, r := range s.Pages {
		if r.From <= v && v <= r.To {
			return slowPresent(s.Switch, p)
		}
	}
	return false
}

// drawTree draws a message whose signals depend on each other at random, with
// ranges that may overlap or hold nothing.
func drawTree(t *rapid.T, size int) []*dbc.Signal {
	defs := []*dbc.Signal{drawSignal(t, "S0", size, 12)}
	for i := range rapid.IntRange(1, 12).Draw(t, "signals") {
		s := drawSignal(t, fmt.Sprintf("S%d", i+1), size, rapid.SampledFrom([]int{3, 12, 64}).Draw(t, "longest"))
		if rapid.IntRange(0, 4).Draw(t, "depends") > 0 {
			var pages [][2]uint64
			for range rapid.IntRange(0, 3).Draw(t, "ranges") {
				from := rapid.Uint64Range(0, 20).Draw(t, "from")
				to := rapid.SampledFrom([]uint64{from, from + 1, from + 300, from / 2, 1<<64 - 1}).Draw(t, "to")
				pages = append(pages, [2]uint64{from, to})
			}
			on(s, defs[rapid.IntRange(0, i).Draw(t, "multiplexer")], pages...)
		}
		defs = append(defs, s)
	}
	return defs
}

func TestPagesAgainstReference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawPayload(t)
		defs := drawTree(t, len(p))
		var want []string
		for _, d := range defs {
			if slowPresent(d, p) {
				want = append(want, d.Name)
			}
		}
		m := compileOne(t, len(p), defs...)
		values, complete := m.Decode(payload(p...), nil)
		var got []string
		for _, v := range values {
			got = append(got, v.Signal.Def.Name)
			if v.Raw != slowRaw(v.Signal.Def, p) {
				t.Errorf("%s: raw %#x, want %#x", v.Signal.Def.Name, v.Raw, slowRaw(v.Signal.Def, p))
			}
		}
		if diff := cmp.Diff(want, got); diff != "" || !complete {
			t.Fatalf("complete %v, signals (-want +got):\n%s", complete, diff)
		}
		var f can.Frame
		if err := m.Fill(&f, values); err != nil {
			t.Fatalf("what one frame has must fit in a frame: %v", err)
		}
	})
}

// TestPagesMany holds a message with more pages than are worth a list each.
func TestPagesMany(t *testing.T) {
	mux := sig(t, "mux", "0|16@1+")
	signals := []*dbc.Signal{mux}
	for i := range uint64(2000) {
		s := sig(t, fmt.Sprintf("s%d", i), "16|8@1+")
		signals = append(signals, on(s, mux, [2]uint64{i, 60000 - i}))
	}
	m := message(t, 8, signals...)
	entries := 0
	for _, p := range m.pages {
		entries += len(p.signals)
	}
	if limit := maxEntriesPerSignal * len(m.Signals); entries > limit {
		t.Errorf("%d entries for %d signals", entries, len(m.Signals))
	}
	for _, tt := range []struct{ page, want int }{{0, 1}, {1, 2}, {999, 1000}, {1999, 2000}, {30000, 2000}, {59999, 2}, {60000, 1}, {60001, 0}} {
		values := decodeTwice(t, m, payload(byte(tt.page), byte(tt.page>>8), 7, 0, 0, 0, 0, 0))
		if len(values) != 1+tt.want {
			t.Errorf("page %d: got %d signals, want %d", tt.page, len(values)-1, tt.want)
		}
	}
}

// TestShortFrames: what fits is decoded, what does not is named.
func TestShortFrames(t *testing.T) {
	mux := sig(t, "mux", "8|4@1+")
	m := message(t, 8,
		sig(t, "first", "0|8@1+"),
		mux,
		on(sig(t, "one", "16|8@1+"), mux, only(1)),
		on(sig(t, "two", "32|16@1+"), mux, only(2)),
		sig(t, "last", "7|60@0+"),
		sig(t, "behind", "64|8@1+")) // outside of the message's 8 bytes
	tests := []struct {
		data, want, missing string
	}{
		{"", "", "first mux last"},
		{"05", "first=5", "mux last"},
		{"05 01", "first=5 mux=1", "one last"},
		{"05 01 07", "first=5 mux=1 one=7", "last"},
		{"05 02 07", "first=5 mux=2", "two last"},
		{"05 02 07 00 01 00", "first=5 mux=2 two=1", "last"},
		{"00 00 00 00 00 00 00 10", "first=0 mux=0 last=1", ""},
		{"00 00 00 00 00 00 00 10 2A 00 00 00", "first=0 mux=0 last=1 behind=42", ""},
	}
	for _, tt := range tests {
		f := frameHex(t, tt.data)
		if got := shown(decodeTwice(t, m, f)); got != tt.want {
			t.Errorf("%q: got %s, want %s", tt.data, got, tt.want)
		}
		var names []string
		for _, s := range m.Missing(f, nil) {
			names = append(names, s.Def.Name)
		}
		if got := strings.Join(names, " "); got != tt.missing {
			t.Errorf("%q: missing %s, want %s", tt.data, got, tt.missing)
		}
	}
	remote := &can.Frame{Flags: can.Remote, Len: 8, DLC: 8}
	if values, complete := m.Decode(remote, nil); len(values) != 0 || complete {
		t.Errorf("a remote frame carries %v", values)
	}
}

// TestLeftOut: signals that no frame can carry, and those that depend on them.
func TestLeftOut(t *testing.T) {
	good := sig(t, "good", "0|8@1+")
	circleA, circleB := sig(t, "circleA", "8|8@1+"), sig(t, "circleB", "16|8@1+")
	on(circleA, circleB, only(1))
	on(circleB, circleA, only(1))
	bad := sig(t, "bad", "505|8@1+")
	half := sig(t, "half", "0|16@1+")
	half.Type = dbc.Float32
	broad := sig(t, "broad", "0|65@1+")
	def := &dbc.Message{Name: "M", Length: 64, Signals: []*dbc.Signal{
		good, circleA, circleB, bad, half, broad,
		on(sig(t, "onBad", "0|1@1+"), bad, only(0)),
		on(sig(t, "onBroad", "0|1@1+"), broad, only(0)),
		sig(t, "noLength", "0|0@1+"), sig(t, "negative", "-1|8@1+"),
		sig(t, "motorola", "504|9@0+"), sig(t, "endless", "7|9223372036854775807@0+"),
	}}
	m, diags := compile(def)
	if len(m.Signals) != 1 || m.Signals[0].Def != good {
		t.Errorf("%d signals are left", len(m.Signals))
	}
	if len(diags) != len(def.Signals)-1 {
		t.Errorf("%d diagnostics for %d signals", len(diags), len(def.Signals)-1)
	}
	for _, d := range diags {
		if d.Severity != dbc.Error || d.Rule != "signal/not-decodable" || !strings.Contains(d.Text, " of message M ") {
			t.Errorf("got %v", d)
		}
	}
}
