package report

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"plugproof/profiles/compare"
	"plugproof/profiles/rules"
)

// Comparison writes the outcome of a comparison to read: what other units
// complain about first, then the functions, then the identifiers.
func Comparison(w io.Writer, res *compare.Result, opts Options) error {
	v := comparison{page: page{colour: opts.Colour}, res: res, lines: comparedLines(res)}
	v.head()
	v.complaints()
	v.functions()
	v.identifiers()
	v.notTestable()
	_, err := io.WriteString(w, v.String())
	return err
}

// comparison is the text of a comparison being written.
type comparison struct {
	page
	res   *compare.Result
	lines map[string]bool // captures whose records are lines
}

// comparedLines says of each capture whether its records are lines.
func comparedLines(res *compare.Result) map[string]bool {
	lines := map[string]bool{}
	for _, side := range []*compare.Side{&res.Before, &res.After} {
		for i := range side.Captures {
			lines[side.Captures[i].Path] = isText(side.Captures[i].Format)
		}
	}
	return lines
}

func (v *comparison) head() {
	res := v.res
	verdict := strings.ToUpper(res.Verdict.String())
	functions, identifiers := v.counts()
	fact := func(name, text string) { v.wrapped(11, "  "+name, text) }
	if functions == "" {
		v.marked(len(verdict)+2, verdict, bold+";"+marks[res.Verdict], identifiers)
	} else {
		v.marked(len(verdict)+2, verdict, bold+";"+marks[res.Verdict], functions)
		fact("", identifiers)
	}
	for i := range res.Before.Captures {
		fact("before", fmt.Sprintf("%s, %s frames", res.Before.Captures[i].Path, Grouped(res.Before.Captures[i].Frames)))
	}
	for i := range res.After.Captures {
		fact("after", fmt.Sprintf("%s, %s frames", res.After.Captures[i].Path, Grouped(res.After.Captures[i].Frames)))
	}
	switch res.Mode {
	case compare.ByProfile:
		fact("by", "profile "+res.Setting)
	case compare.ByDBC:
		fact("by", "DBC files")
	default:
		fact("by", "bits alone: neither a profile nor a DBC file was given")
	}
	if len(res.Axes) > 0 {
		fact("matched", v.axes())
	}
	for _, note := range res.Notes {
		fact("note", note)
	}
}

// axes names what the states are told by, and how many both captures hold.
func (v *comparison) axes() string {
	var names []string
	for i := range v.res.Axes {
		names = append(names, v.res.Axes[i].Name())
	}
	both := 0
	for i := range v.res.States {
		if s := &v.res.States[i]; s.Before > 0 && s.After > 0 {
			both++
		}
	}
	return fmt.Sprintf("%d of %d states are in both captures, told by %s", both, len(v.res.States), strings.Join(names, ", "))
}

// counts sums up functions, "" where there are none, and identifiers.
func (v *comparison) counts() (functions, identifiers string) {
	n := map[rules.Verdict]int{}
	for i := range v.res.Messages {
		n[v.res.Messages[i].Verdict]++
	}
	identifiers = plural(len(v.res.Messages), "identifier") + ": " + verdictCounts(n)
	if len(v.res.Functions) == 0 {
		return "", identifiers
	}
	clear(n)
	for i := range v.res.Functions {
		n[v.res.Functions[i].Verdict]++
	}
	return plural(len(v.res.Functions), "function") + ": " + verdictCounts(n), identifiers
}

// verdictCounts words numbers by verdict, the most serious first.
func verdictCounts(n map[rules.Verdict]int) string {
	var parts []string
	for _, verdict := range []rules.Verdict{rules.Fail, rules.Review, rules.NotTestable, rules.Pass} {
		if n[verdict] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n[verdict], verdict))
		}
	}
	return strings.Join(parts, ", ")
}

func (v *comparison) complaints() {
	v.title("What other units complain about")
	if len(v.res.Complaints) == 0 {
		text := "nothing, before or after"
		if v.res.Mode == compare.ByBits {
			text = "not known: no definition names their fault and lamp bits"
		}
		v.wrapped(2, "", text)
	}
	for _, group := range byUnit(v.res.Complaints) {
		v.row(group[0], group[1:])
	}
}

// told reports whether a row is about what a person read or saw, not about bits.
func told(r *compare.Row) bool { return r.Aspect == compare.TroubleCode || r.Aspect == compare.Lamp }

// byUnit gathers complaints of one unit and verdict. Codes and lamps stand alone.
func byUnit(rows []compare.Row) (groups [][]*compare.Row) {
	for i := range rows {
		r := &rows[i]
		at := slices.IndexFunc(groups, func(g []*compare.Row) bool {
			return g[0].Listener == r.Listener && g[0].Listener != "" && g[0].Verdict == r.Verdict && !told(g[0]) && !told(r)
		})
		if at < 0 {
			groups = append(groups, []*compare.Row{r})
			continue
		}
		groups[at] = append(groups[at], r)
	}
	return groups
}

