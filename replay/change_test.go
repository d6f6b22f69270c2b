package replay

import (
	"errors"
	"io"
	"slices"
	"testing"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/replay/gate"
)

const changeDBC = `BU_: Engine Cluster
BO_ 214 EngineSpeed: 8 Engine
 SG_ Rpm : 7|16@0+ (0.25,0) [0|8000] "rpm" Cluster
 SG_ Count : 48|4@1+ (1,0) [0|14] "" Cluster
 SG_ Check : 56|8@1+ (1,0) [0|255] "" Cluster
BO_ 466 EngineSwitches: 4 Engine
 SG_ Toggle : 12|1@1+ (1,0) [0|1] "" Cluster
`

// The law of counter and checksum in the tests: modulo 15, and exclusive or.
func changeGuards() Guards {
	return Guards{
		{0, 214}: {
			Counters:  []guard.Counter{{Field: guard.Field{Start: 48, Length: 4, Order: guard.Intel}, Modulo: 15}},
			Checksums: []guard.Checksum{{Field: guard.Byte(7), Law: guard.Law{Kind: guard.XOR}, Over: []guard.Part{guard.Data(0, 0)}}},
		},
		{0, 466}: {Toggles: []guard.Toggle{{Field: guard.Field{Start: 12, Length: 1, Order: guard.Intel}, Every: 2}}},
	}
}

func signalOf(t *testing.T, message, name string) *decode.Signal {
	t.Helper()
	decoder, diagnostics := decode.NewDecoder([]decode.Mapping{{Database: dbc.Parse("change.dbc", []byte(changeDBC))}})
	if len(diagnostics) > 0 {
		t.Fatal(diagnostics)
	}
	return decoder.Bus("").Message(message).Signal(name)
}

// engine returns n good frames of EngineSpeed, 10 ms apart, with a frame of
// EngineSwitches after each and one that nobody knows.
func engine(t *testing.T, n int) []Item {
	t.Helper()
	g, err := changeGuards()[Message{0, 214}].Compile()
	if err != nil {
		t.Fatal(err)
	}
	var items []Item
	for i := range n {
		f := can.Frame{ID: 214, Len: 8, DLC: 8, Data: [64]byte{0x0B, 0xB8}} // 750 rpm
		if err := g.FillNth(uint64(i), &f); err != nil {
			t.Fatal(err)
		}
		toggle := can.Frame{ID: 466, Len: 4, DLC: 4, Data: [64]byte{1: byte(i / 2 % 2 << 4)}}
		at := time.Duration(i) * 10 * ms
		items = append(items, Item{Offset: at, Frame: f}, Item{Offset: at + ms, Frame: toggle},
			Item{Offset: at + 2*ms, Frame: can.Frame{ID: 0x600, Len: 2, DLC: 2, Data: [64]byte{byte(i)}}})
	}
	return items
}

// all gives every item of a stream.
func all(t *testing.T, stream Stream) (items []Item) {
	t.Helper()
	var item Item
	for {
		err := stream.Next(&item)
		if err == io.EOF {
			return items
		}
		if err != nil {
			t.Fatal(err)
		}
		items = append(items, item)
	}
}

func change(t *testing.T, in []Item, seam time.Duration, changes ...Change) []Item {
	t.Helper()
	stream, err := changeGuards().Change(Items(in), changes, seam)
	if err != nil {
		t.Fatal(err)
	}
	return all(t, stream)
}

func ofID(items []Item, id uint32) []Item {
	return slices.DeleteFunc(slices.Clone(items), func(i Item) bool { return i.Frame.ID != id })
}

// verify counts the faults of the frames of one message.
func verify(t *testing.T, items []Item, m Message) (faults map[guard.Faults]int) {
	t.Helper()
	g, err := changeGuards()[m].Compile()
	if err != nil {
		t.Fatal(err)
	}
	faults = map[guard.Faults]int{}
	watch := g.Watch(0)
	for _, item := range items {
		if gate.IDOf(&item.Frame) == m.ID {
			if found := watch.Add(&item.Frame); found != 0 {
				faults[found]++
			}
		}
	}
	return faults
}

func rpm(t *testing.T, i *Item) float64 {
	t.Helper()
	v, ok := signalOf(t, "EngineSpeed", "Rpm").Read(&i.Frame)
	if !ok {
		t.Fatal("no engine speed in the frame")
	}
	return v.Phys
}

