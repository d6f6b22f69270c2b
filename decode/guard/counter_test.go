package guard

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func compileCounter(t testing.TB, c Counter) *counter {
	t.Helper()
	k, err := c.compile()
	if err != nil {
		t.Fatal(err)
	}
	return &k
}

func TestCounterVerify(t *testing.T) {
	nibble := Nibble(1, 0)
	tests := []struct {
		name        string
		c           Counter
		before, now uint64
		steps       int
		want        Faults
	}{
		{"next", Counter{Field: nibble}, 3, 4, 1, 0},
		{"wraps at 16", Counter{Field: nibble}, 15, 0, 1, 0},
		{"wraps at 15", Counter{Field: nibble, Modulo: 15}, 14, 0, 1, 0},
		{"top value never sent", Counter{Field: nibble, Modulo: 15}, 14, 15, 1, ReservedCounter},
		{"skips a value", Counter{Field: nibble, Modulo: 15}, 13, 0, 1, WrongStep},
		{"frozen", Counter{Field: nibble}, 7, 7, 1, FrozenCounter},
		{"backwards", Counter{Field: nibble}, 7, 6, 1, WrongStep},
		{"two lost", Counter{Field: nibble}, 14, 1, 3, 0},
		{"two lost, it says one", Counter{Field: nibble}, 14, 0, 3, WrongStep},
		{"late, none lost", Counter{Field: nibble}, 14, 15, 3, 0},
		{"exactly one turn lost", Counter{Field: nibble}, 5, 5, 16, 0},
		{"steps 0 counts as 1", Counter{Field: nibble}, 5, 6, 0, 0},
		{"step 2", Counter{Field: nibble, Step: 2}, 13, 15, 1, 0},
		{"step 2 wraps", Counter{Field: nibble, Step: 2}, 15, 1, 1, 0},
		{"step 2, got 1", Counter{Field: nibble, Step: 2}, 13, 14, 1, WrongStep},
		{"step 2, one lost", Counter{Field: nibble, Step: 2}, 1, 5, 2, 0},
		{"0 reserved", Counter{Field: nibble, Reserved: []uint64{0}}, 15, 1, 1, 0},
		{"0 reserved and sent", Counter{Field: nibble, Reserved: []uint64{0}}, 15, 0, 1, ReservedCounter},
		{"middle reserved", Counter{Field: nibble, Reserved: []uint64{5, 6}}, 4, 7, 1, 0},
		{"middle reserved, one lost", Counter{Field: nibble, Reserved: []uint64{6, 5}}, 3, 7, 2, 0},
		{"after a reserved one", Counter{Field: nibble, Reserved: []uint64{5}}, 5, 9, 1, 0},
		{"whole byte", Counter{Field: Byte(0)}, 255, 0, 1, 0},
		{"64 bits", Counter{Field: Field{0, 64, Intel}}, 1<<64 - 1, 0, 1, 0},
		{"64 bits, lost", Counter{Field: Field{0, 64, Intel}}, 1<<64 - 2, 1, 3, 0},
		{"2 bits", Counter{Field: Field{0, 2, Intel}}, 3, 0, 1, 0},
	}
	for _, tt := range tests {
		if got := compileCounter(t, tt.c).verify(tt.before, tt.now, tt.steps); got != tt.want {
			t.Errorf("%s: %d then %d: %v, want %v", tt.name, tt.before, tt.now, got, tt.want)
		}
	}
}

// A counter runs through all of its values, once each, and every other value
// after any of them is a fault.
func TestCounterProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		length := rapid.IntRange(2, 8).Draw(t, "length")
		all := uint64(1) << length
		c := Counter{Field: Field{0, length, Intel}, Modulo: rapid.Uint64Range(4, all).Draw(t, "modulo")}
		c.Reserved = rapid.SliceOfNDistinct(rapid.Uint64Range(0, c.Modulo-1), 0, 2, rapid.ID).Draw(t, "reserved")
		k, err := c.compile()
		if err != nil {
			t.Fatal(err)
		}
		sent := map[uint64]bool{}
		v := k.first()
		for range k.places {
			sent[v] = true
			next := k.next(v)
			for w := range all {
				ok := k.verify(v, w, 1) == 0
				if ok != (w == next) {
					t.Fatalf("%+v: %d then %d: ok %t, the next is %d", c, v, w, ok, next)
				}
			}
			v = next
		}
		if v != k.first() || uint64(len(sent)) != k.places {
			t.Fatalf("%+v: back at %d after %d values, want %d", c, v, len(sent), k.places)
		}
		for _, r := range c.Reserved {
			if sent[r] {
				t.Fatalf("%+v: %d was sent", c, r)
			}
		}
	})
}

func TestCounterRefused(t *testing.T) {
	for _, tt := range []struct {
		c    Counter
		says string
	}{
		{Counter{}, "length"},
		{Counter{Field: Nibble(0, 0), Modulo: 17}, "modulo 17 does not fit into 4 bits"},
		{Counter{Field: Nibble(0, 0), Step: 16}, "step 16 is not below the 16"},
		{Counter{Field: Nibble(0, 0), Modulo: 10, Reserved: []uint64{10}}, "reserved value 10"},
		{Counter{Field: Nibble(0, 0), Modulo: 1}, "two values"},
		{Counter{Field: Nibble(0, 0), Modulo: 2, Reserved: []uint64{0, 1, 1}}, "two values"},
	} {
		if _, err := tt.c.compile(); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%+v: %v, want %q", tt.c, err, tt.says)
		}
	}
}
