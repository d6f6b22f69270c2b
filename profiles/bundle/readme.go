package bundle

import (
	"fmt"
	"strings"
)

// columns is the width of the readme.
const columns = 79

// readme says in words what the archive holds.
func (b *builder) readme() error {
	var r readme
	m, card := b.manifest, b.job.Card
	r.line("What is in this archive")
	r.line("=======================")
	r.line("")
	r.text("", "Parts of the job of one car, put together by plugproof %s for the support of the new ECU. manifest.json says the same for programs, with the SHA-256 of every file.", m.Version)
	r.line("")
	r.item("Network setting", orNot(m.Network))
	r.item("Loom setting", orNot(m.Loom))
	r.item("New ECU", orNot(strings.Join(card.New.Words(), ", ")))
	r.item("Factory ECU", orNot(strings.Join(card.Factory.Words(), ", ")))
	r.item("Lamps before", listed(card.Before.Lamps))
	r.item("Lamps after", listed(card.After.Lamps))
	r.item("Dead after", listed(card.After.Dead))
	r.item("Symptoms", listed(append(append([]string{}, card.Before.Symptoms...), card.After.Symptoms...)))
	r.line("")
	r.item("captures/", "what was recorded from 10 s before to 10 s after each finding, as candump logs, with the stages of the capture script beside them. Stamps are those of the whole capture.")
	r.item("profile/", "the network setting as composed, each line with where it was written, and its DBC files: plugproof check captures/after.log --profile profile/NAME.yaml")
	r.item("results/", "the newest results as JSON, and the lists of trouble codes before and after")
	r.item("job.yaml", "what people know of the car, without the customer; journal.jsonl: what was filed when, with hashes")
	b.readmeCaptures(&r)
	b.readmeMasks(&r)
	b.readmeRest(&r)
	return b.text("README.txt", []byte(r.String()))
}

// readmeCaptures lists the captures and which finding is where.
func (b *builder) readmeCaptures(r *readme) {
	for _, c := range b.manifest.Captures {
		if len(c.Cuts) == 0 {
			continue
		}
		r.head("Capture of " + string(c.Moment))
		for _, cut := range c.Cuts {
			r.text("  ", "%s: %.1f to %.1f s, %d frames", cut.File, cut.FromS, cut.ToS, cut.Frames)
			for _, f := range c.Findings {
				if f.Of != "check" || f.Cut != cut.File {
					continue
				}
				note := ""
				if f.Shows != nil && !*f.Shows {
					note = " - not seen in the cut alone: it rests on the whole capture, on the baseline, or on what was seen"
				}
				r.text("      ", "%s%s", f.title(), note)
			}
		}
	}
}

// readmeMasks says what was masked.
func (b *builder) readmeMasks(r *readme) {
	r.head("Masked")
	r.text("", "The vehicle number and what an immobiliser or a module exchanges as a key are not in this archive. The bytes of such a frame are %s, or where the profile says which bits are the number, those bits; a check of a cut may find these messages wrong, which is the mask's doing. In texts, all but the last four characters of a vehicle number are asterisks: %d places.", b.manifest.Pattern, b.manifest.Texts)
	for _, m := range b.manifest.Masked {
		r.text("  ", "%s %s on %s: %d frames, %s", m.Capture, m.ID, m.Bus, m.Frames, m.Why)
	}
	if len(b.manifest.Masked) == 0 {
		r.line("  No frame had to be masked.")
	}
}

// readmeRest says what is missing, and what is damaged.
func (b *builder) readmeRest(r *readme) {
	if len(b.manifest.LeftOut) > 0 {
		r.head("Left out")
		for _, s := range b.manifest.LeftOut {
			r.text("  ", "%s", s)
		}
	}
	if len(b.manifest.Damage) > 0 {
		r.head("Not as it was filed")
		for _, d := range b.manifest.Damage {
			r.text("  ", "%s %s", d.File, d.What)
		}
	}
	if b.opts.Photos && len(b.job.Card.Photos) > 0 {
		r.head("Photos")
		r.text("  ", "Photos are as they were taken: nothing in a picture is masked, nor what a camera writes beside it.")
	}
}

// readme collects text.
type readme struct{ strings.Builder }

func (r *readme) line(s string) { r.WriteString(s + "\n") }

func (r *readme) head(s string) { r.line("\n" + s + "\n" + strings.Repeat("-", len(s))) }

// item writes a label and a text beside it.
func (r *readme) item(label, text string) {
	const wide = 17
	r.wrapped(fmt.Sprintf("%-*s", wide, label), strings.Repeat(" ", wide), text)
}

// text writes a text, indented; further lines stand deeper.
func (r *readme) text(indent, format string, args ...any) {
	deeper := indent
	if indent != "" {
		deeper += "  "
	}
	r.wrapped(indent, deeper, fmt.Sprintf(format, args...))
}

func (r *readme) wrapped(first, further, text string) {
	line, empty := first, true
	for w := range strings.FieldsSeq(text) {
		if !empty && len(line)+1+len(w) > columns {
			r.line(line)
			line, empty = further, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+w, false
	}
	r.line(line)
}

func orNot(s string) string {
	if s == "" {
		return "not stated"
	}
	return s
}

// listed says what a list holds; nil is not known, empty is none.
func listed(list []string) string {
	switch {
	case list == nil:
		return "not stated"
	case len(list) == 0:
		return "none"
	}
	return strings.Join(list, ", ")
}
