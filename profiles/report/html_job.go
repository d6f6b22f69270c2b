package report

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"

	"plugproof/profiles"
	"plugproof/profiles/job"
	"plugproof/profiles/rules"
)

// JobHistory is a job and what its files say, for the handover page.
type JobHistory struct {
	Job     *job.Job
	Setting *profiles.Setting // the network setting; nil: not on file
	// Checks are the filed results of check on the car with the new ECU, as JSON,
	// the newest last.
	Checks [][]byte

	CodesBefore, CodesAfter []rules.Code
	Damage                  []job.Damage
	Day                     string // of the report
}

// JobHTML writes the handover report of a job as one page, as HTML does a check,
// and returns the verdict on the whole job.
func JobHTML(w io.Writer, h *JobHistory, opts HTMLOptions) (rules.Verdict, error) {
	s, v, err := newJobSheet(h, &opts)
	if err != nil {
		return v, err
	}
	var page bytes.Buffer
	if err := render(&page, s); err != nil {
		return v, err
	}
	_, err = w.Write(h.Job.Card.WithoutNumber(page.Bytes()))
	return v, err
}

// filedCheck is what a filed check says.
type filedCheck struct {
	Verdict   rules.Verdict `json:"verdict"`
	Functions []struct {
		Name    string        `json:"name"`
		Title   string        `json:"title"`
		Verdict rules.Verdict `json:"verdict"`
		Why     string        `json:"why"`
	} `json:"functions"`
	Findings []struct {
		Rule     string        `json:"rule"`
		Verdict  rules.Verdict `json:"verdict"`
		Text     string        `json:"text"`
		Message  string        `json:"message"`
		Signal   string        `json:"signal"`
		NextStep string        `json:"next_step"`
	} `json:"findings"`
	Untested []struct {
		Text     string `json:"text"`
		NextStep string `json:"next_step"`
	} `json:"not_testable"`
	Missing []string `json:"missing_stages"`
}

func readCheck(src []byte) (*filedCheck, error) {
	c := &filedCheck{}
	if err := json.Unmarshal(src, c); err != nil {
		return nil, fmt.Errorf("a filed check cannot be read: %w", err)
	}
	return c, nil
}

// jobPart is what only the page of a job has.
type jobPart struct {
	Phases    []phaseRow
	Functions *table
	Findings  *table
	Untested  *table
	Change    string // since the check before; "": there was none
	Measured  *table
	Seen      *table
	Files     *table
}

// phaseRow is one phase of the job.
type phaseRow struct {
	Mark  mark
	Title string
	Texts []string
}

func newJobSheet(h *JobHistory, opts *HTMLOptions) (*sheet, rules.Verdict, error) {
	var last, before *filedCheck
	var err error
	for _, src := range h.Checks {
		before = last
		if last, err = readCheck(src); err != nil {
			return nil, rules.NotTestable, err
		}
	}
	v, headline := h.verdict(last)
	card := h.Job.Card
	s := &sheet{
		Title: "Handover: " + cmp.Or(card.Car.Model, h.Job.Dir), Kind: "Handover", Mark: verdictMarks[v], Headline: headline,
		Facts: h.facts(), Version: opts.Version, Plots: newFigures(0, 0, nil).data(),
		Contents: []link{
			{"#job", "The job"}, {"#result", "Function by function"}, {"#car", "Lamps and measurements"}, {"#handover", "Handover"},
		},
	}
	if v == rules.Fail && last.Verdict == rules.Fail && len(last.Findings) > 0 {
		s.First = &lead{"Do this first", said(last.Findings[0].NextStep), "#result"}
	}
	if len(h.Damage) > 0 {
		s.Alarm = &alarm{Title: "Files of this job are not as they were filed"}
		for _, d := range h.Damage {
			s.Alarm.Facts = append(s.Alarm.Facts, fact{Name: d.File, Texts: []string{d.What}})
		}
	}
	s.Job = &jobPart{
		Phases: h.phases(), Functions: functionTable(last), Findings: findingTable(last), Untested: untestedTable(last), Change: recheckWords(before, last),
		Measured: measuredTable(card), Seen: seenTable(card), Files: h.fileTable(),
	}
	s.Handover = h.handover(last, opts)
	return s, v, nil
}

// verdict is that of the whole job: of the last check after the swap, of new
// trouble codes, and of what a person sees, which outranks a passing rule.
func (h *JobHistory) verdict(last *filedCheck) (rules.Verdict, string) {
	codes, lamps := h.news()
	switch {
	case len(h.Damage) > 0:
		return rules.NotTestable, "The record is damaged"
	case last == nil:
		return rules.NotTestable, "The car with the new ECU was not judged"
	case last.Verdict == rules.Fail:
		return rules.Fail, "Not fit to hand over: something fails"
	case codes == rules.Fail:
		return rules.Fail, "Not fit to hand over: there are trouble codes that were not there before"
	case lamps:
		return rules.Fail, "Not fit to hand over: lamps or symptoms that were not there before"
	case last.Verdict == rules.NotTestable || len(last.Missing) > 0:
		return rules.NotTestable, "Nothing fails, not everything could be judged"
	case codes == rules.Review:
		return rules.Review, "Nothing fails; clear the trouble codes that are new, and read them again"
	case last.Verdict == rules.Review:
		return rules.Review, "Nothing fails, something needs a look"
	}
	return rules.Pass, "All that was exercised works"
}

