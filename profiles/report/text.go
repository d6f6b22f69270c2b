package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/rules"
)

// Text writes the outcome of a check to read: the verdict, the functions, the
// findings, what could not be judged, the stages.
func Text(w io.Writer, out *check.Output, opts Options) error {
	v := view{page: page{colour: opts.Colour}, out: out, lines: textual(out)}
	v.head()
	v.functions()
	v.findings()
	v.since()
	v.symptoms()
	v.notTestable()
	v.stages()
	_, err := io.WriteString(w, v.String())
	return err
}

// view is a text being written.
type view struct {
	page
	out   *check.Output
	lines map[string]bool // captures whose records are lines
}

// seconds gives a time from the start of the capture.
func (v *view) seconds(ns int64) string {
	return fmt.Sprintf("%.3f s", float64(ns-v.out.Start)/1e9)
}

// stamp gives a time as the capture writes it.
func stamp(ns int64) string {
	sign := ""
	if ns < 0 {
		sign, ns = "-", -ns
	}
	return fmt.Sprintf("%s%d.%06d", sign, ns/1e9, ns%1e9/1e3)
}

// head says what was judged and how it came out.
func (v *view) head() {
	out := v.out
	v.line("%s  %s", v.paint(bold+";"+marks[out.Verdict], strings.ToUpper(out.Verdict.String())), v.count())
	fact := func(name, text string) { v.wrapped(11, "  "+name, text) }
	title := out.Setting.Name
	if out.Setting.Title != "" {
		title += ": " + out.Setting.Title
	}
	fact("setting", title)
	for i := range out.Captures {
		c := &out.Captures[i]
		fact("capture", fmt.Sprintf("%s, %s frames", c.Path, Grouped(c.Frames)))
	}
	for i := range out.Baseline {
		fact("baseline", fmt.Sprintf("%s, %s frames", out.Baseline[i].Path, Grouped(out.Baseline[i].Frames)))
	}
	if out.Frames > 0 {
		fact("time", fmt.Sprintf("%s, the first frame at %s", v.seconds(out.End), stamp(out.Start)))
	}
	fact("scope", scopeWords(out.Scope))
	for _, in := range out.Interfaces {
		switch in.How {
		case check.Same:
		case check.Nowhere:
			fact("bus", fmt.Sprintf("%s is no bus of this setting: not judged", in.Name))
		default:
			fact("bus", fmt.Sprintf("%s is %s (%s)", in.Name, in.Bus, in.How))
		}
	}
}

func scopeWords(s rules.Scope) string {
	switch s {
	case rules.ECUOnBench:
		return "the new ECU alone on the bench"
	case rules.ListenerOnBench:
		return "a listener alone on the bench"
	}
	return "the whole car"
}

// count sums the functions up: "1 of 14 functions fails, 3 not testable".
func (v *view) count() string {
	n := map[rules.Verdict]int{}
	for i := range v.out.Functions {
		n[v.out.Functions[i].Verdict]++
	}
	if len(v.out.Functions) == 0 {
		return "what the messages are for is not known: see the findings"
	}
	var parts []string
	for _, verdict := range []rules.Verdict{rules.Fail, rules.Review, rules.NotTestable, rules.Pass} {
		if n[verdict] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n[verdict], verdict))
		}
	}
	return fmt.Sprintf("%s: %s", plural(len(v.out.Functions), "function"), strings.Join(parts, ", "))
}

// functions gives each function a line. Those with one cause stand together,
// above where the chain breaks and why.
func (v *view) functions() {
	if len(v.out.Functions) == 0 {
		return
	}
	v.title("Functions")
	const indent = 16
	for _, group := range byCause(v.out.Functions) {
		var titles, breaks []string
		for _, f := range group {
			titles = append(titles, f.Title)
			if f.BrokenAt != "" && !slices.Contains(breaks, f.BrokenAt) {
				breaks = append(breaks, f.BrokenAt)
			}
		}
		first := group[0]
		v.marked(indent, "  "+first.Verdict.String(), marks[first.Verdict], strings.Join(titles, ", "))
		if len(breaks) > 0 {
			v.wrapped(indent+2, "", "breaks at "+strings.Join(breaks, ", "))
		}
		if first.Why != "" {
			v.wrapped(indent+2, "", first.Why)
		}
	}
}

// byCause groups functions of one verdict and one reason, in order of their first.
func byCause(list []rules.FunctionResult) [][]rules.FunctionResult {
	var groups [][]rules.FunctionResult
	for _, f := range list {
		at := slices.IndexFunc(groups, func(g []rules.FunctionResult) bool {
			return g[0].Verdict == f.Verdict && g[0].Why == f.Why
		})
		if at < 0 {
			groups = append(groups, []rules.FunctionResult{f})
			continue
		}
		groups[at] = append(groups[at], f)
	}
	return groups
}