// functions names the functions by verdict, the serious ones first, those of one
// reason together.
func (v *comparison) functions() {
	if len(v.res.Functions) == 0 {
		return
	}
	v.title("Functions")
	for _, verdict := range []rules.Verdict{rules.Fail, rules.Review, rules.NotTestable, rules.Pass} {
		var reasons []string
		titles := map[string][]string{}
		for i := range v.res.Functions {
			if f := &v.res.Functions[i]; f.Verdict == verdict {
				if titles[f.Reason] == nil {
					reasons = append(reasons, f.Reason)
				}
				titles[f.Reason] = append(titles[f.Reason], f.Title)
			}
		}
		for _, reason := range reasons {
			v.marked(16, "  "+verdict.String(), marks[verdict], strings.Join(titles[reason], ", "))
			if reason != "" {
				v.wrapped(18, "", sentence(reason))
			}
		}
	}
}

// identifiers lists the rows that are no pass, those alike together.
func (v *comparison) identifiers() {
	v.title("Identifiers")
	for _, verdict := range []rules.Verdict{rules.Fail, rules.Review} {
		for _, group := range v.groups(verdict) {
			v.row(group[0], group[1:])
		}
	}
	same := 0
	for i := range v.res.Messages {
		if v.res.Messages[i].Verdict == rules.Pass {
			same++
		}
	}
	switch {
	case same > 0:
		v.marked(16, "  pass", marks[rules.Pass], plural(same, "identifier")+" as before in every respect")
	case v.res.Verdict == rules.NotTestable:
		v.wrapped(2, "", "nothing differs, but not one could be judged in every respect")
	}
}

// groups gathers the rows of one verdict by aspect and next step.
func (v *comparison) groups(verdict rules.Verdict) [][]*compare.Row {
	var groups [][]*compare.Row
	for i := range v.res.Messages {
		for k := range v.res.Messages[i].Rows {
			r := &v.res.Messages[i].Rows[k]
			if r.Verdict != verdict {
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
	slices.SortStableFunc(groups, func(a, b []*compare.Row) int {
		return cmp.Compare(a[0].Aspect.Rank(), b[0].Aspect.Rank())
	})
	return groups
}

// row writes a row, and the names of those like it.
func (v *comparison) row(r *compare.Row, more []*compare.Row) {
	const indent = 16
	text := string(r.Aspect) + ": " + sentence(r.Text)
	if r.Aspect == compare.Complaint || told(r) {
		text = sentence(r.Text)
	}
	v.marked(indent, "  "+r.Verdict.String(), marks[r.Verdict], text)
	if len(more) > 0 {
		v.wrapped(indent, "", "likewise "+named(more))
	}
	if r.Verdict == rules.Pass {
		return
	}
	example, when := r.Example, "after"
	if example == nil {
		example, when = r.BeforeExample, "before"
	}
	if example != nil {
		v.line("%s%s, %s", strings.Repeat(" ", indent), v.place(example), when)
		v.line("%s%s", strings.Repeat(" ", indent), plain(example.Raw))
	}
	if r.NextStep != "" {
		v.wrapped(indent, "", "next: "+r.NextStep)
	}
}

// place says where a frame stands.
func (v *comparison) place(e *rules.Example) string {
	if v.lines[e.File] {
		return fmt.Sprintf("%s:%d", plain(e.File), e.Record)
	}
	return fmt.Sprintf("%s record %d", plain(e.File), e.Record)
}

// named lists what rows are about.
func named(rows []*compare.Row) string {
	var names []string
	for _, r := range rows {
		name := cmp.Or(r.Message, r.ID.String())
		switch {
		case r.Signal != "" && r.Message != "":
			name += "." + r.Signal
		case r.Signal != "":
			name += " " + r.Signal
		case r.Message != "":
			name = fmt.Sprintf("%s (%s)", r.Message, r.ID)
		}
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	const shown = 12
	if len(names) > shown {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:shown], ", "), len(names)-shown)
	}
	return strings.Join(names, ", ")
}

// notTestable says what could not be compared, and what would make it so.
func (v *comparison) notTestable() {
	groups := v.groups(rules.NotTestable)
	if len(groups) == 0 {
		return
	}
	v.title("Not testable")
	for _, group := range groups {
		v.wrapped(2, "", string(group[0].Aspect)+": "+sentence(group[0].Text))
		if len(group) > 1 {
			v.wrapped(4, "", "likewise "+named(group[1:]))
		}
		v.wrapped(12, "    to do", cmp.Or(group[0].NextStep, "nothing"))
	}
}