var speed = Message{0, 214}

// Without changes every frame stays as it is, bit by bit, faults included.
func TestChangeNothing(t *testing.T) {
	in := engine(t, 20)
	in[30].Frame.Data[6] ^= 1 // a fault in the capture
	if got := change(t, in, 0); !slices.Equal(got, in) {
		t.Error("frames changed by themselves")
	}
}

func TestSetAndRamp(t *testing.T) {
	in := engine(t, 100)
	got := change(t, in, 0, Change{
		Message: speed, Kind: Set, Signal: signalOf(t, "EngineSpeed", "Rpm"), From: 800, To: 1800,
		Over: 500 * ms, Begin: 200 * ms, Length: 600 * ms,
	})
	if len(got) != len(in) {
		t.Fatalf("%d items of %d", len(got), len(in))
	}
	for i, item := range ofID(got, 214) {
		want := 750.0
		switch at := time.Duration(i) * 10 * ms; {
		case at < 200*ms || at >= 800*ms:
		case at >= 700*ms:
			want = 1800
		default:
			want = 800 + 1000*float64(at-200*ms)/float64(500*ms)
		}
		if v := rpm(t, &item); v != want {
			t.Errorf("frame %d: %v rpm, want %v", i, v, want)
		}
	}
	if faults := verify(t, got, speed); len(faults) > 0 {
		t.Errorf("a listener finds %v", faults)
	}
	if !slices.Equal(ofID(got, 0x600), ofID(in, 0x600)) {
		t.Error("another message changed")
	}
}

func TestDrop(t *testing.T) {
	got := change(t, engine(t, 100), 0, Change{Message: speed, Kind: Drop, Begin: 100 * ms, Length: 600 * ms})
	speeds := ofID(got, 214)
	if len(speeds) != 40 || len(ofID(got, 0x600)) != 100 {
		t.Fatalf("%d and %d frames", len(speeds), len(ofID(got, 0x600)))
	}
	if gap := speeds[10].Offset - speeds[9].Offset; gap != 610*ms {
		t.Errorf("stopped for %v", gap)
	}
	if got := change(t, engine(t, 10), 0, Change{Message: speed, Kind: Drop}); len(ofID(got, 214)) != 0 {
		t.Error("dropped altogether, and still there")
	}
}

func TestDelay(t *testing.T) {
	in := engine(t, 10)
	got := change(t, in, 0, Change{Message: speed, Kind: Delay, Over: 25 * ms, Begin: 20 * ms, Length: 30 * ms})
	if !slices.IsSortedFunc(got, func(a, b Item) int { return int(a.Offset - b.Offset) }) || len(got) != len(in) {
		t.Fatalf("%d of %d items, or out of order", len(got), len(in))
	}
	var offsets []time.Duration
	for _, item := range ofID(got, 214) {
		offsets = append(offsets, item.Offset/ms)
	}
	// Frames 2, 3 and 4 come 25 ms later; 5 and 6 wait behind them.
	if want := []time.Duration{0, 10, 45, 55, 65, 65, 65, 70, 80, 90}; !slices.Equal(offsets, want) {
		t.Errorf("at %d, want %d", offsets, want)
	}
	if faults := verify(t, got, speed); len(faults) > 0 {
		t.Errorf("out of order: %v", faults)
	}
	if n := len(all(t, must(changeGuards().Change(Items(in), []Change{{Message: speed, Kind: Delay, Over: time.Minute}}, 0)))); n != len(in) {
		t.Errorf("delayed beyond the end: %d of %d", n, len(in))
	}
}

func must(s *Changed, err error) *Changed {
	if err != nil {
		panic(err)
	}
	return s
}

