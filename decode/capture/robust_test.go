package capture

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plugproof/decode/can"
)

// The short way must read what the general parser reads, or nothing. Half of the
// lines have one character replaced.
func TestQuickEqualsParse(t *testing.T) {
	const all = 200_000
	rng := rand.New(rand.NewPCG(6, 7))
	d := candump{names: newBusNames(&can.Buses{})}
	for _, name := range []string{"can0", "can1", "can10", "can11", "can2", "can3", "can4"} {
		d.names.find([]byte(name))
	}
	quick, ns := 0, int64(1700000000e9)
	for range all {
		line := randomLine(rng, &ns)
		if rng.IntN(2) == 0 {
			at := rng.IntN(len(line))
			line = line[:at] + string([]byte{byte(rng.IntN(256))}) + line[at+1:]
		}
		line, _, _ = strings.Cut(line, "\n")
		line += []string{"\n", "\r\n"}[rng.IntN(2)]
		before := can.Frame{Flags: can.FD, Len: 64, Data: [64]byte{1, 8: 2, 63: 3}}
		got := before
		used := d.quick([]byte(line+strings.Repeat("0", quickSpan)), &got)
		if used == 0 {
			if got != before {
				t.Fatalf("%q: the frame was touched", line)
			}
			continue
		}
		quick++
		var rec record
		if kind := rec.parse([]byte(strings.TrimSuffix(line, "\n"))); kind != good {
			t.Fatalf("%q: read the short way, but it is %s", line, kind)
		}
		want := rec.frame
		want.Bus, _ = d.names.find(rec.bus)
		if used != len(line) || got != want {
			t.Fatalf("%q: %d bytes, %+v\nwant %+v", line, used, got, want)
		}
	}
	if quick < all/6 {
		t.Errorf("only %d of %d lines took the short way", quick, all)
	}
}

// everyForm is a small log, everyConsoleForm a small console capture, with every
// form of a line, good and bad.
func everyForm() string {
	var lines []string
	for _, row := range candumpRows {
		lines = append(lines, row.line)
	}
	return shortOnes(lines)
}

func everyConsoleForm() string {
	var lines []string
	for _, row := range consoleRows {
		lines = append(lines, row.line)
	}
	return shortOnes(lines)
}

func shortOnes(lines []string) string {
	lines = slices.DeleteFunc(lines, func(line string) bool { return len(line) >= 100 })
	return strings.Join(lines, "\n") + "\n"
}

// Whatever of a capture is there is read: the frames of a shortened one are
// those of the whole, but for its last record.
func TestTruncatedAtEveryByte(t *testing.T) {
	for name, text := range map[string]string{"log": everyForm(), "console": everyConsoleForm()} {
		whole, _, _ := readAll(t, text, 64)
		refused := 0
		for size := range len(text) {
			r, err := Open([]string{"-"}, Options{Stdin: strings.NewReader(text[:size])})
			if err != nil {
				if !errors.Is(err, ErrNotCapture) {
					t.Fatalf("%s of %d bytes: %v", name, size, err)
				}
				refused++
				continue
			}
			r.Close()
			got, rep, _ := readAll(t, text[:size], 64)
			last := strings.Count(text[:size], "\n") + 1
			for i := range got {
				if int(got[i].Record) == last {
					if !slices.Contains(rep.Notes, noteUnended) {
						t.Errorf("%s of %d bytes: no note about the last line: %q", name, size, rep.Notes)
					}
					break
				}
				if got[i] != whole[i] {
					t.Fatalf("%s of %d bytes: %s", name, size, cmp.Diff(whole[i], got[i]))
				}
			}
			if want := countUpTo(whole, last-1); len(got) < want || len(got) > want+1 {
				t.Fatalf("%s of %d bytes: %d frames, want %d", name, size, len(got), want)
			}
		}
		if refused == 0 || refused > 80 {
			t.Errorf("%s: %d beginnings refused; only those without a frame should be", name, refused)
		}
	}
}

func countUpTo(frames []can.Frame, record int) (n int) {
	for n < len(frames) && int(frames[n].Record) <= record {
		n++
	}
	return n
}

func TestRandomBytes(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		noise := make([]byte, rng.IntN(5000))
		for i := range noise {
			noise[i] = byte(rng.Uint32())
		}
		_, err := Open([]string{"-"}, Options{Stdin: bytes.NewReader(noise)})
		if err == nil {
			t.Fatalf("noise was taken for a capture: %q", noise)
		}
		for _, start := range []string{"(1.5) can0 123#11\n", "  can0  123   [1]  11\n"} {
			text := start + string(noise) + "\n" + start
			got, _, _ := readAll(t, text, 64)
			if len(got) != 2 {
				t.Fatalf("%d frames around noise, want 2", len(got))
			}
		}
	}
}

// longLine gives a frame, a line of the given length, and a frame.
func longLine(size int64) io.Reader {
	const line = "(1700000000.181291) can0 1C4#0123456789ABCDEF\n"
	return io.MultiReader(strings.NewReader(line), io.LimitReader(letters{}, size), strings.NewReader("\n"+line))
}

type letters struct{}

func (letters) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = 'A'
	}
	return len(p), nil
}

