package moved

import (
	"path/filepath"
	"testing"

	"plugproof/decode/witness"
	"plugproof/profiles/check"
)

// BenchmarkFind looks for the pedal in a capture of 87 s and 49,537 frames.
func BenchmarkFind(b *testing.B) {
	path := filepath.Join(witness.Root(b), "testdata", "captures", "lowan-whole-script.log.gz")
	marked, err := check.StagesBeside([]string{path})
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	var frames uint64
	for b.Loop() {
		res, err := Find(b.Context(), Options{Captures: []string{path}, Moved: "pedal", Stages: marked[0].Spans, Workers: 1})
		if err != nil {
			b.Fatal(err)
		}
		frames = res.Reports[0].Frames
	}
	b.ReportMetric(float64(frames)*float64(b.N)/b.Elapsed().Seconds(), "frames/s")
}
