package check

import (
	"cmp"
	"fmt"
	"slices"

	"plugproof/decode/capture"
	"plugproof/profiles/evidence"
	"plugproof/profiles/stages"
)

// stages says which parts of the capture script the recording holds: what the
// user states, else what the stages files mark and, in captures without one,
// what the profile recognises.
func (rec *Recording) stages(ev *evidence.Evidence) (stages.Spans, error) {
	if rec.Stage != "" {
		return stages.Whole(rec.Stage, ev)
	}
	reports := rec.reports()
	var spans stages.Spans
	for _, span := range stages.Recognise(ev) {
		if !rec.hasMarks(span, reports) {
			spans = append(spans, span)
		}
	}
	for _, marked := range rec.Marked {
		at := slices.IndexFunc(reports, func(r capture.FileReport) bool { return r.Path == marked.Capture })
		cut := within(marked.Spans, &reports[at])
		if len(cut) == 0 && len(marked.Spans) > 0 && reports[at].Frames > 0 {
			return nil, &MarksError{File: marked.File, Capture: marked.Capture}
		}
		spans = append(spans, cut...)
	}
	slices.SortStableFunc(spans, func(a, b stages.Span) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Stage, b.Stage))
	})
	return spans, nil
}

// hasMarks reports whether a span lies in a capture that a stages file marks.
func (rec *Recording) hasMarks(span stages.Span, reports []capture.FileReport) bool {
	return slices.ContainsFunc(rec.Marked, func(m Marked) bool {
		return slices.ContainsFunc(reports, func(r capture.FileReport) bool {
			return r.Path == m.Capture && r.Frames > 0 && span.Start <= r.LastTime && span.End >= r.FirstTime
		})
	})
}

// within cuts marked stages to the capture: it may be a part of a longer one.
func within(spans stages.Spans, r *capture.FileReport) (out stages.Spans) {
	for _, span := range spans {
		span.Start, span.End = max(span.Start, r.FirstTime), min(span.End, r.LastTime)
		if span.Start < span.End {
			out = append(out, span)
		}
	}
	return out
}

// MarksError says that a stages file speaks of another time than its capture.
type MarksError struct{ File, Capture string }

func (e *MarksError) Error() string {
	return fmt.Sprintf("%s: none of its stages lies within %s", e.File, e.Capture)
}