// findings gives each finding a paragraph.
func (v *view) findings() {
	if len(v.out.Findings) == 0 {
		return
	}
	v.title("Findings")
	for i := range v.out.Findings {
		if i > 0 {
			v.line("")
		}
		v.finding(&v.out.Findings[i])
	}
}

func (v *view) finding(f *rules.Finding) {
	v.line("  %s  %s", v.paint(marks[f.Verdict], f.Verdict.String()), v.paint(bold, f.Rule))
	v.wrapped(4, "", sentence(f.Text))
	fact := func(name, text string) {
		if text != "" {
			v.wrapped(14, "    "+name, text)
		}
	}
	fact("hurts", strings.Join(f.Functions, ", "))
	switch {
	case f.Code != nil && f.Message == "":
		fact("stored by", f.Listener)
	case f.Sender != f.Listener: // else it is what a listener says itself
		fact("sent by", f.Sender)
		fact("heard by", v.listeners(f))
	}
	if f.HasTime {
		fact("first", v.first(f))
	} else if f.Count > 1 {
		fact("count", fmt.Sprintf("%d", f.Count))
	}
	fact("measured", measured(f))
	if f.Example != nil {
		v.wrapped(14, "    frame", place(f.Example, v.lines[f.Example.File]))
		if f.Example.Raw != "" {
			v.line("%14s%s", "", plain(f.Example.Raw))
		}
	}
	fact("next", f.NextStep)
}

// listeners gives who misses the message and what they do then, the shortest
// patience first.
func (v *view) listeners(f *rules.Finding) string {
	m := v.out.Setting.Message(f.Message)
	if m == nil || len(m.Listeners) == 0 {
		return f.Listener
	}
	list := slices.Clone(m.Listeners)
	slices.SortStableFunc(list, func(a, b profiles.ListenerFacts) int {
		return cmp.Compare(patience(&a), patience(&b))
	})
	var texts []string
	for i := range list {
		l := &list[i]
		var facts []string
		if l.Timeout.Value > 0 {
			facts = append(facts, fmt.Sprintf("waits %v", l.Timeout.Value))
		}
		if l.Substitute != "" {
			facts = append(facts, "then "+l.Substitute)
		}
		if l.Latched {
			facts = append(facts, "until the key is turned")
		}
		text := l.Node
		if len(facts) > 0 {
			text += " (" + strings.Join(facts, ", ") + ")"
		}
		texts = append(texts, text)
	}
	return strings.Join(texts, "; ")
}

// patience is the timeout of a listener; one that states none comes last.
func patience(l *profiles.ListenerFacts) time.Duration {
	return cmp.Or(l.Timeout.Value, math.MaxInt64)
}

// first says when it happened first, and how often.
func (v *view) first(f *rules.Finding) string {
	text := fmt.Sprintf("%s, stamp %s", v.seconds(f.FirstTime), stamp(f.FirstTime))
	if f.Count > 1 {
		text += fmt.Sprintf("; %d times in all", f.Count)
	}
	return text
}

func measured(f *rules.Finding) string {
	if f.Measured == nil {
		return ""
	}
	text := figure(f.Measured)
	if f.Limit != nil {
		text += ", limit " + figure(f.Limit)
	}
	if f.LimitFrom != "" {
		text += " (" + f.LimitFrom + ")"
	}
	return text
}

func figure(q *rules.Quantity) string {
	return strings.TrimSpace(number(q.Value) + " " + q.Unit)
}

// number writes a figure with up to four significant digits.
func number(x float64) string {
	text := strconv.FormatFloat(x, 'g', 4, 64)
	if strings.ContainsAny(text, "eIN") {
		return strconv.FormatFloat(x, 'f', 0, 64)
	}
	return text
}

// isText reports whether the records of a format are lines.
func isText(format string) bool {
	return strings.HasPrefix(format, "candump") || format == capture.FormatDelimited
}

// place gives file:line, or file@offset #record where records are no lines.
func place(e *rules.Example, lines bool) string {
	switch {
	case e.Record == 0:
		return e.File
	case lines:
		return fmt.Sprintf("%s:%d", e.File, e.Record)
	}
	return fmt.Sprintf("%s@%d #%d", e.File, e.Offset, e.Record)
}

// notTestable lists what could not be judged and how to make it so; what has the
// same remedy stands together.
func (v *view) notTestable() {
	if len(v.out.NotTestable) == 0 {
		return
	}
	v.title("Not testable")
	missing := false
	for _, group := range byRemedy(v.out.NotTestable) {
		if stage := group[0].Stage; stage != "" {
			if !missing {
				v.wrapped(2, "", "Stages that are not in the capture, and how to add them:")
				missing = true
			}
			v.wrapped(12, "    "+stage, group[0].NextStep)
			continue
		}
		v.wrapped(2, "", sentence(together(group)))
		v.wrapped(12, "    to do", cmp.Or(group[0].NextStep, "nothing"))
	}
}

