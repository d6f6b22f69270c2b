package learn

import (
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"plugproof/decode/capture"
	"plugproof/decode/pattern"
	"plugproof/decode/survey"
	"plugproof/profiles"
)

// writer writes a profile as people do, with what each figure rests on beside it.
type writer struct{ strings.Builder }

// line writes one line; comment may be "".
func (w *writer) line(indent int, text, comment string) {
	w.WriteString(strings.Repeat("  ", indent))
	w.WriteString(text)
	if comment != "" {
		w.WriteString(" # ")
		w.WriteString(printable(comment))
	}
	w.WriteByte('\n')
}

// columns is where comments of their own are wrapped.
const columns = 100

// comment writes a comment on lines of its own.
func (w *writer) comment(indent int, format string, args ...any) {
	start := strings.Repeat("  ", indent) + "#"
	text, column := printable(fmt.Sprintf(format, args...)), len(start)
	w.WriteString(start)
	for i, word := range strings.Split(text, " ") {
		if i > 0 && column+1+len(word) > columns {
			w.WriteString("\n" + start + "  ")
			column = len(start) + 2
		}
		if text != "" {
			w.WriteString(" " + word)
		}
		column += 1 + len(word)
	}
	w.WriteByte('\n')
}

// printable keeps the content of file names from ending a comment.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
}

// write writes the profile as a file.
func (d *draft) write(p *profiles.Profile) []byte {
	var w writer
	d.writeHead(&w)
	w.line(0, fmt.Sprintf("format: %d", p.Format), "")
	w.line(0, "name: "+scalar(p.Name), "")
	d.writeBuses(&w, p)
	d.writeNodes(&w)
	w.line(0, "messages:", "")
	for _, e := range slices.Concat(d.entries, d.unseen) {
		e.write(&w)
	}
	w.comment(0, "Nothing may be sent until somebody who knows the car lists messages here.")
	w.line(0, "may_send: []", "")
	return []byte(w.String())
}

// writeHead says what was learned from.
func (d *draft) writeHead(w *writer) {
	w.comment(0, "Learned by plugproof from a capture: what was seen, not what is right. Nobody has")
	w.comment(0, "reviewed it. Times of frames count from the first frame of their bus.")
	w.comment(0, "")
	list := func(what string, s *seen) {
		for i := range s.reports {
			rep := &s.reports[i]
			w.comment(0, "%s: %s", what, filepath.Base(rep.Path))
			w.comment(0, "  sha256 %s", rep.SHA256)
			w.comment(0, "  %d frames%s", rep.Frames, lengthOf(rep))
			if aside := setAside(rep); aside != "" {
				w.comment(0, "  set aside: %s", aside)
			}
		}
	}
	list("good capture", d.seen)
	if d.without != nil {
		list("engine computer unplugged", d.without)
	}
	w.comment(0, "A cycle is the median gap of at least %d, within %.2f %%; it is firm from %d gaps on.",
		minGaps, survey.GapErrorPercent, firmGaps)
	if d.opts.WithoutTiming {
		w.comment(0, "Learned without timing, as was asked for: no kinds, cycles and counters.")
	}
	for _, remark := range d.remarks {
		w.comment(0, "%s", remark)
	}
}

func lengthOf(rep *capture.FileReport) string {
	if rep.Clock == capture.ClockNone {
		return ", without stamps"
	}
	return ", " + seconds(rep.LastTime-rep.FirstTime)
}

// setAside lists the damaged records of a capture.
func setAside(rep *capture.FileReport) string {
	var parts []string
	for _, kind := range slices.Sorted(maps.Keys(rep.SetAside)) {
		if kind != capture.Blank && kind != capture.Comment {
			parts = append(parts, fmt.Sprintf("%s %d", kind, rep.SetAside[kind].Count))
		}
	}
	if rep.Broken != "" {
		parts = append(parts, rep.Broken)
	}
	return strings.Join(parts, ", ")
}

func (d *draft) writeBuses(w *writer, p *profiles.Profile) {
	w.line(0, "buses:", "")
	for _, name := range slices.Sorted(maps.Keys(p.Buses)) {
		bus := p.Buses[name]
		var parts []string
		if bus.Bitrate > 0 {
			parts = append(parts, "bitrate: "+bus.Bitrate.String())
		}
		if bus.DataBitrate > 0 {
			parts = append(parts, "data_bitrate: "+bus.DataBitrate.String())
		}
		if len(bus.DBC) > 0 {
			parts = append(parts, "dbc: "+flow(bus.DBC, scalar))
		}
		comment := ""
		if bus.Bitrate == 0 {
			comment = "bit rate not known"
		}
		w.line(1, scalar(name)+": {"+strings.Join(parts, ", ")+"}", comment)
	}
}

func (d *draft) writeNodes(w *writer) {
	if len(d.nodes) == 0 {
		return
	}
	w.line(0, "nodes:", "")
	for _, name := range slices.Sorted(maps.Keys(d.nodes)) {
		n := d.nodes[name]
		var p pairs
		p.text("hangs_on", n.HangsOn)
		p.flag("several", n.Several)
		w.line(1, scalar(name)+": "+p.String(), n.why)
	}
	if d.replaced != "" {
		w.line(0, "replaced: "+scalar(d.replaced), "")
	}
}

