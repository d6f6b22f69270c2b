package capture

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"hash/fnv"
	"io"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"plugproof/decode/can"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// digest is a collector that depends on every field of every frame and on the
// order of the batches it is merged from.
type digest struct {
	hash   hash.Hash64
	parts  []uint64
	frames int
}

func newDigest() *digest { return &digest{hash: fnv.New64a()} }

func (d *digest) Add(batch []can.Frame) {
	d.frames += len(batch)
	for i := range batch {
		f := &batch[i]
		var b [32]byte
		binary.LittleEndian.PutUint64(b[:], uint64(f.Time))
		binary.LittleEndian.PutUint64(b[8:], uint64(f.Offset))
		binary.LittleEndian.PutUint32(b[16:], f.ID)
		binary.LittleEndian.PutUint32(b[20:], f.Record)
		binary.LittleEndian.PutUint16(b[24:], f.Bus)
		binary.LittleEndian.PutUint16(b[26:], f.File)
		binary.LittleEndian.PutUint16(b[28:], uint16(f.Flags))
		b[30], b[31] = f.Len, f.DLC
		d.hash.Write(b[:])
		d.hash.Write(f.Data[:])
	}
}

func (d *digest) Merge(next *digest) {
	d.parts = append(append(d.parts, next.hash.Sum64()), next.parts...)
	d.frames += next.frames
}

func (d *digest) String() string {
	return fmt.Sprintf("%d frames, %x, %x", d.frames, d.hash.Sum64(), d.parts)
}

// keep is a collector that keeps every frame.
type keep struct{ frames []can.Frame }

func (k *keep) Add(batch []can.Frame) { k.frames = append(k.frames, batch...) }
func (k *keep) Merge(next *keep)      { k.frames = append(k.frames, next.frames...) }

// foldText folds a capture given as text and returns the collector, and the
// report and bus table as text.
func foldText[C Collector[C]](t testing.TB, text []byte, workers int, fresh func() C) (C, string) {
	t.Helper()
	r, err := Open([]string{"-"}, Options{Stdin: bytes.NewReader(text), Workers: workers, Hash: true})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	r.chunkSize = maxLine + 1
	c, err := Fold(context.Background(), r, fresh)
	if err != nil {
		t.Fatal(err)
	}
	return c, stateOf(t, r)
}