// news says how grave the trouble codes are that were not there before, and whether
// a person sees anything that was not.
func (h *JobHistory) news() (codes rules.Verdict, seen bool) {
	for _, c := range rules.CompareCodes(h.CodesBefore, h.CodesAfter).New {
		f := rules.NewCode(c, h.Setting, nil)
		codes = max(codes, f.Verdict)
	}
	before, after := h.Job.Card.Before, h.Job.Card.After
	fresh := func(was, is []string, s *profiles.Setting) bool { return len(rules.CompareLamps(was, is, s).New) > 0 }
	return codes, fresh(before.Lamps, after.Lamps, h.Setting) || fresh(before.Dead, after.Dead, nil) || fresh(before.Symptoms, after.Symptoms, nil)
}

// facts says which car it is. Its number is masked.
func (h *JobHistory) facts() []fact {
	c := h.Job.Card
	list := []fact{{Name: "Asked", Texts: []string{c.Asked}, Wide: true}}
	car := strings.Join(nonEmpty(c.Car.Model, prefixed("series ", c.Car.Series), c.Car.Engine, c.Car.Gearbox), ", ")
	list = append(list,
		fact{Name: "Car", Texts: nonEmpty(car, prefixed("built ", c.Car.Built), prefixed("odometer ", c.Car.Odometer))},
		fact{Name: "Vehicle number", Texts: nonEmpty(job.Mask(c.Car.VIN))},
		fact{Name: "Opened", Texts: nonEmpty(c.Opened)}, fact{Name: "Report of", Texts: nonEmpty(h.Day)},
		fact{Name: "Workshop", Texts: nonEmpty(c.Workshop, c.Technician)}, fact{Name: "Customer", Texts: nonEmpty(c.Customer)})
	for _, d := range c.Car.Donors {
		list = append(list, fact{Name: d.Module + " from", Texts: []string{d.From}})
	}
	return slices.DeleteFunc(list, func(f fact) bool { return len(f.Texts) == 0 || f.Texts[0] == "" })
}

func prefixed(prefix, s string) string {
	if s == "" {
		return ""
	}
	return prefix + s
}

func nonEmpty(list ...string) []string {
	return slices.DeleteFunc(list, func(s string) bool { return s == "" })
}

// phases says what was done, and what was left out and why.
func (h *JobHistory) phases() []phaseRow {
	var rows []phaseRow
	for _, s := range h.Job.Status() {
		if s.Phase == job.Handover {
			continue
		}
		row := phaseRow{Mark: mark{"pass", "done"}, Title: capital(s.Title), Texts: capitals(s.Remarks)}
		switch {
		case s.LeftOut != "":
			row.Mark, row.Texts = mark{"untested", "left out"}, []string{said(s.LeftOut)}
		case !s.Done:
			row.Mark = mark{"review", "open"}
			row.Texts = append([]string{said("missing: " + strings.Join(s.Missing, ", "))}, row.Texts...)
		}
		rows = append(rows, row)
	}
	return rows
}

// functionTable lists the functions by verdict; nil: none were judged.
func functionTable(c *filedCheck) *table {
	if c == nil || len(c.Functions) == 0 {
		return nil
	}
	t := &table{Caption: "Functions of the car with the new ECU", Heads: []string{"Function", "Verdict", "Why"}, Wordy: true}
	for _, f := range c.Functions {
		t.Rows = append(t.Rows, []string{capital(cmp.Or(f.Title, f.Name)), f.Verdict.String(), capital(f.Why)})
	}
	return t
}

func findingTable(c *filedCheck) *table {
	if c == nil || len(c.Findings) == 0 {
		return nil
	}
	t := &table{Caption: "Findings on the car with the new ECU", Heads: []string{"Finding", "Verdict", "Rule", "Next step"}, Wordy: true}
	for _, f := range c.Findings {
		t.Rows = append(t.Rows, []string{capital(f.Text), f.Verdict.String(), f.Rule, capital(f.NextStep)})
	}
	return t
}

// untestedTable lists what could not be judged, and how it can be; nil: nothing.
func untestedTable(c *filedCheck) *table {
	if c == nil || len(c.Untested) == 0 {
		return nil
	}
	t := &table{Caption: "What could not be tested, and how it can be", Heads: []string{"Not tested", "How to test it"}, Wordy: true}
	for _, f := range c.Untested {
		t.Rows = append(t.Rows, []string{capital(f.Text), cmp.Or(capital(f.NextStep), "-")})
	}
	return t
}

