package decode_test

import (
	"strings"
	"testing"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

const changesDBC = `VERSION ""
BO_ 1 Pair: 2 N
 SG_ Left : 0|8@1+ (1,0) [0|0] "" N
 SG_ Right : 8|8@1+ (1,0) [0|0] "" N
BO_ 2 Paged: 2 N
 SG_ Page M : 0|8@1+ (1,0) [0|0] "" N
 SG_ One m1 : 8|8@1+ (1,0) [0|0] "" N
 SG_ Two m2 : 8|8@1+ (1,0) [0|0] "" N
BO_ 3 Long: 16 N
 SG_ Number : 0|96@1+ (1,0) [0|0] "" N
`

func TestChanges(t *testing.T) {
	dec, _ := decode.NewDecoder([]decode.Mapping{{Database: dbc.Parse("test.dbc", []byte(changesDBC))}})
	long := func(last byte) []byte { return append(make([]byte, 11), last, 0, 0, 0, 0) }
	steps := []struct {
		bus     uint16
		id      uint32
		flags   can.Flags
		payload []byte
		want    string
	}{
		{0, 1, 0, []byte{5, 6}, "Left Right"}, // the first of its kind
		{0, 1, 0, []byte{5, 6}, ""},
		{0, 1, 0, []byte{5, 7}, "Right"},
		{0, 1, 0, []byte{5}, ""}, // Right is not there
		{0, 1, 0, []byte{5, 7}, ""},
		{1, 1, 0, []byte{5, 7}, "Left Right"}, // another bus
		{0, 1, 0, []byte{0, 7}, "Left"},
		{0, 2, 0, []byte{1, 9}, "Page One"},
		{0, 2, 0, []byte{2, 9}, "Page Two"},
		{0, 2, 0, []byte{1, 9}, "Page"}, // One came with the same value before
		{0, 3, can.FD, long(1), "Number"},
		{0, 3, can.FD, long(1), ""},
		{0, 3, can.FD, long(2), "Number"}, // differs in bits 88 to 95
		{0, 9, 0, []byte{}, "payload"},
		{0, 9, 0, []byte{}, ""},
		{0, 9, 0, []byte{1}, "payload"},
		{0, 9, can.Extended, []byte{1}, "payload"}, // 29 bits are another identifier
		{0, 9, 0, []byte{1}, ""},
	}
	var c decode.Changes
	for i, s := range steps {
		f := can.Frame{Bus: s.bus, ID: s.id, Flags: s.flags}
		f.SetPayload(s.payload)
		if got := changed(&c, dec.Bus("").Lookup(&f), &f); got != s.want {
			t.Errorf("step %d, bus %d id %d %x: changed %q, want %q", i, s.bus, s.id, s.payload, got, s.want)
		}
	}
}

// changed lists what c keeps of a frame.
func changed(c *decode.Changes, m *decode.Message, f *can.Frame) string {
	if m == nil {
		if c.Payload(f) {
			return "payload"
		}
		return ""
	}
	values, _ := m.Decode(f, nil)
	var names []string
	for _, v := range c.Keep(f, m, values) {
		names = append(names, v.Signal.Def.Name)
	}
	return strings.Join(names, " ")
}

func TestChangesAllocatesNothingPerFrame(t *testing.T) {
	dec, _ := decode.NewDecoder([]decode.Mapping{{Database: dbc.Parse("test.dbc", []byte(changesDBC))}})
	f := can.Frame{ID: 1}
	f.SetPayload([]byte{1, 2})
	m := dec.Bus("").Lookup(&f)
	var c decode.Changes
	values, _ := m.Decode(&f, nil)
	c.Keep(&f, m, values)
	if n := testing.AllocsPerRun(100, func() {
		values, _ = m.Decode(&f, values[:0])
		values = c.Keep(&f, m, values)
	}); n != 0 {
		t.Errorf("%v allocations per frame", n)
	}
}

func TestChangesForgetsWhatIsTooMuch(t *testing.T) {
	var c decode.Changes
	for id := range uint32(1<<16 + 10) {
		f := can.Frame{ID: id, Flags: can.Extended}
		c.Payload(&f)
	}
	for id, want := range map[uint32]bool{0: false, 1<<16 - 1: false, 1 << 16: true, 1<<16 + 9: true} {
		f := can.Frame{ID: id, Flags: can.Extended}
		if got := c.Payload(&f); got != want {
			t.Errorf("identifier %#x comes again: changed %v, want %v", id, got, want)
		}
	}
}
