package survey

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plugproof/decode"
	"plugproof/decode/can"
	"plugproof/decode/capture"
)

// However the frames are cut and in whatever shape the collectors are merged,
// the report is the same. After the merge the collector takes more frames.
func TestMergeAnyChunks(t *testing.T) {
	opts := testOptions(t)
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		frames := traffic(rand.New(rand.NewPCG(seed, 1)), rapid.IntRange(200, 600).Draw(t, "frames"))
		cuts := rapid.SliceOfN(rapid.IntRange(0, len(frames)), 1, 40).Draw(t, "cuts")
		slices.Sort(cuts)
		var parts []*Collector
		from := 0
		for _, cut := range cuts {
			c := New(opts)
			c.Add(frames[from:cut])
			parts = append(parts, c)
			from = cut
		}
		for len(parts) > 1 { // merge neighbours at random: (a b) (c d) and a (b c) d alike
			i := rapid.IntRange(0, len(parts)-2).Draw(t, "pair")
			parts[i].Merge(parts[i+1])
			parts = slices.Delete(parts, i+1, i+2)
		}
		parts[0].Add(frames[from:])
		whole := New(opts)
		whole.Add(frames)
		if diff := cmp.Diff(wordsOf(whole), wordsOf(parts[0]), cmp.AllowUnexported(word{})); diff != "" {
			t.Fatal(diff)
		}
		want := asJSON(t, whole.Report())
		if diff := cmp.Diff(want, asJSON(t, parts[0].Report())); diff != "" {
			t.Fatal(diff)
		}
	})
}

// The same with more identifiers than have a row of their own.
func TestMergeBeyondCaps(t *testing.T) {
	opts := testOptions(t)
	rng := rand.New(rand.NewPCG(7, 7))
	frames := make([]can.Frame, 0, 120_000)
	for i := range cap(frames) {
		f := can.Frame{Time: int64(i) * ms / 10, ID: rng.Uint32() & can.MaxExtendedID, Flags: can.Extended, Bus: uint16(i / 60_000)}
		if i%3 == 0 {
			f = frame(f.Time, uint32(i)&0x7FF)
		}
		f.SetPayload([]byte{byte(i), byte(i >> 8)})
		frames = append(frames, f)
	}
	want := asJSON(t, surveyOf(opts, frames))
	for _, size := range []int{1_000, 17_000, 70_000} {
		whole := New(opts)
		for chunk := range slices.Chunk(frames, size) {
			c := New(opts)
			c.Add(chunk)
			whole.Merge(c)
		}
		if asJSON(t, whole.Report()) != want {
			t.Errorf("chunks of %d frames give another report", size)
		}
	}
}

// wordsOf returns what was counted of every payload bit, more than reports tell.
func wordsOf(c *Collector) map[string][]word {
	all := map[string][]word{}
	for _, b := range c.buses {
		if b == nil {
			continue
		}
		for _, r := range b.rows {
			all[fmt.Sprintf("%s %#x", b.name, r.key)] = r.words
		}
	}
	return all
}

// writeLog writes frames to a candump log of the test's own.
func writeLog(t testing.TB, frames []can.Frame, buses *can.Buses) string {
	t.Helper()
	file, err := os.Create(filepath.Join(t.TempDir(), "frames.log"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	w, err := capture.NewWriter(file, buses, capture.WriterOptions{})
	if err == nil {
		err = w.Write(frames)
	}
	if err == nil {
		err = w.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return file.Name()
}

// foldLog surveys a capture as the command does.
func foldLog(t testing.TB, path string, d *decode.Decoder, workers int) *Report {
	t.Helper()
	r, err := capture.Open([]string{path}, capture.Options{Workers: workers})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	opts := Options{Buses: r.Buses(), Decoder: d}
	c, err := capture.Fold(context.Background(), r, func() *Collector { return New(opts) })
	if err != nil {
		t.Fatal(err)
	}
	return c.Report()
}

// A log of three chunks gives the same report for any number of workers, and
// the one that its frames give without a file between.
func TestFold(t *testing.T) {
	db, frames := busTraffic(210_000, false)
	for i := range frames {
		frames[i].Bus = uint16(i % 7 / 6)
	}
	opts := benchOptions(db)
	path := writeLog(t, frames, opts.Buses)
	buses := new(can.Buses) // a log has no bit rates
	for _, b := range opts.Buses.All() {
		buses.Intern([]byte(b.Name))
	}
	want := asJSON(t, surveyOf(Options{Buses: buses, Decoder: opts.Decoder}, frames))
	for _, workers := range []int{1, 2, 8} {
		if diff := cmp.Diff(want, asJSON(t, foldLog(t, path, opts.Decoder, workers))); diff != "" {
			t.Errorf("%d workers: %s", workers, diff)
		}
	}
}
