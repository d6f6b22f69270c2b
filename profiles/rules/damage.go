package rules

import (
	"fmt"
	"maps"
	"slices"

	"plugproof/decode/capture"
)

// harmless records belong to the format, or another rule speaks of them.
var harmless = []capture.Kind{
	capture.Blank, capture.Comment, capture.OtherLink,
	capture.Backward, capture.Jump, capture.Clumped, // by their frames
	capture.Lost, // as lost frames
}

// judgeDamage says what of a capture could not be read. The rest of it is judged
// all the same.
func judgeDamage(c *Case, r *Results) {
	for i := range c.Reports {
		rep := &c.Reports[i]
		for _, tallies := range []map[capture.Kind]capture.Tally{rep.SetAside, rep.Remarks} {
			for _, kind := range slices.Sorted(maps.Keys(tallies)) {
				if !slices.Contains(harmless, kind) {
					r.Add(damaged(rep, kind, tallies[kind]))
				}
			}
		}
		if rep.Broken != "" {
			r.Add(Finding{
				Rule: "capture/damage", Verdict: Review, Count: 1,
				Text:     fmt.Sprintf("reading %s ended early: %s", rep.Path, rep.Broken),
				Example:  &Example{File: rep.Path},
				NextStep: "copy the capture again from the recorder, or capture again; what was read is judged",
			})
		}
	}
}

// damaged words the finding about records of one kind.
func damaged(rep *capture.FileReport, kind capture.Kind, t capture.Tally) Finding {
	f := Finding{
		Rule: "capture/damage", Verdict: Review, Count: t.Count,
		Text:     fmt.Sprintf("%d of %d records of %s: %s", t.Count, rep.Records, rep.Path, kind),
		NextStep: "copy the capture again from the recorder, or capture again; what was read is judged",
	}
	switch kind {
	case capture.XL:
		f.Verdict, f.NextStep = NotTestable, "CAN XL is not decoded: judge that bus by other means"
	case capture.Duplicate:
		f.NextStep = "record with one program only, and each interface once"
	}
	if len(t.First) > 0 {
		f.Example = &Example{File: rep.Path, Offset: t.First[0].Offset, Record: t.First[0].Record}
	}
	return f
}

// noted returns how many notes of lost frames the recorder left in the captures,
// and where the first stands.
func (c *Case) noted() (n uint64, first *Example) {
	for i := range c.Reports {
		t := c.Reports[i].SetAside[capture.Lost]
		if n += t.Count; first == nil && len(t.First) > 0 {
			first = &Example{File: c.Reports[i].Path, Offset: t.First[0].Offset, Record: t.First[0].Record}
		}
	}
	return n, first
}
