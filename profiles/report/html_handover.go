package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"plugproof/decode/capture"
	"plugproof/profiles"
	"plugproof/profiles/check"
	"plugproof/profiles/rules"
)

// handover is what goes with the car: what was set, what was judged, what it
// does not say, and room to sign.
type handover struct {
	Settings []fact
	Captures []captureRow
	Files    []check.File
	Version  string
	Codes    *table // nil: no list was given
	NoCodes  string // said instead
	Lamps    *table // nil: nobody noted them, or they stand elsewhere
	Limits   []string
	Cautions []string
	Law      string
	Signers  []string
}

// captureRow identifies a capture by its content.
type captureRow struct {
	Role, Name, Format, Frames, Size, SHA256 string
}

// Cautions that go with every page; the same as in the README.
func cautions() []string {
	return []string{
		"This is diagnosis in the workshop and on the bench. Do not operate a computer while driving; leave driving tests to licensed persons, where they are allowed.",
		"With the engine computer unplugged or wrongly set, fans may start at any time, relays click, the throttle plate may snap shut and the starter may engage. Keep hands away; chock the wheels.",
		"Work on a restraint system only as its maker says, with the battery off.",
		"Record in listen-only mode. An adapter that takes part at the wrong bit rate takes a car's bus down.",
		"A capture holds a car's identity and habits. Treat it, and this page, as the customer's property.",
	}
}

// localLaw is the sentence on what no report can decide.
const localLaw = "Many places restrict engine alterations and prosecute tampering with emissions, odometers and immobilisers. " +
	"Local rules and licensed persons decide, not this tool; it proves nothing about road use or emissions, and bypasses no immobiliser."

// newHandover fills in what every page has.
func newHandover(version string, files []check.File) handover {
	return handover{
		Version: version, Files: files, Cautions: cautions(), Law: localLaw,
		Signers: []string{"Technician", "Customer"},
	}
}

func (b *checkBuilder) handover(opts *HTMLOptions) handover {
	h := newHandover(opts.Version, opts.Files)
	h.Settings = settingFacts(b.out.Setting)
	h.addCaptures("judged", b.out.Captures)
	h.addCaptures("baseline", b.out.Baseline)
	h.seen(&b.out.Seen)
	h.Limits = b.limits()
	return h
}

// seen fills in what a person read and saw, before and after.
func (h *handover) seen(seen *rules.Observed) {
	if h.Codes = codeTable(seen.Before.Codes, seen.Codes); h.Codes == nil {
		h.NoCodes = noCodes(seen.Before.Codes, seen.Codes)
	}
	h.Lamps = lampTable(seen.Before.Lamps, seen.Lamps)
}

// settingFacts are the two things that a new engine computer is told.
func settingFacts(s *profiles.Setting) []fact {
	return []fact{
		{Name: "Network setting", Texts: []string{cmp.Or(s.Settings.Network, "not stated by the profile")}},
		{Name: "Loom setting", Texts: []string{cmp.Or(s.Settings.Loom, "not stated by the profile")}},
		{Name: "Profile", Texts: []string{s.Name}},
	}
}

func (h *handover) addCaptures(role string, reports []capture.FileReport) {
	for i := range reports {
		r := &reports[i]
		size := "not known"
		if r.Size >= 0 {
			size = bytesOf(r.Size)
		}
		h.Captures = append(h.Captures, captureRow{
			role, r.Path, joinWords(r.Format, r.Compression), Grouped(r.Frames), size, cmp.Or(r.SHA256, "not computed"),
		})
	}
}

// bytesOf writes the size of a file.
func bytesOf(n int64) string { return Grouped(uint64(n)) + " bytes" }

func joinWords(a, b string) string {
	if b == "" {
		return a
	}
	return a + ", " + b
}

// codeTable sets trouble codes before and after side by side; nil: none.
func codeTable(before, after []rules.Code) *table {
	type key struct{ module, code string }
	type row struct {
		text          string
		before, after bool
	}
	rows := map[key]*row{}
	var order []key
	take := func(list []rules.Code, mark func(*row)) {
		for _, c := range list {
			k := key{c.Module, c.Code}
			if rows[k] == nil {
				rows[k] = &row{text: c.Text}
				order = append(order, k)
			}
			mark(rows[k])
		}
	}
	take(before, func(r *row) { r.before = true })
	take(after, func(r *row) { r.after = true })
	if len(order) == 0 {
		return nil
	}
	slices.SortStableFunc(order, func(a, b key) int {
		return cmp.Or(cmp.Compare(a.module, b.module), cmp.Compare(a.code, b.code))
	})
	t := &table{
		Caption: "Trouble codes as the scan tool listed them",
		Heads:   []string{"Code", "Module", "Text", "Before", "After"}, Wordy: true,
	}
	words := map[bool]string{true: "stored", false: "-"}
	for _, k := range order {
		r := rows[k]
		t.Rows = append(t.Rows, []string{k.code, cmp.Or(k.module, "not named"), r.text, words[r.before], words[r.after]})
	}
	return t
}

// limits lists what this check does not say.
func (b *checkBuilder) limits() []string {
	var list []string
	var names []string
	for i := range b.out.Functions {
		if f := &b.out.Functions[i]; f.Verdict == rules.NotTestable {
			names = append(names, f.Title)
		}
	}
	if len(names) > 0 {
		list = append(list, fmt.Sprintf("Not judged, and not to be taken for working: %s.", strings.Join(names, "; ")))
	}
	if len(b.out.Missing) > 0 {
		list = append(list, fmt.Sprintf("Stages that were not recorded: %s.", enumerate(b.out.Missing)))
	}
	for _, group := range byRemedy(b.out.NotTestable) {
		if group[0].Stage == "" {
			list = append(list, said(together(group)))
		}
	}
	list = append(list,
		"Limits marked \"common practice\" are not the maker's.",
		"A pass speaks of these captures only: of what was exercised while they were recorded.")
	return list
}

// enumerate joins names: "a, b and c".
func enumerate(names []string) string {
	switch n := len(names); n {
	case 0:
		return ""
	case 1:
		return names[0]
	default:
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	}
}

func captureWords(r *capture.FileReport) string {
	return fmt.Sprintf("%s, %s frames", r.Path, Grouped(r.Frames))
}

// recordedWords says when captures were taken, as far as their stamps tell, and
// how long they last.
func recordedWords(reports []capture.FileReport, start, end int64) []string {
	texts := []string{fmt.Sprintf("%.3f s", float64(end-start)/1e9)}
	for i := range reports {
		if reports[i].Clock == capture.ClockAbsolute && reports[i].Frames > 0 {
			return append(texts, "from "+time.Unix(0, start).UTC().Format("2 January 2006, 15:04:05")+" UTC by the recorder's clock")
		}
	}
	return texts
}
