package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"plugproof/profiles"
	"plugproof/profiles/compare"
	"plugproof/profiles/rules"
)

// ComparisonHTML writes a comparison as one page, as HTML does a check. setting
// is nil where no profile was given.
func ComparisonHTML(w io.Writer, res *compare.Result, setting *profiles.Setting, opts HTMLOptions) error {
	b := &compareBuilder{res: res, setting: setting, lines: map[string]bool{}, figures: newFigures(0, 0, nil), shown: map[string]*drawing{}}
	for _, side := range []*compare.Side{&res.Before, &res.After} {
		for i := range side.Captures {
			b.lines[side.Captures[i].Path] = isText(side.Captures[i].Format)
		}
	}
	return render(w, b.sheet(&opts))
}

// Caps of a page; what is past them is counted.
const (
	maxChanges = 60
	maxStates  = 60
	maxDrawn   = 300 // signals by state
)

// comparePart is what only the page of a comparison has.
type comparePart struct {
	Complaints []complaintCard
	Silent     string // said where nobody complains
	Groups     []functionGroup
	Changes    []findingCard
	Alike      string // how many identifiers are as before
	Untested   []remedy
	Messages   []comparedCard
	More       string
	States     *table // nil: the captures are not matched by state
	Notes      []string
}

// complaintCard is what one unit says.
type complaintCard struct {
	Unit  string
	Mark  mark
	Items []complaint
	Next  string
}

type complaint struct {
	Text   string
	Frames []quote
}

// remedy is what could not be judged, and what would change that.
type remedy struct{ Text, Also, Todo string }

// comparedCard is one identifier before and after.
type comparedCard struct {
	Name, ID, Bus, Sender string
	Mark                  mark
	Before, After         string // usual gaps
	Frames                string
	Facts                 table
	Rows                  []comparedRow
	Figures               []*drawing
	See                   []link
}

type comparedRow struct {
	Mark         mark
	Aspect, Text string
}

// compareBuilder turns a comparison into a page.
type compareBuilder struct {
	res     *compare.Result
	setting *profiles.Setting
	lines   map[string]bool // captures whose records are lines
	figures *figures
	shown   map[string]*drawing // signals by state that were drawn
}

func (b *compareBuilder) sheet(opts *HTMLOptions) *sheet {
	s := &sheet{
		Title: "Comparison", Kind: "Comparison", Mark: verdictMarks[b.res.Verdict],
		Headline: b.headline(), Portions: b.portions(), First: b.first(), Facts: b.facts(), Version: opts.Version,
	}
	if b.setting != nil {
		s.Title = "Comparison: " + cmp.Or(b.setting.Title, b.setting.Name)
	}
	p := &comparePart{Notes: capitals(b.res.Notes), Untested: b.untested(), States: b.states()}
	p.Complaints = b.complaints()
	if p.Complaints == nil {
		p.Silent = "Nothing, before or after."
		if b.res.Mode == compare.ByBits {
			p.Silent = "Not known: no definition names their fault and lamp bits."
		}
	}
	p.Groups = b.groups()
	p.Changes, p.Alike = b.changes()
	p.Messages, p.More = b.messages()
	s.Compare, s.Contents = p, p.contents()
	s.Handover = b.handover(opts)
	s.Plots = b.figures.data()
	return s
}

func (p *comparePart) contents() []link {
	list := []link{{"#complaints", "Complaints"}}
	if p.Groups != nil {
		list = append(list, link{"#functions", "Functions"})
	}
	list = append(list, link{"#changes", "Changes"}, link{"#messages", "Messages"})
	if p.States != nil {
		list = append(list, link{"#states", "States"})
	}
	return append(list, link{"#handover", "Handover"})
}

