package mutate

import (
	"fmt"
	"testing"
	"time"

	"plugproof/profiles/demo"
	"plugproof/profiles/evidence"
	"plugproof/profiles/rules"
	"plugproof/profiles/stages"
)

// TestCuts: a good capture that begins and ends anywhere has no fail. Where it was
// cut, stages are short, half of a movement is missing, and nobody tells of the key.
func TestCuts(t *testing.T) {
	cars, lengths := []string{"lowan-2-20t-a5", "lowan-3-20t-m5"}, []int64{1, 2, 3, 5, 8, 13, 20, 30}
	if testing.Short() {
		cars, lengths = cars[:1], []int64{2, 5}
	}
	for _, name := range cars {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := record(t, name, demo.Options{Seed: 31})
			base := record(t, name, demo.Options{Seed: 100, Start: demo.DefaultStart - int64(24*time.Hour)})
			good := baseline{gather(t, base, base.Frames), base.Stages}
			for _, length := range lengths {
				for from := d.Frames[0].Time; from < d.Frames[len(d.Frames)-1].Time; from += 3 * second {
					frames := cut(d.Frames, from, from+length*second)
					if len(frames) == 0 {
						continue
					}
					where := fmt.Sprintf("%d s from %.0f s", length, float64(from-d.Frames[0].Time)/1e9)
					noFail(t, where, d, gather(t, d, frames), between(d.Stages, from, from+length*second), &good)
				}
			}
		})
	}
}

// noFail judges a cut with its stages marked and recognised, without a baseline
// and with one.
func noFail(t *testing.T, where string, d *Drive, ev *evidence.Evidence, marked stages.Spans, base *baseline) {
	t.Helper()
	for how, spans := range map[string]stages.Spans{"marked": marked, "recognised": stages.Recognise(ev)} {
		cs := caseOf(d, ev, spans)
		plain := rules.Judge(cs, nil)
		cs.Baseline, cs.BaselineStages = base.evidence, base.stages
		for with, res := range map[string]*rules.Result{"": plain, ", with baseline": rules.Judge(cs, nil)} {
			for _, f := range res.Findings {
				if f.Verdict == rules.Fail {
					t.Errorf("%s, %s%s: %s %s.%s: %s", where, how, with, f.Rule, f.Message, f.Signal, f.Text)
				}
			}
		}
	}
}
