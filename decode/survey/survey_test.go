package survey

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

// near reports whether a figure is what was worked out, but for rounding.
func near(got *float64, want float64) bool {
	return got != nil && math.Abs(*got-want) <= 1e-9*math.Abs(want)
}

// The frame 0x014#01 has 58 bits with intermission (the figure "CAN-bus-frame-
// with-stuff-bit-and-correct-CRC" on Wikipedia). 101 of them at 10 ms take one
// second: 5858 bit/s, 1.1716 % of 500 kbit/s. In every 100 ms there are ten,
// in every ten windows a hundred.
func TestLoadOfKnownFrame(t *testing.T) {
	c := New(testOptions(t))
	for i := range 101 {
		f := frame(int64(i)*10*ms, 0x014, 1)
		c.add(&f)
	}
	r := c.Report()
	l := r.Buses[0].Load
	if l.NominalBits != 101*58 || l.DataBits != 0 {
		t.Errorf("%d and %d bits, want 5858 and 0", l.NominalBits, l.DataBits)
	}
	if l.Mean.NominalBitPerS != 5858 || !near(l.Mean.Percent, 1.1716) {
		t.Errorf("mean %s", asText(t, l.Mean))
	}
	if l.WorstSecond.NominalBitPerS != 5800 || !near(l.WorstSecond.Percent, 1.16) || *l.WorstSecond.Start != 0 {
		t.Errorf("worst second %s", asText(t, l.WorstSecond))
	}
	if l.WorstTenth.NominalBitPerS != 5800 || !near(l.WorstTenth.Percent, 1.16) || *l.WorstTenth.Start != 0 {
		t.Errorf("worst 100 ms %s", asText(t, l.WorstTenth))
	}
	if id := r.Buses[0].IDs[0]; !near(id.Share, 100) || !near(id.RateHz, 100) || !near(r.ObservedS, 1) {
		t.Errorf("share %v, rate %v, observed %v", *id.Share, *id.RateHz, *r.ObservedS)
	}
}

// A set of seven messages on 500 kbit/s (computed from the published frame
// lengths): 25342 bit/s, 5.0684 %, without any stuff bit and 30845 bit/s,
// 6.169 %, with as many as possible. What is measured lies between.
func TestLoadOfWorkedSet(t *testing.T) {
	set := []struct {
		id     uint32
		flags  can.Flags
		length int
		cycle  int64
	}{
		{0x110, 0, 8, 10 * ms},
		{0x120, 0, 8, 20 * ms},
		{0x210, 0, 8, 100 * ms},
		{0x220, 0, 4, 100 * ms},
		{0x310, 0, 8, 1000 * ms},
		{0x18FEF100, can.Extended, 8, 1000 * ms},
		{0x0CF00400, can.Extended, 8, 20 * ms},
	}
	c := New(testOptions(t))
	rng := rand.New(rand.NewPCG(2, 2))
	bits := 0
	for now := int64(0); now < 10*sec; now += 10 * ms {
		for i, m := range set {
			if now%m.cycle != 0 {
				continue
			}
			payload := make([]byte, m.length)
			for k := range payload {
				payload[k] = byte(rng.Uint32())
			}
			f := can.Frame{Time: now + int64(i)*ms/4, ID: m.id, Flags: m.flags}
			f.SetPayload(payload)
			nominal, _ := f.WireBits()
			bits += nominal
			c.add(&f)
		}
	}
	end := can.Frame{Time: 10 * sec, Flags: can.Error, ID: 1} // no bits, but the time passed
	c.add(&end)
	r := c.Report()
	mean := r.Buses[0].Load.Mean
	if mean.NominalBitPerS < 25342 || mean.NominalBitPerS > 30845 || mean.NominalBitPerS != float64(bits)/10 {
		t.Errorf("%v bit/s, want %v, between 25342 and 30845", mean.NominalBitPerS, float64(bits)/10)
	}
	if !near(mean.Percent, float64(bits)/10/5000) {
		t.Errorf("%v %%", *mean.Percent)
	}
	// The first 100 ms of every second hold every message.
	tenth := r.Buses[0].Load.WorstTenth
	if at := int64(*tenth.Start); at%sec != 0 || *tenth.Percent <= *mean.Percent {
		t.Errorf("worst 100 ms %s", asText(t, tenth))
	}
}