func (b *compareBuilder) headline() string {
	functions, identifiers := 0, 0
	for i := range b.res.Functions {
		if b.res.Functions[i].Verdict == rules.Fail {
			functions++
		}
	}
	for i := range b.res.Messages {
		if b.res.Messages[i].Verdict == rules.Fail {
			identifiers++
		}
	}
	switch {
	case functions > 0:
		return plural(functions, "function") + map[bool]string{true: " fails", false: " fail"}[functions == 1] + " that did not before"
	case identifiers > 0:
		return plural(identifiers, "identifier") + map[bool]string{true: " is", false: " are"}[identifiers == 1] + " not what was there before"
	case b.res.Verdict == rules.Fail:
		return "Other units complain that did not before"
	case b.res.Verdict == rules.Review:
		return "Nothing fails, something changed"
	case b.res.Verdict == rules.NotTestable:
		return "Too little could be compared"
	}
	return "As before, in all that was compared"
}

// portions counts the functions, or the identifiers where there are none.
func (b *compareBuilder) portions() []portion {
	if len(b.res.Functions) > 0 {
		list := make([]rules.FunctionResult, len(b.res.Functions))
		for i := range list {
			list[i].Verdict = b.res.Functions[i].Verdict
		}
		return functionPortions(list)
	}
	n := map[rules.Verdict]int{}
	for i := range b.res.Messages {
		n[b.res.Messages[i].Verdict]++
	}
	var out []portion
	for _, v := range []rules.Verdict{rules.Fail, rules.Review, rules.Pass, rules.NotTestable} {
		out = append(out, portion{Mark: verdictMarks[v], Count: n[v], What: v.String()})
	}
	return portions(out)
}

// first is the next step of the gravest change; a complaint only says that there
// is one.
func (b *compareBuilder) first() *lead {
	for _, v := range []rules.Verdict{rules.Fail, rules.Review} {
		for i, group := range b.alike(v) {
			if group[0].NextStep != "" && (v == rules.Fail || len(b.res.Complaints) == 0) {
				if v == rules.Review {
					i += len(b.alike(rules.Fail))
				}
				return &lead{"Do this first", sentence(group[0].NextStep), "#" + changeID(i)}
			}
		}
	}
	if len(b.res.Complaints) > 0 && b.res.Complaints[0].NextStep != "" {
		return &lead{"Do this first", sentence(b.res.Complaints[0].NextStep), "#complaints"}
	}
	return nil
}

func (b *compareBuilder) facts() []fact {
	res := b.res
	var list []fact
	side := func(name string, s *compare.Side) {
		f := fact{Name: name}
		for i := range s.Captures {
			f.Texts = append(f.Texts, captureWords(&s.Captures[i]))
		}
		f.Texts = append(f.Texts, recordedWords(s.Captures, s.Start, s.End)...)
		list = append(list, f)
	}
	side("Before", &res.Before)
	side("After", &res.After)
	by := map[compare.Mode]string{
		compare.ByProfile: "profile " + res.Setting, compare.ByDBC: "DBC files",
		compare.ByBits: "bits alone: neither a profile nor a DBC file was given",
	}
	list = append(list, fact{Name: "Compared by", Texts: []string{by[res.Mode]}})
	var axes []string
	for i := range res.Axes {
		axes = append(axes, fmt.Sprintf("%s (%s)", res.Axes[i].Title, res.Axes[i].Signal))
	}
	if axes != nil {
		list = append(list, fact{Name: "Matched by the state of the car, told by", Texts: []string{strings.Join(axes, "; ")}, Wide: true})
	}
	return list
}

// complaints gathers what is said by unit, in the order of the result.
func (b *compareBuilder) complaints() []complaintCard {
	var cards []complaintCard
	for i := range b.res.Complaints {
		r := &b.res.Complaints[i]
		unit := b.unit(cmp.Or(r.Sender, r.Listener))
		at := slices.IndexFunc(cards, func(c complaintCard) bool { return c.Unit == unit && c.Mark == verdictMarks[r.Verdict] })
		if at < 0 {
			cards = append(cards, complaintCard{Unit: unit, Mark: verdictMarks[r.Verdict], Next: sentence(r.NextStep)})
			at = len(cards) - 1
		}
		cards[at].Items = append(cards[at].Items, complaint{capital(sentence(r.Text)), b.frames(r)})
	}
	return cards
}

