package traffic

import (
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/dbc"
	"plugproof/decode/guard"
	"plugproof/profiles"
)

// A small bus: a cyclic message with a counter, one with pages, one sent on
// change, one on demand only.
const small = `VERSION ""

BS_:

BU_: One Two

BO_ 100 Fast: 8 One
 SG_ Speed : 0|16@1+ (0.5,-10) [0|0] "rpm" Two
 SG_ Count : 16|4@1+ (1,0) [0|0] "" Two
 SG_ Temp : 24|8@1- (1,0) [0|0] "C" Two
 SG_ Rate : 32|32@1- (1,0) [0|0] "" Two

BO_ 200 Paged: 4 One
 SG_ Page M : 0|8@1+ (1,0) [0|0] "" Two
 SG_ A m1 : 8|8@1+ (1,0) [0|0] "" Two
 SG_ B m3 : 8|8@1+ (2,0) [0|0] "" Two
 SG_ C m5 : 15|16@0+ (1,0) [0|0] "" Two

BO_ 300 Mixed: 2 Two
 SG_ Switch : 0|2@1+ (1,0) [0|0] "" One
 SG_ Drift : 8|8@1+ (1,0) [0|0] "" One

BO_ 50 Event: 1 Two
 SG_ Code : 0|8@1+ (1,0) [0|0] "" One

BA_DEF_ "Baudrate" INT 0 1000000;
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_ BO_ "GenMsgDelayTime" INT 0 65535;
BA_DEF_ BO_ "GenMsgSendType" ENUM "Cyclic","CyclicAndOnChange","Event";
BA_DEF_ SG_ "GenSigStartValue" INT -2147483648 2147483647;
BA_DEF_ SG_ "GenSigSendType" ENUM "Cyclic","OnChange";
BA_DEF_DEF_ "Baudrate" 500000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "GenMsgDelayTime" 0;
BA_DEF_DEF_ "GenMsgSendType" "Cyclic";
BA_DEF_DEF_ "GenSigStartValue" 0;
BA_DEF_DEF_ "GenSigSendType" "Cyclic";
BA_ "GenMsgCycleTime" BO_ 100 10;
BA_ "GenMsgCycleTime" BO_ 200 50;
BA_ "GenMsgCycleTime" BO_ 300 100;
BA_ "GenMsgDelayTime" BO_ 300 30;
BA_ "GenMsgSendType" BO_ 300 1;
BA_ "GenMsgSendType" BO_ 50 2;
BA_ "GenSigSendType" SG_ 300 Switch 1;
BA_ "GenSigStartValue" SG_ 100 Speed 65535;
BA_ "GenSigStartValue" SG_ 100 Temp -128;
VAL_ 100 Speed 65535 "NotAvailable" ;
VAL_ 100 Temp -128 "NotAvailable" ;
SIG_VALTYPE_ 100 Rate : 1;
`

func smallConfig(t testing.TB) Config {
	t.Helper()
	db := dbc.Parse("small.dbc", []byte(small))
	if len(db.Diagnostics) > 0 {
		t.Fatal(db.Diagnostics)
	}
	return Config{
		Buses: []Bus{{Name: "bus", Databases: []*dbc.Database{db}}},
		Protections: map[string]guard.Protection{
			"Fast": {Counters: []guard.Counter{{Field: guard.Nibble(2, 0), Modulo: 15}}},
		},
	}
}

