package rules

import (
	"strings"
	"testing"

	"plugproof/decode/can"
)

// TestLongGap: a gap over a stated time-out fails; where nobody states one, five
// cycles are a review and 5 s a fail (trade practice). A gap of the whole bus is
// nobody's own.
func TestLongGap(t *testing.T) {
	const unstated = `format: 1
buses: {drive: {dbc: car.dbc}}
nodes: {Engine: {}, Brake: {}, Cluster: {buses: [drive]}}
messages:
  Other: {bus: drive, id: 0x300, sender: Brake, length: 8, cycle: 10ms}
  Speed: {cycle: 100ms, sender: Engine}
`
	stated := strings.Replace(unstated, "sender: Engine}", "sender: Engine, listeners: {Cluster: {timeout: 1s}}}", 1)
	for _, row := range []struct {
		name    string
		profile string
		gap     int64 // ns
		all     bool  // the other sender is silent too
		want    Verdict
	}{
		{"four cycles", unstated, 400e6, false, Pass},
		{"seven cycles", unstated, 700e6, false, Review},
		{"6 s", unstated, 6e9, false, Fail},
		{"6 s of the whole bus", unstated, 6e9, true, Pass},
		{"under the stated time-out", stated, 900e6, false, Pass},
		{"over the stated time-out", stated, 1200e6, false, Fail},
	} {
		t.Run(row.name, func(t *testing.T) {
			var frames []can.Frame
			const from, end = int64(5e9), int64(20e9)
			for now := int64(0); now < end; now += 10e6 {
				silent := now > from && now < from+row.gap
				if !silent || !row.all {
					frames = append(frames, frame(0x300, now))
				}
				if now%100e6 == 0 && !silent {
					frames = append(frames, frame(0x201, now+2e6))
				}
			}
			got := Pass
			for _, f := range judgeAll(t, row.profile, frames).Findings {
				if f.Rule == "message/long-gap" && f.Message == "Speed" {
					got = f.Verdict
				}
			}
			if got != row.want {
				t.Errorf("%v, want %v", got, row.want)
			}
		})
	}
}

func frame(id uint32, at int64) can.Frame {
	f := can.Frame{ID: id, Time: at}
	f.SetPayload(make([]byte, 8))
	return f
}
