package report

import (
	"cmp"
	"io"
	"strings"

	"plugproof/profiles"
	"plugproof/profiles/compare"
	"plugproof/profiles/rules"
)

// ComparisonHTML writes a comparison as one page, as HTML does a check. setting
// is nil where no profile was given.
func ComparisonHTML(w io.Writer, res *compare.Result, setting *profiles.Setting, opts HTMLOptions) error {
	b := &compareBuilder{
		res: res, words: comparison{res: res, lines: comparedLines(res)}, setting: setting,
		figures: newFigures(0, 0, nil), shown: map[string]*drawing{},
	}
	return render(w, b.sheet(&opts))
}

// Caps of a page; what is past them is counted.
const (
	maxChanges = 60
	maxStates  = 60
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

// compareBuilder turns a comparison into a page.
type compareBuilder struct {
	res     *compare.Result
	words   comparison // wording that the page shares with the text
	setting *profiles.Setting
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
		for i, group := range b.words.groups(v) {
			if group[0].NextStep != "" && (v == rules.Fail || len(b.res.Complaints) == 0) {
				if v == rules.Review {
					i += len(b.words.groups(rules.Fail))
				}
				return &lead{"Do this first", said(group[0].NextStep), "#" + changeID(i)}
			}
		}
	}
	if len(b.res.Complaints) > 0 && b.res.Complaints[0].NextStep != "" {
		return &lead{"Do this first", said(b.res.Complaints[0].NextStep), "#complaints"}
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
		axes = append(axes, res.Axes[i].Name())
	}
	if axes != nil {
		list = append(list, fact{Name: "Matched by the state of the car, told by", Texts: []string{strings.Join(axes, "; ")}, Wide: true})
	}
	return list
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
	h.seen(&b.res.Seen)
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
		list = append(list, said(text))
	}
	return list
}