// recheckWords says what became of the findings since the check before.
func recheckWords(before, last *filedCheck) string {
	if before == nil || last == nil {
		return ""
	}
	keys := func(c *filedCheck) map[string]bool {
		m := map[string]bool{}
		for _, f := range c.Findings {
			m[f.Rule+" "+f.Message+" "+f.Signal] = true
		}
		return m
	}
	was, is := keys(before), keys(last)
	gone, fresh := 0, 0
	for k := range was {
		if !is[k] {
			gone++
		}
	}
	for k := range is {
		if !was[k] {
			fresh++
		}
	}
	return fmt.Sprintf("Since the check before: %s gone, %d new, %d still there.", plural(gone, "finding"), fresh, len(is)-fresh)
}

// measuredTable lists what was measured by hand; nil: nothing.
func measuredTable(c *job.Card) *table {
	if len(c.Measurements) == 0 {
		return nil
	}
	t := &table{Caption: "Measured by hand", Heads: []string{"What", "Bus", "Figure", "Instrument"}}
	for _, m := range c.Measurements {
		what, unit := m.What.Words()
		t.Rows = append(t.Rows, []string{capital(what), cmp.Or(m.Bus, "-"), fmt.Sprintf("%g %s", m.Value, unit), cmp.Or(m.Instrument, "not noted")})
	}
	return t
}

// seenTable sets what a person saw before and after side by side.
func seenTable(c *job.Card) *table {
	return &table{
		Caption: "Seen on the car", Heads: []string{"", "With the factory ECU", "With the new ECU"},
		Rows: [][]string{
			{"Lamps lit, engine running", noted(c.Before.Lamps), noted(c.After.Lamps)},
			{"Does not work", noted(c.Before.Dead), noted(c.After.Dead)},
			{"Symptoms", noted(c.Before.Symptoms), noted(c.After.Symptoms)},
		},
	}
}

// noted says what a list holds; nil was not taken down, empty is none.
func noted(names []string) string {
	switch {
	case names == nil:
		return "not noted"
	case len(names) == 0:
		return "none"
	}
	return strings.Join(names, ", ")
}

// fileTable lists the journal.
func (h *JobHistory) fileTable() *table {
	t := &table{Caption: "Files of the job", Heads: []string{"File", "What", "Filed", "SHA-256"}, Wordy: true}
	for _, e := range h.Job.Journal {
		t.Rows = append(t.Rows, []string{
			e.File, strings.Join(nonEmpty(string(e.Kind), e.Command, string(e.Moment), e.Verdict), ", "), cmp.Or(e.Time, "-"), e.SHA256,
		})
	}
	return t
}

// handover is the part that every page has, filled in from the job.
func (h *JobHistory) handover(last *filedCheck, opts *HTMLOptions) handover {
	c := h.Job.Card
	out := newHandover(opts.Version, opts.Files)
	why := "nobody confirmed it"
	if e := h.Job.ResultOf("identify", ""); e != nil {
		why = fmt.Sprintf("the car's other modules: %s %s", e.Verdict, e.Setting)
	}
	out.Settings = []fact{
		{Name: "Network setting", Texts: []string{cmp.Or(c.Settings.Network, "not noted"), why}},
		{Name: "Loom setting", Texts: []string{cmp.Or(c.Settings.Loom, "not noted")}},
		{Name: "Factory ECU", Texts: unitWords(c.Factory)},
		{Name: "New ECU", Texts: unitWords(c.New)},
	}
	for _, e := range h.Job.Journal {
		if e.Kind == job.Capture {
			out.Captures = append(out.Captures, captureRow{
				string(e.Moment), e.File, formatOf(e.File), "-", bytesOf(e.Size), e.SHA256,
			})
		}
	}
	if out.Codes = codeTable(h.CodesBefore, h.CodesAfter); out.Codes == nil {
		out.NoCodes = "No trouble codes, neither before nor after."
		if h.Job.CodesOf(job.Baseline) == nil || h.Job.CodesOf(job.After) == nil {
			out.NoCodes = "No list of trouble codes was filed before, or none after."
		}
	}
	out.Limits = h.limits(last)
	return out
}

// formatOf is the format of a capture, as its name says.
func formatOf(file string) string {
	_, ext, _ := strings.Cut(file[strings.LastIndex(file, "/")+1:], ".")
	return cmp.Or(ext, "-")
}

func unitWords(u job.Unit) []string {
	if list := u.Words(); len(list) > 0 {
		return list
	}
	return []string{"not noted"}
}

// limits lists what the report does not say.
func (h *JobHistory) limits(last *filedCheck) []string {
	var list []string
	for _, s := range h.Job.Status() {
		switch {
		case s.Phase == job.Handover:
		case s.LeftOut != "":
			list = append(list, fmt.Sprintf("%s: left out, %s.", capital(s.Title), s.LeftOut))
		case !s.Done:
			list = append(list, fmt.Sprintf("%s: open.", capital(s.Title)))
		}
	}
	if last != nil {
		var names []string
		for _, f := range last.Functions {
			if f.Verdict == rules.NotTestable {
				names = append(names, cmp.Or(f.Title, f.Name))
			}
		}
		if len(names) > 0 {
			list = append(list, fmt.Sprintf("Not judged, and not to be taken for working: %s.", strings.Join(names, "; ")))
		}
	}
	return append(list, "A pass speaks of these captures only: of what was exercised while they were recorded.")
}
