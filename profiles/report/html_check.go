package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/evidence"
	"plugproof/profiles/rules"
)

// checkPart is what only the page of a check has.
type checkPart struct {
	Groups       []functionGroup
	Findings     []findingGroup
	MoreFindings string // says that some findings have no card; "": all have
	Symptoms     []searchCard
	Timeline     timeline
	Buses        []busCard
	Messages     []messageCard
	More         string // says that some messages have no card; "": all have
	Others       *table // identifiers that the setting does not have; nil: none
}

// functionGroup is the functions of one verdict.
type functionGroup struct {
	Mark   mark
	Title  string
	Causes []cause
}

// cause is functions that came out alike for one reason.
type cause struct {
	Why       string
	Finding   *link // that says more
	Functions []functionBand
}

// functionBand is one function. Steps is its way through the car.
type functionBand struct {
	Title  string
	Name   string
	Mark   mark
	Steps  []station
	Rows   []comparedRow // of a comparison, which has no way to show
	Asked  string
	Figure *drawing
}

// station is one station on the way of a function: a unit, or what goes over a bus.
type station struct {
	Unit   string // that sends, passes on, or shows; "" for a link
	Link   string // signal and bus
	Broken bool
	Beyond bool // past the break
}

// checkBuilder turns the output of a check into a page.
type checkBuilder struct {
	out     *check.Output
	words   view // wording that the page shares with the text
	figures *figures
	shown   map[string]*drawing // of messages, by name: drawn once, linked to after that
}

func newCheckBuilder(out *check.Output) *checkBuilder {
	return &checkBuilder{
		out: out, words: view{out: out, lines: textual(out)}, figures: newFigures(out.Start, out.End, out.Stages),
		shown: map[string]*drawing{},
	}
}

func (b *checkBuilder) part() *checkPart {
	p := &checkPart{Timeline: b.timeline()}
	p.Findings, p.MoreFindings = b.findings()
	p.Groups = b.groups()
	for i := range b.out.Symptoms {
		p.Symptoms = append(p.Symptoms, b.search(&b.out.Symptoms[i]))
	}
	if b.out.Evidence != nil {
		p.Buses = b.buses()
		p.Messages, p.More = b.messages()
		p.Others = otherIDs(b.out.Evidence.Others)
	}
	return p
}

// contents lists the parts that the page has.
func (p *checkPart) contents() []link {
	var list []link
	add := func(is bool, id, text string) {
		if is {
			list = append(list, link{"#" + id, text})
		}
	}
	add(len(p.Groups) > 0, "functions", "Functions")
	add(len(p.Findings) > 0, "findings", "Findings")
	add(len(p.Symptoms) > 0, "symptoms", "Symptoms")
	add(true, "stages", "Stages")
	add(len(p.Buses) > 0, "buses", "Bus load")
	add(len(p.Messages) > 0, "messages", "Messages")
	add(true, "handover", "Handover")
	return list
}

// groups gives the functions by verdict, those with one cause together.
func (b *checkBuilder) groups() []functionGroup {
	titles := map[rules.Verdict]string{
		rules.Fail: "Fails", rules.Review: "Needs a look", rules.Pass: "Works", rules.NotTestable: "Could not be judged",
	}
	var groups []functionGroup
	for _, v := range []rules.Verdict{rules.Fail, rules.Review, rules.Pass, rules.NotTestable} {
		g := functionGroup{Mark: verdictMarks[v], Title: titles[v]}
		for _, list := range byCause(b.out.Functions) {
			if list[0].Verdict == v {
				g.Causes = append(g.Causes, b.cause(list))
			}
		}
		if g.Causes != nil {
			groups = append(groups, g)
		}
	}
	return groups
}

func (b *checkBuilder) cause(list []rules.FunctionResult) cause {
	c := cause{Why: said(list[0].Why)}
	for i := range min(maxFindings, len(b.out.Findings)) {
		if f := &b.out.Findings[i]; f.Text == list[0].Why && list[0].Verdict != rules.Pass {
			c.Finding = &link{"#" + findingID(i), fmt.Sprintf("finding %d", i+1)}
			break
		}
	}
	if c.Finding == nil {
		for i := range b.out.NotTestable {
			if f := &b.out.NotTestable[i]; f.Stage != "" && strings.Contains(list[0].Why, "stage "+f.Stage+" ") {
				c.Finding = &link{"#stage-" + f.Stage, "how to record it"}
				break
			}
		}
	}
	for i := range list {
		c.Functions = append(c.Functions, b.band(&list[i]))
	}
	return c
}

