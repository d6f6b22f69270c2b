package report

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strconv"

	"plugproof/decode/survey"
	"plugproof/profiles/evidence"
	"plugproof/profiles/stages"
)

// columns is how many stretches of equal length the time of the captures is cut
// into for a plot: about a pixel each on a page.
const columns = 480

// figures draws what belongs to one span of time: all its plots have the same
// time axis, and so line up.
type figures struct {
	origin, span int64 // ns
	stages       []shade
	plots        []plot
}

// drawing is a place on the page where a plot is drawn, and the same as text.
type drawing struct {
	ID      string
	Plot    int // index into plotData.Plots
	Title   string
	Caption string
	Keys    []string // names of the lines where there are several, in the order of their colours
	Table   *table
}

// plotData is what the script of the page draws.
type plotData struct {
	Seconds float64 `json:"seconds"` // on the time axis
	Columns int     `json:"columns"`
	Stages  []shade `json:"stages"`
	Plots   []plot  `json:"plots"`
}

// plot is one plot over time. A line has the least and the greatest value of
// every column. With Bins it is one over the states of a car instead.
type plot struct {
	Bins   []string `json:"bins,omitempty"`
	Title  string   `json:"title"`
	Unit   string   `json:"unit"`
	Log    bool     `json:"log,omitempty"`
	Zero   bool     `json:"zero,omitempty"` // its scale begins at 0
	Lines  []line   `json:"lines"`
	Limits []limit  `json:"limits,omitempty"`
	Shades []shade  `json:"shades,omitempty"`
	Breaks []breaks `json:"breaks,omitempty"`
}

type line struct {
	Name string `json:"name"`
	Min  values `json:"min"`
	Max  values `json:"max"`
	Mid  values `json:"mid,omitempty"` // the mean, where there is one
}

// limit is a level that is drawn across a plot.
type limit struct {
	At    float64 `json:"at"`
	Label string  `json:"label"`
	Soft  bool    `json:"soft,omitempty"` // what is usual, not what may not be passed
}

// shade is a stretch of time, in seconds.
type shade struct {
	From  float64 `json:"from"`
	To    float64 `json:"to"`
	Label string  `json:"label"`
	Bad   bool    `json:"bad,omitempty"`
}

// breaks are the columns in which something went wrong.
type breaks struct {
	Label string `json:"label"`
	At    []int  `json:"at"`
}

// values are figures, NaN where there is none.
type values []float64

// MarshalJSON writes four digits of each, null for none.
func (v values) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('[')
	for i, x := range v {
		if i > 0 {
			b.WriteByte(',')
		}
		if math.IsNaN(x) || math.IsInf(x, 0) {
			b.WriteString("null")
			continue
		}
		b.Write(strconv.AppendFloat(nil, x, 'g', 4, 64))
	}
	b.WriteByte(']')
	return b.Bytes(), nil
}

func newFigures(start, end int64, spans stages.Spans) *figures {
	f := &figures{origin: start, span: max(1, end-start)}
	for _, s := range spans {
		f.stages = append(f.stages, shade{From: f.seconds(s.Start), To: f.seconds(s.End), Label: s.Stage})
	}
	return f
}

func (f *figures) seconds(ns int64) float64 { return math.Round(float64(ns-f.origin)/1e6) / 1e3 }

// width is the time in ns that one column stands for.
func (f *figures) width() int64 { return max(1, f.span/columns) }

// column returns the column of a time.
func (f *figures) column(ns int64) int {
	at := float64(ns-f.origin) / float64(f.span) * columns
	return int(min(max(at, 0), columns-1))
}

// maxPlots keeps a page small, whatever a capture holds: about 6 kB each.
const maxPlots = 300

// add files a plot and makes a place for it; nil where the page has enough.
func (f *figures) add(p plot, caption string, t *table) *drawing {
	if len(f.plots) >= maxPlots {
		return nil
	}
	f.plots = append(f.plots, p)
	n := len(f.plots) - 1
	d := &drawing{ID: fmt.Sprintf("plot-%d", n+1), Plot: n, Title: p.Title, Caption: caption, Table: t}
	if len(p.Lines) > 1 {
		for _, l := range p.Lines {
			d.Keys = append(d.Keys, l.Name)
		}
	}
	return d
}

func (f *figures) data() *plotData {
	return &plotData{Seconds: float64(f.span) / 1e9, Columns: columns, Stages: list(f.stages), Plots: list(f.plots)}
}

// empty returns a value for no column.
func empty() values { return slices.Repeat(values{math.NaN()}, columns) }

// join widens the range of a column by that of a bucket.
func join(lo, hi values, at int, least, most float64) {
	if math.IsNaN(lo[at]) {
		lo[at], hi[at] = least, most
		return
	}
	lo[at], hi[at] = min(lo[at], least), max(hi[at], most)
}

