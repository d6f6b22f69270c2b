package main

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"plugproof/decode/survey"
)

// writeSurvey writes a survey to read. Times in it count from the first frame
// of all.
func writeSurvey(w io.Writer, report *survey.Report, colour colours) error {
	v := surveyView{colour: colour}
	if report.First != nil {
		v.start = int64(*report.First)
	}
	for i := range report.Buses {
		v.bus(&report.Buses[i])
	}
	if len(report.Buses) == 0 {
		v.line("no frame was read")
	}
	_, err := io.WriteString(w, v.text.String())
	return err
}

// surveyView collects the text of a survey.
type surveyView struct {
	text   strings.Builder
	colour colours
	start  int64 // ns; what times count from
}

func (v *surveyView) line(format string, args ...any) {
	fmt.Fprintf(&v.text, format+"\n", args...)
}

func (v *surveyView) bus(b *survey.Bus) {
	if v.text.Len() > 0 {
		v.line("")
	}
	v.line("%s", v.colour.strong("bus "+plain(b.Name)))
	v.facts(b)
	v.table("who sends what, and when", whoRows(b))
	v.table("defined by the DBC files, and not seen", notSeenRows(b))
	v.table("gaps in ms; first and last in s", v.gapRows(b))
	v.table("bits", bitRows(b))
	v.table("values", valueRows(b))
}

// facts writes what is known of the bus as a whole.
func (v *surveyView) facts(b *survey.Bus) {
	fact := func(name, format string, args ...any) {
		v.line("  %-13s %s", name, plain(fmt.Sprintf(format, args...)))
	}
	if b.Bitrate == nil {
		fact("bit rate", "not known (--bitrate %s=RATE gives the load in percent)", b.Name)
	} else {
		fact("bit rate", "%s", bitrateText(b))
	}
	frames := grouped(b.Frames)
	if b.ObservedS != nil && b.First != nil {
		frames += fmt.Sprintf(" in %.3f s, the first at %s", *b.ObservedS, stamp(int64(*b.First)))
	}
	fact("frames", "%s", frames)
	if b.Load.Mean != nil {
		fact("load", "%s", rateText(b.Load.Mean))
	}
	for _, worst := range []struct {
		name    string
		rate    *survey.Rate
		seconds float64
	}{{"worst second", b.Load.WorstSecond, 1}, {"worst 100 ms", b.Load.WorstTenth, 0.1}} {
		if worst.rate != nil && lasts(b, worst.seconds) {
			fact(worst.name, "%s from %s s", rateText(worst.rate), v.seconds(worst.rate.Start))
		}
	}
	fact("error frames", "%s", errorsText(&b.Errors))
	if worst := b.Errors.WorstSecond; worst != nil && lasts(b, 1) {
		fact("", "%s in the second from %s s", grouped(worst.Frames), v.seconds(&worst.Start))
	}
	if b.Backward > 0 {
		fact("clock", "%s back in time", plural(int(b.Backward), "step"))
	}
	if b.Jumps > 0 {
		fact("clock", "%s of more than 60 s", plural(int(b.Jumps), "step"))
	}
	for i := range b.IDs {
		if id := &b.IDs[i]; id.ShortCount > 0 {
			fact("short", "%s of %s (%s) end before a signal", grouped(id.ShortCount), idText(id), id.Message)
		}
	}
	if b.Others != nil {
		fact("more", "%s of identifiers beside the %s listed here", plural(int(b.Others.Frames), "frame"), grouped(uint64(len(b.IDs))))
	}
}

// lasts reports whether the bus was observed for so many seconds: the worst
// second of less than one would say nothing.
func lasts(b *survey.Bus, seconds float64) bool {
	return b.ObservedS != nil && *b.ObservedS >= seconds
}

func bitrateText(b *survey.Bus) string {
	text := perSecond(float64(*b.Bitrate))
	if b.DataBitrate != nil {
		text += ", data " + perSecond(float64(*b.DataBitrate))
	}
	return text
}

// perSecond gives "500 kbit/s".
func perSecond(bits float64) string {
	return strconv.FormatFloat(math.Round(bits/100)/10, 'f', -1, 64) + " kbit/s"
}

// rateText gives a load in percent where the bit rate is known.
func rateText(r *survey.Rate) string {
	if r.Percent != nil {
		return fmt.Sprintf("%.1f %%", *r.Percent)
	}
	text := perSecond(r.NominalBitPerS)
	if r.DataBitPerS > 0 {
		text += " and " + perSecond(r.DataBitPerS) + " of data"
	}
	return text
}

func errorsText(e *survey.ErrorFrames) string {
	if e.Frames == 0 {
		return "none"
	}
	var classes []string
	for _, c := range e.Classes {
		classes = append(classes, fmt.Sprintf("%s %s", c.Text, grouped(c.Frames)))
	}
	return grouped(e.Frames) + ": " + strings.Join(classes, ", ")
}

// seconds gives an instant in seconds after the first frame.
func (v *surveyView) seconds(at *survey.Instant) string {
	if at == nil {
		return "-"
	}
	return fmt.Sprintf("%.3f", float64(int64(*at)-v.start)/1e9)
}

