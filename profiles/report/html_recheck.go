package report

import (
	"fmt"
	"io"

	"plugproof/profiles/check"
	"plugproof/profiles/recheck"
)

// RecheckHTML writes which verdicts changed as one page, as HTML does a check.
func RecheckHTML(w io.Writer, res *recheck.Result, opts HTMLOptions) error {
	return render(w, newRecheckSheet(res, &opts))
}

// recheckPart is what only the page of a recheck has.
type recheckPart struct {
	Looks  []recheckCard
	More   string // says that there are more to look at; "": there are not
	Groups []recheckGroup
	Files  *table // nil: none
}

// recheckCard is one recording to look at.
type recheckCard struct {
	Mark                 mark
	Name, Profile, Brief string
	Lines                []string
}

// recheckGroup is the recordings judged by one setting.
type recheckGroup struct {
	Title string
	Table table
}

// maxLooks is how many recordings a page shows one by one; the table has all.
const maxLooks = 200

var stateMarks = map[recheck.State]mark{
	recheck.Changed: {"fail", "changed"}, recheck.Gone: {"fail", "gone"},
	recheck.New: {"review", "new"}, recheck.Same: {"pass", "as on file"},
}

func newRecheckSheet(res *recheck.Result, opts *HTMLOptions) *sheet {
	t := res.Tally()
	s := &sheet{
		Title: "Recheck: " + recheckHeadline(t), Kind: "Recheck", Headline: recheckHeadline(t), Mark: stateMarks[recheckState(t)],
		Portions: portions([]portion{
			{Mark: stateMarks[recheck.Changed], Count: t.Changed, What: "changed"},
			{Mark: stateMarks[recheck.Gone], Count: t.Gone, What: "gone"},
			{Mark: stateMarks[recheck.New], Count: t.New, What: "new"},
			{Mark: stateMarks[recheck.Same], Count: t.Same, What: "as on file"},
		}),
		Facts: []fact{
			{Name: "Judged", Texts: []string{plural(t.Recordings, "capture")}},
			{Name: "Cannot be judged", Texts: []string{plural(t.Unreadable, "capture")}},
		},
		Version: opts.Version, Plots: newFigures(0, 0, nil).data(), Recheck: newRecheckPart(res, opts.Files),
	}
	if len(s.Recheck.Looks) > 0 {
		s.Contents = append(s.Contents, link{"#changed", "To look at"})
	}
	s.Contents = append(s.Contents, link{"#captures", "All captures"})
	if s.Recheck.Files != nil {
		s.Contents = append(s.Contents, link{"#files", "Files"})
	}
	return s
}

// recheckState is the state that the page as a whole is shown in.
func recheckState(t recheck.Tally) recheck.State {
	switch {
	case t.Changed > 0 || t.Gone > 0:
		return recheck.Changed
	case t.New > 0:
		return recheck.New
	}
	return recheck.Same
}

func recheckHeadline(t recheck.Tally) string {
	switch recheckState(t) {
	case recheck.Changed:
		return fmt.Sprintf("%d of %s not as on file", t.Changed+t.Gone, plural(t.Recordings+t.Gone, "capture"))
	case recheck.New:
		return plural(t.New, "capture") + " without a verdict on file"
	}
	return "Every verdict is as on file"
}

func newRecheckPart(res *recheck.Result, files []check.File) *recheckPart {
	p := &recheckPart{}
	at := map[string]int{} // of a setting's group
	looks := 0
	for i := range res.Rows {
		r := &res.Rows[i]
		profile := r.Profile()
		if r.State != recheck.Same {
			if looks++; looks <= maxLooks {
				p.Looks = append(p.Looks, recheckCard{stateMarks[r.State], r.Name, profile, r.Brief(), r.Lines()})
			}
		}
		n, ok := at[profile]
		if !ok {
			n = len(p.Groups)
			at[profile] = n
			p.Groups = append(p.Groups, recheckGroup{Title: profile, Table: table{
				Caption: "Captures judged by " + profile, Heads: []string{"Capture", "Verdict", "On file", "State"}, Wordy: true,
			}})
		}
		p.Groups[n].Table.Rows = append(p.Groups[n].Table.Rows, []string{r.Name, verdictWord(r.Now), verdictWord(r.Was), string(r.State)})
	}
	for i := range p.Groups {
		p.Groups[i].Title += ": " + plural(len(p.Groups[i].Table.Rows), "capture")
	}
	if looks > maxLooks {
		p.More = fmt.Sprintf("%d more are in the tables below.", looks-maxLooks)
	}
	if len(files) > 0 {
		p.Files = &table{Caption: "What the verdicts rest on; a profile's version is its content", Heads: []string{"File", "Size", "SHA-256"}, Wordy: true}
		for _, f := range files {
			p.Files.Rows = append(p.Files.Rows, []string{f.File, bytesOf(f.Size), f.SHA256})
		}
	}
	return p
}

func verdictWord(v *recheck.Verdict) string {
	if v == nil {
		return "none"
	}
	return v.Verdict
}
