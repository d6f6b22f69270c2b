package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"plugproof/decode/capture"
	"plugproof/profiles/identify"
)

// Identification is the outcome of an identify run and what it was made from.
type Identification struct {
	*identify.Result
	Captures []capture.FileReport
	Known    int                         // settings on file
	Title    func(setting string) string // of a setting; "" where it has none
}

// IdentifyHTML writes an identification as one page, as HTML does a check.
func IdentifyHTML(w io.Writer, res *Identification, opts HTMLOptions) error {
	return render(w, newIdentifySheet(res, &opts))
}

// identifyPart is what only the page of an identification has.
type identifyPart struct {
	Modules  []moduleRow
	Ranked   []rankedRow
	More     string // says that there are more settings than rows; "": there are not
	ReadOff  []string
	Notes    []string
	Evidence []evidenceGroup
}

// moduleRow is what one module asks for. Bar is its odds as a length, by their
// logarithm.
type moduleRow struct {
	Name, Title string
	Mark        mark
	Says        string
	Odds, Bar   string
	Settings    string
	Unserved    bool
}

// rankedRow is settings that the bus does not tell apart.
type rankedRow struct {
	Settings, Odds, Bar, Explained string
	Best                           bool
}

// evidenceGroup is the discriminators that came out one way.
type evidenceGroup struct {
	Title string
	Open  bool
	Table table
}

// maxRanked is how many classes of settings a page lists.
const maxRanked = 40

var identifyMarks = map[identify.Verdict]mark{
	identify.Identified: {"pass", "identified"}, identify.Likely: {"pass", "likely"},
	identify.Tie: {"review", "tie"}, identify.NoneFits: {"fail", "none fits"},
}

func newIdentifySheet(res *Identification, opts *HTMLOptions) *sheet {
	s := &sheet{
		Title: "Identification: " + string(res.Verdict), Kind: "Identification", Mark: identifyMarks[res.Verdict],
		Headline: res.headline(), Alarm: res.alarm(), First: res.first(), Facts: res.facts(),
		Version: opts.Version, Plots: newFigures(0, 0, nil).data(),
		Contents: []link{{"#modules", "Modules"}, {"#settings", "Settings"}, {"#evidence", "Evidence"}, {"#handover", "Handover"}},
	}
	s.Identify = &identifyPart{
		Modules: res.modules(), ReadOff: capitals(res.ReadOff), Notes: capitals(res.Notes), Evidence: res.evidence(),
	}
	s.Identify.Ranked, s.Identify.More = res.ranked()
	h := newHandover(opts.Version, opts.Files)
	h.Settings = []fact{
		{Name: "Network setting", Texts: []string{res.network()}},
		{Name: "Loom setting", Texts: []string{res.loom()}},
	}
	h.addCaptures("identified by", res.Captures)
	h.NoCodes = "An identification reads no trouble codes."
	h.Limits = res.limits()
	s.Handover = h
	return s
}

// headline names the car, or says why there is no name.
func (r *Identification) headline() string {
	switch {
	case r.Verdict == identify.NoneFits:
		return "No setting on file fits this car"
	case len(r.Settings) == 1:
		return cmp.Or(r.Title(r.Settings[0]), r.Settings[0])
	case len(r.Settings) == r.Known:
		return "Any setting on file could be this car's"
	}
	return fmt.Sprintf("%d settings fit alike", len(r.Settings))
}

func (r *Identification) alarm() *alarm {
	if !r.Disagree {
		return nil
	}
	return &alarm{"The engine computer and the car disagree", []fact{
		{Name: r.ECU.Is.Says(), Texts: []string{strings.Join(r.ECU.Settings, " or ")}},
		{Name: "the car says", Texts: []string{strings.Join(r.Network, " or ")}},
	}}
}

// first is the next step where there is one, else what to set.
func (r *Identification) first() *lead {
	switch {
	case r.Step != nil:
		return &lead{Label: "Record this next", Text: said(r.Step.Text) + " " + said(r.Step.Why)}
	case len(r.ReadOff) > 0:
		return &lead{Label: "Read off the car", Text: said(strings.Join(r.ReadOff, "; "))}
	case r.Verdict == identify.NoneFits:
		return &lead{Label: "Go by the modules", Text: "Each asks for its own: see what they say.", Href: "#modules"}
	}
	return &lead{Label: "Set the new engine computer to", Text: "Network " + r.network() + "; loom " + r.loom() + "."}
}

func (r *Identification) network() string {
	if len(r.Network) == 0 || len(r.Settings) == r.Known && r.Known > 1 {
		return "not told apart by these captures"
	}
	text := strings.Join(r.Network, " or ")
	if r.Conversion {
		text += ", as " + r.ServedFirst() + "; no one setting satisfies " + strings.Join(r.Unserved, ", ") + " as well"
	}
	return text
}

func (r *Identification) loom() string {
	switch {
	case r.Conversion:
		return "by the engine harness: read its plug"
	case len(r.Loom) == 0 || len(r.Settings) == r.Known && r.Known > 1:
		return "not told: read the plug of the engine harness"
	}
	return strings.Join(r.Loom, " or ") + ", if engine and harness are the car's own"
}