// byRemedy groups findings of one rule and next step, in order of their first.
func byRemedy(list []rules.Finding) [][]rules.Finding {
	var groups [][]rules.Finding
	for _, f := range list {
		at := slices.IndexFunc(groups, func(g []rules.Finding) bool {
			return g[0].Rule == f.Rule && g[0].NextStep == f.NextStep
		})
		if at < 0 {
			groups = append(groups, []rules.Finding{f})
			continue
		}
		groups[at] = append(groups[at], f)
	}
	return groups
}

// together words a group: the first in full, the others by name.
func together(group []rules.Finding) string {
	text := group[0].Text
	if len(group) == 1 {
		return text
	}
	var names []string
	for _, f := range group[1:] {
		names = append(names, cmp.Or(f.Message, f.Sender, f.Bus, f.Text))
	}
	const shown = 6
	more := ""
	if len(names) > shown {
		more = fmt.Sprintf(" and %d more", len(names)-shown)
		names = names[:shown]
	}
	return text + "; likewise " + strings.Join(names, ", ") + more
}

// stages lists what of the capture script was found.
func (v *view) stages() {
	v.title("Stages")
	if len(v.out.Stages) == 0 {
		v.wrapped(2, "", "none was found: mark them in CAPTURE.stages.yaml, or state one with --stage")
	}
	for _, s := range v.out.Stages {
		from, to := float64(s.Start-v.out.Start)/1e9, float64(s.End-v.out.Start)/1e9
		how := string(s.Source)
		if len(s.RestsOn) > 0 {
			how += " by " + strings.Join(s.RestsOn, ", ")
		}
		label := fmt.Sprintf("  %-9s%8.1f to %6.1f s  ", s.Stage, from, to)
		v.wrapped(len(label), label, how)
	}
}

// symptoms gives, for everything that was seen, the questions in their order and
// what they found.
func (v *view) symptoms() {
	for i := range v.out.Symptoms {
		d := &v.out.Symptoms[i]
		v.title("Symptom: " + plain(d.Asked))
		if d.Symptom != d.Asked {
			v.wrapped(2, "", "as the index has it: "+d.Symptom)
		}
		v.differential(d)
	}
}

func (v *view) differential(d *rules.Differential) {
	const indent = 16
	var later []string
	last := "" // reason why something is not testable: once is enough
	for _, step := range d.Steps {
		switch step.State {
		case rules.NotAsked:
			later = append(later, step.Question)
		case rules.Fired:
			v.marked(indent, "  found", marks[step.Finding.Verdict], step.Question+"?")
			v.wrapped(indent, "", step.Finding.Rule+": "+sentence(step.Finding.Text))
			v.wrapped(indent, "", "next: "+step.Finding.NextStep)
		case rules.Untold:
			why := step.Finding.Text + "; to do: " + step.Finding.NextStep
			if why == last {
				why = "the same"
			} else {
				last = why
			}
			v.wrapped(indent, "  not testable", step.Question+"? "+why)
		case rules.Clear:
			v.wrapped(indent, "  in order", step.Question+"?")
		case rules.NotJudged:
			v.wrapped(indent, "  not judged", step.Question+"? ("+strings.Join(step.Rules, ", ")+": not in this version)")
		}
	}
	if len(later) > 0 {
		v.wrapped(indent, "  not asked", strings.Join(later, "; "))
	}
	answered := slices.ContainsFunc(d.Steps, func(step rules.Answer) bool { return step.State == rules.Clear })
	switch {
	case d.Fired() != nil:
	case !answered:
		v.wrapped(indent, "  nothing found", "no question could be answered by this capture")
	default:
		v.wrapped(indent, "  nothing found", d.Otherwise)
	}
}

// sentence ends a text with a full stop and begins it as it is: names keep their
// case.
func sentence(s string) string {
	if s == "" || strings.HasSuffix(s, ".") {
		return s
	}
	return s + "."
}

func plural(n int, word string) string {
	if n == 1 {
		return "1 " + word
	}
	return fmt.Sprintf("%d %ss", n, word)
}

// Symptoms writes only the searches that the symptoms led to.
func Symptoms(w io.Writer, out *check.Output, opts Options) error {
	v := view{page: page{colour: opts.Colour}, out: out, lines: textual(out)}
	v.symptoms()
	_, err := io.WriteString(w, strings.TrimPrefix(v.String(), "\n"))
	return err
}

// Index writes the symptoms there are, and the questions that each leads to.
func Index(w io.Writer, list []rules.Symptom) error {
	var p page
	for _, s := range list {
		p.line("%s", s.Name)
		var questions []string
		for _, step := range s.Steps {
			questions = append(questions, step.Question)
		}
		p.wrapped(4, "", strings.Join(questions, "? ")+"?")
	}
	_, err := io.WriteString(w, p.String())
	return err
}
