package report

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"plugproof/decode/survey"
	"plugproof/profiles"
	"plugproof/profiles/evidence"
	"plugproof/profiles/rules"
)

// Caps of a page, so that it stays one that opens at once.
const (
	maxFindings = 150
	maxMessages = 150
	maxOthers   = 60
)

// messageCard is one message: how it came, in one line and as a plot.
type messageCard struct {
	Name, ID, Bus, Sender string
	Mark                  mark
	Frames                string
	Pace                  string // "20.0 ms"
	Longest               string
	Limit                 string
	Spark                 string // path of its pace in a box of 96 by 20; "": none
	Breaks                *table
	Figure                *drawing
	See                   *link
}

// messages gives every message of the setting that came or should have come, the
// most serious first.
func (b *checkBuilder) messages() (cards []messageCard, more string) {
	var list []*evidence.Message
	for _, m := range b.out.Setting.Messages {
		if ev := b.out.Evidence.Messages[m.Name]; ev != nil && (ev.Seen() > 0 || b.worst(m.Name) > rules.Pass) {
			list = append(list, ev)
		}
	}
	slices.SortStableFunc(list, func(x, y *evidence.Message) int {
		return cmp.Compare(b.worst(y.Facts.Name), b.worst(x.Facts.Name))
	})
	if n := len(list); n > maxMessages {
		more = fmt.Sprintf("%d more messages came and have no finding: the JSON form and plugproof survey list them.", n-maxMessages)
		list = list[:maxMessages]
	}
	for _, m := range list {
		cards = append(cards, b.message(m))
	}
	return cards, more
}

func (b *checkBuilder) message(m *evidence.Message) messageCard {
	facts := m.Facts
	card := messageCard{
		Name: facts.Name, ID: facts.ID.String(), Bus: facts.Bus, Sender: cmp.Or(facts.Sender, "not known"),
		Mark: verdictMarks[b.worst(facts.Name)], Frames: Grouped(m.Seen()),
		Pace: "-", Longest: "-", Limit: "-",
	}
	if m.Seen() == 0 {
		card.Frames = "none"
		return card
	}
	if s := m.Stream; s.Gaps.Count() > 0 {
		card.Pace, card.Longest = duration(s.Gaps.Quantile(0.5)), duration(s.Gaps.Max())
	}
	if isCyclic(facts) {
		most, _ := rules.Timeout(facts)
		card.Limit = duration(int64(most))
	}
	card.Breaks = b.breakTable(m)
	if have := b.shown[facts.Name]; have != nil {
		card.See = &link{"#" + have.ID, "the plot of " + facts.Name}
		card.Spark = spark(b.figures.plots[have.Plot].Lines[0].Max)
		return card
	}
	if card.Figure = b.paceFigure(m); card.Figure != nil {
		b.shown[facts.Name] = card.Figure
		card.Spark = spark(b.figures.plots[card.Figure.Plot].Lines[0].Max)
	}
	return card
}

func isCyclic(m *profiles.MessageFacts) bool {
	return (m.Kind == profiles.Cyclic || m.Kind == profiles.Mixed) && m.Cycle.Value > 0
}

// duration writes a time in ns as people measure it.
func duration(ns int64) string {
	switch ms := float64(ns) / 1e6; {
	case ms >= 1000:
		return number(ms/1e3) + " s"
	case ms >= 100:
		return fmt.Sprintf("%.0f ms", ms)
	default:
		return fmt.Sprintf("%.1f ms", ms)
	}
}

// paceFigure draws the gaps between the frames of a message over time, its limit,
// its silences, and where its protection broke.
func (b *checkBuilder) paceFigure(m *evidence.Message) *drawing {
	f, s := b.figures, m.Stream
	if s.Gaps.Count() == 0 {
		return nil
	}
	p := plot{Title: m.Facts.Name + ": gap between frames", Unit: "ms", Log: true}
	usual := s.Gaps.Quantile(0.5)
	lo, hi := f.course(s.Count, 1e-6, max(int64(evidence.LongGap*float64(usual)), 2*f.width()))
	for i := range lo { // the first frame of all has no gap, which the track has as 0
		if lo[i] <= 0 {
			lo[i] = hi[i]
		}
		if hi[i] <= 0 {
			lo[i], hi[i] = math.NaN(), math.NaN()
		}
	}
	p.Lines = []line{{Name: "gap", Min: lo, Max: hi}}
	caption := "Time since the frame before, in ms; every mark of the scale is ten times the one below."
	if isCyclic(m.Facts) {
		limitNS, from := rules.Timeout(m.Facts)
		most := int64(limitNS)
		p.Limits = append(p.Limits,
			limit{At: float64(m.Facts.Cycle.Value) / 1e6, Label: "cycle", Soft: true},
			limit{At: float64(most) / 1e6, Label: "limit"})
		caption += fmt.Sprintf(" Cycle %s, limit %s: %s.", duration(int64(m.Facts.Cycle.Value)), duration(most), from)
		p.Shades = b.silences(s, int64(evidence.LongGap*float64(m.Facts.Cycle.Value)))
	}
	var kinds []string
	for _, kind := range slices.Sorted(maps.Keys(m.FaultTracks)) {
		p.Breaks = append(p.Breaks, breaks{kind.String(), f.hit(m.FaultTracks[kind])})
		kinds = append(kinds, kind.String())
	}
	if kinds != nil {
		caption += " Marks at the upper edge, by row: " + strings.Join(kinds, ", ") + "."
	}
	return f.add(p, caption, b.paceTable(&p, m))
}

