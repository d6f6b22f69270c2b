package survey

import (
	"context"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/capture"
	"plugproof/decode/dbc"
	"plugproof/decode/witness"
)

// publicFrames reads a public capture whole.
func publicFrames(t *testing.T, name string) ([]can.Frame, *can.Buses) {
	t.Helper()
	path := filepath.Join(witness.PublicData(t), "captures", filepath.FromSlash(name))
	r, err := capture.Open([]string{path}, capture.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var frames []can.Frame
	batch := make([]can.Frame, 500)
	for {
		n, err := r.Read(context.Background(), batch)
		frames = append(frames, batch[:n]...)
		if errors.Is(err, io.EOF) {
			return frames, r.Buses()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// publicSurvey surveys a public capture with the DBC file beside it, and
// returns its only bus.
func publicSurvey(t *testing.T, name, dbcFile string) (*Bus, []can.Frame) {
	t.Helper()
	frames, buses := publicFrames(t, name)
	path := filepath.Join(witness.PublicData(t), "captures", filepath.Dir(filepath.FromSlash(name)), dbcFile)
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	d, _ := decode.NewDecoder([]decode.Mapping{{Database: dbc.Parse(dbcFile, text)}})
	r := surveyOf(Options{Buses: buses, Decoder: d}, frames)
	if len(r.Buses) != 1 || r.Frames != uint64(len(frames)) {
		t.Fatalf("%d buses and %d frames of %d", len(r.Buses), r.Frames, len(frames))
	}
	return &r.Buses[0], frames
}

func find(t *testing.T, b *Bus, id uint32) *ID {
	t.Helper()
	for i := range b.IDs {
		if b.IDs[i].ID == id {
			return &b.IDs[i]
		}
	}
	t.Fatalf("%#x was not seen", id)
	return nil
}

func (id *ID) signal(name string) *Signal {
	for i := range id.Signals {
		if id.Signals[i].Name == name {
			return &id.Signals[i]
		}
	}
	return &Signal{Name: "no signal " + name}
}

// Every figure of every identifier in the public captures is compared with one
// worked out slowly from all its frames.
func TestPublicAgainstSorted(t *testing.T) {
	for _, name := range []string{
		"hatchback-2009/ecu-fitted-key-on.log", "hatchback-2009/ecu-unplugged-key-on.log",
		"hatchback-2009/air-con-on-off.log", "truck-j1939/mixed.log",
	} {
		t.Run(name, func(t *testing.T) {
			frames, buses := publicFrames(t, name)
			r := surveyOf(Options{Buses: buses}, frames)
			byKey := map[uint32][]can.Frame{}
			total := 0
			for _, f := range frames {
				byKey[keyOf(&f)] = append(byKey[keyOf(&f)], f)
				nominal, _ := f.WireBits()
				total += nominal
			}
			b := r.Buses[0]
			if len(b.IDs) != len(byKey) || b.Load.NominalBits != uint64(total) {
				t.Fatalf("%d identifiers, want %d; %d bits, want %d", len(b.IDs), len(byKey), b.Load.NominalBits, total)
			}
			for _, id := range b.IDs {
				key := id.ID
				if id.Extended {
					key |= keyExtended
				}
				compareSorted(t, &id, byKey[key])
			}
		})
	}
}

func compareSorted(t *testing.T, id *ID, frames []can.Frame) {
	t.Helper()
	if id.Frames != uint64(len(frames)) || int64(*id.First) != frames[0].Time || int64(*id.Last) != frames[len(frames)-1].Time {
		t.Errorf("%s: %d frames, want %d", id.Text, id.Frames, len(frames))
	}
	var gaps []int64
	ones, some, repeats := ^uint64(0), uint64(0), uint64(0)
	for i := range frames {
		var x uint64
		for k, b := range frames[i].Payload() {
			x |= uint64(b) << (8 * k)
		}
		ones, some = ones&x, some|x
		if i > 0 {
			gaps = append(gaps, frames[i].Time-frames[i-1].Time)
			if frames[i].Data == frames[i-1].Data {
				repeats++
			}
		}
	}
	if id.Repeats != repeats {
		t.Errorf("%s: %d repeats, want %d", id.Text, id.Repeats, repeats)
	}
	for i, line := range id.Bits {
		for k, c := range []byte(line) {
			bit := i*8 + 7 - k
			constant := some>>bit&1 == ones>>bit&1
			if constant != (c == '0' || c == '1') || constant && c != byte('0'+ones>>bit&1) {
				t.Errorf("%s: bit %d is %c", id.Text, bit, c)
			}
		}
	}
	slices.Sort(gaps)
	at := func(q float64) float64 {
		return float64(gaps[max(1, int(math.Ceil(q*float64(len(gaps)))))-1]) / 1e6
	}
	g := id.Gaps
	for _, q := range []struct{ got, want float64 }{{g.P50MS, at(0.5)}, {g.P95MS, at(0.95)}, {g.P99MS, at(0.99)}} {
		if math.Abs(q.got-q.want) > q.want*GapErrorPercent/100 {
			t.Errorf("%s: quantile %v ms, want %v", id.Text, q.got, q.want)
		}
	}
	if g.MinMS != at(0) || g.MaxMS != at(1) {
		t.Errorf("%s: gaps from %v to %v ms, want %v to %v", id.Text, g.MinMS, g.MaxMS, at(0), at(1))
	}
}

func TestPublicHatchback(t *testing.T) {
	fitted, frames := publicSurvey(t, "hatchback-2009/ecu-fitted-key-on.log", "drive.dbc")
	unplugged, _ := publicSurvey(t, "hatchback-2009/ecu-unplugged-key-on.log", "drive.dbc")
	running, _ := publicSurvey(t, "hatchback-2009/air-con-on-off.log", "drive.dbc")

	// What the engine unit sends is gone with it, and nothing else is.
	var gone []uint32
	for _, id := range fitted.IDs {
		if !slices.ContainsFunc(unplugged.IDs, func(other ID) bool { return other.ID == id.ID }) {
			gone = append(gone, id.ID)
		}
	}
	want := []uint32{0x2C1, 0x2C4, 0x398, 0x399, 0x38A, 0x3B3, 0x3B4, 0x4C1}
	slices.Sort(want)
	if !slices.Equal(gone, want) {
		t.Errorf("gone with the engine unit: %#x, want %#x", gone, want)
	}

	// 0x260 is another unit's: 20 ms whether or not there is an engine unit. The
	// engine unit's own frames come at 24 and 32 ms.
	for _, b := range []*Bus{fitted, unplugged, running} {
		if id := find(t, b, 0x260); id.Kind != Cyclic || math.Abs(id.Gaps.P50MS-20) > 0.4 || id.Gaps.MaxMS > 22 {
			t.Errorf("0x260: %s, gaps %+v", id.Kind, id.Gaps)
		}
	}
	for _, b := range []*Bus{fitted, running} {
		for id, cycle := range map[uint32]float64{0x2C4: 24, 0x2C1: 32} {
			if id := find(t, b, id); id.Kind != Cyclic || math.Abs(id.Gaps.P50MS-cycle) > 0.05*cycle || id.Gaps.MaxMS > 1.1*cycle {
				t.Errorf("%s: %s, gaps %+v", id.Text, id.Kind, id.Gaps)
			}
		}
	}

	// The engine stands when the key is turned on and runs when the air-con is
	// switched. 0x3B3 repeats coarsely what 0x2C4 says in its first two bytes: two
	// frames, one engine speed.
	speed := find(t, fitted, 0x3B3).signal("LOW_RES_RPM")
	high := 0.0
	for _, f := range frames {
		if f.ID == 0x2C4 {
			high = max(high, float64(int(f.Data[0])<<8|int(f.Data[1])))
		}
	}
	if *speed.Min != 0 || math.Abs(*speed.Max-high) > 0.1*high {
		t.Errorf("engine speed from %v to %v, by 0x2C4 up to %v", *speed.Min, *speed.Max, high)
	}
	if speed := find(t, running, 0x3B3).signal("LOW_RES_RPM"); *speed.Min < 2000 || *speed.Max > 3200 {
		t.Errorf("engine speed from %v to %v while it runs", *speed.Min, *speed.Max)
	}

	// The car stands all the time, so the speed is 0 and the distance, about
	// 10,000 at the time of the captures, does not change.
	for _, b := range []*Bus{fitted, unplugged, running} {
		if s := find(t, b, 0x610).signal("SPEED_LOWRES"); *s.Min != 0 || *s.Max != 0 {
			t.Errorf("vehicle speed from %v to %v", *s.Min, *s.Max)
		}
		if s := find(t, b, 0x611).signal("TOTAL_DISTANCE"); s.Distinct != 1 || *s.Max != 10339 {
			t.Errorf("distance %v, %d values", *s.Max, s.Distinct)
		}
	}
}

func TestPublicTruck(t *testing.T) {
	b, _ := publicSurvey(t, "truck-j1939/mixed.log", "remora.dbc")
	// The log was paused twice: 2,625 s and 115 s.
	if b.Jumps != 2 || b.Backward != 0 || math.Abs(*b.ObservedS-523.2) > 0.1 {
		t.Errorf("%d jumps, %d steps back, %v s", b.Jumps, b.Backward, *b.ObservedS)
	}
	// A diesel starts from standstill and idles at 600 rpm. SAE J1939-71 has
	// EEC1 at up to 100 ms; here it comes every 20 ms.
	eec1 := find(t, b, 0x0CF00400)
	speed := eec1.signal("EngSpeed")
	if *speed.Min != 0 || *speed.Max < 550 || *speed.Max > 800 || math.Abs(eec1.Gaps.P50MS-20) > 0.4 || eec1.Kind != Cyclic {
		t.Errorf("EEC1: speed %v to %v rpm, gaps %+v", *speed.Min, *speed.Max, eec1.Gaps)
	}
	// Vehicle speed has two senders. The engine says 0: the truck stands. The
	// other one says 0xFFFF, not available, in every frame.
	own, other := find(t, b, 0x18FEF100).signal("WheelBasedVehicleSpeed"), find(t, b, 0x18FEF121)
	if *own.Max != 0 || own.Outside != 0 {
		t.Errorf("speed by the engine: %+v", own)
	}
	if s := other.signal("WheelBasedVehicleSpeed"); s.Distinct != 1 || s.Outside != other.Frames {
		t.Errorf("speed by the other unit: %+v", s)
	}
	// A pause of the log is the largest gap, but takes no share in the rate.
	if *other.RateHz < 9.9 || *other.RateHz > 10.1 || math.Abs(other.Gaps.MaxMS-2_624_577) > 10 {
		t.Errorf("rate %v, gaps %+v", *other.RateHz, other.Gaps)
	}
	// Two identifiers stop after 15 s.
	for _, id := range []uint32{0x18FEF721, 0x18FEFA0B} {
		if row := find(t, b, id); math.Abs(float64(*row.Last-*row.First)/1e9-15) > 0.1 {
			t.Errorf("%s lasts from %d to %d ns", row.Text, *row.First, *row.Last)
		}
	}
}
