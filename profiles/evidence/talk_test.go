package evidence

import (
	"math"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"plugproof/decode/can"
	"plugproof/profiles"
)

const talkDBC = `VERSION ""
BU_: Engine Gearbox
BO_ 256 Request: 4 Gearbox
 SG_ Active : 0|1@1+ (1,0) [0|1] "" Engine
 SG_ Wanted : 8|8@1+ (1,-50) [-50|200] "Nm" Engine
BO_ 257 Torque: 4 Engine
 SG_ Given : 0|8@1+ (1,-50) [-50|200] "Nm" Gearbox
 SG_ Answer : 8|2@1+ (1,0) [0|3] "" Gearbox
BO_ 258 Question: 2 Gearbox
 SG_ Kind : 0|8@1+ (1,0) [0|255] "" Engine
BO_ 259 Reply: 2 Engine
 SG_ Dummy : 0|8@1+ (1,0) [0|255] "" Gearbox
VAL_ 256 Wanted 255 "NoRequest" ;
`

const talkProfile = `format: 1
name: car
buses: {drive: {bitrate: 500kbit/s, dbc: car.dbc}}
nodes: {Engine: {}, Gearbox: {}}
replaced: Engine
dialogues:
  cut:
    asked: {signal: Request.Active, is: [1]}
    wanted: Request.Wanted
    given: Torque.Given
    answer: {signal: Torque.Answer, is: [1, 2]}
    refused: {signal: Torque.Answer, is: [2]}
  key:
    asked: {signal: Question.Kind, is: [1, 2]}
    each: true
    answer: {signal: Reply}
    secret: true
`

