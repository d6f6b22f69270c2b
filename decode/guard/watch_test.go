package guard

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"plugproof/decode/can"
)

const ms = int64(time.Millisecond)

// counted returns a watch over a counter in the lower half of byte 0, and a
// function that adds a frame with the given value at the given millisecond.
func counted(t testing.TB, c Counter, cycle int64) (*Watch, func(value byte, at int64) Faults) {
	t.Helper()
	c.Field = Nibble(0, 0)
	w := compile(t, Protection{Counters: []Counter{c}}).Watch(cycle)
	return w, func(value byte, at int64) Faults {
		f := &can.Frame{Time: at * ms}
		f.SetPayload([]byte{value, 0})
		return w.Add(f)
	}
}

// step is one frame added to a watch, and what is expected of it.
type step struct {
	value byte
	at    int64
	want  Faults
}

func TestWatchCounter(t *testing.T) {
	tests := []struct {
		name  string
		c     Counter
		cycle int64
		steps []step
		lost  uint64
	}{
		{"clean", Counter{}, 10 * ms, []step{{14, 0, 0}, {15, 10, 0}, {0, 20, 0}, {1, 31, 0}}, 0},
		{"one lost", Counter{}, 10 * ms, []step{{0, 0, 0}, {1, 10, 0}, {3, 30, 0}, {4, 40, 0}}, 1},
		{"eleven lost", Counter{}, 10 * ms, []step{{0, 0, 0}, {12, 119, 0}}, 11},
		{"late by more than half a cycle", Counter{}, 10 * ms, []step{{0, 0, 0}, {1, 18, 0}, {2, 20, 0}}, 0},
		{"a lost frame without a cycle", Counter{}, 0, []step{{0, 0, 0}, {2, 20, WrongStep}, {3, 30, 0}}, 0},
		{"after a long pause anything goes", Counter{}, 10 * ms, []step{{0, 0, 0}, {9, 400, 0}, {10, 410, 0}}, 0},
		{"frozen", Counter{}, 10 * ms, []step{{7, 0, 0}, {7, 10, FrozenCounter}, {7, 20, FrozenCounter}, {8, 30, 0}}, 0},
		{
			"a step of two",
			Counter{},
			10 * ms,
			[]step{{0, 0, 0}, {2, 10, WrongStep}, {4, 20, WrongStep}, {6, 30, WrongStep}},
			0,
		},
		{"one odd value", Counter{}, 10 * ms, []step{{0, 0, 0}, {1, 10, 0}, {9, 20, WrongStep}, {3, 30, 0}, {4, 40, 0}}, 0},
		{"a jump", Counter{}, 10 * ms, []step{{0, 0, 0}, {1, 10, 0}, {9, 20, WrongStep}, {10, 30, 0}, {11, 40, 0}}, 0},
		{
			"a reserved value",
			Counter{Modulo: 15},
			10 * ms,
			[]step{{13, 0, 0}, {14, 10, 0}, {15, 20, ReservedCounter}, {1, 30, 0}, {2, 40, 0}},
			0,
		},
		{"time steps back", Counter{}, 10 * ms, []step{{0, 100, 0}, {1, 50, 0}, {2, 60, 0}}, 0},
		{"step 3", Counter{Step: 3}, 10 * ms, []step{{0, 0, 0}, {3, 10, 0}, {9, 30, 0}, {10, 40, WrongStep}}, 1},
	}
	for _, tt := range tests {
		w, add := counted(t, tt.c, tt.cycle)
		for i, s := range tt.steps {
			if got := add(s.value, s.at); got != s.want {
				t.Errorf("%s: frame %d (%d): %v, want %v", tt.name, i, s.value, got, s.want)
			}
		}
		if w.Lost != tt.lost {
			t.Errorf("%s: %d lost, want %d", tt.name, w.Lost, tt.lost)
		}
	}
}

// Two senders of one message, each with a counter of its own: after the first
// frames every one is told to belong to a second sender, none is a wrong step.
func TestWatchTwoSenders(t *testing.T) {
	for _, cycle := range []int64{0, 10 * ms} {
		for offset := range byte(16) {
			if (offset < 2 || offset == 15) && cycle == 0 {
				continue // without the time the two runs look like one with repeated values
			}
			t.Run(fmt.Sprintf("cycle %d offset %d", cycle, offset), func(t *testing.T) {
				_, add := counted(t, Counter{}, cycle)
				var second, other int
				for n := range int64(100) {
					for i, faults := range []Faults{
						add(byte(n)&15, 10*n), add((byte(n)+offset)&15, 10*n+4),
					} {
						switch {
						case n < 3:
						case faults == SecondSender:
							second++
						default:
							if other++; other < 5 {
								t.Logf("frame %d of sender %d: %v", n, i, faults)
							}
						}
					}
				}
				if other != 0 || second != 2*97 {
					t.Errorf("%d frames of a second sender, %d others", second, other)
				}
			})
		}
	}
}

