package capture

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"testing"

	"plugproof/decode/can"
)

// benchLog is a log of n lines of 46 bytes: 11-bit identifiers, 8 data bytes.
func benchLog(n int) []byte {
	rng := rand.New(rand.NewPCG(1, 2))
	var out bytes.Buffer
	for i := range n {
		us := 1700000000_000000 + int64(i)*230
		fmt.Fprintf(&out, "(%010d.%06d) can0 %03X#%016X\n", us/1e6, us%1e6, rng.IntN(0x800), rng.Uint64())
	}
	return out.Bytes()
}

func BenchmarkCandumpLog(b *testing.B) {
	log := benchLog(200_000)
	batch := make([]can.Frame, 512)
	b.SetBytes(int64(len(log)))
	b.ReportAllocs()
	frames := 0
	for b.Loop() {
		r, err := Open([]string{"-"}, Options{Stdin: bytes.NewReader(log)})
		if err != nil {
			b.Fatal(err)
		}
		for {
			n, err := r.Read(context.Background(), batch)
			frames += n
			if err == io.EOF {
				break
			}
			if err != nil {
				b.Fatal(err)
			}
		}
		r.Close()
	}
	b.ReportMetric(float64(frames)/b.Elapsed().Seconds()/1e6, "Mframes/s")
}