// silences are the stretches without a frame of the message longer than most, ns.
func (b *checkBuilder) silences(s *evidence.Stream, most int64) []shade {
	f := b.figures
	var list []shade
	add := func(from, to int64) {
		if to-from > most && to-from > 2*f.width() {
			list = append(list, shade{From: f.seconds(from), To: f.seconds(to), Label: "no frame", Bad: true})
		}
	}
	add(b.out.Start, s.First)
	for i := range s.LongGaps.Worst {
		e := &s.LongGaps.Worst[i]
		add(e.Frame.Time-e.Gap, e.Frame.Time)
	}
	add(s.Last, b.out.End)
	return list
}

// paceTable gives a plot of gaps as text.
func (b *checkBuilder) paceTable(p *plot, m *evidence.Message) *table {
	f := b.figures
	t := &table{Caption: p.Title, Heads: []string{"Time", "Shortest and longest gap, ms"}}
	for _, br := range p.Breaks {
		t.Heads = append(t.Heads, br.Label)
	}
	for i := range stretches {
		from, to, label := f.stretch(i)
		row := []string{label, rangeWords(rangeOf(p.Lines[0].Min[from:to], p.Lines[0].Max[from:to]))}
		for _, kind := range slices.Sorted(maps.Keys(m.FaultTracks)) {
			row = append(row, Grouped(f.count(m.FaultTracks[kind], from, to)))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// breakTable lists where the protection of a message broke; nil: nowhere.
func (b *checkBuilder) breakTable(m *evidence.Message) *table {
	if len(m.Faults) == 0 {
		return nil
	}
	t := &table{Caption: "Breaks of counter and checksum", Heads: []string{"Break", "Frames", "First", "Frame"}, Wordy: true}
	for _, kind := range slices.Sorted(maps.Keys(m.Faults)) {
		e := m.Faults[kind]
		row := []string{kind.String(), fmt.Sprintf("%s of %s", Grouped(e.Count), Grouped(m.Judged)), "-", "-"}
		if len(e.First) > 0 {
			frame := &e.First[0].Frame
			row[2] = b.words.seconds(frame.Time)
			row[3] = b.where(frame.File, frame.Record, frame.Offset)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// where names a record of one of the captures.
func (b *checkBuilder) where(file uint16, record uint32, offset int64) string {
	if int(file) >= len(b.out.Captures) {
		return "-"
	}
	path := b.out.Captures[file].Path
	return place(&rules.Example{File: path, Record: record, Offset: offset}, b.words.lines[path])
}

// spark is a small course of gaps, by the logarithm: a path in a box of 96 by 20.
func spark(hi values) string {
	const width, height = 96, 20
	step := columns / width
	least, most := math.Inf(1), math.Inf(-1)
	for _, x := range hi {
		if x > 0 {
			least, most = min(least, math.Log(x)), max(most, math.Log(x))
		}
	}
	if math.IsInf(least, 1) {
		return ""
	}
	span := max(math.Log(4), most-least) // what varies less than fourfold is steady,
	least -= (span - (most - least)) / 2 // and goes through the middle
	var path strings.Builder
	pen := "M"
	for i := range width {
		_, top := rangeOf(hi[i*step:(i+1)*step], hi[i*step:(i+1)*step])
		if !(top > 0) {
			pen = "M"
			continue
		}
		y := height - 3 - (math.Log(top)-least)/span*(height-6)
		fmt.Fprintf(&path, "%s%d %.1f", pen, i, y)
		pen = "L"
	}
	return path.String()
}

// hit lists the columns that a track has entries in.
func (f *figures) hit(t *survey.Track) []int {
	var at []int
	for i := range t.Buckets() {
		b := &t.Buckets()[i]
		for c := f.column(b.FirstTime); c <= f.column(b.LastTime); c++ {
			at = append(at, c)
		}
	}
	slices.Sort(at)
	return slices.Compact(at)
}

// count adds up the entries of a track in some columns.
func (f *figures) count(t *survey.Track, from, to int) (n uint64) {
	for i := range t.Buckets() {
		b := &t.Buckets()[i]
		if at := f.column(b.FirstTime); at >= from && at < to {
			n += b.N
		}
	}
	return n
}

// otherIDs lists identifiers that the setting does not have; nil: none.
func otherIDs(list []*evidence.Stream) *table {
	if len(list) == 0 {
		return nil
	}
	t := &table{
		Caption: "Identifiers that the setting does not have",
		Heads:   []string{"Identifier", "Bus", "Frames", "Usual gap", "Longest gap"},
	}
	if len(list) > maxOthers {
		t.Caption += fmt.Sprintf(" (%d of %d)", maxOthers, len(list))
		list = list[:maxOthers]
	}
	for _, s := range list {
		row := []string{s.ID.String(), s.Bus.Interface, Grouped(s.Frames), "-", "-"}
		if s.Gaps.Count() > 0 {
			row[3], row[4] = duration(s.Gaps.Quantile(0.5)), duration(s.Gaps.Max())
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}
