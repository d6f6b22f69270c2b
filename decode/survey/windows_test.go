package survey

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

type load struct {
	time    int64
	file    uint16
	nominal uint64
	data    uint64
}

func windowsOf(loads []load) *Windows {
	w := &Windows{Nominal: 4, Data: 1} // 500 kbit/s and 2 Mbit/s
	for _, l := range loads {
		w.Add(l.time, l.file, l.nominal, l.data)
	}
	return w
}

func TestWindows(t *testing.T) {
	for _, row := range []struct {
		name          string
		loads         []load
		tenth, second Peak
		total         uint64
	}{
		{
			name:  "one window",
			loads: []load{{time: 250 * ms, nominal: 5}, {time: 299 * ms, nominal: 7}},
			tenth: Peak{200 * ms, 12, 0, true}, second: Peak{-700 * ms, 12, 0, true}, total: 12,
		},
		{
			name:  "a second is ten windows in a row, wherever it starts",
			loads: []load{{time: 950 * ms, nominal: 5}, {time: 1050 * ms, nominal: 7}, {time: 1949 * ms, nominal: 6}},
			// Windows 9, 10 and 19: the last two are ten apart at most, the first and the last are not.
			tenth: Peak{1000 * ms, 7, 0, true}, second: Peak{1000 * ms, 13, 0, true}, total: 18,
		},
		{
			name:  "the earlier of equal peaks",
			loads: []load{{time: 1 * sec, nominal: 5}, {time: 9 * sec, nominal: 5}},
			tenth: Peak{1 * sec, 5, 0, true}, second: Peak{100 * ms, 5, 0, true}, total: 10,
		},
		{
			name:  "a data bit weighs a quarter",
			loads: []load{{time: 1 * sec, nominal: 10}, {time: 5 * sec, nominal: 1, data: 35}},
			tenth: Peak{1 * sec, 10, 0, true}, second: Peak{100 * ms, 10, 0, true}, total: 11,
		},
		{
			name:  "two more and it is the other",
			loads: []load{{time: 1 * sec, nominal: 10}, {time: 5 * sec, nominal: 1, data: 37}},
			tenth: Peak{5 * sec, 1, 37, true}, second: Peak{4100 * ms, 1, 37, true}, total: 11,
		},
		{
			name:  "a step back starts afresh",
			loads: []load{{time: 1 * sec, nominal: 5}, {time: 900 * ms, nominal: 4}, {time: 1 * sec, nominal: 5}},
			tenth: Peak{1 * sec, 5, 0, true}, second: Peak{100 * ms, 9, 0, true}, total: 14,
		},
		{
			name:  "captures are not added up",
			loads: []load{{time: 1 * sec, nominal: 5}, {time: 1100 * ms, file: 1, nominal: 4}},
			tenth: Peak{1 * sec, 5, 0, true}, second: Peak{100 * ms, 5, 0, true}, total: 9,
		},
		{
			name:  "without a clock nothing is known",
			loads: []load{{nominal: 5}, {nominal: 5}},
		},
		{
			name:  "a clock may start at 0",
			loads: []load{{nominal: 5}, {time: 1, nominal: 5}},
			tenth: Peak{0, 10, 0, true}, second: Peak{-900 * ms, 10, 0, true}, total: 10,
		},
		{
			name:  "before 0",
			loads: []load{{time: -1, nominal: 5}, {time: 1, nominal: 6}},
			tenth: Peak{0, 6, 0, true}, second: Peak{-900 * ms, 11, 0, true}, total: 11,
		},
		{
			name:  "a frame at 0 that is alone in its window has no clock",
			loads: []load{{nominal: 5}, {time: 150 * ms, nominal: 6}},
			tenth: Peak{100 * ms, 6, 0, true}, second: Peak{-800 * ms, 6, 0, true}, total: 6,
		},
		{name: "nothing"},
	} {
		t.Run(row.name, func(t *testing.T) {
			w := windowsOf(row.loads)
			tenth, second := w.Busiest()
			if diff := cmp.Diff(row.tenth, tenth); diff != "" {
				t.Errorf("100 ms: %s", diff)
			}
			if diff := cmp.Diff(row.second, second); diff != "" {
				t.Errorf("1 s: %s", diff)
			}
			if total, _ := w.Total(); total != row.total {
				t.Errorf("total %d, want %d", total, row.total)
			}
		})
	}
}

// referenceBusiest finds the busiest second slowly: by adding up all loads
// between each window and the ninth before it, without steps back.
func referenceBusiest(loads []load) (tenth, second uint64) {
	for _, end := range loads {
		var ten, one uint64
		for _, l := range loads {
			d := end.time/windowNS - l.time/windowNS
			if d == 0 {
				ten += l.nominal
			}
			if 0 <= d && d < perSecond {
				one += l.nominal
			}
		}
		tenth, second = max(tenth, ten), max(second, one)
	}
	return tenth, second
}

func TestWindowsReference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var loads []load
		now := int64(1)
		for range rapid.IntRange(1, 100).Draw(t, "n") {
			now += rapid.Int64Range(0, 400*ms).Draw(t, "step")
			loads = append(loads, load{time: now, nominal: rapid.Uint64Range(0, 9).Draw(t, "bits")})
		}
		tenth, second := windowsOf(loads).Busiest()
		wantTenth, wantSecond := referenceBusiest(loads)
		if tenth.Nominal != wantTenth || second.Nominal != wantSecond {
			t.Fatalf("got %d and %d, want %d and %d", tenth.Nominal, second.Nominal, wantTenth, wantSecond)
		}
	})
}

// randomLoads goes forward in small steps, seldom back, and from capture to capture.
func randomLoads(rng *rand.Rand) []load {
	loads := make([]load, rng.IntN(300))
	var l load
	for i := range loads {
		switch rng.IntN(60) {
		case 0:
			l.file++
		case 1:
			l.time = 0
		case 2:
			l.time -= rng.Int64N(sec)
		default:
			l.time += rng.Int64N(300 * ms)
		}
		l.nominal, l.data = rng.Uint64N(6)*rng.Uint64N(6), rng.Uint64N(6)*rng.Uint64N(6)
		loads[i] = l
	}
	return loads
}

func TestWindowsMerge(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	for range 2000 {
		loads := randomLoads(rng)
		parts := []*Windows{windowsOf(nil)}
		for rest := loads; len(rest) > 0; {
			n := min(len(rest), rng.IntN(80))
			parts = append(parts, windowsOf(rest[:n]))
			rest = rest[n:]
		}
		for len(parts) > 1 {
			i := rng.IntN(len(parts) - 1)
			parts[i].Merge(parts[i+1])
			parts = slices.Delete(parts, i+1, i+2)
		}
		whole := windowsOf(loads)
		var got, want [4]any
		got[0], got[1] = parts[0].Busiest()
		got[2], got[3] = parts[0].Total()
		want[0], want[1] = whole.Busiest()
		want[2], want[3] = whole.Total()
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("%v: %s", loads, diff)
		}
	}
}
