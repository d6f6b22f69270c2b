package capture

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
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

// benchMixed is a log of n lines as cars give them: two interfaces, both kinds of
// identifiers, 0 to 8 bytes.
func benchMixed(n int) []byte {
	rng := rand.New(rand.NewPCG(3, 4))
	var out bytes.Buffer
	for i := range n {
		us := 1700000000_000000 + int64(i)*230
		id := fmt.Sprintf("%03X", rng.IntN(0x800))
		if rng.IntN(2) == 0 {
			id = fmt.Sprintf("%08X", rng.IntN(0x20000000))
		}
		data := fmt.Sprintf("%016X", rng.Uint64())[:2*rng.IntN(9)]
		fmt.Fprintf(&out, "(%010d.%06d) can%d %s#%s\n", us/1e6, us%1e6, rng.IntN(2), id, data)
	}
	return out.Bytes()
}

// benchLines is one line repeated n times.
func benchLines(n int, line string) []byte { return []byte(strings.Repeat(line+"\n", n)) }

func BenchmarkCandumpLog(b *testing.B) {
	b.Run("8 bytes", func(b *testing.B) { benchRead(b, benchLog(200_000)) })
	b.Run("mixed", func(b *testing.B) { benchRead(b, benchMixed(200_000)) })
	b.Run("FD 64", func(b *testing.B) {
		benchRead(b, benchLines(20_000, "(1700000000.181291) can0 123##1"+strings.Repeat("A5", 64)))
	})
	b.Run("nine figures", func(b *testing.B) {
		benchRead(b, benchLines(100_000, "(1700000000.181291123) can0 1C4#0123456789ABCDEF"))
	})
	b.Run("foreign", func(b *testing.B) {
		benchRead(b, append(benchLines(1, "(1.5) can0 123#11"), benchLines(100_000, "you@bench:~$ cat my.log (all of it)")...))
	})
}

func BenchmarkConsole(b *testing.B) {
	for name, stamp := range map[string]string{
		"no stamp": "", "absolute": " (1700000000.181291)", "date": " (2023-11-14 22:13:20.181291)", "gaps": " (000.000230)",
	} {
		b.Run(name, func(b *testing.B) {
			benchRead(b, benchLines(100_000, stamp+"  can0  123   [8]  11 22 33 44 55 66 77 88"))
		})
	}
}

// benchRead reads a capture whole; the metric counts records.
func benchRead(b *testing.B, text []byte) {
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	records := uint64(0)
	for b.Loop() {
		r, err := Open([]string{"-"}, Options{Stdin: bytes.NewReader(text)})
		if err != nil {
			b.Fatal(err)
		}
		drainFrames(b, r)
		records += r.Reports()[0].Records
		r.Close()
	}
	b.ReportMetric(float64(records)/b.Elapsed().Seconds()/1e6, "Mrecords/s")
}
