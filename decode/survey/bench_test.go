package survey

import (
	"fmt"
	"math/rand/v2"
	"os"
	"testing"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
)

// lineBytes is the length of a candump log line with 8 data bytes: what a frame
// stands for when a rate is given in bytes.
const lineBytes = 46

// busTraffic returns a database of 60 messages with eight signals each, and n
// frames of them as cyclic traffic with some jitter. Speeds and torques wander,
// a level and two flags seldom change, a counter and a checksum change in every
// frame.
func busTraffic(n int, extended bool) (*dbc.Database, []can.Frame) {
	db := new(dbc.Database)
	var flags can.Flags
	id := func(k int) uint32 { return uint32(0x100 + 7*k) }
	if extended {
		flags = can.Extended
		id = func(k int) uint32 { return uint32(0x18F00000 + 0x1103*k) }
	}
	for k := range 60 {
		m := &dbc.Message{ID: id(k), Extended: extended, Name: fmt.Sprintf("Message%d", k), Length: 8}
		m.Signals = []*dbc.Signal{
			{Name: "Speed", Start: 7, Length: 16, Order: dbc.Motorola, Factor: 0.25, Max: 16000},
			{Name: "Torque", Start: 16, Length: 12, Order: dbc.Intel, Type: dbc.Signed, Factor: 0.5, Min: -500, Max: 1000},
			{Name: "Flag", Start: 28, Length: 1, Order: dbc.Intel, Factor: 1},
			{Name: "State", Start: 29, Length: 3, Order: dbc.Intel, Factor: 1, Values: []dbc.ValueText{{Value: 0, Text: "off"}, {Value: 1, Text: "on"}}},
			{Name: "Level", Start: 32, Length: 8, Order: dbc.Intel, Factor: 0.4, Max: 100},
			{Name: "Heat", Start: 40, Length: 8, Order: dbc.Intel, Factor: 1, Offset: -40, Min: -40, Max: 150},
			{Name: "Counter", Start: 48, Length: 4, Order: dbc.Intel, Factor: 1},
			{Name: "Check", Start: 56, Length: 8, Order: dbc.Intel, Factor: 1},
		}
		db.Messages = append(db.Messages, m)
	}
	const epoch = 1_600_000_000 * sec // stamps of ten digits, and six after the point
	rng := rand.New(rand.NewPCG(3, 4))
	frames := make([]can.Frame, n)
	speed, torque := 3200, 100
	for i := range frames {
		k := i % 60
		if rng.IntN(3) == 0 {
			speed = max(0, speed+rng.IntN(9)-4)
			torque = max(0, min(2047, torque+rng.IntN(9)-4))
		}
		level, heat := byte(i/200_000), byte(60+i/50_000)
		f := &frames[i]
		*f = can.Frame{Time: epoch + int64(i)*ms/5 + rng.Int64N(100)*1000, ID: id(k), Flags: flags}
		f.SetPayload([]byte{
			byte(speed >> 8), byte(speed), byte(torque), byte(torque >> 8 & 15), level, heat,
			byte(i / 60 & 15), byte(rng.Uint32()),
		})
	}
	return db, frames
}

func benchOptions(db *dbc.Database) Options {
	d, _ := decode.NewDecoder([]decode.Mapping{{Database: db}})
	return Options{Buses: twoBuses(), Decoder: d}
}

// BenchmarkAdd surveys 8-byte frames: exact bits, eight signals each.
func BenchmarkAdd(b *testing.B) {
	run := func(b *testing.B, opts Options, frames []can.Frame) {
		c := New(opts)
		c.Add(frames)
		b.SetBytes(lineBytes)
		b.ReportAllocs()
		span := frames[len(frames)-1].Time - frames[0].Time + ms
		for i := 0; b.Loop(); i++ {
			f := &frames[i%len(frames)]
			f.Time += span
			c.add(f)
		}
	}
	db, frames := busTraffic(60*64, false)
	dbExt, framesExt := busTraffic(60*64, true)
	quiet := make([]can.Frame, len(frames))
	for i, f := range frames {
		f.Data = frames[i/600*600+i%60].Data // nine in ten repeat the payload
		quiet[i] = f
	}
	b.Run("11-bit", func(b *testing.B) { run(b, benchOptions(db), frames) })
	b.Run("29-bit", func(b *testing.B) { run(b, benchOptions(dbExt), framesExt) })
	b.Run("quiet", func(b *testing.B) { run(b, benchOptions(db), quiet) })
	b.Run("no-dbc", func(b *testing.B) { run(b, Options{Buses: twoBuses()}, frames) })
}

// BenchmarkFold reads a candump log of 500,000 frames and surveys it: what the
// survey command does. b.N is the number of logs.
func BenchmarkFold(b *testing.B) {
	db, frames := busTraffic(500_000, false)
	opts := benchOptions(db)
	buses := new(can.Buses)
	buses.Intern([]byte("can0"))
	path := writeLog(b, frames, buses)
	size, err := os.Stat(path)
	if err != nil {
		b.Fatal(err)
	}
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprintf("workers=%d", workers), func(b *testing.B) {
			b.SetBytes(size.Size())
			b.ReportAllocs()
			for b.Loop() {
				if r := foldLog(b, path, opts.Decoder, workers); r.Frames != uint64(len(frames)) {
					b.Fatalf("%d frames", r.Frames)
				}
			}
			b.ReportMetric(float64(len(frames))*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mframes/s")
		})
	}
}

// BenchmarkMerge joins the surveys of two stretches, as every chunk of a text
// log costs it.
func BenchmarkMerge(b *testing.B) {
	db, frames := busTraffic(60*500, false)
	opts := benchOptions(db)
	b.ReportAllocs()
	for b.Loop() {
		b.StopTimer()
		first, second := New(opts), New(opts)
		first.Add(frames[:len(frames)/2])
		second.Add(frames[len(frames)/2:])
		b.StartTimer()
		first.Merge(second)
	}
}