func whoRows(b *survey.Bus) []table.Row {
	rows := []table.Row{{"id", "message", "sender", ">bytes", ">frames", ">per s", ">share", "kind"}}
	for i := range b.IDs {
		id := &b.IDs[i]
		rows = append(rows, table.Row{
			idText(id), dash(id.Message), dash(strings.Join(id.Senders, " ")), lengthsText(id.Lengths),
			grouped(id.Frames), figure(id.RateHz, 1), figure(id.Share, 1) + " %", string(id.Kind),
		})
	}
	return rows
}

func notSeenRows(b *survey.Bus) []table.Row {
	rows := []table.Row{{"id", "message", "sender", ">cycle in ms"}}
	for _, m := range b.NotSeen {
		rows = append(rows, table.Row{
			strings.TrimPrefix(m.Text, "0x"), m.Message, dash(strings.Join(m.Senders, " ")), figure(m.Cycle, 1),
		})
	}
	return rows
}

// idText gives the identifier as a candump log writes it, and what is special.
func idText(id *survey.ID) string {
	text := strings.TrimPrefix(id.Text, "0x")
	if id.Remote {
		text += " remote"
	}
	return text
}

// lengthsText gives "8", or "2-8" where frames differ.
func lengthsText(lengths []survey.Length) string {
	if len(lengths) == 0 {
		return "-"
	}
	least, most := lengths[0].Bytes, lengths[0].Bytes
	for _, l := range lengths {
		least, most = min(least, l.Bytes), max(most, l.Bytes)
	}
	if least == most {
		return strconv.Itoa(least)
	}
	return fmt.Sprintf("%d-%d", least, most)
}

func (v *surveyView) gapRows(b *survey.Bus) []table.Row {
	rows := []table.Row{{"id", ">stated", ">median", ">p95", ">p99", ">max", ">jitter", ">first", ">last"}}
	for i := range b.IDs {
		id := &b.IDs[i]
		row := table.Row{idText(id), figure(id.Cycle, 1)}
		if g := id.Gaps; g != nil {
			row = append(row, decimal(g.P50MS, 1), decimal(g.P95MS, 1), decimal(g.P99MS, 1), decimal(g.MaxMS, 1),
				figure(g.JitterMS, 1))
		} else {
			row = append(row, "-", "-", "-", "-", "-")
		}
		rows = append(rows, append(row, v.seconds(id.First), v.seconds(id.Last)))
	}
	return rows
}

func bitRows(b *survey.Bus) []table.Row {
	rows := []table.Row{{"id", "first byte on the left; 0 1 constant, ~ changes, + counts"}}
	for i := range b.IDs {
		name := idText(&b.IDs[i])
		for _, line := range b.IDs[i].Bits.Lines() {
			rows = append(rows, table.Row{name, line})
			name = ""
		}
	}
	return rows
}

func valueRows(b *survey.Bus) []table.Row {
	rows := []table.Row{{"message", "signal", ">min", ">max", "unit", ">differ", "remarks"}}
	for i := range b.IDs {
		name := b.IDs[i].Message
		for k := range b.IDs[i].Signals {
			s := &b.IDs[i].Signals[k]
			differ := strconv.Itoa(s.Distinct)
			if s.More {
				differ = "over " + differ
			}
			rows = append(rows, table.Row{name, s.Name, value(s.Min), value(s.Max), s.Unit, differ, valueRemarks(s)})
			name = ""
		}
	}
	return rows
}

// valueRemarks says what is odd about a signal, and which texts of its value
// table were seen.
func valueRemarks(s *survey.Signal) string {
	var remarks []string
	if s.Outside > 0 {
		remarks = append(remarks, fmt.Sprintf("%s outside %s to %s", grouped(s.Outside), value(s.StatedMin), value(s.StatedMax)))
	}
	if s.NotFinite > 0 {
		remarks = append(remarks, grouped(s.NotFinite)+" not a number")
	}
	const most = 3 // texts; the JSON form has all
	for i, l := range s.Labels {
		if i == most {
			remarks = append(remarks, fmt.Sprintf("%d more", len(s.Labels)-most))
			break
		}
		remarks = append(remarks, l.Text)
	}
	return strings.Join(remarks, ", ")
}

// table writes rows under a title; the first row is the head. It writes nothing
// where there is only a head.
func (v *surveyView) table(title string, rows []table.Row) {
	if len(rows) < 2 {
		return
	}
	v.line("\n  %s", v.colour.strong(title))
	for line := range strings.Lines(renderTable(rows)) {
		v.text.WriteString("  " + line)
	}
	v.line("")
}

func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

// figure is decimal for a figure that may be unknown.
func figure(x *float64, digits int) string {
	if x == nil {
		return "-"
	}
	return decimal(*x, digits)
}

// decimal writes a figure with at most so many digits after the point.
func decimal(x float64, digits int) string {
	return strconv.FormatFloat(x, 'f', digits, 64)
}

// value writes a physical value with at most seven digits that count.
func value(x *float64) string {
	if x == nil {
		return "-"
	}
	if size := math.Abs(*x); size >= 1e9 || size != 0 && size < 1e-4 {
		return strconv.FormatFloat(*x, 'g', 7, 64)
	}
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(*x, 'g', 7, 64), 64)
	if err != nil {
		return "-" // cannot be: the text was a number
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}