func (b *compareBuilder) unit(name string) string {
	if b.setting != nil {
		if n := b.setting.Nodes[name]; n != nil && n.Title != "" {
			return name + ", " + n.Title
		}
	}
	return cmp.Or(name, "not known who")
}

// frames quotes the frames that show a row.
func (b *compareBuilder) frames(r *compare.Row) []quote {
	var list []quote
	for _, e := range []struct {
		label string
		*rules.Example
	}{{"Frame before", r.BeforeExample}, {"Frame after", r.Example}} {
		if e.Example != nil {
			list = append(list, quote{e.label, place(e.Example, b.lines[e.File]), e.Raw})
		}
	}
	return list
}

// groups gives the functions by verdict, those with one reason together.
func (b *compareBuilder) groups() []functionGroup {
	titles := map[rules.Verdict]string{
		rules.Fail: "Fails", rules.Review: "Changed", rules.Pass: "As before", rules.NotTestable: "Could not be compared",
	}
	var groups []functionGroup
	for _, v := range []rules.Verdict{rules.Fail, rules.Review, rules.Pass, rules.NotTestable} {
		g := functionGroup{Mark: verdictMarks[v], Title: titles[v]}
		for i := range b.res.Functions {
			f := &b.res.Functions[i]
			if f.Verdict != v {
				continue
			}
			why := sentence(f.Reason)
			if v == rules.Pass {
				why = ""
			}
			at := slices.IndexFunc(g.Causes, func(c cause) bool { return c.Why == why })
			if at < 0 {
				g.Causes = append(g.Causes, cause{Why: why})
				at = len(g.Causes) - 1
			}
			g.Causes[at].Functions = append(g.Causes[at].Functions, b.band(f))
		}
		if g.Causes != nil {
			groups = append(groups, g)
		}
	}
	return groups
}

func (b *compareBuilder) band(f *compare.Function) functionBand {
	band := functionBand{Title: cmp.Or(f.Title, f.Name), Name: f.Name, Mark: verdictMarks[f.Verdict]}
	if !f.Exercised {
		band.Asked = "The capture before does not exercise it."
	}
	var rows []*compare.Row
	for _, at := range f.Rows {
		rows = append(rows, &b.res.Messages[at.Message].Rows[at.Row])
	}
	band.Rows = comparedRows(rows)
	return band
}

// comparedRows lists rows, the serious ones first; those that pass are counted.
func comparedRows(rows []*compare.Row) []comparedRow {
	var list []comparedRow
	same := 0
	for _, v := range []rules.Verdict{rules.Fail, rules.Review, rules.NotTestable} {
		for _, r := range rows {
			if r.Verdict == v {
				list = append(list, comparedRow{verdictMarks[v], string(r.Aspect), capital(sentence(r.Text))})
			}
		}
	}
	for _, r := range rows {
		if r.Verdict == rules.Pass {
			same++
		}
	}
	if same > 0 {
		list = append(list, comparedRow{verdictMarks[rules.Pass], "", plural(same, "aspect") + " as before."})
	}
	return list
}

// alike gathers the rows of one verdict by aspect and next step, the aspects that
// say most first.
func (b *compareBuilder) alike(v rules.Verdict) [][]*compare.Row {
	var groups [][]*compare.Row
	for i := range b.res.Messages {
		for k := range b.res.Messages[i].Rows {
			r := &b.res.Messages[i].Rows[k]
			if r.Verdict != v {
				continue
			}
			at := slices.IndexFunc(groups, func(g []*compare.Row) bool {
				return g[0].Aspect == r.Aspect && g[0].NextStep == r.NextStep
			})
			if at < 0 {
				groups = append(groups, []*compare.Row{r})
				continue
			}
			groups[at] = append(groups[at], r)
		}
	}
	slices.SortStableFunc(groups, func(x, y []*compare.Row) int { return cmp.Compare(rankOf(x[0].Aspect), rankOf(y[0].Aspect)) })
	return groups
}

