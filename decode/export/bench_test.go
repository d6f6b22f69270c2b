package export

import (
	"math/rand/v2"
	"testing"

	"plugproof/decode"
	"plugproof/decode/dbc"
)

// benchDBC is a message as cars have them: eight signals with factors, units
// and a value table.
const benchDBC = `VERSION ""
BO_ 513 EngineData: 8 ENGINE
 SG_ EngineSpeed : 7|16@0+ (0.25,0) [0|0] "rpm" N
 SG_ CoolantTemperature : 23|8@0+ (0.75,-48) [0|0] "degC" N
 SG_ PedalPosition : 31|8@0+ (0.4,0) [0|0] "%" N
 SG_ IndicatedTorque : 39|12@0- (0.5,0) [0|0] "Nm" N
 SG_ IdleState : 40|2@1+ (1,0) [0|0] "" N
 SG_ FuelCut : 42|1@1+ (1,0) [0|0] "" N
 SG_ MessageCounter : 48|4@1+ (1,0) [0|0] "" N
 SG_ MessageChecksum : 56|8@1+ (1,0) [0|0] "" N
VAL_ 513 IdleState 0 "driving" 1 "idle" 2 "not available" ;
`

// BenchmarkFormats renders decoded frames of random bytes; bytes are those
// written. Decoding is not part of it.
func BenchmarkFormats(b *testing.B) {
	dec, _ := decode.NewDecoder([]decode.Mapping{{Database: dbc.Parse("bench.dbc", []byte(benchDBC))}})
	rng := rand.New(rand.NewPCG(1, 2))
	records := make([]*Record, 1024)
	for i := range records {
		f := frame(1_672_772_547_772_609_000+int64(i)*10_001_000, 513, 0, make([]byte, 8)...)
		for j := range 8 {
			f.Data[j] = byte(rng.Uint32())
		}
		records[i] = record(dec, "can0", f)
	}
	formats := []struct {
		name   string
		format Format
	}{{"json", NewJSON()}, {"csv", NewCSV()}, {"text", NewText()}}
	for _, tt := range formats {
		b.Run(tt.name, func(b *testing.B) {
			var buf []byte
			for _, r := range records {
				buf = tt.format.Append(buf, r)
			}
			b.SetBytes(int64(len(buf)))
			b.ReportAllocs()
			for b.Loop() {
				buf = buf[:0]
				for _, r := range records {
					buf = tt.format.Append(buf, r)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(records)), "ns/frame")
		})
	}
}
