package recheck

import (
	"fmt"
	"runtime"
	"sync"
	"testing"
	"time"

	"plugproof/profiles/demo"
)

// BenchmarkFiveHundred judges 500 captures of a minute of key-on and idle each,
// compressed with zstd, of all twelve settings. Making them takes longer than
// judging them, and is not counted.
func BenchmarkFiveHundred(b *testing.B) {
	const captures = 500
	dir := b.TempDir()
	var wg sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := range next {
				setting := demo.Settings()[i%len(demo.Settings())]
				put(b, dir, fmt.Sprintf("%s/%03d.log.zst", setting, i), record(b, setting, minute, uint64(i)))
			}
		})
	}
	for i := range captures {
		next <- i
	}
	close(next)
	wg.Wait()
	b.ReportAllocs()
	frames := uint64(0)
	for b.Loop() {
		res := run(b, dir, lib(), 0)
		if t := res.Tally(); t.New != captures || t.Unreadable > 0 {
			b.Fatalf("%+v", t)
		}
		frames = 0
		for i := range res.Rows {
			frames += res.Rows[i].Captures[0].Frames
		}
	}
	b.ReportMetric(float64(frames), "frames")
	b.ReportMetric(captures*float64(b.N)/b.Elapsed().Seconds(), "captures/s")
}

// minute is a script of a minute.
var minute = []demo.Stage{{Name: "key-on", Length: 15 * time.Second}, {Name: "crank", Length: 5 * time.Second}, {Name: "idle", Length: 40 * time.Second}}