// Faults made on purpose are those that a listener finds, and no others.
func TestFaults(t *testing.T) {
	window := Change{Message: speed, Begin: 100 * ms, Length: 50 * ms}
	freeze, wrong := window, window
	freeze.Kind, wrong.Kind = Freeze, Break
	// The first frozen frame follows the last good one; the four after it stand.
	got := change(t, engine(t, 50), 0, freeze)
	if faults := verify(t, got, speed); len(faults) != 1 || faults[guard.FrozenCounter] != 4 {
		t.Errorf("frozen: %v", faults)
	}
	if faults := verify(t, change(t, engine(t, 50), 0, wrong), speed); len(faults) != 1 || faults[guard.WrongChecksum] != 5 {
		t.Errorf("broken: %v", faults)
	}
	toggles := Message{0, 466}
	stand := Change{Message: toggles, Kind: Freeze, Begin: 100 * ms, Length: 50 * ms}
	frozen := ofID(change(t, engine(t, 50), 0, stand), 466)
	for i := 10; i < 15; i++ {
		if frozen[i].Frame.Data[1] != frozen[9].Frame.Data[1] {
			t.Errorf("the toggle bit of frame %d does not stand", i)
		}
	}
}

// A capture that begins with any counter and is repeated shows no seam, neither
// in counters nor in toggle bits that flip with every second frame.
func TestSeam(t *testing.T) {
	for _, n := range []int{7, 14, 15} {
		one := engine(t, n)[3:]
		period := time.Duration(n) * 10 * ms
		var in []Item
		for loop := range 4 {
			for _, item := range one {
				item.Offset += time.Duration(loop) * period
				in = append(in, item)
			}
		}
		raw := verify(t, in, speed)
		got := change(t, in, period)
		for _, m := range []Message{speed, {0, 466}} {
			if faults := verify(t, got, m); len(faults) > 0 {
				t.Errorf("loops of %d frames, %s: %v (raw %v)", n, m.ID, faults, raw)
			}
		}
		if len(raw) == 0 {
			t.Errorf("loops of %d frames have no seam to be hidden", n)
		}
		if !slices.Equal(got[:len(one)], one) {
			t.Error("the first loop changed")
		}
	}
}

// What went out before a stream is followed.
func TestRefill(t *testing.T) {
	stream, err := changeGuards().Change(Items(engine(t, 20)), nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	before := ofID(engine(t, 10), 214)
	stream.Refill(speed, &before[9].Frame)
	if faults := verify(t, append(before, all(t, stream)...), speed); len(faults) > 0 {
		t.Errorf("a seam: %v", faults)
	}
}

func TestChangeErrors(t *testing.T) {
	unknown := Message{0, 0x600}
	sig := signalOf(t, "EngineSpeed", "Rpm")
	for _, tt := range []struct {
		name    string
		changes []Change
	}{
		{"value that does not fit", []Change{{Message: speed, Kind: Set, Signal: sig, From: 800, To: 20_000}}},
		{"negative value", []Change{{Message: speed, Kind: Set, Signal: sig, From: -1, To: 1}}},
		{"no counter", []Change{{Message: unknown, Kind: Freeze}}},
		{"no checksum", []Change{{Message: Message{0, 466}, Kind: Break}}},
		{"no delay", []Change{{Message: speed, Kind: Delay}}},
		{"too long a delay", []Change{{Message: speed, Kind: Delay, Over: time.Hour}}},
		{"two delays", []Change{{Message: speed, Kind: Delay, Over: 1}, {Message: speed, Kind: Delay, Over: 1}}},
	} {
		if _, err := changeGuards().Change(Items(nil), tt.changes, 0); err == nil {
			t.Errorf("%s: accepted", tt.name)
		}
	}
	broken := errors.New("broken")
	stream, err := changeGuards().Change(brokenStream{broken}, []Change{{Message: speed, Kind: Delay, Over: 1}}, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Next(new(Item)); !errors.Is(err, broken) {
		t.Errorf("broken stream: %v", err)
	}
}

type brokenStream struct{ err error }

func (s brokenStream) Next(*Item) error { return s.err }

func TestChangeAllocatesNothing(t *testing.T) {
	in := engine(t, 3000)
	stream, err := changeGuards().Change(Items(in), []Change{
		{Message: speed, Kind: Set, Signal: signalOf(t, "EngineSpeed", "Rpm"), From: 0, To: 5000, Over: time.Second},
		{Message: speed, Kind: Delay, Over: 100 * ms},
		{Message: Message{0, 466}, Kind: Freeze},
	}, 100*ms)
	if err != nil {
		t.Fatal(err)
	}
	var item Item
	if n := testing.AllocsPerRun(5000, func() {
		if err := stream.Next(&item); err != nil {
			t.Fatal(err)
		}
	}); n > 0 {
		t.Errorf("%v allocations a frame", n)
	}
}
