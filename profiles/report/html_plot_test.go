package report

import (
	"encoding/json"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plugproof/decode/survey"
	"plugproof/profiles/rules"
)

// TestCourseKeepsExtremes: what a plot shows of a track, against the values that
// went in: every column spans all the values that fell into it, and no column
// goes beyond what came within a bucket of it.
func TestCourseKeepsExtremes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const span = 30e9
		track := survey.NewTrack(rapid.SampledFrom([]int{64, 1024}).Draw(t, "buckets"))
		f := newFigures(0, span, nil)
		type sample struct {
			at    int64
			value float64
		}
		var samples []sample
		for range rapid.IntRange(1, 200).Draw(t, "values") {
			s := sample{rapid.Int64Range(0, span-1).Draw(t, "at"), rapid.Float64Range(-1e3, 1e3).Draw(t, "value")}
			samples = append(samples, s)
			track.Add(s.at, s.value)
		}
		lo, hi := f.course(track, 2, 0)
		reach := track.Width() + 3*f.width() // bridged columns repeat the one before
		for _, s := range samples {
			if at := f.column(s.at); !(lo[at] <= 2*s.value && 2*s.value <= hi[at]) {
				t.Fatalf("%g at %d ns is not within %g to %g of column %d", 2*s.value, s.at, lo[at], hi[at], at)
			}
		}
		for at := range lo {
			if math.IsNaN(lo[at]) {
				continue
			}
			least, most := math.Inf(1), math.Inf(-1)
			for _, s := range samples {
				if from := int64(at) * f.width(); s.at >= from-reach && s.at <= from+reach {
					least, most = min(least, 2*s.value), max(most, 2*s.value)
				}
			}
			if lo[at] < least || hi[at] > most {
				t.Fatalf("column %d spans %g to %g, the values near it %g to %g", at, lo[at], hi[at], least, most)
			}
		}
	})
}

// TestFillStopsAtSilence: a line is drawn through a short pause and broken at a
// long one.
func TestFillStopsAtSilence(t *testing.T) {
	f := newFigures(0, columns*1e9, nil) // a column a second
	lo, hi := empty(), empty()
	for _, at := range []int{10, 14, 30} {
		lo[at], hi[at] = 1, 2
	}
	f.fill(lo, hi, 5e9)
	for at, want := range map[int]bool{9: false, 11: true, 13: true, 15: false, 29: false, 31: false} {
		if got := !math.IsNaN(lo[at]); got != want {
			t.Errorf("column %d is drawn: %v", at, got)
		}
	}
}

// TestValues: what is no number is null, and figures are short.
func TestValues(t *testing.T) {
	got, err := json.Marshal(values{1, math.NaN(), 1234.5678, math.Inf(1), -0.000123})
	if err != nil || string(got) != `[1,null,1235,null,-0.000123]` {
		t.Errorf("%s, %v", got, err)
	}
}

func TestGauge(t *testing.T) {
	q := func(value float64, unit string) *rules.Quantity { return &rules.Quantity{Value: value, Unit: unit} }
	got := newGauge(q(50, "ms"), q(100, "ms"), "baseline")
	want := &gauge{Measured: "50 ms", Limit: "100 ms", From: "baseline", Bar: "43.48%", Mark: "86.96%"} // of 115
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	for name, bad := range map[string]*gauge{
		"units": newGauge(q(1, "ms"), q(1, "s"), ""), "no limit": newGauge(q(1, "ms"), nil, ""),
		"negative": newGauge(q(-1, "ms"), q(1, "ms"), ""), "no number": newGauge(q(math.NaN(), ""), q(1, ""), ""),
		"nothing": newGauge(q(0, ""), q(0, ""), ""), "infinite": newGauge(q(math.Inf(1), ""), q(1, ""), ""),
	} {
		if bad != nil {
			t.Errorf("%s: %+v", name, bad)
		}
	}
}

// TestPortions: the strip is filled from end to end, in the order of seriousness.
func TestPortions(t *testing.T) {
	var list []rules.FunctionResult
	for _, v := range []rules.Verdict{rules.Pass, rules.Fail, rules.Pass, rules.NotTestable} {
		list = append(list, rules.FunctionResult{Verdict: v})
	}
	want := []portion{
		{verdictMarks[rules.Fail], 1, "fails", "0.000%", "25.000%"},
		{verdictMarks[rules.Pass], 2, "pass", "25.000%", "50.000%"},
		{verdictMarks[rules.NotTestable], 1, "not testable", "75.000%", "25.000%"},
	}
	if diff := cmp.Diff(want, functionPortions(list)); diff != "" {
		t.Error(diff)
	}
}

// TestCapital: sentences begin with a capital letter, names keep their case.
func TestCapital(t *testing.T) {
	for text, want := range map[string]string{
		"turn the key": "Turn the key", "": "", "id_2C1 is gone": "id_2C1 is gone", "can0 is full": "can0 is full",
		"EngineSpeed is gone": "EngineSpeed is gone", "idle: wait": "Idle: wait", "a": "A", "ähnlich": "ähnlich", "202 frames": "202 frames",
	} {
		if got := capital(text); got != want {
			t.Errorf("%q becomes %q, want %q", text, got, want)
		}
	}
}