// course puts a track into columns, times factor. A stretch without values that
// is no longer than bridge, in ns, is drawn through.
func (f *figures) course(t *survey.Track, factor float64, bridge int64) (lo, hi values) {
	lo, hi = empty(), empty()
	for i := range t.Buckets() {
		b := &t.Buckets()[i]
		for at := f.column(b.FirstTime); at <= f.column(b.LastTime); at++ {
			join(lo, hi, at, b.Min*factor, b.Max*factor)
		}
	}
	f.fill(lo, hi, bridge)
	return lo, hi
}

// fill carries values on over short stretches without any.
func (f *figures) fill(lo, hi values, bridge int64) {
	most := int(max(2, bridge/f.width()+1))
	last := -1
	for at := range lo {
		if math.IsNaN(lo[at]) {
			continue
		}
		if last >= 0 && at-last > 1 && at-last <= most {
			for i := last + 1; i < at; i++ {
				lo[i], hi[i] = lo[last], hi[last]
			}
		}
		last = at
	}
}

// stretches is into how many rows a course is cut for its table.
const stretches = 12

// stretch returns the columns and the time of one row of a table.
func (f *figures) stretch(i int) (from, to int, label string) {
	from, to = i*columns/stretches, (i+1)*columns/stretches
	seconds := float64(f.span) / 1e9 / columns
	return from, to, fmt.Sprintf("%s to %s s", tenth(float64(from)*seconds), tenth(float64(to)*seconds))
}

func tenth(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) }

// rangeOf gives least and greatest of some columns.
func rangeOf(lo, hi values) (least, most float64) {
	least, most = math.NaN(), math.NaN()
	for i := range lo {
		if math.IsNaN(lo[i]) {
			continue
		}
		if math.IsNaN(least) {
			least, most = lo[i], hi[i]
		}
		least, most = min(least, lo[i]), max(most, hi[i])
	}
	return least, most
}

// rangeWords writes a range; "-" for none.
func rangeWords(least, most float64) string {
	switch {
	case math.IsNaN(least):
		return "-"
	case least == most:
		return number(least)
	}
	return number(least) + " to " + number(most)
}

// lineTable gives the lines of a plot as text.
func (f *figures) lineTable(p *plot) *table {
	t := &table{Caption: p.Title, Heads: []string{"Time"}}
	for _, l := range p.Lines {
		head := l.Name
		if p.Unit != "" {
			head += ", " + p.Unit
		}
		t.Heads = append(t.Heads, head)
	}
	for i := range stretches {
		from, to, label := f.stretch(i)
		row := []string{label}
		for _, l := range p.Lines {
			row = append(row, rangeWords(rangeOf(l.Min[from:to], l.Max[from:to])))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// signals draws signals over one another, with the bands that their listeners
// accept and the stretches in which they were not available.
func (f *figures) signals(title string, list []signalLine) *drawing {
	p := plot{Title: title, Unit: list[0].signal.Def.Unit}
	drawn := false
	for _, l := range list {
		s := l.signal
		lo, hi := empty(), empty()
		if s.Track != nil && s.Available > 0 {
			lo, hi = f.course(s.Track, 1, bridgeOf(s.Available, s.FirstTime, s.LastTime))
			drawn = true
		}
		p.Lines = append(p.Lines, line{Name: l.name, Min: lo, Max: hi})
		if s.NATrack != nil {
			p.Shades = append(p.Shades, f.absences(s)...)
			drawn = true
		}
		if a := s.Own.Accepted; a != nil {
			p.Limits = append(p.Limits, limit{At: a.From, Label: "accepted from"}, limit{At: a.To, Label: "accepted up to"})
		}
	}
	if !drawn {
		return nil
	}
	caption := "Least and greatest value over time"
	if p.Unit != "" {
		caption += ", in " + p.Unit
	}
	return f.add(p, caption+".", f.lineTable(&p))
}

// bridgeOf is how long a signal may pause without a break in its line: a few times
// the usual distance of its values.
func bridgeOf(n uint64, first, last int64) int64 { return 3 * (last - first) / int64(max(1, n)) }

// absences are the stretches in which a signal was "not available".
func (f *figures) absences(s *evidence.Signal) []shade {
	var list []shade
	t := s.NATrack
	pause := float64(max(bridgeOf(s.NA, t.Start(), t.End()), f.width())) / 1e9
	for i := range t.Buckets() {
		b := &t.Buckets()[i]
		from, to := f.seconds(b.FirstTime), f.seconds(b.LastTime)
		if n := len(list); n > 0 && from-list[n-1].To <= pause {
			list[n-1].To = to
			continue
		}
		list = append(list, shade{From: from, To: to, Label: "not available", Bad: true})
	}
	return list
}
