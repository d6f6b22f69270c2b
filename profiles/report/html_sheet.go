package report

import (
	"cmp"
	"fmt"
	"html/template"
	"slices"
	"strings"

	"plugproof/profiles/check"
	"plugproof/profiles/rules"
)

// sheet is everything that a page shows, ready to be laid out: the templates
// only go through it.
type sheet struct {
	Policy string // content security policy
	Style  template.CSS
	Script template.JS

	Title    string // of the window
	Kind     string // what this is: "Check"
	Mark     mark
	Headline string // the verdict in one sentence
	Alarm    *alarm // nil: nothing stands above the verdict
	Portions []portion
	First    *lead // nil: nothing to do
	Facts    []fact
	Contents []link

	Check    *checkPart // one of these
	Identify *identifyPart
	Compare  *comparePart
	Job      *jobPart
	Recheck  *recheckPart // it hands nothing over

	Handover handover
	Version  string
	Plots    *plotData
}

// mark is a verdict as it looks: never by its colour alone.
type mark struct {
	Class string // of the style, and the name of the symbol
	Word  string
}

var verdictMarks = map[rules.Verdict]mark{
	rules.Fail: {"fail", "fail"}, rules.Review: {"review", "review"},
	rules.Pass: {"pass", "pass"}, rules.NotTestable: {"untested", "not testable"},
}

// alarm is what must be read before the verdict.
type alarm struct {
	Title string
	Facts []fact
}

// portion is how many of something came out one way. Share is its part of the
// strip that shows all of them, X where that begins; both in percent.
type portion struct {
	Mark  mark
	Count int
	What  string
	X     string
	Share string
}

// lead is the first thing to do.
type lead struct{ Label, Text, Href string }

type fact struct {
	Name  string
	Texts []string
	Wide  bool // takes the whole width
}

type link struct{ Href, Text string }

// table is figures as text.
type table struct {
	Caption string
	Heads   []string // of the columns; the first cell of a row heads the row
	Rows    [][]string
	Wordy   bool // on a phone the cells of a row stand below each other: a page is not moved sideways to be read
}

// capital begins a text with a capital letter, unless it begins with a name:
// can0, id_2C1 and EngineSpeed keep their case; air-con is a word.
func capital(s string) string {
	word, _, _ := strings.Cut(s, " ")
	if strings.ContainsFunc(strings.TrimRight(word, ",;:."), func(r rune) bool { return (r < 'a' || r > 'z') && r != '-' }) {
		return s
	}
	return strings.ToUpper(s[:min(1, len(s))]) + s[min(1, len(s)):]
}

// said makes a sentence of a text.
func said(s string) string { return capital(sentence(s)) }

// portions lays counts out side by side.
func portions(list []portion) []portion {
	total, sum := 0, 0
	for _, t := range list {
		total += t.Count
	}
	list = slices.DeleteFunc(list, func(t portion) bool { return t.Count == 0 })
	for i := range list {
		t := &list[i]
		t.X, t.Share = percent(sum, total), percent(t.Count, total)
		sum += t.Count
	}
	return list
}

// percent is a share as a length of SVG.
func percent(part, whole int) string {
	return fmt.Sprintf("%.3f%%", 100*float64(part)/float64(max(1, whole)))
}

// functionPortions counts the functions by verdict, the most serious first.
func functionPortions(list []rules.FunctionResult) []portion {
	words := map[rules.Verdict][2]string{
		rules.Fail: {"fails", "fail"}, rules.Review: {"needs a look", "need a look"},
		rules.Pass: {"passes", "pass"}, rules.NotTestable: {"not testable", "not testable"},
	}
	var out []portion
	for _, v := range []rules.Verdict{rules.Fail, rules.Review, rules.Pass, rules.NotTestable} {
		n := 0
		for i := range list {
			if list[i].Verdict == v {
				n++
			}
		}
		what := words[v][1]
		if n == 1 {
			what = words[v][0]
		}
		out = append(out, portion{Mark: verdictMarks[v], Count: n, What: what})
	}
	return portions(out)
}

// newCheckSheet lays out the page of a check.
func newCheckSheet(out *check.Output, opts *HTMLOptions) *sheet {
	b := newCheckBuilder(out)
	s := &sheet{
		Title: "Check: " + b.carName(), Kind: "Check", Mark: verdictMarks[out.Verdict],
		Headline: checkHeadline(out), Portions: functionPortions(out.Functions), Facts: b.facts(),
		Version: opts.Version,
	}
	s.Check = b.part()
	s.Contents = s.Check.contents()
	if len(out.Findings) > 0 {
		s.First = &lead{"Do this first", said(out.Findings[0].NextStep), "#" + findingID(0)}
	}
	s.Handover = b.handover(opts)
	s.Plots = b.figures.data()
	return s
}

// checkHeadline says in one sentence how the check came out.
func checkHeadline(out *check.Output) string {
	n := 0
	for i := range out.Functions {
		if out.Functions[i].Verdict == rules.Fail {
			n++
		}
	}
	switch {
	case n == 1:
		return "One function fails"
	case n > 1:
		return fmt.Sprintf("%d functions fail", n)
	case out.Verdict == rules.Fail && len(out.Functions) == 0:
		return "The network is not as it should be"
	case out.Verdict == rules.Fail:
		return "No function fails, but the network does"
	case out.Verdict == rules.Review:
		return "Nothing fails, something needs a look"
	case out.Verdict == rules.NotTestable:
		return "Nothing fails, not everything could be judged"
	}
	return "All that was exercised works"
}

// carName says which setting was judged, for people.
func (b *checkBuilder) carName() string { return cmp.Or(b.out.Setting.Title, b.out.Setting.Name) }

// facts says what was judged.
func (b *checkBuilder) facts() []fact {
	out := b.out
	facts := []fact{{Name: "Setting", Texts: []string{out.Setting.Name}}}
	if out.Setting.Title != "" {
		facts[0].Texts = []string{out.Setting.Title, out.Setting.Name}
	}
	captures := fact{Name: "Capture"}
	for i := range out.Captures {
		captures.Texts = append(captures.Texts, captureWords(&out.Captures[i]))
	}
	facts = append(facts, captures)
	if len(out.Baseline) > 0 {
		was := fact{Name: "Baseline"}
		for i := range out.Baseline {
			was.Texts = append(was.Texts, captureWords(&out.Baseline[i]))
		}
		facts = append(facts, was)
	}
	if out.Frames > 0 {
		facts = append(facts, fact{Name: "Recorded", Texts: recordedWords(out.Captures, out.Start, out.End)})
	}
	facts = append(facts, fact{Name: "Scope", Texts: []string{scopeWords(out.Scope)}})
	return append(facts, interfaceFacts(out.Interfaces)...)
}

func interfaceFacts(list []check.Interface) []fact {
	f := fact{Name: "Buses"}
	for _, in := range list {
		switch in.How {
		case check.Same:
			f.Texts = append(f.Texts, in.Name)
		case check.Nowhere:
			f.Texts = append(f.Texts, in.Name+" is no bus of this setting: not judged")
		default:
			f.Texts = append(f.Texts, fmt.Sprintf("%s is %s (%s)", in.Name, in.Bus, in.How))
		}
	}
	if f.Texts == nil {
		return nil
	}
	return []fact{f}
}