func (r *Identification) facts() []fact {
	var list []fact
	add := func(name string, texts ...string) { list = append(list, fact{Name: name, Texts: texts}) }
	if len(r.Settings) <= 12 {
		add(map[bool]string{true: "Nearest", false: "Setting"}[r.Verdict == identify.NoneFits], r.Settings...)
	}
	if r.Next != "" {
		add("Odds", Odds(r.Odds)+" to the next, "+r.Next)
	}
	add("Rests on", plural(r.Seen, "independent discriminator"),
		fmt.Sprintf("%.1f %% of %s frames of other modules explained", 100*r.Explained, Grouped(r.Foreign)))
	if r.SameOnBus {
		add("Same on the bus", "no capture of the other modules tells these settings apart")
	}
	if r.ECU != nil {
		add("Engine computer", r.ECU.Is.Says()+" "+strings.Join(r.ECU.Settings, ", "), "not counted for the car")
	}
	for i := range r.Captures {
		add("Capture", captureWords(&r.Captures[i]))
	}
	var buses []string
	for _, in := range r.Interfaces {
		switch in.Bus {
		case "":
			buses = append(buses, in.Name+" is no bus of any setting: not judged")
		case in.Name:
			buses = append(buses, in.Name)
		default:
			buses = append(buses, fmt.Sprintf("%s is %s (%s)", in.Name, in.Bus, in.How))
		}
	}
	add("Buses", buses...)
	return list
}

// moduleMark shows the state of a module, and whether it is content.
func (r *Identification) moduleMark(m *identify.Module) mark {
	switch {
	case m.State == identify.Absent:
		return mark{"untested", "absent"}
	case m.State == identify.NotTested:
		return mark{"untested", "not testable"}
	case slices.Contains(r.Unserved, m.Name):
		return mark{"fail", "not satisfied"}
	}
	return mark{"pass", "present"}
}

func (r *Identification) modules() []moduleRow {
	var rows []moduleRow
	for i := range r.Modules {
		m := &r.Modules[i]
		row := moduleRow{
			Name: m.Name, Title: m.Title, Mark: r.moduleMark(m), Says: m.Says, Unserved: slices.Contains(r.Unserved, m.Name),
		}
		if m.State != identify.NotTested && m.Odds > 1 {
			row.Odds, row.Bar = Odds(m.Odds), oddsBar(m.Odds)
			row.Settings = strings.Join(m.Settings, ", ")
		}
		rows = append(rows, row)
	}
	return rows
}

func (r *Identification) ranked() (rows []rankedRow, more string) {
	list := r.Ranked
	if n := len(list) - maxRanked; n > 0 {
		more = fmt.Sprintf("%d more fit less well still.", n)
		list = list[:maxRanked]
	}
	for i := range list {
		c := &list[i]
		row := rankedRow{
			Settings: strings.Join(c.Settings, ", "), Odds: Odds(c.Odds) + " against", Bar: oddsBar(c.Odds),
			Explained: fmt.Sprintf("%.1f %%", 100*c.Explained), Best: c.Odds <= 1,
		}
		if row.Best {
			row.Odds = "best"
		}
		rows = append(rows, row)
	}
	return rows, more
}

// oddsBar is the length of odds, by their logarithm, in percent.
func oddsBar(odds float64) string {
	return fmt.Sprintf("%.1f%%", 100*math.Log(max(1, odds))/math.Log(identify.MaxOdds))
}

func (r *Identification) evidence() []evidenceGroup {
	titles := []struct {
		outcome identify.Outcome
		title   string
	}{{identify.Contradicts, "Contradicted"}, {identify.Supports, "Seen"}, {identify.NotTestable, "Not testable"}}
	var groups []evidenceGroup
	for _, t := range titles {
		g := evidenceGroup{Open: t.outcome == identify.Contradicts, Table: table{
			Heads: []string{"Message", "Module", "Identifier", "What", "Setting says", "Capture shows", "Odds"}, Wordy: true,
		}}
		for _, p := range r.Evidence {
			if p.Outcome != t.outcome {
				continue
			}
			odds := "-"
			if p.Outcome != identify.NotTestable {
				odds = Odds(p.Odds)
			}
			id := p.ID + " on " + p.Bus
			if p.ID == "" {
				id = p.Bus
			}
			g.Table.Rows = append(g.Table.Rows, []string{cmp.Or(p.Message, "the bus"), p.Module, id, p.What, p.Says, p.Shown, odds})
		}
		if n := len(g.Table.Rows); n > 0 {
			g.Title = fmt.Sprintf("%s: %d", t.title, n)
			g.Table.Caption = fmt.Sprintf("%s, against %s", t.title, r.Settings[0])
			groups = append(groups, g)
		}
	}
	return groups
}

func (r *Identification) limits() []string {
	list := []string{
		"The odds are starting values from common practice, not counted on many cars.",
		fmt.Sprintf("Only the %s on file were compared: a car that is on no file can be nearest to one that is.", plural(r.Known, "setting")),
		"What the engine computer itself sends, and what a gateway relays of it, says nothing of the car and was left out.",
	}
	for _, m := range r.Modules {
		if m.State == identify.NotTested {
			list = append(list, "The capture does not tell of "+cmp.Or(m.Title, m.Name)+".")
		}
	}
	return list
}

// Odds writes odds; the largest stand for all beyond them.
func Odds(odds float64) string {
	switch {
	case odds >= identify.MaxOdds:
		return "over " + Grouped(uint64(identify.MaxOdds)) + ":1"
	case odds < 10:
		return tenth(odds) + ":1"
	}
	return Grouped(uint64(odds+0.5)) + ":1"
}
