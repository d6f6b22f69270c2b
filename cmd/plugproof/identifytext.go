package main

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"

	"plugproof/profiles/identify"
	"plugproof/profiles/report"
)

// writeIdentifyText writes an identification to read: first a contradiction
// between the engine computer and the car, then the answer, then the modules.
func writeIdentifyText(w io.Writer, res *identify.Result, plan *identify.Plan, explain bool, c colours) error {
	var b strings.Builder
	if res.Disagree {
		fmt.Fprintf(&b, "%s\n  %s: %s\n  the car says: %s\n\n", c.strong("The engine computer and the car disagree."),
			res.ECU.Is.Says(), strings.Join(res.ECU.Settings, " or "), strings.Join(res.Network, " or "))
	}
	writeAnswer(&b, res, plan, c)
	writeModules(&b, res, c)
	if explain {
		writeEvidence(&b, res, c)
	}
	for _, note := range res.Notes {
		fmt.Fprintf(&b, "\nnote: %s\n", plain(note))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// writeAnswer says which setting it is, and why.
func writeAnswer(b *strings.Builder, res *identify.Result, plan *identify.Plan, c colours) {
	head := fmt.Sprintf("%s: %s", res.Verdict, strings.Join(res.Settings, ", "))
	switch {
	case res.Verdict == identify.NoneFits:
		head = "none fits"
	case len(res.Settings) > 6:
		head = fmt.Sprintf("%s: %d settings", res.Verdict, len(res.Settings))
	}
	fmt.Fprintln(b, c.strong(plain(head)))
	fact := func(name, format string, args ...any) {
		const indent = 14
		for _, line := range report.Wrap(plain(fmt.Sprintf(format, args...)), report.Width-indent) {
			fmt.Fprintf(b, "  %-12s%s\n", name, line)
			name = ""
		}
	}
	known := len(plan.Names())
	narrowed := len(res.Settings) < known || known == 1
	if title := plan.Title(res.Settings[0]); len(res.Settings) == 1 && title != "" && res.Verdict != identify.NoneFits {
		fact("car", "%s", title)
	}
	switch {
	case res.Verdict == identify.NoneFits && narrowed:
		fact("nearest", "%s", settingsText(res.Settings))
	case res.Next != "":
		fact("odds", "%s to the next, %s", report.Odds(res.Odds), res.Next)
	}
	fact("evidence", "%s seen; %.1f %% of %s frames of other modules explained",
		plural(res.Seen, "independent discriminator"), 100*res.Explained, grouped(res.Foreign))
	if res.SameOnBus {
		fact("", "these are the same on the bus: no capture of the other modules tells them apart")
	}
	for i, text := range res.ReadOff {
		fact(map[bool]string{true: "read off"}[i == 0], "%s", text)
	}
	if narrowed {
		writeSettings(fact, res)
	}
	if res.ECU != nil && !res.Disagree {
		fact("ECU", "%s %s: not counted for the car", res.ECU.Is.Says(), settingsText(res.ECU.Settings))
	}
	if res.Step != nil {
		fact("next step", "%s", res.Step.Text)
		fact("", "%s", res.Step.Why)
	}
	for _, in := range res.Interfaces {
		switch {
		case in.Bus == "":
			fact("bus", "%s is no bus of any setting: not judged (--bus %s=BUS)", in.Name, in.Name)
		case in.Bus != in.Name:
			fact("bus", "%s is %s (%s)", in.Name, in.Bus, in.How)
		}
	}
}

// writeSettings says what the new engine computer is to be told.
func writeSettings(fact func(name, format string, args ...any), res *identify.Result) {
	fact("network", "%s", strings.Join(res.Network, " or "))
	if res.Conversion {
		fact("", "as %s; no one setting satisfies %s as well", res.ServedFirst(), strings.Join(res.Unserved, ", "))
		fact("loom", "go by the engine harness: read its plug")
	} else if len(res.Loom) > 0 {
		fact("loom", "%s, if engine and harness are the car's own", strings.Join(res.Loom, " or "))
	}
}

func settingsText(names []string) string {
	if len(names) > 4 {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:3], ", "), len(names)-3)
	}
	return strings.Join(names, ", ")
}

// writeModules says of each module what it asks for.
func writeModules(b *strings.Builder, res *identify.Result, c colours) {
	fmt.Fprintf(b, "\n%s\n", c.strong("What each module says"))
	rows := []table.Row{{"module", "says", ">odds", "settings"}}
	for _, m := range res.Modules {
		row := table.Row{m.Name, m.Says, "", ""}
		if m.State != identify.NotTested && m.Odds > 1 {
			row[2], row[3] = report.Odds(m.Odds), settingsText(m.Settings)
		}
		if slices.Contains(res.Unserved, m.Name) {
			row[3] = fmt.Sprint(row[3], "  <- not satisfied")
		}
		rows = append(rows, row)
	}
	fmt.Fprintln(b, renderTable(rows))
}

// writeEvidence lists the discriminators, as they stand to the first setting.
func writeEvidence(b *strings.Builder, res *identify.Result, c colours) {
	fmt.Fprintf(b, "\n%s\n", c.strong("Discriminators, against "+plain(res.Settings[0])))
	rows := []table.Row{{"", "module", "message", "id", "what", "setting says", "capture shows", ">odds"}}
	for _, p := range res.Evidence {
		row := table.Row{p.Outcome, p.Module, p.Message, p.ID, p.What, p.Says, p.Shown, ""}
		if p.Module == "" {
			row[2] = "the " + p.Bus + " bus"
		}
		if p.Outcome != identify.NotTestable {
			row[7] = report.Odds(p.Odds)
		}
		rows = append(rows, row)
	}
	fmt.Fprintln(b, renderTable(rows))
}
