package survey

import (
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// The tally counts what a slow loop counts, merged or not.
func TestTally(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOfN(rapid.Uint64(), 0, 70).Draw(t, "words")
		cut := rapid.IntRange(0, len(words)).Draw(t, "cut")
		var first, second tally
		for i, x := range words {
			if i < cut {
				first.add(x, ^x, 0)
			} else {
				second.add(x, ^x, 0)
			}
		}
		first.merge(second)
		for bit := range 64 {
			var set uint64
			for _, x := range words {
				set += x >> bit & 1
			}
			unset := uint64(len(words)) - set
			if first.count(0, bit) != set || first.count(1, bit) != unset {
				t.Fatalf("bit %d: %d set and %d clear, want %d and %d", bit,
					first.count(0, bit), first.count(1, bit), set, unset)
			}
		}
	})
}

// bitsOf surveys payloads of one message and returns its bit map on one line.
func bitsOf(n int, payload func(i int) []byte) string {
	c := New(Options{Buses: twoBuses()})
	for i := range n {
		f := frame(int64(i)*10*ms, 0x123, payload(i)...)
		c.add(&f)
	}
	return strings.Join(c.Report().Buses[0].IDs[0].Bits, " ")
}

func TestBitMap(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	drift := 100
	for _, row := range []struct {
		name    string
		n       int
		payload func(i int) []byte
		want    string
	}{
		{"constants", 40, func(int) []byte { return []byte{0xA5, 0x00} }, "10100101 00000000"},
		{"no payload", 40, func(int) []byte { return nil }, ""},
		{"counter of four bits", 40, func(i int) []byte { return []byte{byte(i)&15 | 0x30} }, "0011++++"},
		{"counter in the upper half", 40, func(i int) []byte { return []byte{byte(i) << 4} }, "++++0000"},
		{"two counters in one byte", 200, func(i int) []byte { return []byte{byte(i)&3 | byte(i/2)<<4} }, "++++00++"},
		{"counter that leaves out its top value", 150, func(i int) []byte { return []byte{byte(i % 15)} }, "0000++++"},
		{"counter that steps every third frame", 150, func(i int) []byte { return []byte{byte(i / 3 & 7)} }, "00000+++"},
		{"counter with lost frames", 1000, func(i int) []byte { return []byte{byte(i + i/50)} }, "++++++++"},
		{"too few steps to call it counting", 16, func(i int) []byte { return []byte{byte(i) & 3} }, "000000~~"},
		{"counter of 12 bits, low byte first", 2100, func(i int) []byte { return []byte{byte(i), byte(i>>8) & 7} }, "++++++++ 00000+++"},
		{"counter of 12 bits, high byte first", 8000, func(i int) []byte { return []byte{byte(i>>8) & 15, byte(i)} }, "0000++++ ++++++++"},
		{"counter that every third frame lacks", 400, func(i int) []byte {
			return []byte{0, byte(i) & 7}[:2-(i%3)/2]
		}, "00000000 00000+++"},
		{"toggle bit", 100, func(i int) []byte { return []byte{byte(i)&1 | 0x80} }, "1000000~"},
		{"counting down", 100, func(i int) []byte { return []byte{byte(-i) & 15} }, "0000~~~~"},
		{"checksum", 400, func(int) []byte { return []byte{byte(rng.Uint32())} }, "~~~~~~~~"},
		{"value that wanders", 1000, func(int) []byte {
			drift += rng.IntN(3) - 1
			return []byte{byte(drift)&0x1F | 0x40}
		}, "010~~~~~"},
		{"toggle beside noise", 1000, func(i int) []byte { return []byte{byte(i)&1 | byte(rng.Uint32())&2} }, "000000~~"},
		{"bits that only longer frames have", 40, func(i int) []byte {
			return []byte{1, 0xFF, 0xFF}[:1+i%3]
		}, "00000001 11111111 11111111"},
	} {
		t.Run(row.name, func(t *testing.T) {
			if diff := cmp.Diff(row.want, bitsOf(row.n, row.payload)); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestBitMapLines(t *testing.T) {
	m := BitMap{"00000000", "~~~~~~~~", "00001111", "0000++++", "00000000", "00000000", "00000000", "~~~~~~~~", "11111111"}
	want := []string{
		"00000000 ~~~~~~~~ 00001111 0000++++ 00000000 00000000 00000000 ~~~~~~~~",
		"11111111",
	}
	if diff := cmp.Diff(want, m.Lines()); diff != "" {
		t.Error(diff)
	}
	if got := BitMap(nil).Lines(); len(got) != 0 {
		t.Errorf("an empty map has the lines %q", got)
	}
}