// stateOf is what a Reader knows at the end, as text.
func stateOf(t testing.TB, r *Reader) string {
	t.Helper()
	text, err := json.MarshalIndent(struct {
		Reports     []FileReport
		Buses       []can.Bus
		First, Last int64
	}{r.Reports(), r.buses.All(), r.reports[0].FirstTime, r.reports[0].LastTime}, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// damagedLog is about size bytes of log with everything that happens to logs:
// lines cut, glued and foreign, stamps that step back, jump, repeat and clump,
// oversized lines, several interfaces, all kinds of frames.
func damagedLog(seed uint64, size int) []byte {
	rng := rand.New(rand.NewPCG(seed, 0))
	var out bytes.Buffer
	out.WriteString("(1.000000) can0 123#11\n")
	ns := int64(1700000000e9)
	for out.Len() < size {
		ns += rng.Int64N(1e6)
		line := randomLine(rng, &ns)
		switch rng.IntN(40) {
		case 0:
			line = line[:rng.IntN(len(line))]
		case 1:
			line = line[rng.IntN(len(line)):]
		case 2:
			line += randomLine(rng, &ns)
		case 3:
			line = []string{"", "# note", "you@bench:~$ ls", "\x00\x00", "XL (1) is"}[rng.IntN(5)]
		case 4:
			line += "\n" + line
		case 5:
			at := rng.IntN(len(line))
			line = line[:at] + string(rune(rng.IntN(128))) + line[at+1:]
		}
		if rng.IntN(5000) == 0 {
			line = strings.Repeat("A", rng.IntN(4*maxLine))
		}
		out.WriteString(line + []string{"\n", "\r\n"}[rng.IntN(2)])
	}
	return out.Bytes()[:out.Len()-rng.IntN(20)]
}

func randomLine(rng *rand.Rand, ns *int64) string {
	switch rng.IntN(200) {
	case 0:
		*ns -= 1e9
	case 1:
		*ns += 100e9
	case 2, 3, 4:
		*ns += 1e3
	}
	id := fmt.Sprintf("%03X", rng.IntN(0x800))
	if rng.IntN(3) == 0 {
		id = fmt.Sprintf("%08X", rng.IntN(0x40000000))
	}
	data := make([]byte, rng.IntN(9))
	for i := range data {
		data[i] = byte(rng.Uint32())
	}
	body := fmt.Sprintf("#%X", data)
	switch rng.IntN(10) {
	case 0:
		body = fmt.Sprintf("##%d%X", rng.IntN(8), make([]byte, []int{0, 8, 12, 64, 9}[rng.IntN(5)]))
	case 1:
		body = "#R" + []string{"", "0", "8", "8_F"}[rng.IntN(4)]
	case 2:
		body = "#81:00:12345678#1122"
	}
	way := []string{"", "", "", " R", " T"}[rng.IntN(5)]
	stamp := fmt.Sprintf("%d.%09d", *ns/1e9, *ns%1e9)
	if rng.IntN(2) == 0 {
		stamp = stamp[:len(stamp)-3]
	}
	return fmt.Sprintf("(%s) can%d %s%s%s", stamp, rng.IntN(12), id, body, way)
}

// The chunks hold what reading in one stretch gives: the frames, the report with
// its places and remarks, and the bus table.
func TestFoldEqualsRead(t *testing.T) {
	for seed := range uint64(4) {
		text := damagedLog(seed, 1_000_000)
		want, rep, _ := readAll(t, string(text), 512)
		r := open(t, string(text), Options{Hash: true})
		drainFrames(t, r)
		if rep.Frames < 2000 || len(rep.SetAside) < 8 || len(rep.Remarks) != 4 {
			t.Fatalf("the log does not hold what it should: %+v", rep)
		}
		got, gotState := foldText(t, text, 2, func() *keep { return &keep{} })
		if len(got.frames) != len(want) {
			t.Fatalf("%d frames, want %d", len(got.frames), len(want))
		}
		for i := range want {
			if got.frames[i] != want[i] {
				t.Fatalf("frame %d: %+v, want %+v", i, got.frames[i], want[i])
			}
		}
		if wantState := stateOf(t, r); gotState != wantState {
			t.Errorf("got %s\nwant %s", gotState, wantState)
		}
	}
}

// Fold takes up where Read stopped.
func TestFoldAfterRead(t *testing.T) {
	text := damagedLog(7, 500_000)
	whole, rep, _ := readAll(t, string(text), 512)
	r := open(t, string(text), Options{})
	defer r.Close()
	dst := make([]can.Frame, 100)
	n, err := r.Read(context.Background(), dst)
	if n == 0 || err != nil {
		t.Fatalf("%d, %v", n, err)
	}
	r.chunkSize = maxLine + 1
	rest, err := Fold(context.Background(), r, func() *keep { return &keep{} })
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(append(dst[:n:n], rest.frames...), whole) {
		t.Error("other frames than by reading alone")
	}
	if diff := cmp.Diff(rep, r.Reports()[0]); diff != "" {
		t.Errorf("another report (-want +got):\n%s", diff)
	}
}

func TestFoldDoesNotDependOnWorkers(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	text := damagedLog(99, 2_000_000)
	var first string
	for _, procs := range []int{1, 2, 8} {
		runtime.GOMAXPROCS(procs)
		for range 3 {
			c, state := foldText(t, text, 0, newDigest)
			got := c.String() + state
			if first == "" {
				first = got
			}
			if got != first {
				t.Fatalf("GOMAXPROCS %d: %s\nwant %s", procs, got, first)
			}
		}
	}
}

// More interfaces than the table takes, new ones all over the capture: which
// get in must not depend on who reads faster.
func TestFoldBusTableIsDeterministic(t *testing.T) {
	var log bytes.Buffer
	for i := range 20_000 {
		fmt.Fprintf(&log, "(%d.000000) if%d 123#11\n", 1700000000+i, i/10)
	}
	var first string
	for _, workers := range []int{1, 2, 8, 8} {
		c, state := foldText(t, log.Bytes(), workers, newDigest)
		if c.frames != 10*can.MaxBuses {
			t.Errorf("%d frames, want %d", c.frames, 10*can.MaxBuses)
		}
		if got := c.String() + state; first == "" {
			first = got
		} else if got != first {
			t.Fatalf("%d workers give another result", workers)
		}
	}
}

// Seams at every place: the remarks of two halves merge into those of the whole.
func TestRemarksMerge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		frames := rapid.SliceOfN(rapid.Custom(remarkable), 1, 40).Draw(t, "frames")
		for i := range frames {
			frames[i].Record, frames[i].Offset = uint32(i+1), int64(40*i)
		}
		whole := newRemarks()
		whole.Add(frames)
		merged := newRemarks()
		for len(frames) > 0 {
			n := rapid.IntRange(1, len(frames)).Draw(t, "cut")
			next := newRemarks()
			next.Add(frames[:n])
			merged.Merge(next)
			frames = frames[n:]
		}
		want, got := newTallies(), newTallies()
		whole.report(&want)
		merged.report(&got)
		if fmt.Sprint(want) != fmt.Sprint(got) {
			t.Fatalf("got %v\nwant %v", got, want)
		}
	})
}

