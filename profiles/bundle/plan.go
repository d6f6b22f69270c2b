package bundle

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"plugproof/profiles/check"
	"plugproof/profiles/job"
	"plugproof/profiles/stages"
)

// around is how much of a capture is kept before and after a finding, ns.
const around = int64(10e9)

// filed is what this package reads of the JSON forms of check and compare.
type filed struct {
	Interfaces []struct {
		Name string `json:"name"`
		Bus  string `json:"bus"`
	} `json:"interfaces"`
	Findings   []filedFinding `json:"findings"`
	Complaints []filedFinding `json:"complaints"`
	Messages   []struct {
		Rows []filedFinding `json:"rows"`
	} `json:"messages"`
	Stages []struct {
		Name   string        `json:"name"`
		Start  string        `json:"start_t_ns"`
		End    string        `json:"end_t_ns"`
		Source stages.Source `json:"source"`
	} `json:"stages"`
}

// filedFinding is a finding of a check or a row of a comparison.
type filedFinding struct {
	Rule    string `json:"rule"`
	Aspect  string `json:"aspect"`
	Verdict string `json:"verdict"`
	Message string `json:"message"`
	Signal  string `json:"signal"`
	Bus     string `json:"bus"`
	First   string `json:"first_t_ns"`
	Was     *place `json:"example_before"`
	Example *place `json:"example"`
}

type place struct {
	Record uint32 `json:"record"`
}

// source is a capture of the job, and what was found in it.
type source struct {
	entry    job.Entry
	whole    bool
	filed    filed // its check; zero: none is filed
	findings []Finding
	records  map[uint32][]int // findings whose time is that of a record
}

// add notes a finding; record is its example, nil where it has none.
func (s *source) add(of string, f *filedFinding, record *place) {
	if f.Verdict != "fail" && f.Verdict != "review" {
		return
	}
	x := Finding{Of: of, Rule: f.Rule + f.Aspect, Verdict: f.Verdict, Message: f.Message, Signal: f.Signal, Bus: f.Bus}
	if at, err := strconv.ParseInt(f.First, 10, 64); err == nil {
		x.at, x.hasAt = at, true
	} else if record != nil {
		s.records[record.Record] = append(s.records[record.Record], len(s.findings))
	}
	s.findings = append(s.findings, x)
}

// sources lists the newest capture of every moment with what the newest results
// found in it.
func (b *builder) sources() (list []*source, err error) {
	byFile := map[string]*source{}
	for _, m := range job.Moments() {
		e := b.job.CaptureOf(m)
		if e == nil {
			continue
		}
		s := &source{entry: *e, whole: slices.Contains(b.opts.Whole, m), records: map[uint32][]int{}}
		if result := b.job.ResultOf("check", e.File); result != nil {
			if err := b.read(result, &s.filed); err != nil {
				return nil, err
			}
			for i := range s.filed.Findings {
				s.add("check", &s.filed.Findings[i], s.filed.Findings[i].Example)
			}
		} else if !s.whole {
			b.leaveOut("the capture of %s: it is not judged (plugproof check --moment %s judges it)", m, m)
		}
		list = append(list, s)
		byFile[e.File] = s
	}
	return list, b.compared(byFile)
}

// compared adds what the newest comparison found to the captures that it rests on.
func (b *builder) compared(byFile map[string]*source) error {
	result := b.job.ResultOf("compare", "")
	if result == nil || len(result.Of) != 2 {
		return nil
	}
	after, before := byFile[result.Of[0]], byFile[result.Of[1]]
	var doc filed
	if err := b.read(result, &doc); err != nil {
		return err
	}
	rows := doc.Complaints
	for _, m := range doc.Messages {
		rows = append(rows, m.Rows...)
	}
	for i := range rows {
		r := &rows[i]
		if after != nil && r.Example != nil {
			after.add("compare", r, r.Example)
		}
		if before != nil && r.Was != nil {
			before.add("compare", r, r.Was)
		}
	}
	return nil
}

// read reads a result of the job.
func (b *builder) read(e *job.Entry, into *filed) error {
	src, err := readResult(b.job.Path(e.File))
	if err != nil {
		return nil // said where results are put in
	}
	if err := json.Unmarshal(src, into); err != nil {
		return fmt.Errorf("%s: it is no result that plugproof wrote: %w", b.job.Path(e.File), err)
	}
	return nil
}

// maxResult is the size over which a file is no result, in bytes.
const maxResult = 64 << 20

func readResult(file string) ([]byte, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, bare(err)
	}
	defer f.Close()
	src, err := io.ReadAll(io.LimitReader(f, maxResult+1))
	if err == nil && len(src) > maxResult {
		err = fmt.Errorf("too large: over %d bytes", maxResult)
	}
	return src, err
}

// interfaces gives the buses as the check found them.
func (s *source) interfaces() (list []check.Interface) {
	for _, i := range s.filed.Interfaces {
		list = append(list, check.Interface{Name: i.Name, Bus: i.Bus, How: check.Given})
	}
	return list
}

// stages gives the stages as the check found them that lie in a stretch. One that
// is cut short would seem to have been exercised when it was not.
func (s *source) stages(within stretch) (spans stages.Spans) {
	for _, st := range s.filed.Stages {
		from, err1 := strconv.ParseInt(st.Start, 10, 64)
		to, err2 := strconv.ParseInt(st.End, 10, 64)
		const slack = 1e9 // ns: a mark may lie just before the first frame
		if err1 == nil && err2 == nil && from >= within.from-slack && to <= within.to+slack {
			spans = append(spans, stages.Span{Stage: st.Name, Start: from, End: to, Source: st.Source})
		}
	}
	return spans
}

// stretch is a part of a capture, ns on its clock, both ends included.
type stretch struct{ from, to int64 }

// stretches gives what lies around the findings, merged where they overlap, within
// the capture. Findings that have no place, as of a message that never came, share
// its begin.
func (s *source) stretches(whole stretch) (list []stretch) {
	if s.whole {
		return []stretch{whole}
	}
	for i := range s.findings {
		f := &s.findings[i]
		if !f.hasAt {
			f.at, f.hasAt = min(whole.from+around, whole.to), true
		}
		list = append(list, stretch{max(f.at-around, whole.from), min(f.at+around, whole.to)})
	}
	slices.SortFunc(list, func(a, b stretch) int {
		return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.to, b.to))
	})
	merged := list[:0]
	for _, next := range list {
		if n := len(merged); n > 0 && next.from <= merged[n-1].to {
			merged[n-1].to = max(merged[n-1].to, next.to)
		} else if next.from <= next.to {
			merged = append(merged, next)
		}
	}
	return merged
}

// cutName names a cut: captures/after-2.log.
func (s *source) cutName(i, of int) string {
	if of == 1 {
		return fmt.Sprintf("captures/%s.log", s.entry.Moment)
	}
	return fmt.Sprintf("captures/%s-%d.log", s.entry.Moment, i+1)
}

// title names a finding in a line.
func (f *Finding) title() string {
	what := strings.Trim(f.Message+"."+f.Signal, ".")
	return strings.Join(strings.Fields(fmt.Sprintf("%s %s %s", f.Verdict, f.Rule, what)), " ")
}