func (b *checkBuilder) band(f *rules.FunctionResult) functionBand {
	band := functionBand{Title: f.Title, Name: f.Name, Mark: verdictMarks[f.Verdict]}
	if !f.Asked {
		band.Asked = "The captures hold no stage that exercises it."
	}
	def := b.out.Setting.Functions[f.Name]
	beyond, sender := false, ""
	for i, ref := range def.Chain {
		m, _ := b.out.Setting.Signal(ref)
		if m == nil {
			continue
		}
		if m.Sender != sender {
			sender = m.Sender
			band.Steps = append(band.Steps, station{Unit: b.unit(sender), Beyond: beyond})
		}
		link := station{Link: f.Chain[i], Broken: f.BrokenAt == f.Chain[i], Beyond: beyond}
		beyond = beyond || link.Broken
		band.Steps = append(band.Steps, link)
	}
	band.Steps = append(band.Steps, station{Unit: b.unit(def.Ends), Beyond: beyond})
	band.Figure = b.chainFigure(f.Title, def.Chain)
	return band
}

// unit is the title of a node, its name where it has none.
func (b *checkBuilder) unit(name string) string {
	if n := b.out.Setting.Nodes[name]; n != nil {
		return cmp.Or(n.Title, name)
	}
	return cmp.Or(name, "not known")
}

// findingGroup is findings of one rule that have the same next step, one after the
// other. Those after the first are folded where there are many.
type findingGroup struct{ Shown, Folded []findingCard }

// findingCard is one finding.
type findingCard struct {
	ID, Number string
	Mark       mark
	Rule, Text string
	Next       string
	Gauge      *gauge
	Facts      []fact
	Also       string // what else it is said of; "": nothing
	Frames     []quote
	Figure     *drawing
	See        *link // where the figure is shown already
}

// quote is a frame as it stands in a capture.
type quote struct{ Label, Place, Raw string }

// gauge is a measured figure against its limit, as lengths in percent.
type gauge struct {
	Measured, Limit, From string
	Bar, Mark             string
}

func findingID(i int) string { return fmt.Sprintf("finding-%d", i+1) }

// findings gives the findings, the most serious first, as many as a page bears.
func (b *checkBuilder) findings() (groups []findingGroup, more string) {
	list := b.out.Findings
	if n := len(list) - maxFindings; n > 0 {
		more = fmt.Sprintf("%d more findings, no more serious than these: the JSON form has all.", n)
		list = list[:maxFindings]
	}
	for from := 0; from < len(list); {
		to := from + 1
		for to < len(list) && alikeFindings(&list[from], &list[to]) {
			to++
		}
		groups = append(groups, b.findingGroup(from, to))
		from = to
	}
	return groups, more
}

// maxAlike is how many findings of one kind stand unfolded.
const maxAlike = 3

func alikeFindings(x, y *rules.Finding) bool {
	return x.Rule == y.Rule && x.Verdict == y.Verdict && x.NextStep == y.NextStep
}

// findingGroup lays out the findings in [from, to).
func (b *checkBuilder) findingGroup(from, to int) (g findingGroup) {
	for i := from; i < to; i++ {
		card := b.finding(i, &b.out.Findings[i])
		if i == from || to-from <= maxAlike {
			g.Shown = append(g.Shown, card)
		} else {
			g.Folded = append(g.Folded, card)
		}
	}
	return g
}

func (b *checkBuilder) finding(i int, f *rules.Finding) findingCard {
	card := findingCard{
		ID: findingID(i), Number: fmt.Sprint(i + 1), Mark: verdictMarks[f.Verdict], Rule: f.Rule,
		Text: said(f.Text), Next: said(f.NextStep), Gauge: newGauge(f.Measured, f.Limit, f.LimitFrom),
	}
	add := func(name string, texts ...string) {
		if texts = slices.DeleteFunc(texts, func(s string) bool { return s == "" }); len(texts) > 0 {
			card.Facts = append(card.Facts, fact{Name: name, Texts: texts})
		}
	}
	var hurts []string
	for _, name := range f.Functions {
		if def := b.out.Setting.Functions[name]; def != nil {
			hurts = append(hurts, cmp.Or(def.Title, name))
		}
	}
	if hurts != nil {
		card.Facts = append(card.Facts, fact{Name: "Hurts", Texts: []string{strings.Join(hurts, "; ")}, Wide: true})
	}
	switch {
	case f.Code != nil && f.Message == "":
		add("Stored by", b.titled(f.Listener))
	case f.Sender != f.Listener:
		add("Sent by", b.titled(f.Sender))
		add("Heard by", strings.Split(b.words.listeners(f), "; ")...)
	}
	switch {
	case f.HasTime:
		add("First", b.words.first(f))
	case f.Count > 1:
		add("Count", Grouped(f.Count))
	}
	if f.Example != nil {
		card.Frames = []quote{{"Frame", place(f.Example, b.words.lines[f.Example.File]), f.Example.Raw}}
	}
	card.Figure, card.See = b.findingFigure(f)
	return card
}