// remarkable draws a frame that may well be out of order, repeated or too close.
func remarkable(t *rapid.T) can.Frame {
	f := can.Frame{
		Time: rapid.SampledFrom([]int64{0, 1, 10e3, 45e3, 46e3, 120e3, 1e9, 100e9, 161e9}).Draw(t, "time"),
		ID:   rapid.Uint32Range(1, 2).Draw(t, "id"),
		Bus:  rapid.Uint16Range(0, 2).Draw(t, "bus"),
	}
	f.Flags = rapid.SampledFrom([]can.Flags{0, 0, can.Extended, can.Error, can.Remote, can.FD | can.BRS}).Draw(t, "flags")
	f.SetPayload(make([]byte, rapid.SampledFrom([]int{0, 8}).Draw(t, "len")))
	return f
}

// slowLog never ends, so only its context can end a Fold.
type slowLog struct{ sent int }

func (s *slowLog) Read(p []byte) (int, error) {
	const line = "(1700000000.181291) can0 1C4#0123456789ABCDEF\n"
	n := 0
	for n+len(line) <= len(p) {
		n += copy(p[n:], line)
	}
	s.sent += n
	return n, nil
}

func TestFoldEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
	defer cancel()
	r, err := Open([]string{"-"}, Options{Stdin: &slowLog{}, Workers: 4})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	c, err := Fold(ctx, r, func() *chain { return new(chain) })
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("got %v", err)
	}
	if rep := r.Reports()[0]; uint32(rep.Frames) != c.last || c.last > 0 && c.first != 1 || c.torn {
		t.Errorf("%d frames reported, collected: %+v", rep.Frames, c)
	}
	checkAccount(t, r.Reports()[0])
	if _, err := r.Read(context.Background(), make([]can.Frame, 1)); err == nil || errors.Is(err, io.EOF) {
		t.Errorf("reading goes on after an interrupted Fold: %v", err)
	}
}

// chain is a collector that knows whether a record is missing between its first
// and its last.
type chain struct {
	first, last uint32
	torn        bool
}

func (c *chain) Add(batch []can.Frame) {
	for i := range batch {
		c.Merge(&chain{first: batch[i].Record, last: batch[i].Record})
	}
}

func (c *chain) Merge(next *chain) {
	switch {
	case next.last == 0:
		return
	case c.last == 0:
		*c = *next
		return
	}
	c.torn = c.torn || next.torn || next.first != c.last+1
	c.last = next.last
}

func BenchmarkFold(b *testing.B) {
	log := benchLog(1_000_000)
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprintf("workers=%d", workers), func(b *testing.B) {
			b.SetBytes(int64(len(log)))
			b.ReportAllocs()
			frames := 0
			for b.Loop() {
				r, err := Open([]string{"-"}, Options{Stdin: bytes.NewReader(log), Workers: workers})
				if err != nil {
					b.Fatal(err)
				}
				c, err := Fold(context.Background(), r, func() *tally { return new(tally) })
				if err != nil {
					b.Fatal(err)
				}
				frames += c.frames
				r.Close()
			}
			b.ReportMetric(float64(frames)/b.Elapsed().Seconds()/1e6, "Mframes/s")
		})
	}
}

// tally is the least that a collector can do.
type tally struct{ frames int }

func (c *tally) Add(batch []can.Frame) { c.frames += len(batch) }
func (c *tally) Merge(next *tally)     { c.frames += next.frames }
