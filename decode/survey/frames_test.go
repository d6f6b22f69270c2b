package survey

import (
	"encoding/json"
	"math/rand/v2"
	"testing"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

const (
	ms  = int64(1_000_000)
	sec = 1000 * ms
)

// frame makes a classic 11-bit data frame on bus 0.
func frame(time int64, id uint32, payload ...byte) can.Frame {
	f := can.Frame{Time: time, ID: id}
	f.SetPayload(payload)
	return f
}

// twoBuses returns a table with a classic bus "drive" and an FD bus "fast".
func twoBuses() *can.Buses {
	buses := new(can.Buses)
	drive, _ := buses.Intern([]byte("drive"))
	buses.SetBitrates(drive, 500_000, 0)
	fast, _ := buses.Intern([]byte("fast"))
	buses.SetBitrates(fast, 500_000, 2_000_000)
	return buses
}

// testDatabase defines 0x100 with eight signals of all kinds, the multiplexed
// 0x101, the FD message 0x102, and 0x18FEF100 with a signal wider than 64 bits.
func testDatabase() *dbc.Database {
	sw := &dbc.Signal{Name: "Page", Start: 0, Length: 2, Order: dbc.Intel, Factor: 1, Multiplexer: true}
	page := func(n uint64) []dbc.MuxRange { return []dbc.MuxRange{{From: n, To: n}} }
	return &dbc.Database{Messages: []*dbc.Message{
		{ID: 0x100, Name: "Engine", Length: 8, Senders: []string{"Engine"}, Signals: []*dbc.Signal{
			{Name: "Speed", Start: 7, Length: 16, Order: dbc.Motorola, Factor: 0.25, Min: 0, Max: 8000, Unit: "rpm"},
			{Name: "Coolant", Start: 16, Length: 8, Order: dbc.Intel, Factor: 1, Offset: -40, Min: -40, Max: 150, Unit: "degC"},
			{Name: "Torque", Start: 24, Length: 12, Order: dbc.Intel, Type: dbc.Signed, Factor: 0.5, Unit: "Nm"},
			{Name: "Lever", Start: 36, Length: 4, Order: dbc.Intel, Factor: 1, Values: []dbc.ValueText{
				{Value: 0, Text: "park"}, {Value: 1, Text: "reverse"}, {Value: 15, Text: "not available"},
			}},
			{Name: "Pedal", Start: 40, Length: 8, Order: dbc.Intel, Factor: 0.392157, Max: 100, Unit: "%"},
			{Name: "Lamp", Start: 48, Length: 1, Order: dbc.Intel, Factor: 1},
			{Name: "Counter", Start: 52, Length: 4, Order: dbc.Intel, Factor: 1},
			{Name: "Check", Start: 56, Length: 8, Order: dbc.Intel, Factor: 1},
		}},
		{ID: 0x101, Name: "Pages", Length: 8, Signals: []*dbc.Signal{
			sw,
			{Name: "Single", Start: 8, Length: 32, Order: dbc.Intel, Type: dbc.Float32, Factor: 1, Min: -1, Max: 100, Switch: sw, Pages: page(0)},
			{Name: "Level", Start: 8, Length: 6, Order: dbc.Intel, Type: dbc.Signed, Factor: 1, Switch: sw, Pages: page(1)},
		}},
		{ID: 0x102, Name: "Fast", Length: 64, FD: true, Signals: []*dbc.Signal{
			{Name: "Far", Start: 480, Length: 16, Order: dbc.Intel, Factor: 1},
		}},
		{ID: 0x18FEF100, Extended: true, Name: "Wide", Length: 64, Signals: []*dbc.Signal{
			{Name: "Text", Start: 0, Length: 128, Order: dbc.Intel, Factor: 1},
		}},
	}}
}

func testOptions(t testing.TB) Options {
	t.Helper()
	d, diags := decode.NewDecoder([]decode.Mapping{{Database: testDatabase()}})
	for _, diag := range diags {
		t.Fatal(diag)
	}
	return Options{Buses: twoBuses(), Decoder: d}
}

// traffic makes frames of every kind: classic, FD, remote and error frames,
// few and many values, equal payloads in a row, several captures, steps back,
// jumps, and stretches without a clock.
func traffic(rng *rand.Rand, n int) []can.Frame {
	frames := make([]can.Frame, 0, n)
	var now int64
	var file uint16
	clock := rng.IntN(4) > 0
	recent := map[uint64]can.Frame{}
	for range n {
		switch rng.IntN(60) {
		case 0:
			file++
			clock = rng.IntN(4) > 0
			now = rng.Int64N(3) * sec
		case 1:
			now -= rng.Int64N(3 * sec)
		case 2:
			now += rng.Int64N(200 * sec)
		default:
			now += rng.Int64N(1 << rng.IntN(28))
		}
		f := someFrame(rng)
		key := uint64(f.Bus)<<32 | uint64(keyOf(&f))
		if old, ok := recent[key]; ok && rng.IntN(3) == 0 {
			f = old
			if f.Flags&can.FD != 0 && rng.IntN(2) == 0 {
				f.Flags ^= can.BRS
			}
		}
		f.File = file
		if f.Time = 0; clock {
			f.Time = now
		}
		recent[key] = f
		frames = append(frames, f)
	}
	return frames
}

func someFrame(rng *rand.Rand) can.Frame {
	f := can.Frame{Bus: uint16(rng.IntN(2))}
	ids := []uint32{0x100, 0x100, 0x101, 0x101, 0x102, 0x300, 0x7FF, 0x18FEF100, 0x00000100}
	k := rng.IntN(len(ids))
	f.ID = ids[k]
	if k >= len(ids)-2 {
		f.Flags |= can.Extended
	}
	payload := make([]byte, 8)
	if rng.IntN(4) == 0 {
		payload = payload[:rng.IntN(9)]
	}
	switch rng.IntN(12) {
	case 0:
		f.Flags = can.Error
		f.ID = 1 << rng.IntN(12)
	case 1:
		f.Flags |= can.Remote
	case 2, 3:
		f.Flags |= can.FD
		payload = make([]byte, rng.IntN(65))
		if rng.IntN(2) == 0 {
			f.Flags |= can.BRS
		}
	}
	for i := range payload {
		payload[i] = byte(rng.Uint32()) & byte(rng.Uint32())
	}
	f.SetPayload(payload)
	if f.Flags&can.Remote != 0 {
		clear(f.Data[:])
	}
	return f
}

// failer is a testing.TB or a *rapid.T.
type failer interface {
	Helper()
	Fatal(args ...any)
}

// asJSON is how reports are compared: with every exported figure.
func asJSON(t failer, r *Report) string {
	t.Helper()
	text, err := json.MarshalIndent(r, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

func surveyOf(opts Options, frames []can.Frame) *Report {
	c := New(opts)
	c.Add(frames)
	return c.Report()
}