// A line of 1 GB is one record set aside, in bounded memory, read either way.
func TestOversizedLine(t *testing.T) {
	size := int64(1 << 30)
	if testing.Short() {
		size = 64 << 20
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for _, workers := range []int{0, 1, 2} {
		r, err := Open([]string{"-"}, Options{Stdin: longLine(size), Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		frames := readOrFold(t, r, workers > 0)
		rep := r.Reports()[0]
		checkAccount(t, rep)
		want := map[Kind]Tally{Oversize: {Count: 1, First: []Place{{Offset: 46, Record: 2}}}}
		if diff := cmp.Diff(want, rep.SetAside); diff != "" || frames != 2 {
			t.Errorf("%d workers: %d frames, set aside (-want +got):\n%s", workers, frames, diff)
		}
	}
	runtime.ReadMemStats(&after)
	if got := (after.TotalAlloc - before.TotalAlloc) >> 20; got > 64 {
		t.Errorf("%d MB allocated", got)
	}
}

// readOrFold reads a capture to its end, one way or the other.
func readOrFold(t testing.TB, r *Reader, fold bool) (frames int) {
	t.Helper()
	if !fold {
		return drainFrames(t, r)
	}
	c, err := Fold(context.Background(), r, func() *tally { return new(tally) })
	if err != nil {
		t.Fatal(err)
	}
	return c.frames
}

// drainFrames reads a capture to its end and returns the number of frames.
func drainFrames(t testing.TB, r *Reader) (frames int) {
	t.Helper()
	dst := make([]can.Frame, 512)
	for {
		n, err := r.Read(context.Background(), dst)
		frames += n
		if errors.Is(err, io.EOF) {
			return frames
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// Lines around the limit: one more byte makes the difference, whether or not the
// line end is in sight, and in chunks as in one stretch.
func TestLineLimit(t *testing.T) {
	const head = "(1.5) can0 123#11\n"
	for size, want := range map[int]Kind{maxLine - 1: Foreign, maxLine: Foreign, maxLine + 1: Oversize, 3 * bufferSize: Oversize} {
		for _, end := range []string{"", "\n", "\n" + head} {
			text := head + strings.Repeat("z", size) + end
			_, rep, _ := readAll(t, text, 64)
			if rep.SetAside[want].Count != 1 {
				t.Errorf("%d bytes, end %q: set aside %v", size, end, rep.SetAside)
			}
			_, state := foldText(t, []byte(text), 2, newDigest)
			r := open(t, text, Options{Hash: true})
			drainFrames(t, r)
			r.Close()
			if diff := cmp.Diff(stateOf(t, r), state); diff != "" {
				t.Errorf("%d bytes, end %q: chunks differ:\n%s", size, end, diff)
			}
		}
	}
}

// Reading allocates by the capture, not by the frame.
func TestReadAllocatesNothingPerFrame(t *testing.T) {
	for name, text := range map[string]string{
		"usual log":   string(benchLog(20_000)),
		"damaged log": string(damagedLog(5, 1_000_000)),
		"console":     strings.Repeat(" (1436509052.249713)  can0  123   [2]  11 22\n", 20_000),
		"gaps":        strings.Repeat(" (000.010000)  can0  123   [2]  11 22\n", 20_000),
		"dates":       strings.Repeat(" (2015-07-10 06:17:32.249713)  can0  123   [2]  11 22\n", 20_000),
	} {
		dst := make([]can.Frame, 64)
		r := open(t, text, Options{})
		if _, err := r.Read(context.Background(), dst); err != nil { // interface names become known
			t.Fatal(err)
		}
		got := testing.AllocsPerRun(50, func() {
			if n, err := r.Read(context.Background(), dst); n == 0 || err != nil {
				t.Fatalf("%s: %d frames, %v", name, n, err)
			}
		})
		r.Close()
		if limit := map[bool]float64{true: 2}[name == "damaged log"]; got > limit { // places of new kinds
			t.Errorf("%s: %v allocations per batch", name, got)
		}
	}
}

// checkDecoder feeds a decoder any text and holds what every decoder promises.
func checkDecoder(t *testing.T, text []byte, open func(*input) (decoder, error)) {
	t.Helper()
	rep := newTallies()
	r := bufio.NewReaderSize(bytes.NewReader(text), bufferSize)
	r.Peek(1)
	dec, err := open(&input{r: r, buses: &can.Buses{}, rep: &rep})
	if err != nil {
		t.Fatal(err)
	}
	dst := make([]can.Frame, 3)
	last := uint32(0)
	for err == nil {
		var n int
		n, err = dec.read(dst)
		rep.Frames += uint64(n)
		for i := range dst[:n] {
			f := &dst[i]
			if f.Valid() != nil || f.Record <= last || f.Offset >= int64(len(text)) ||
				!bytes.Equal(f.Data[f.Len:], make([]byte, 64-f.Len)) {
				t.Fatalf("after record %d: %+v: %v", last, f, f.Valid())
			}
			last = f.Record
		}
	}
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	checkAccount(t, rep)
	lines := bytes.Count(text, []byte("\n"))
	if len(text) > 0 && text[len(text)-1] != '\n' && !bytes.Equal(text, byteOrderMark) {
		lines++
	}
	if int(rep.Records) != lines {
		t.Fatalf("%d records in %d lines", rep.Records, lines)
	}
}

func FuzzCandump(f *testing.F) {
	for _, row := range candumpRows {
		f.Add([]byte(row.line))
	}
	f.Add(damagedLog(1, 3000))
	f.Fuzz(func(t *testing.T, text []byte) {
		checkDecoder(t, text, openCandump)
		// known names and a seconds field open the short way
		checkDecoder(t, append([]byte("(1700000000.181291) can0 123#11\n"), text...), openCandump)
		sniffCandump(text)
	})
}

func FuzzConsole(f *testing.F) {
	for _, row := range consoleRows {
		f.Add([]byte(row.line))
	}
	for _, stamp := range []string{"(1436509052.249713)", "(2015-07-10 06:17:32.249713)", "(000.200134)"} {
		f.Add([]byte(strings.Repeat(" "+stamp+"  can0  123   [1]  11\n", 3)))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		checkDecoder(t, text, openConsole)
		sniffConsole(text)
	})
}