// FD load is time: a 64-byte frame with bit rate switch at 500 kbit/s and
// 2 Mbit/s takes from 333.0 us without to 405.5 us with the most stuff bits
// (computed from linux/can/length.h), so one in 10 ms is 3.33 to 4.055 %.
func TestLoadFD(t *testing.T) {
	opts := testOptions(t)
	c := New(opts)
	f := can.Frame{Bus: 1, ID: 0x102, Flags: can.FD | can.BRS}
	payload := make([]byte, 64)
	for i := range payload {
		payload[i] = 0x55
	}
	f.SetPayload(payload)
	for i := range 101 {
		f.Time = int64(i) * 10 * ms
		c.add(&f)
	}
	nominal, data := f.WireBits()
	want := (float64(nominal)/500e3 + float64(data)/2e6) * 100 / 1 * 100 // in 1 s, percent
	second := c.Report().Buses[0].Load.WorstSecond
	if !near(second.Percent, want) || *second.Percent < 3.33 || *second.Percent > 4.055 {
		t.Errorf("%v %%, want %v", *second.Percent, want)
	}
	if second.DataBitPerS != float64(100*data) || second.NominalBitPerS != float64(100*nominal) {
		t.Errorf("%s", asText(t, second))
	}
	// Without the data bit rate there is no percentage, only bits.
	buses := new(can.Buses)
	for _, name := range []string{"drive", "fast"} {
		i, _ := buses.Intern([]byte(name))
		buses.SetBitrates(i, 500_000, 0)
	}
	c = New(Options{Buses: buses})
	c.add(&f)
	g := f
	g.Time += 10 * ms
	c.add(&g)
	if l := c.Report().Buses[0].Load; l.Mean.Percent != nil || l.Mean.DataBitPerS == 0 {
		t.Errorf("%s", asText(t, l.Mean))
	}
}

// The gaps 10, 10, 12, 20, 10 ms, then a step back, then 10 ms; worked by hand.
func TestGapTimes(t *testing.T) {
	c := New(testOptions(t))
	for _, at := range []int64{0, 10, 20, 32, 52, 62, 55, 65} {
		f := frame(at*ms+sec, 0x300, 1)
		c.add(&f)
	}
	other := frame(sec+80*ms, 0x300, 1)
	other.File = 1 // another capture: no gap
	c.add(&other)
	r := c.Report()
	id := r.Buses[0].IDs[0]
	g := id.Gaps
	for _, q := range []struct {
		name      string
		got, want float64
	}{{"p50", g.P50MS, 10}, {"p95", g.P95MS, 20}, {"p99", g.P99MS, 20}} {
		if math.Abs(q.got-q.want) > q.want*GapErrorPercent/100 {
			t.Errorf("%s is %v ms, want %v within %v %%", q.name, q.got, q.want, GapErrorPercent)
		}
	}
	// Pairs of gaps: 10 10, 10 12; not 12 20 and 20 10, which are over one and a
	// half times apart, and none across the step back.
	if g.Count != 6 || g.MinMS != 10 || g.MeanMS != 12 || g.MaxMS != 20 || *g.JitterMS != (0+2)/2.0 || id.Backward != 1 {
		t.Errorf("%s", asText(t, id))
	}
	// 62 ms forward, 7 back and 10 forward in the first capture.
	if !near(r.ObservedS, 0.065) || r.Backward != 1 || id.Frames != 9 || id.Repeats != 7 {
		t.Errorf("%s", asText(t, id))
	}
}

func TestClockJumps(t *testing.T) {
	c := New(testOptions(t))
	for _, at := range []int64{0, 1, 61, 122, 123, 5} { // s; 61 to 122 is more than a minute
		f := frame(at*sec, 0x300, 1)
		c.add(&f)
	}
	r := c.Report()
	if r.Jumps != 2 || r.Backward != 1 || !near(r.ObservedS, 62) || *r.First != 0 || int64(*r.Last) != 123*sec {
		t.Errorf("%d jumps, %d back, %v s", r.Jumps, r.Backward, *r.ObservedS)
	}
}

// Eleven frames in a second, twice, with 100 s without any frame between them:
// 21 frames after the first in 2 s of observed time.
func TestRateLeavesJumpsOut(t *testing.T) {
	c := New(testOptions(t))
	for i := range 22 {
		f := frame(int64(i)*100*ms, 0x300, 1)
		if i >= 11 {
			f.Time += 99900 * ms
		}
		c.add(&f)
	}
	if id := c.Report().Buses[0].IDs[0]; !near(id.RateHz, 10.5) || id.Gaps.MaxMS != 100_000 {
		t.Errorf("%s", asText(t, id))
	}
}