// One sender whose frames are lost or damaged is not taken for two.
func TestWatchOneSender(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for _, chance := range []float64{0.01, 0.1} {
		w, add := counted(t, Counter{}, 10*ms)
		var wrong, second, lost int
		value := byte(0)
		const frames = 20000
		for n := range int64(frames) {
			value = (value + 1) & 15
			sent := value
			switch r := rng.Float64(); {
			case r < chance/2: // lost on the way
				lost++
				continue
			case r < chance: // damaged
				sent ^= 1 + byte(rng.IntN(15))
			}
			jitter := rng.Int64N(5) - 2
			switch add(sent, 10*n+jitter) {
			case WrongStep:
				wrong++
			case SecondSender:
				second++
			}
		}
		damaged := frames * chance / 2
		if float64(wrong) < damaged*0.8 || float64(wrong) > damaged*1.3 {
			t.Errorf("chance %g: %d wrong steps, about %.0f frames were damaged", chance, wrong, damaged)
		}
		// Two of the sixteen values fit to an earlier damaged frame by chance.
		if float64(second) > damaged*2/16 {
			t.Errorf("chance %g: %d frames of a second sender", chance, second)
		}
		if d := int(w.Lost) - lost; float64(d) < -0.1*float64(lost) || d > lost {
			t.Errorf("chance %g: %d lost, %d counted", chance, lost, w.Lost)
		}
	}
}

func TestWatchToggle(t *testing.T) {
	tests := []struct {
		name  string
		every int
		bits  string // one frame every 10 ms; a dot is a lost frame
		want  string // x: wrong
	}{
		{"each frame", 1, "010101", "......"},
		{"each frame, stuck", 1, "0101111", "....xxx"},
		{"each frame, once late", 1, "01100101", "..x.x..."},
		{"each frame, lost", 1, "01.10.1", ".. .. ."},
		{"every two", 2, "011001100", "........."},
		{"every two, flips too early", 2, "0110010011", "......x..."},
		{"every two, stuck", 2, "00110000", "......xx"},
		{"every two, begins anywhere", 2, "10011", "....."},
		{"every two, lost", 2, "00.1001", ".. ...."},
		{"every three", 3, "000111000", "........."},
		{"every three, a cadence of two", 3, "001100110", "....x.x.x"},
	}
	for _, tt := range tests {
		g := compile(t, Protection{Toggles: []Toggle{{Field: Field{9, 1, Intel}, Every: tt.every}}})
		w := g.Watch(10 * ms)
		got := []byte(tt.want)
		for n, bit := range tt.bits {
			if bit == '.' {
				continue
			}
			f := &can.Frame{Time: 10 * ms * int64(n)}
			f.SetPayload([]byte{0, byte(bit-'0') << 1})
			got[n] = '.'
			if faults := w.Add(f); faults == WrongToggle {
				got[n] = 'x'
			} else if faults != 0 {
				t.Errorf("%s: frame %d: %v", tt.name, n, faults)
			}
		}
		if string(got) != tt.want {
			t.Errorf("%s:\nbits %s\n got %s\nwant %s", tt.name, tt.bits, got, tt.want)
		}
	}
}

// What FillNth sends, a Watch accepts, whatever is lost on the way.
func TestWatchAcceptsFillNth(t *testing.T) {
	g := compile(t, Protection{
		Counters: []Counter{{Field: Nibble(1, 0), Modulo: 15}, {Field: Byte(2), Step: 7, Reserved: []uint64{0}}},
		Toggles:  []Toggle{{Field: Field{12, 1, Intel}}, {Field: Field{13, 1, Intel}, Every: 3}},
		Parities: []Parity{{Field: Field{15, 1, Intel}, Over: []Field{Byte(3), {15, 1, Intel}}, Odd: true}, {Field: Field{14, 1, Intel}}},
	})
	rng := rand.New(rand.NewPCG(11, 12))
	w := g.Watch(20 * ms)
	for n := range uint64(5000) {
		f := &can.Frame{Time: int64(n) * 20 * ms}
		f.SetPayload([]byte{0, 0, 0, byte(rng.Uint32()), byte(rng.Uint32())})
		if err := g.FillNth(n, f); err != nil {
			t.Fatal(err)
		}
		if rng.IntN(10) == 0 {
			continue
		}
		if faults := w.Add(f); faults != 0 {
			t.Fatalf("frame %d % X: %v", n, f.Payload(), faults)
		}
	}
	if w.Lost < 300 || w.Lost > 700 {
		t.Errorf("%d lost of about 500", w.Lost)
	}
}

func TestWatchShortFrames(t *testing.T) {
	w, add := counted(t, Counter{}, 10*ms)
	add(3, 0)
	if faults := w.Add(&can.Frame{Time: 10 * ms}); faults != Short {
		t.Errorf("an empty frame: %v", faults)
	}
	if faults := add(5, 20); faults != 0 {
		t.Errorf("after it: %v", faults)
	}
}

func TestWatchDoesNotAllocate(t *testing.T) {
	for name, g := range exampleGuards(t) {
		w, frames, n := g.Watch(10*ms), randomFrames(64), 0
		if allocs := testing.AllocsPerRun(100, func() { w.Add(&frames[n%64]); n++ }); allocs != 0 {
			t.Errorf("%s: %g allocations", name, allocs)
		}
	}
}

func BenchmarkWatch(b *testing.B) {
	for _, name := range []string{"crc8", "sum"} {
		b.Run(name, func(b *testing.B) {
			g := exampleGuards(b)[name]
			frames := randomFrames(900) // a whole number of counter turns
			for i := range frames {
				frames[i].Time = int64(i) * 10 * ms
				if err := g.FillNth(uint64(i), &frames[i]); err != nil {
					b.Fatal(err)
				}
			}
			w := g.Watch(10 * ms)
			b.SetBytes(8)
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				w.Add(&frames[i%len(frames)])
			}
		})
	}
}