// rankOf orders aspects: the lower, the more they say.
func rankOf(a compare.Aspect) int {
	return slices.Index([]compare.Aspect{
		compare.Complaint, compare.Presence, compare.Cycle, compare.Length, compare.Constant, compare.Protected,
		compare.Range, compare.Response, compare.Wake, compare.Valid, compare.PostRun,
	}, a)
}

func changeID(i int) string { return fmt.Sprintf("change-%d", i+1) }

// changes gives the rows that are no pass, and says how many identifiers are as
// before.
func (b *compareBuilder) changes() (cards []findingCard, alike string) {
	for _, v := range []rules.Verdict{rules.Fail, rules.Review} {
		for _, group := range b.alike(v) {
			if len(cards) < maxChanges {
				cards = append(cards, b.change(len(cards), group))
			}
		}
	}
	same := 0
	for i := range b.res.Messages {
		if b.res.Messages[i].Verdict == rules.Pass {
			same++
		}
	}
	if same > 0 {
		alike = plural(same, "identifier") + " as before in every respect."
	}
	return cards, alike
}

func (b *compareBuilder) change(i int, group []*compare.Row) findingCard {
	r := group[0]
	card := findingCard{
		ID: changeID(i), Number: fmt.Sprint(i + 1), Mark: verdictMarks[r.Verdict], Rule: string(r.Aspect),
		Text: sentence(r.Text), Next: sentence(r.NextStep), Gauge: newGauge(r.Measured, r.Limit, r.LimitFrom), Frames: b.frames(r),
	}
	if len(group) > 1 {
		var names []string
		for _, other := range group[1:] {
			names = append(names, rowName(other))
		}
		names = slices.Compact(names)
		card.Also = "Likewise: " + strings.Join(names, ", ") + "."
	}
	add := func(name, text string) {
		if text != "" {
			card.Facts = append(card.Facts, fact{Name: name, Texts: []string{text}})
		}
	}
	if r.Before != nil {
		add("Before", figure(r.Before))
	}
	if card.Gauge == nil && r.Measured != nil {
		add("After", figure(r.Measured))
	}
	add("Sent by", r.Sender)
	add("Hurts", r.Listener)
	if r.State >= 0 && r.State < len(b.res.States) {
		add("Worst state", b.res.States[r.State].Label)
	}
	for k := range b.res.Series {
		s := &b.res.Series[k]
		if m := &b.res.Messages[s.Message]; s.Signal == r.Signal && m.ID == r.ID && m.Bus == r.Bus && r.Signal != "" {
			card.Figure, card.See = b.overlay(s)
		}
	}
	return card
}

// rowName says what a row is about.
func rowName(r *compare.Row) string {
	name := cmp.Or(r.Message, r.ID.String())
	if r.Signal != "" {
		return name + "." + r.Signal
	}
	if r.Message != "" {
		return fmt.Sprintf("%s (%s)", r.Message, r.ID)
	}
	return name
}

func (b *compareBuilder) untested() []remedy {
	var list []remedy
	for _, group := range b.alike(rules.NotTestable) {
		r := remedy{
			Text: capital(string(group[0].Aspect)) + ": " + sentence(group[0].Text),
			Todo: sentence(cmp.Or(group[0].NextStep, "nothing")),
		}
		var names []string
		for _, other := range group[1:] {
			names = append(names, rowName(other))
		}
		if names = slices.Compact(names); len(names) > 0 {
			r.Also = "Likewise: " + strings.Join(names, ", ") + "."
		}
		list = append(list, r)
	}
	return list
}

// messages gives all identifiers, the most serious first.
func (b *compareBuilder) messages() (cards []comparedCard, more string) {
	order := make([]int, len(b.res.Messages))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(x, y int) int {
		return cmp.Compare(b.res.Messages[y].Verdict, b.res.Messages[x].Verdict)
	})
	if n := len(order); n > maxMessages {
		more = fmt.Sprintf("%d more identifiers came: the JSON form lists them.", n-maxMessages)
		order = order[:maxMessages]
	}
	for _, i := range order {
		cards = append(cards, b.message(i))
	}
	return cards, more
}