func TestRows(t *testing.T) {
	c := New(testOptions(t))
	var frames []can.Frame
	add := func(id uint32, flags can.Flags, length int) {
		f := can.Frame{Time: int64(len(frames)+1) * ms, ID: id, Flags: flags}
		f.SetPayload(make([]byte, length))
		frames = append(frames, f)
	}
	add(0x300, can.Extended, 8)
	add(0x300, 0, 3)
	add(0x300, can.Remote, 4)
	add(0x200, 0, 8)
	add(0x300, 0, 8)
	add(0x300, can.FD, 48)
	add(0x300, can.FD|can.BRS, 48)
	add(1<<can.ClassBusOff|1<<can.ClassProtocol, can.Error, 8)
	add(1<<can.ClassProtocol, can.Error, 8)
	c.Add(frames)
	r := c.Report()
	type row struct {
		ID               string
		Extended, Remote bool
		Frames, FD       uint64
		Lengths          []Length
	}
	var got []row
	for _, id := range r.Buses[0].IDs {
		got = append(got, row{id.Text, id.Extended, id.Remote, id.Frames, id.FDFrames, id.Lengths})
	}
	want := []row{
		{"0x200", false, false, 1, 0, []Length{{8, 1}}},
		{"0x300", false, false, 4, 2, []Length{{3, 1}, {8, 1}, {48, 2}}},
		{"0x300", false, true, 1, 0, []Length{{4, 1}}},
		{"0x00000300", true, false, 1, 0, []Length{{8, 1}}},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	classes := []ErrorClass{
		{can.ClassProtocol, "protocol violation", 2},
		{can.ClassBusOff, "bus off", 1},
	}
	e := r.Buses[0].Errors
	if diff := cmp.Diff(classes, e.Classes); diff != "" || e.Frames != 2 || r.ErrorFrames != 2 || r.Frames != 7 {
		t.Errorf("%d error frames of %d: %s", r.ErrorFrames, r.Frames, diff)
	}
}

// Bursts of error frames show in their windows and in their course.
func TestErrorCourse(t *testing.T) {
	c := New(testOptions(t))
	at := func(time int64, n int) {
		for range n {
			f := can.Frame{Time: time, Flags: can.Error, ID: 1 << can.ClassBus}
			c.add(&f)
		}
	}
	at(1*sec, 3)
	at(2*sec+50*ms, 25)
	at(2*sec+150*ms, 10)
	at(9*sec, 1)
	e := c.Report().Buses[0].Errors
	if e.WorstTenth.Frames != 25 || int64(e.WorstTenth.Start) != 2*sec || e.WorstSecond.Frames != 35 {
		t.Errorf("worst 100 ms %+v, worst second %+v", e.WorstTenth, e.WorstSecond)
	}
	// 1 to 9 s fit into 64 buckets of 128 ms (1 ms doubled seven times): 7 to 70.
	want := []ErrorRate{{Instant(896 * ms), 3}, {Instant(2048 * ms), 35}, {Instant(8960 * ms), 1}}
	if diff := cmp.Diff(want, e.Course); diff != "" || !near(e.CourseS, 0.128) {
		t.Errorf("width %v: %s", *e.CourseS, diff)
	}
}

// signalsOf surveys payloads of 8 bytes of one identifier of the test database.
func signalsOf(t *testing.T, id uint32, payloads ...[]byte) ID {
	t.Helper()
	c := New(testOptions(t))
	for i, p := range payloads {
		f := frame(int64(i+1)*ms, id, p...)
		c.add(&f)
	}
	return c.Report().Buses[0].IDs[0]
}

func TestSignals(t *testing.T) {
	row := signalsOf(
		t, 0x100,
		[]byte{0x0C, 0x80, 125, 0xF6, 0x0F, 250, 0, 0}, // 800 rpm, 85 degC, -5 Nm, park, 98 %
		[]byte{0x0C, 0x80, 125, 0xF6, 0x0F, 250, 0, 0},
		[]byte{0xFF, 0xFF, 255, 0x0A, 0xF0, 255, 0, 0}, // 16383.75 rpm, 215 degC, 5 Nm, not available, 100.000035 %
		[]byte{0x0C, 0x80},
	)
	if row.Message != "Engine" || row.ShortCount != 1 || row.Repeats != 1 {
		t.Errorf("message %q, %d short, %d repeats", row.Message, row.ShortCount, row.Repeats)
	}
	f := func(x float64) *float64 { return &x }
	want := []Signal{
		{Name: "Speed", Unit: "rpm", Frames: 4, Min: f(800), Max: f(16383.75), Distinct: 2, Outside: 1, StatedMin: f(0), StatedMax: f(8000)},
		{Name: "Coolant", Unit: "degC", Frames: 3, Min: f(85), Max: f(215), Distinct: 2, Outside: 1, StatedMin: f(-40), StatedMax: f(150)},
		{Name: "Torque", Unit: "Nm", Frames: 3, Min: f(-5), Max: f(5), Distinct: 2},
		{Name: "Lever", Frames: 3, Min: f(0), Max: f(15), Distinct: 2, Labels: []Label{{"0", "park", 2}, {"15", "not available", 1}}},
		{Name: "Pedal", Unit: "%", Frames: 3, Min: f(250 * 0.392157), Max: f(255 * 0.392157), Distinct: 2, StatedMin: f(0), StatedMax: f(100)},
	}
	for i := range want {
		if want[i].Labels == nil {
			want[i].Labels = []Label{}
		}
	}
	if diff := cmp.Diff(want, row.Signals[:len(want)]); diff != "" {
		t.Error(diff)
	}
}

func TestMultiplexedSignals(t *testing.T) {
	single := func(x float32) []byte {
		raw := math.Float32bits(x)
		return []byte{0, byte(raw), byte(raw >> 8), byte(raw >> 16), byte(raw >> 24), 0, 0, 0}
	}
	row := signalsOf(
		t, 0x101,
		single(1.5), single(float32(math.NaN())), single(float32(math.NaN())), single(float32(math.Inf(1))),
		[]byte{1, 0x3F, 0, 0, 0, 0, 0, 0}, []byte{1, 0x3F, 0, 0, 0, 0, 0, 0}, // Level -1
		single(-2), []byte{2, 0, 0, 0, 0, 0, 0, 0},
	)
	type result struct {
		Name              string
		Frames, NotFinite uint64
		Outside           uint64
		Min, Max          float64
		Distinct          int
	}
	var got []result
	for _, s := range row.Signals {
		got = append(got, result{s.Name, s.Frames, s.NotFinite, s.Outside, *s.Min, *s.Max, s.Distinct})
	}
	want := []result{{"Page", 8, 0, 0, 0, 2, 3}, {"Single", 5, 3, 1, -2, 1.5, 4}, {"Level", 2, 0, 0, -1, -1, 1}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// More values than are told apart, and a signal too wide for a number.
func TestManyValues(t *testing.T) {
	c := New(testOptions(t))
	for i := range 1000 {
		f := frame(int64(i+1)*ms, 0x100, byte(i>>8), byte(i), byte(i), 0, 0, 0, 0, 0)
		c.add(&f)
	}
	wide := can.Frame{Time: 2 * sec, ID: 0x18FEF100, Flags: can.Extended | can.FD}
	wide.SetPayload(make([]byte, 64))
	c.add(&wide)
	few := New(testOptions(t))
	again := frame(3*sec, 0x100, 0, 1, 1, 0, 0, 0, 0, 0)
	few.add(&again)
	c.Merge(few) // what is more than MaxDistinct stays so
	ids := c.Report().Buses[0].IDs
	speed, coolant, text := ids[0].Signals[0], ids[0].Signals[1], ids[1].Signals[0]
	if speed.Distinct != MaxDistinct || !speed.More || coolant.Distinct != 256 || coolant.More {
		t.Errorf("speed %d (more: %v), coolant %d (more: %v)", speed.Distinct, speed.More, coolant.Distinct, coolant.More)
	}
	if text.Frames != 1 || text.Min != nil || text.NotFinite != 0 || text.Distinct != 0 {
		t.Errorf("signal of 128 bits: %s", asText(t, text))
	}
}

// Every figure of a report can be written, and there is no null where a list is.
func TestReportJSON(t *testing.T) {
	opts := testOptions(t)
	for seed := range uint64(20) {
		text := asJSON(t, surveyOf(opts, traffic(rand.New(rand.NewPCG(seed, 9)), 300)))
		for _, key := range []string{"buses", "ids", "classes", "course", "lengths", "signals", "labels", "senders", "bits"} {
			if strings.Contains(text, `"`+key+`": null`) {
				t.Errorf("%s is null", key)
			}
		}
	}
	if text := asJSON(t, New(opts).Report()); !strings.Contains(text, `"buses": []`) || !strings.Contains(text, `"observed_s": null`) {
		t.Errorf("empty survey: %s", text)
	}
	f := frame(1_250_000_000, 1, 0)
	if text := asText(t, surveyOf(opts, []can.Frame{f}).First); text != `{"t":1.25,"t_ns":"1250000000"}` {
		t.Errorf("instant %s", text)
	}
}

// A million random 29-bit identifiers on a bus leave the defined and the 11-bit
// ones their rows, lose no frame, and take little memory.
func TestMillionIdentifiers(t *testing.T) {
	opts := testOptions(t)
	before := liveBytes()
	c := New(opts)
	rng := rand.New(rand.NewPCG(11, 11))
	batch := make([]can.Frame, 1000)
	for i := range 1000 {
		for k := range batch {
			batch[k] = can.Frame{Time: int64(i*1000+k) * ms / 10, ID: rng.Uint32() & can.MaxExtendedID, Flags: can.Extended}
			batch[k].SetPayload([]byte{byte(k), byte(i), 0, 0, 0, 0, 0, byte(rng.Uint32())})
		}
		batch[0].ID = 0x18FEF100
		batch[1].ID, batch[1].Flags = uint32(i), 0
		c.Add(batch)
	}
	grown := liveBytes() - before
	r := c.Report()
	b := r.Buses[0]
	var frames uint64
	var share float64
	for _, id := range b.IDs {
		frames += id.Frames
		share += *id.Share
	}
	if len(b.IDs) != MaxIDs || b.Others == nil || frames+b.Others.Frames != 1_000_000 || r.Frames != 1_000_000 {
		t.Fatalf("%d rows, %d frames of %d", len(b.IDs), frames, r.Frames)
	}
	if total := share + *b.Others.SharePercent; math.Abs(total-100) > 1e-6 {
		t.Errorf("shares add up to %v %%", total)
	}
	if last := b.IDs[MaxIDs-1]; last.Text != "0x18FEF100" || last.Frames != 1000 {
		t.Errorf("defined identifier: %s, %d frames", last.Text, last.Frames)
	}
	standard := slices.DeleteFunc(slices.Clone(b.IDs), func(id ID) bool { return id.Extended })
	if len(standard) != 1000 {
		t.Errorf("%d 11-bit identifiers, want 1000", len(standard))
	}
	if grown > 40<<20 {
		t.Errorf("%d bytes are held", grown)
	}
	runtime.KeepAlive(c)
}

// Many buses with many identifiers stay within MaxRows.
func TestManyBuses(t *testing.T) {
	buses := new(can.Buses)
	c := New(Options{Buses: buses})
	for b := range 40 {
		bus, ok := buses.Intern([]byte{'c', 'a', 'n', byte('A' + b)})
		if !ok {
			t.Fatal("no room for a bus")
		}
		for id := range uint32(1000) {
			f := can.Frame{Time: 1, ID: 0x1000 * id, Flags: can.Extended, Bus: bus}
			c.add(&f)
		}
	}
	r := c.Report()
	rows := 0
	for _, b := range r.Buses {
		rows += len(b.IDs)
		if n := len(b.IDs); n < MaxRows/40 || n > MaxRows/40+1 {
			t.Errorf("bus %s has %d rows", b.Name, n)
		}
	}
	if rows != MaxRows || r.Frames != 40_000 {
		t.Errorf("%d rows, %d frames", rows, r.Frames)
	}
}

func liveBytes() int64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// A frame costs no allocation once its identifier is known.
func TestAddAllocations(t *testing.T) {
	db, frames := busTraffic(60*100, false)
	for name, opts := range map[string]Options{"dbc": benchOptions(db), "plain": {Buses: twoBuses()}} {
		c := New(opts)
		span := frames[len(frames)-1].Time - frames[0].Time + ms
		pass := func() {
			for i := range frames {
				frames[i].Time += span
			}
			c.Add(frames)
		}
		for range 12 { // 1200 frames of each identifier: tallies have the levels up to 2047
			pass()
		}
		if n := testing.AllocsPerRun(3, pass); n != 0 {
			t.Errorf("%s: %v allocations for %d frames", name, n, len(frames))
		}
	}
}

func asText(t *testing.T, v any) string {
	t.Helper()
	text, err := json.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}
