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

// TestLongGapAfterMany: gaps that no listener minds, more of them than have their
// place kept, do not hide the one that it does mind.
func TestLongGapAfterMany(t *testing.T) {
	const profile = `format: 1
buses: {drive: {}}
nodes: {Engine: {}, Brake: {}, Cluster: {buses: [drive]}}
messages:
  Other: {bus: drive, id: 0x300, sender: Brake, cycle: 10ms}
  Speed: {bus: drive, id: 0x201, cycle: 100ms, sender: Engine, listeners: {Cluster: {timeout: 1s}}}
`
	var frames []can.Frame
	for now := int64(0); now < 120e9; now += 10e6 {
		frames = append(frames, frame(0x300, now))
		small := now < 60e9 && now%1e9 > 300e6 && now%1e9 < 600e6 // 60 gaps of 300 ms
		large := now > 80e9 && now < 81200e6
		if now%100e6 == 0 && !small && !large {
			frames = append(frames, frame(0x201, now+2e6))
		}
	}
	for _, f := range judgeAll(t, profile, frames).Findings {
		if f.Rule == "message/long-gap" {
			if f.Verdict != Fail || f.Count != 1 || f.Message != "Speed" || f.FirstTime != 81202e6 {
				t.Errorf("%v, %d times, of %s, at %d", f.Verdict, f.Count, f.Message, f.FirstTime)
			}
			return
		}
	}
	t.Error("the gap of 1.2 s is not found")
}

func frame(id uint32, at int64) can.Frame {
	f := can.Frame{ID: id, Time: at}
	f.SetPayload(make([]byte, 8))
	return f
}