// run makes a source of which every node is on from the begin, for so long.
func run(t testing.TB, config Config, length time.Duration, each func(t time.Duration, s *Source)) *Source {
	t.Helper()
	var s *Source
	s, err := New(config, func(at time.Duration) bool {
		if at == 0 {
			s.Power("bus", "One", true)
			s.Power("bus", "Two", true)
		}
		if each != nil {
			each(at, s)
		}
		return at < length
	})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func drain(t testing.TB, s *Source) []can.Frame {
	t.Helper()
	var all []can.Frame
	buf := make([]can.Frame, 7)
	for {
		n, err := s.Read(context.Background(), buf)
		all = append(all, buf[:n]...)
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func only(frames []can.Frame, id uint32) []can.Frame {
	return slices.DeleteFunc(slices.Clone(frames), func(f can.Frame) bool { return f.ID != id })
}

func bind(t testing.TB, s *Source, ref profiles.SignalRef, value func() float64) {
	t.Helper()
	if err := s.Bind(ref, value); err != nil {
		t.Fatal(err)
	}
}

func TestCycle(t *testing.T) {
	config := smallConfig(t)
	config.Jitter = 2 * time.Millisecond
	config.Start = 1e18
	frames := only(drain(t, run(t, config, 10*time.Second, nil)), 100)
	if len(frames) < 999 || len(frames) > 1001 {
		t.Fatalf("%d frames in 10 s, want one every 10 ms", len(frames))
	}
	// Jitter delays each frame by 0 to 2 ms off a grid and does not add up; the
	// bus itself may hold a frame up by one other frame (135 bits, 270 µs).
	first := frames[0].Time
	for i, f := range frames {
		off := f.Time - first - int64(i)*1e7
		if off < -2e6-3e5 || off > 2e6+3e5 {
			t.Fatalf("frame %d is %d ns off its grid", i, off)
		}
		if f.Time%1000 != 0 {
			t.Fatalf("frame %d: stamp %d is no whole microsecond", i, f.Time)
		}
		if want := uint8(i % 15); f.Data[2]&15 != want {
			t.Fatalf("frame %d: counter %d, want %d", i, f.Data[2]&15, want)
		}
	}
}

func TestClockError(t *testing.T) {
	config := smallConfig(t)
	config.ClockError = 0.003
	for seed := range uint64(20) {
		config.Seed = seed
		frames := only(drain(t, run(t, config, 10*time.Second, nil)), 100)
		n := len(frames) - 1
		cycle := float64(frames[n].Time-frames[0].Time) / float64(n) / 1e7
		if math.Abs(cycle-1) > 0.0031 {
			t.Errorf("seed %d: cycle off by %.2f %%, more than 0.3 %%", seed, 100*(cycle-1))
		}
		if seed > 0 && math.Abs(cycle-1) < 1e-9 {
			t.Errorf("seed %d: the clock is exact", seed)
		}
	}
}

// Frames on one bus never overlap, and of those that wait the lowest identifier
// goes first.
func TestArbitration(t *testing.T) {
	config := smallConfig(t)
	config.Buses[0].Bitrate = 50_000 // slow: 8 bytes take 2.2 to 2.7 ms
	frames := drain(t, run(t, config, 5*time.Second, func(at time.Duration, s *Source) {
		s.Send("Event")
	}))
	var events int
	for i := 1; i < len(frames); i++ {
		before, now := &frames[i-1], &frames[i]
		nominal, _ := before.WireBits()
		if need := int64(nominal) * 20_000; now.Time-before.Time < need {
			t.Fatalf("frame %d starts %d ns after one of %d ns", i, now.Time-before.Time, need)
		}
		if now.ID == 50 {
			events++
			// It was asked for at the full 10 ms, and waits for one frame at most.
			if late := now.Time % 1e7; late > 2.8e6 {
				t.Fatalf("the lowest identifier waited %d ns", late)
			}
		}
	}
	if events < 490 {
		t.Errorf("%d events in 500 steps", events)
	}
}

func TestPages(t *testing.T) {
	s := run(t, smallConfig(t), 2*time.Second, nil)
	bind(t, s, "Paged.A", func() float64 { return 11 })
	bind(t, s, "Paged.B", func() float64 { return 22 })
	bind(t, s, "Paged.C", func() float64 { return 0x1234 })
	want := [][4]byte{{1, 11, 0, 0}, {3, 11, 0, 0}, {5, 0x12, 0x34, 0}}
	for i, f := range only(drain(t, s), 200) {
		if got := [4]byte(f.Data[:4]); got != want[i%3] {
			t.Fatalf("frame %d: % X, want % X", i, got, want[i%3])
		}
	}
}

func TestStart(t *testing.T) {
	config := smallConfig(t)
	config.Nodes = map[string]Node{"One": {Boot: 200 * time.Millisecond, Init: 300 * time.Millisecond}}
	rpm := 800.0
	s := run(t, config, 2*time.Second, func(at time.Duration, s *Source) {
		switch at {
		case time.Second:
			s.Power("bus", "One", false)
		case 1200 * time.Millisecond:
			s.Power("bus", "One", true)
		case 1900 * time.Millisecond:
			rpm = math.NaN()
		}
	})
	bind(t, s, "Fast.Speed", func() float64 { return rpm })
	var first bool
	for _, f := range only(drain(t, s), 100) {
		raw := uint16(f.Data[0]) | uint16(f.Data[1])<<8
		ms := f.Time / 1e6
		off := ms < 200 || ms >= 1001 && ms < 1400
		start := ms < 500 || ms >= 1400 && ms < 1700 || ms >= 1900
		switch {
		case off:
			t.Fatalf("frame at %d ms: the node is off or boots", ms)
		case start && raw != 0xFFFF, !start && raw != 1620:
			t.Fatalf("frame at %d ms: raw %d", ms, raw)
		case ms >= 1400 && !first:
			first = true
			if f.Data[2]&15 != 0 {
				t.Fatalf("the counter goes on at %d after a restart", f.Data[2]&15)
			}
		}
	}
	if !first {
		t.Error("no frame after the restart")
	}
}

func TestOnChange(t *testing.T) {
	value, drift := 0.0, 0.0
	s := run(t, smallConfig(t), 2*time.Second, func(at time.Duration, _ *Source) {
		drift = at.Seconds() * 100
		switch at {
		case 1020 * time.Millisecond, 1500 * time.Millisecond, 1510 * time.Millisecond:
			value++
		}
	})
	bind(t, s, "Mixed.Switch", func() float64 { return value })
	bind(t, s, "Mixed.Drift", func() float64 { return math.Floor(drift) })
	frames := only(drain(t, s), 300)
	// 20 by the cycle, and one more for each change; a changed value that is not
	// marked for it sends nothing.
	if n := len(frames); n < 22 || n > 23 {
		t.Errorf("%d frames, want 20 by the cycle and 3 on change", n)
	}
	for _, change := range []int64{1020e6, 1500e6} {
		late := slices.IndexFunc(frames, func(f can.Frame) bool { return f.Time >= change })
		if d := frames[late].Time - change; d > 40e6 || frames[late].Data[0] == frames[late-1].Data[0] {
			t.Errorf("the change at %d ms shows %d ns later", change/1e6, d)
		}
	}
	for i := 1; i < len(frames); i++ {
		byCycle := (frames[i].Time-frames[0].Time+1e6)%100e6 < 2e6
		if gap := frames[i].Time - frames[i-1].Time; !byCycle && gap < 30e6 {
			t.Errorf("sent on change %d ns after the frame before, sooner than the delay time", gap)
		}
	}
}

func TestWithout(t *testing.T) {
	for _, row := range []struct {
		name          string
		without, only []string
		want          string
	}{
		{"all", nil, nil, "Event Fast Mixed Paged"},
		{"a node", []string{"One"}, nil, "Event Mixed"},
		{"a message", []string{"Fast", "Other"}, nil, "Event Mixed Paged"},
		{"one node", nil, []string{"One"}, "Fast Paged"},
		{"nobody", nil, []string{}, ""},
	} {
		config := smallConfig(t)
		config.Without, config.Only = row.without, row.only
		s := run(t, config, time.Second, func(_ time.Duration, s *Source) { s.Send("Event") })
		seen := map[string]bool{}
		for _, f := range drain(t, s) {
			seen[map[uint32]string{50: "Event", 100: "Fast", 200: "Paged", 300: "Mixed"}[f.ID]] = true
		}
		var got []string
		for _, name := range []string{"Event", "Fast", "Mixed", "Paged"} {
			if seen[name] != s.Has(name) {
				t.Errorf("%s: Has(%s) is %v", row.name, name, s.Has(name))
			}
			if seen[name] {
				got = append(got, name)
			}
		}
		if strings.Join(got, " ") != row.want {
			t.Errorf("%s: %v, want %s", row.name, got, row.want)
		}
	}
}

// A muted message is silent, the others are not, and when it is back no frame
// comes late.
func TestMute(t *testing.T) {
	s := run(t, smallConfig(t), time.Second, func(now time.Duration, s *Source) {
		s.Mute("Fast", now >= 300*time.Millisecond && now < 600*time.Millisecond)
		s.Mute("Nobody", true)
	})
	frames := drain(t, s)
	for i := range frames {
		if i > 0 && frames[i].Time < frames[i-1].Time {
			t.Errorf("frame %d comes before the one before it", i)
		}
	}
	before, within, after := 0, 0, 0
	start := frames[0].Time
	for _, f := range only(frames, 100) {
		switch at := f.Time - start; {
		case at < 280e6:
			before++
		case at >= 320e6 && at < 580e6:
			within++
		case at >= 620e6:
			after++
		}
	}
	if before < 10 || within != 0 || after < 10 {
		t.Errorf("%d frames before, %d within, %d after the silence", before, within, after)
	}
	if len(only(frames, 200)) < 5 {
		t.Error("another message fell silent as well")
	}
}

func TestBind(t *testing.T) {
	s := run(t, smallConfig(t), time.Second, nil)
	for _, row := range []struct {
		ref  profiles.SignalRef
		want error
	}{
		{"Fast.Speed", nil},
		{"Fast.Rate", nil},
		{"Fast.Count", ErrGuarded},
		{"Paged.Page", ErrGuarded},
		{"Fast.Other", ErrNoSignal},
		{"Other.Speed", ErrNoSignal},
		{"Fast", ErrNoSignal},
	} {
		if err := s.Bind(row.ref, func() float64 { return 0 }); !errors.Is(err, row.want) {
			t.Errorf("Bind(%s): %v, want %v", row.ref, err, row.want)
		}
	}
	want := []profiles.SignalRef{"Event.Code", "Fast.Temp", "Mixed.Drift", "Mixed.Switch", "Paged.A", "Paged.B", "Paged.C"}
	if got := s.Unbound(); !slices.Equal(got, want) {
		t.Errorf("Unbound() = %v, want %v", got, want)
	}
}

// A value that its signal cannot hold is an error that names it, not a wrong frame.
func TestBadValue(t *testing.T) {
	for _, row := range []struct {
		ref   profiles.SignalRef
		value float64
		want  string // "": fine
	}{
		{"Fast.Speed", 32757.0, ""},
		{"Fast.Speed", 32758.5, "Speed"},
		{"Fast.Speed", -10.5, "Speed"},
		{"Fast.Speed", math.NaN(), ""},
		{"Fast.Temp", 128, "Temp"},
		{"Fast.Rate", math.NaN(), ""},
		{"Fast.Rate", 1e300, "Rate"},
		{"Mixed.Drift", math.NaN(), NotAvailable},
	} {
		s := run(t, smallConfig(t), time.Second, nil)
		bind(t, s, row.ref, func() float64 { return row.value })
		var err error
		buf := make([]can.Frame, 16)
		for err == nil {
			_, err = s.Read(context.Background(), buf)
		}
		switch {
		case row.want == "" && err != io.EOF:
			t.Errorf("%s = %v: %v", row.ref, row.value, err)
		case row.want != "" && (err == io.EOF || !strings.Contains(err.Error(), row.want)):
			t.Errorf("%s = %v: error %v does not say %q", row.ref, row.value, err, row.want)
		}
	}
}

func TestNewErrors(t *testing.T) {
	change := func(from, to string) Config {
		db := dbc.Parse("small.dbc", []byte(strings.Replace(small, from, to, 1)))
		return Config{Buses: []Bus{{Name: "bus", Databases: []*dbc.Database{db}}}}
	}
	nested := change("SG_ B m3 :", "SG_ B m3M :")
	paged := nested.Buses[0].Databases[0].Messages[1]
	b, c := paged.Signals[2], paged.Signals[3]
	c.Switch, b.Multiplexer = b, true // what SG_MUL_VAL_ would say
	twoBuses := Config{Buses: append(smallConfig(t).Buses, smallConfig(t).Buses...)}
	twoBuses.Buses[1].Name = "other"
	guarded := smallConfig(t)
	guarded.Protections["Fast"] = guard.Protection{Counters: []guard.Counter{{Field: guard.Field{Start: 600, Length: 4}}}}
	for _, row := range []struct {
		name   string
		config Config
		want   string
	}{
		{"no bit rate", change(`BA_DEF_DEF_ "Baudrate" 500000;`, ""), "no bit rate"},
		{"bad definition", change("BO_ 100 Fast: 8 One", "BO_ x Fast: 8 One"), "small.dbc:7"},
		{"protection outside", guarded, "message Fast"},
		{"one bus twice", Config{Buses: append(smallConfig(t).Buses, smallConfig(t).Buses...)}, "bus bus: listed twice"},
		{"one name on two buses", twoBuses, "message Fast is on bus bus as well"},
		{"a multiplexer nobody depends on", change("SG_ C m5 :", "SG_ C m5M :"), ""},
		{"pages in pages", nested, "traffic knows one multiplexer"},
	} {
		_, err := New(row.config, func(time.Duration) bool { return false })
		if row.want == "" {
			if err != nil {
				t.Errorf("%s: %v", row.name, err)
			}
			continue
		}
		if err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: error %v does not say %q", row.name, err, row.want)
		}
	}
}

func TestCheck(t *testing.T) {
	s := run(t, smallConfig(t), time.Second, nil)
	for _, row := range []struct {
		ref   profiles.SignalRef
		value float64
		want  error
	}{
		{"Fast.Speed", 800, nil},
		{"Fast.Speed", math.NaN(), nil},
		{"Event.Code", math.NaN(), ErrNoSNA},
		{"Fast.Nothing", 1, ErrNoSignal},
		{"Nothing.Speed", 1, ErrNoSignal},
	} {
		if err := s.Check(row.ref, row.value); !errors.Is(err, row.want) {
			t.Errorf("%s %v: %v, want %v", row.ref, row.value, err, row.want)
		}
	}
	// 16 bits of half a unit, from -10 on: computed.
	tooMuch, ok := errors.AsType[*decode.RangeError](s.Check("Fast.Speed", 40000))
	if !ok || tooMuch.Min != -10 || tooMuch.Max != 32757.5 {
		t.Errorf("more than the bits hold: %+v", tooMuch)
	}
}

func TestSameSeedSameFrames(t *testing.T) {
	config := smallConfig(t)
	config.Jitter, config.ClockError = time.Millisecond, 0.001
	var runs [3][]can.Frame
	for i, seed := range []uint64{1, 1, 2} {
		config.Seed = seed
		runs[i] = drain(t, run(t, config, time.Second, nil))
	}
	if !slices.Equal(runs[0], runs[1]) {
		t.Error("the same seed gives other frames")
	}
	if slices.Equal(runs[0], runs[2]) {
		t.Error("another seed gives the same frames")
	}
}

func TestCancel(t *testing.T) {
	s := run(t, smallConfig(t), time.Hour, nil)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := s.Read(ctx, make([]can.Frame, 1000)); !errors.Is(err, context.Canceled) {
		t.Errorf("Read with a cancelled context: %v", err)
	}
}

func TestAllocations(t *testing.T) {
	s := run(t, smallConfig(t), 1000*time.Hour, nil)
	bind(t, s, "Fast.Speed", func() float64 { return 800 })
	buf := make([]can.Frame, 256)
	allocs := testing.AllocsPerRun(100, func() {
		if _, err := s.Read(context.Background(), buf); err != nil {
			t.Fatal(err)
		}
	})
	if allocs > 0 {
		t.Errorf("%v allocations per 256 frames, want none", allocs)
	}
}

// What is put in is what a decoder reads back.
func TestDecodes(t *testing.T) {
	config := smallConfig(t)
	s := run(t, config, 3*time.Second, nil)
	x := 0.0
	bind(t, s, "Fast.Speed", func() float64 { x += 13.3; return x })
	bind(t, s, "Fast.Rate", func() float64 { return float64(float32(x / 3)) })
	bind(t, s, "Fast.Temp", func() float64 { return math.Round(math.Mod(x, 100)) - 50 })
	decoder, _ := decode.NewDecoder([]decode.Mapping{{Database: config.Buses[0].Databases[0]}})
	table := decoder.Bus("")
	var one [1]can.Frame
	checked := 0
	for {
		_, err := s.Read(context.Background(), one[:])
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		m := table.Lookup(&one[0])
		if m == nil || m.Def.Name != "Fast" {
			continue
		}
		values, complete := m.Decode(&one[0], nil)
		if !complete {
			t.Fatalf("frame % X is not complete", one[0].Payload())
		}
		want := map[string]float64{"Speed": x, "Rate": float64(float32(x / 3)), "Temp": math.Round(math.Mod(x, 100)) - 50}
		for _, v := range values {
			if w, ok := want[v.Signal.Def.Name]; ok {
				checked++
				if math.Abs(v.Phys-w) > 0.25 {
					t.Fatalf("%s reads %v, put in was %v", v.Signal.Def.Name, v.Phys, w)
				}
			}
		}
	}
	if checked < 800 {
		t.Errorf("only %d values checked", checked)
	}
}