func (b *compareBuilder) message(i int) comparedCard {
	m := &b.res.Messages[i]
	card := comparedCard{
		Name: cmp.Or(m.Name, m.ID.String()), ID: m.ID.String(), Bus: m.Bus, Sender: cmp.Or(m.Sender, "not known"),
		Mark: verdictMarks[m.Verdict], Before: gapWords(&m.Before), After: gapWords(&m.After),
		Frames: Grouped(m.Before.Frames) + " / " + Grouped(m.After.Frames), Facts: b.factTable(m),
	}
	for k := range m.Rows {
		r := &m.Rows[k]
		card.Rows = append(card.Rows, comparedRow{verdictMarks[r.Verdict], string(r.Aspect), capital(sentence(r.Text))})
	}
	for k := range b.res.Series {
		if s := &b.res.Series[k]; s.Message == i {
			if fig, see := b.overlay(s); fig != nil {
				card.Figures = append(card.Figures, fig)
			} else if see != nil {
				card.See = append(card.See, *see)
			}
		}
	}
	return card
}

func gapWords(f *compare.Facts) string {
	switch {
	case f.Frames == 0:
		return "gone"
	case f.MedianGap == 0:
		return "-"
	}
	return duration(f.MedianGap)
}

func (b *compareBuilder) factTable(m *compare.Message) table {
	t := table{Caption: "Before and after", Heads: []string{"", "Before", "After"}}
	add := func(name string, words func(f *compare.Facts) string) {
		t.Rows = append(t.Rows, []string{name, words(&m.Before), words(&m.After)})
	}
	gap := func(ns int64) string {
		if ns == 0 {
			return "-"
		}
		return duration(ns)
	}
	add("Frames", func(f *compare.Facts) string { return Grouped(f.Frames) })
	add("Bytes", func(f *compare.Facts) string { return fmt.Sprint(f.Length) })
	add("Usual gap", func(f *compare.Facts) string { return gap(f.MedianGap) })
	add("95 % of gaps within", func(f *compare.Facts) string { return gap(f.P95Gap) })
	add("Longest gap", func(f *compare.Facts) string { return gap(f.LongestGap) })
	add("Bits that varied, by byte", func(f *compare.Facts) string { return fmt.Sprintf("% X", f.Varying) })
	return t
}

// overlay draws a signal before and after over the axis that both captures tell
// most of; a link where it was drawn already; neither where there is nothing to
// set against each other.
func (b *compareBuilder) overlay(s *compare.Series) (*drawing, *link) {
	m := &b.res.Messages[s.Message]
	name := cmp.Or(m.Name, m.ID.String()) + "." + s.Signal
	if have := b.shown[m.Bus+name]; have != nil {
		return nil, &link{"#" + have.ID, "the plot of " + name}
	}
	axis := b.axisFor(s, profiles.SignalRef(name))
	if axis < 0 || len(b.figures.plots) >= maxDrawn {
		return nil, nil
	}
	p := b.plot(s, axis)
	if p.flat() {
		return nil, nil
	}
	p.Title = name + " by " + b.res.Axes[axis].Title
	caption := "Mean, least and greatest value in the same state of the car"
	if s.Unit != "" {
		caption += ", in " + s.Unit
	}
	fig := b.figures.add(p, caption+".", stateTable(&p))
	b.shown[m.Bus+name] = fig
	return fig, nil
}

// axisFor is the axis with most bins that both captures have values in; none
// that the signal itself spans. -1: no axis has such a bin.
func (b *compareBuilder) axisFor(s *compare.Series, ref profiles.SignalRef) int {
	best, most := -1, 0
	for axis := range b.res.Axes {
		if b.res.Axes[axis].Signal == ref {
			continue
		}
		both := 0
		for _, p := range b.res.AlongAxis(s, axis) {
			if p.Before.N > 0 && p.After.N > 0 {
				both++
			}
		}
		if both > most {
			best, most = axis, both
		}
	}
	return best
}