func (b *checkBuilder) titled(name string) string {
	if name == "" {
		return ""
	}
	if title := b.unit(name); title != name {
		return name + ", " + title
	}
	return name
}

// newGauge draws a measured figure and its limit on one scale; nil where one of
// the two is missing or negative.
func newGauge(measured, most *rules.Quantity, from string) *gauge {
	if measured == nil || most == nil || !(measured.Value >= 0) || !(most.Value >= 0) || measured.Unit != most.Unit {
		return nil
	}
	whole := 1.15 * max(measured.Value, most.Value)
	if whole == 0 || whole > 1e300 {
		return nil
	}
	share := func(x float64) string { return fmt.Sprintf("%.2f%%", 100*x/whole) }
	return &gauge{figure(measured), figure(most), from, share(measured.Value), share(most.Value)}
}

// findingFigure is the plot that shows a finding: of its signal, else the pace of
// its message. A message that was drawn already is linked to.
func (b *checkBuilder) findingFigure(f *rules.Finding) (*drawing, *link) {
	if b.out.Evidence == nil || f.Message == "" {
		return nil, nil
	}
	m := b.out.Evidence.Messages[f.Message]
	if m == nil || m.Seen() == 0 {
		return nil, nil
	}
	name := f.Message
	draw := func() *drawing { return b.paceFigure(m) }
	if s := m.Signals[f.Signal]; s != nil && s.Track != nil && s.Available+s.NA > 0 && !strings.HasPrefix(f.Rule, "message/") {
		name += "." + f.Signal
		draw = func() *drawing { return b.figures.signals(name, []signalLine{{name, s}}) }
	}
	if have := b.shown[name]; have != nil {
		return nil, &link{"#" + have.ID, "the plot of " + name}
	}
	fig := draw()
	if fig != nil {
		b.shown[name] = fig
	}
	return fig, nil
}

// chainFigure draws the signals of a function's chain over one another; nil when
// none of them came.
func (b *checkBuilder) chainFigure(title string, chain []profiles.SignalRef) *drawing {
	if b.out.Evidence == nil {
		return nil
	}
	var lines []signalLine
	for _, ref := range chain {
		message, signal := ref.Split()
		m := b.out.Evidence.Messages[message]
		if m == nil || m.Seen() == 0 {
			continue
		}
		if s := m.Signals[signal]; s != nil && s.Available+s.NA > 0 {
			lines = append(lines, signalLine{string(ref), s})
		}
	}
	if lines == nil {
		return nil
	}
	return b.figures.signals(title, lines)
}

// signalLine is a signal to be drawn, by its full name.
type signalLine struct {
	name   string
	signal *evidence.Signal
}

// searchCard is the search for the cause of one symptom.
type searchCard struct {
	Title     string
	Index     string // what the index calls it
	Steps     []searchStep
	Otherwise string
}

type searchStep struct {
	Mark     mark
	Question string
	Answer   string
}

func (b *checkBuilder) search(d *rules.Differential) searchCard {
	card := searchCard{Title: d.Asked}
	if d.Symptom != d.Asked {
		card.Index = d.Symptom
	}
	for _, st := range d.Steps {
		s := searchStep{Mark: mark{"untested", "not asked"}, Question: st.Question + "?"}
		switch st.State {
		case rules.Fired:
			s.Mark = mark{verdictMarks[st.Finding.Verdict].Class, "fired"}
			s.Answer = said(st.Finding.Text) + " Next: " + said(st.Finding.NextStep)
		case rules.Untold:
			s.Mark = verdictMarks[rules.NotTestable]
			s.Answer = said(st.Finding.Text) + " To do: " + said(st.Finding.NextStep)
		case rules.Clear:
			s.Mark = mark{"pass", "clear"}
		case rules.NotJudged:
			s.Mark = mark{"untested", "not judged"}
		}
		card.Steps = append(card.Steps, s)
	}
	if d.Fired() == nil {
		card.Otherwise = said(d.Otherwise)
	}
	return card
}