// write writes one message.
func (e *entry) write(w *writer) {
	m := &e.message
	w.line(1, scalar(e.name)+":", "")
	for _, text := range e.about {
		w.comment(2, "%s", text)
	}
	put := func(key, value string) {
		if value != "" {
			w.line(2, key+": "+value, e.notes[key])
		}
	}
	if m.ID != nil {
		put("bus", scalar(m.Bus))
		put("id", m.ID.String())
	}
	put("sender", optional(m.Sender != "", scalar(m.Sender)))
	if m.Length != nil {
		put("length", strconv.Itoa(*m.Length))
	}
	put("kind", string(m.Kind))
	put("cycle", optional(m.Cycle > 0, m.Cycle.String()))
	put("option", optional(m.Option, "true"))
	put("absent", optional(m.Absent, "true"))
	e.writeProtection(put)
	if m.Still.Stood != 0 {
		put("still", strconv.Quote(m.Still.String()))
	}
	if m.Pages != nil {
		put("pages", fmt.Sprintf("{signal: %s, values: %s}", scalar(m.Pages.Signal), flow(m.Pages.Values, decimal)))
	}
	e.writeSignals(w)
}

func optional(there bool, text string) string {
	if !there {
		return ""
	}
	return text
}

func (e *entry) writeProtection(put func(key, value string)) {
	m := &e.message
	if c := m.Counter; c != nil {
		p := place(&c.Field)
		p.number("step", c.Step)
		p.number("modulo", c.Modulo)
		if len(c.Reserved) > 0 {
			p.add("reserved", flow(c.Reserved, decimal))
		}
		put("counter", p.String())
	}
	if t := m.Toggle; t != nil {
		p := place(&t.Field)
		p.number("every", t.Every)
		put("toggle", p.String())
	}
	if c := m.Parity; c != nil {
		p := place(&c.Field)
		p.flag("odd", c.Odd)
		if c.Over != nil {
			p.add("over", place(c.Over).String())
		}
		put("parity", p.String())
	}
	if c := m.Checksum; c != nil {
		put("checksum", checksumPairs(c).String())
	}
}

func checksumPairs(c *profiles.Checksum) *pairs {
	p := place(&c.Field)
	p.text("law", c.Law)
	p.text("kind", c.Kind)
	p.number("width", c.Width)
	p.hex("poly", c.Poly)
	p.hex("init", c.Init)
	p.hex("xor_out", c.XorOut)
	p.flag("reflect", c.Reflect)
	p.flag("subtract", c.Subtract)
	if len(c.Over) > 0 {
		p.add("over", flow(c.Over, func(part profiles.Cover) string { return scalar(part.String()) }))
	}
	return p
}

// writeSignals writes the ranges, stages in the order of the capture script.
func (e *entry) writeSignals(w *writer) {
	if len(e.message.Signals) == 0 {
		return
	}
	w.line(2, "signals:", "")
	for _, name := range slices.Sorted(maps.Keys(e.message.Signals)) {
		ranges := e.message.Signals[name].Ranges
		var p pairs
		for _, stage := range profiles.StageNames() {
			if r := ranges[stage]; r != nil {
				p.add(stage, scalar(r.String()))
			}
		}
		w.line(3, scalar(name)+": {ranges: "+p.String()+"}", "")
	}
}

// pairs is a mapping on one line.
type pairs struct{ parts []string }

func place(f *profiles.Field) *pairs {
	p := &pairs{}
	if f.Start != nil {
		p.add("start", strconv.Itoa(*f.Start))
	}
	p.number("length", f.Length)
	p.text("order", f.Order)
	return p
}

func (p *pairs) add(key, value string) { p.parts = append(p.parts, key+": "+value) }

func (p *pairs) number(key string, v int) {
	if v != 0 {
		p.add(key, strconv.Itoa(v))
	}
}

func (p *pairs) hex(key string, v uint64) {
	if v != 0 {
		p.add(key, fmt.Sprintf("%#x", v))
	}
}

func (p *pairs) text(key, v string) {
	if v != "" {
		p.add(key, scalar(v))
	}
}

func (p *pairs) flag(key string, v bool) {
	if v {
		p.add(key, "true")
	}
}

// String gives the mapping in flow style.
func (p *pairs) String() string { return "{" + strings.Join(p.parts, ", ") + "}" }

// flow writes a list on one line.
func flow[T any](list []T, text func(T) string) string {
	parts := make([]string, len(list))
	for i, v := range list {
		parts[i] = text(v)
	}
	return "[" + strings.Join(parts, ", ") + "]"
}

func decimal(v uint64) string { return strconv.FormatUint(v, 10) }

// plain is what YAML takes for a text without quotes, whatever stands around it.
var plain = pattern.Late(`^[A-Za-z_][A-Za-z0-9_./-]*( [A-Za-z0-9_./-]+)*$`)

// scalar writes a text so that YAML reads it back as that text.
func scalar(s string) string {
	switch strings.ToLower(s) {
	case "true", "false", "null", "yes", "no", "on", "off", "y", "n", "inf", "nan":
		return strconv.Quote(s)
	}
	if plain().MatchString(s) {
		return s
	}
	return strconv.Quote(s)
}

// seconds writes a time of the capture.
func seconds[T ~int64](ns T) string { return fmt.Sprintf("%.3f s", float64(ns)/1e9) }

// ms writes a time in milliseconds, for people.
func ms(v float64) string { return fmt.Sprintf("%.1f ms", v) }