// plot lays a series out along an axis: the bins that either capture has.
func (b *compareBuilder) plot(s *compare.Series, axis int) plot {
	p := plot{Unit: s.Unit, Lines: []line{{Name: "before"}, {Name: "after"}}}
	bins := b.res.Axes[axis].Bins
	for i, point := range b.res.AlongAxis(s, axis) {
		if point.Before.N == 0 && point.After.N == 0 {
			continue
		}
		label := "not known"
		if i < len(bins) {
			label = bins[i].Label
		}
		p.Bins = append(p.Bins, label)
		for k, v := range []compare.Values{point.Before, point.After} {
			l := &p.Lines[k]
			if v.N == 0 {
				v.Min, v.Max, v.Mean = math.NaN(), math.NaN(), math.NaN()
			}
			l.Min, l.Max, l.Mid = append(l.Min, v.Min), append(l.Max, v.Max), append(l.Mid, v.Mean)
		}
	}
	return p
}

// flat reports whether a plot shows one value only, before and after: a line of
// text says as much.
func (p *plot) flat() bool {
	least, most := math.Inf(1), math.Inf(-1)
	for _, l := range p.Lines {
		if lo, hi := rangeOf(l.Min, l.Max); !math.IsNaN(lo) {
			least, most = min(least, lo), max(most, hi)
		}
	}
	return least >= most
}

// stateTable gives a plot by state as text.
func stateTable(p *plot) *table {
	t := &table{Caption: p.Title, Heads: []string{"State", "Before: mean", "least to greatest", "After: mean", "least to greatest"}}
	for i, label := range p.Bins {
		row := []string{label}
		for k := range p.Lines {
			l := &p.Lines[k]
			mean := "-"
			if !math.IsNaN(l.Mid[i]) {
				mean = number(l.Mid[i])
			}
			row = append(row, mean, rangeWords(l.Min[i], l.Max[i]))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

// states lists the states of either capture; nil where there is only one.
func (b *compareBuilder) states() *table {
	if len(b.res.States) < 2 {
		return nil
	}
	t := &table{Caption: "States of the car, and the frames in them", Heads: []string{"State", "Before", "After"}}
	list := b.res.States
	if len(list) > maxStates {
		t.Caption += fmt.Sprintf(" (%d of %d)", maxStates, len(list))
		list = list[:maxStates]
	}
	for i := range list {
		t.Rows = append(t.Rows, []string{list[i].Label, Grouped(list[i].Before), Grouped(list[i].After)})
	}
	return t
}

func (b *compareBuilder) handover(opts *HTMLOptions) handover {
	h := newHandover(opts.Version, opts.Files)
	if b.setting != nil {
		h.Settings = settingFacts(b.setting)
	} else {
		h.Settings = []fact{{Name: "Settings", Texts: []string{"not known: compared without a profile"}}}
	}
	h.addCaptures("before", b.res.Before.Captures)
	h.addCaptures("after", b.res.After.Captures)
	if h.Codes = codeTable(opts.CodesBefore, opts.CodesAfter); h.Codes == nil {
		h.NoCodes = "No trouble codes were given."
		if opts.CodesGiven {
			h.NoCodes = "The lists of trouble codes that were given are empty."
		}
	}
	if titles := b.res.Unjudged(); len(titles) > 0 {
		h.Limits = append(h.Limits, "Not judged, and not to be taken for working: "+strings.Join(titles, "; ")+".")
	}
	h.Limits = append(h.Limits, capitals(b.res.Notes)...)
	h.Limits = append(h.Limits,
		"Captures are matched by state, not by time: states that only one of them holds could not be compared.",
		"As before does not mean right: what was wrong before the swap is wrong after it.")
	return h
}

// capitals makes sentences of texts.
func capitals(texts []string) []string {
	var list []string
	for _, text := range texts {
		list = append(list, capital(sentence(text)))
	}
	return list
}