func talkPlan(t testing.TB) *Plan {
	t.Helper()
	lib := profiles.NewLibrary(profiles.Folder{FS: fstest.MapFS{
		"car.dbc": {Data: []byte(talkDBC)}, "car.yaml": {Data: []byte(talkProfile)},
	}})
	setting, err := lib.Load("car")
	if err != nil {
		t.Fatal(err)
	}
	plan, err := NewPlan(Options{Setting: setting, Buses: testBuses(), Map: map[string]string{"can0": "drive"}})
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

// at makes a frame at a time in ms.
func at(time int64, id uint32, data ...byte) can.Frame {
	f := can.Frame{Time: time * ms, ID: id, Record: uint32(time)}
	f.SetPayload(data)
	return f
}

// shift is one gear change, as requests and torque every 10 ms from a time in ms
// on: asked for from 100 ms to 300 ms, down to 10 Nm, answered after 20 ms with
// answer; the torque falls from 110 Nm to low and comes back after 350 ms.
func shift(start int64, low, answer byte) (frames []can.Frame) {
	for t := int64(0); t < 600; t += 10 {
		active, wanted := byte(0), byte(255)
		if t >= 100 && t < 300 {
			active, wanted = 1, 60
		}
		given, said := byte(160), byte(0)
		if t >= 120 && t < 350 {
			given = low + 50
		}
		if t >= 120 && t < 300 {
			said = answer
		}
		frames = append(frames, at(start+t, 0x100, active, wanted), at(start+t+4, 0x101, given, said))
	}
	return frames
}

func talks(plan *Plan, parts ...[]can.Frame) []Talk { return gather(plan, parts...).Talks }

// The figures are those that the frames were made with; computed by hand.
func TestTalk(t *testing.T) {
	plan := talkPlan(t)
	for _, row := range []struct {
		name   string
		frames []can.Frame
		want   []Exchange
	}{
		{"obeyed", shift(1000, 10, 1), []Exchange{
			{Frame: at(1100, 0x100, 1, 60), Lasted: 200 * ms, Wanted: 10, Before: 110, Least: 10, Fell: 24 * ms, Rose: 54 * ms, Answered: 24 * ms},
		}},
		{"too little", shift(1000, 80, 1), []Exchange{
			{Frame: at(1100, 0x100, 1, 60), Lasted: 200 * ms, Wanted: 10, Before: 110, Least: 80, Fell: Never, Rose: 54 * ms, Answered: 24 * ms},
		}},
		{"refused", shift(1000, 110, 2), []Exchange{
			{Frame: at(1100, 0x100, 1, 60), Lasted: 200 * ms, Wanted: 10, Before: 110, Least: 110, Fell: Never, Rose: 4 * ms, Answered: 24 * ms, Refused: true},
		}},
		{"cut off", shift(1000, 10, 0)[:30], []Exchange{
			{Frame: at(1100, 0x100, 1, 60), Lasted: Never, Wanted: 10, Before: 110, Least: 10, Fell: 24 * ms, Rose: Never, Answered: Never},
		}},
		{"begins within a request", shift(1000, 10, 1)[24:], nil},
		{"asked twice", append(shift(1000, 10, 1), shift(1600, 10, 1)...), []Exchange{
			{Frame: at(1100, 0x100, 1, 60), Lasted: 200 * ms, Wanted: 10, Before: 110, Least: 10, Fell: 24 * ms, Rose: 54 * ms, Answered: 24 * ms},
			{Frame: at(1700, 0x100, 1, 60), Lasted: 200 * ms, Wanted: 10, Before: 110, Least: 10, Fell: 24 * ms, Rose: 54 * ms, Answered: 24 * ms},
		}},
	} {
		got := talks(plan, row.frames)
		if diff := cmp.Diff(row.want, got[0].Exchanges, cmpopts.IgnoreUnexported(Exchange{}), cmpopts.IgnoreFields(can.Frame{}, "Offset")); diff != "" {
			t.Errorf("%s (-want +got):\n%s", row.name, diff)
		}
		if got[0].Asked != uint64(len(row.want)) {
			t.Errorf("%s: asked %d times, want %d", row.name, got[0].Asked, len(row.want))
		}
	}
}

// Each frame of a question asks anew; any frame of the reply answers.
func TestTalkOfEachFrame(t *testing.T) {
	frames := []can.Frame{at(1000, 0x102, 1, 9), at(1250, 0x102, 2, 9), at(1270, 0x103, 7, 7), at(1300, 0x102, 3, 0)}
	got := talks(talkPlan(t), frames)[1]
	if got.Name != "key" || len(got.Exchanges) != 2 {
		t.Fatalf("%+v; want two questions", got)
	}
	if a, b := got.Exchanges[0].Answered, got.Exchanges[1].Answered; a != Never || b != 20*ms {
		t.Errorf("answered after %d and %d ns; want never and 20 ms", a, b)
	}
	if got.Exchanges[1].Lasted != 50*ms {
		t.Errorf("withdrawn after %d ns; want 50 ms", got.Exchanges[1].Lasted)
	}
}

// Where a capture is cut makes no difference, whatever it holds.
func TestTalkMerges(t *testing.T) {
	plan := talkPlan(t)
	rapid.Check(t, func(t *rapid.T) {
		var frames []can.Frame
		n := rapid.IntRange(0, 6*talkMemory).Draw(t, "frames")
		seed := rapid.Uint64Min(1).Draw(t, "seed")
		next := func(below uint64) uint64 { // xorshift: rapid's own draws would be too many
			seed ^= seed << 13
			seed ^= seed >> 7
			seed ^= seed << 17
			return seed % below
		}
		rare := 1 + next(200)
		for i := range n {
			id := uint32(0x100 + next(2))
			if next(40) == 0 {
				id = uint32(0x100 + next(4))
			}
			var state byte
			if next(rare) == 0 {
				state = byte(next(4))
			}
			f := at(int64(1000+5*i), id, state, byte(next(256)))
			f.Time -= int64(next(20)) * ms / 2 // steps back as well
			frames = append(frames, f)
		}
		whole := talks(plan, frames)
		var parts [][]can.Frame
		for rest := frames; len(rest) > 0; {
			cut := 1 + int(next(uint64(min(len(rest), 1+3*talkMemory))))
			cut = min(cut, len(rest))
			parts, rest = append(parts, rest[:cut]), rest[cut:]
		}
		equal := cmp.Comparer(func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) })
		if diff := cmp.Diff(whole, talks(plan, parts...), equal, cmp.AllowUnexported(Exchange{})); diff != "" {
			t.Fatalf("cut into %d (-whole +cut):\n%s", len(parts), diff)
		}
	})
}

func TestTalkDoesNotAllocate(t *testing.T) {
	c := talkPlan(t).New()
	frames := shift(1000, 10, 1)
	for range 20 {
		c.Add(frames)
	}
	if n := testing.AllocsPerRun(20, func() { c.Add(frames) }); n > 8 { // exchanges that are kept, changes, tracks
		t.Errorf("%v allocations for %d frames", n, len(frames))
	}
}
